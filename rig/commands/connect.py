"""Open the port that the user means and meet the board behind it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from analysis.readings import Floats
from rig.calibration import Calibration, latest_calibration, load_calibration
from rig.errors import CallError, PortError
from rig.line import Decoder, Hello
from rig.port.capture import capture
from rig.port.handshake import Greeting, identify
from rig.port.link import SerialLink, list_ports, open_link, seen
from rig.settings import Settings

Port = Annotated[
    str | None,
    typer.Option(
        "--port", metavar="PORT", help="Serial port or socket://HOST:PORT. blankbench ports lists them."
    ),
]
Baud = Annotated[int | None, typer.Option("--baud", min=300, help="Baud rate of the board's port.")]
CalibrationFile = Annotated[
    Path | None,
    typer.Option("--calibration", metavar="FILE", help="Calibration to use instead of the shop's latest."),
]


@dataclass(frozen=True, slots=True)
class Board:
    """An open port with a board that has said hello."""

    link: SerialLink
    """The port."""
    source: Decoder
    """Reads its lines."""
    hello: Hello
    """Who it is."""
    greeting: Greeting
    """What came until the hello."""

    def capture(self, seconds: float) -> dict[str, Floats]:
        """Raw values by channel over some seconds while nothing moves."""
        import time

        return capture(self.link, self.source, self.hello, seconds, clock=time.monotonic)


@contextmanager
def board_at(port: str | None, baud: int | None, settings: Settings) -> Iterator[Board]:
    """Open a port, wait for the hello, and close the port at the end.

    Without a port the one of the settings is taken, else the only one there is.

    Raises
    ------
    PortError
        If there is none or several to choose from, or nobody says hello.
    """
    url = port or settings.rig.port
    if url is None:
        found = list_ports()
        if len(found) != 1:
            what = "there are several serial ports" if found else "no port is named"
            raise PortError(what, f"name one with --port; {seen(found)}")
        url = found[0].url
    rate = baud or settings.rig.baud
    with open_link(url, rate) as link:
        source = Decoder()
        greeting = identify(link, source, baud=rate if "://" not in url else None)
        yield Board(link, source, greeting.hello, greeting)


def calibration_in_force(chosen: Path | None, settings: Settings) -> Calibration:
    """Give the calibration named, else the shop's latest, else an empty one."""
    if chosen is not None:
        return load_calibration(chosen)
    return latest_calibration(settings.shop.calibrations) or Calibration()


def ask(what: str, option: str, interactive: bool) -> str:
    """Ask the person at the keyboard; where there is none, say which option is missing.

    Raises
    ------
    CallError
        If there is nobody to ask.
    """
    if not interactive:
        raise CallError(f"{option} is missing", f"give {option}: {what[0].lower()}{what[1:]}")
    return str(typer.prompt(what, err=True)).strip()
