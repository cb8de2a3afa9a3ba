"""Open the port that the user means and meet the board behind it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from analysis.readings import Floats
from rig.calibration import Calibration, latest_calibration, load_calibration
from rig.errors import CallError, PortError
from rig.line import Decoder, Hello, LineSource, PlainDecoder
from rig.port.capture import capture
from rig.port.handshake import DEFAULT_TIMEOUT_S, Greeting, identify
from rig.port.link import SerialLink, list_ports, open_link, seen
from rig.settings import Settings

_SKETCH_S = 4.0
"""How long the sketch of the settings has to print three good lines, s; a board that starts needs two."""
_FIND_S = 4.0
"""The same for a port that may be anything."""
Port = Annotated[
    str | None,
    typer.Option(
        "--port", metavar="PORT", help="Serial port or socket://HOST:PORT. Without it the rig is looked for."
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
    source: LineSource
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
    url = port or settings.rig.port or find_rig(settings, baud)
    rate = baud or (settings.sketch.baud if settings.sketch is not None else None) or settings.rig.baud
    with open_link(url, rate) as link:
        source, greeting = meet(link, settings, rate if "://" not in url else None)
        yield Board(link, source, greeting.hello, greeting)


def meet(
    link: SerialLink, settings: Settings, baud: int | None, timeout_s: float = DEFAULT_TIMEOUT_S
) -> tuple[LineSource, Greeting]:
    """Wait for a board that speaks the line protocol, or for the sketch that the settings know.

    Raises
    ------
    PortError
        If neither comes; it says what came instead.
    """
    if settings.sketch is not None:
        plain = PlainDecoder(settings.sketch)
        try:
            return plain, identify(link, plain, timeout_s=min(_SKETCH_S, timeout_s), baud=baud)
        except PortError:
            pass  # the board may have got another sketch since: ask it
    source = Decoder()
    try:
        return source, identify(link, source, timeout_s=timeout_s, baud=baud)
    except PortError as error:
        if "another sketch" in error.what:
            raise PortError(error.what, f"blankbench sniff --port {link.url} learns what it says") from error
        raise


def find_rig(settings: Settings, baud: int | None = None, *, interactive: bool | None = None) -> str:
    """Find the one port behind which the rig answers: a board that says hello, or the settings' sketch.

    Raises
    ------
    PortError
        If there is no port, none answers, or several do and nobody can be asked.
    """
    found = list_ports()
    if not found:
        raise PortError("no port is named", f"name one with --port; {seen(found)}")
    if len(found) == 1:
        return found[0].url
    rate = baud or (settings.sketch.baud if settings.sketch is not None else None) or settings.rig.baud
    there: list[str] = []
    for each in found:
        try:
            with open_link(each.url, rate) as link:
                meet(link, settings, rate, _FIND_S)
        except PortError:
            continue
        there.append(each.url)
    if len(there) == 1:
        return there[0]
    if not there:
        raise PortError("none of the serial ports answers as a rig", f"name one with --port; {seen(found)}")
    if sys.stdin.isatty() if interactive is None else interactive:
        answer = str(typer.prompt(f"Which rig: {', '.join(there)}?", default=there[0], err=True)).strip()
        if answer in there:
            return answer
    raise PortError(f"several rigs answer: {', '.join(there)}", "name one with --port")


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
