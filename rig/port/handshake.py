"""First words with a board: wait for its hello, and say what is wrong if none comes."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from rig.errors import PortError
from rig.line import Command, Fault, Hello, LineSource, Record
from rig.port.link import COMMON_BAUDS, Link, PortInfo, list_ports, seen

DEFAULT_TIMEOUT_S = 6.0
"""Two seconds for a board that starts anew when its port opens, and two hellos two seconds apart."""
_ASK_AGAIN_S = 1.0
_SAMPLE = 2048


@dataclass(frozen=True, slots=True)
class Greeting:
    """A board that has said hello."""

    hello: Hello
    """Who it is."""
    records: tuple[Record | Fault, ...]
    """All that came until then, the hello among it, in order: nothing is lost."""


def identify(
    link: Link,
    source: LineSource,
    *,
    timeout_s: float = DEFAULT_TIMEOUT_S,
    baud: int | None = None,
    clock: Callable[[], float] = time.monotonic,
    ports: Callable[[], Iterable[PortInfo]] = list_ports,
) -> Greeting:
    """Wait for a board's hello; ask for it once a second.

    Parameters
    ----------
    link : Link
        An open link.
    source : LineSource
        Reads the board's lines; it goes on where this function stops.
    timeout_s : float
        How long to wait, s.
    baud : int or None
        The baud rate in use, for the advice; ``None`` where it has no meaning.
    clock : callable
        Monotonic seconds.
    ports : callable
        Lists the ports, for the advice.

    Raises
    ------
    PortError
        If no hello comes; it says whether nothing came at all, something that is no text, another device's
        text, damaged lines, another protocol version, or readings without a hello.
    """
    question = source.say(Command("identify"))
    records: list[Record | Fault] = []
    sample = b""
    begun = clock()
    asked = None
    while (now := clock()) - begun < timeout_s:
        if question is not None and (asked is None or now - asked >= _ASK_AGAIN_S):
            link.write(question)
            asked = now
        data = link.read()
        sample = (sample + data)[-_SAMPLE:]
        fresh = source.feed(data)
        records += fresh
        if source.hello is not None and any(isinstance(record, Hello) for record in fresh):
            return Greeting(source.hello, tuple(records))
        wrong = next((r for r in fresh if isinstance(r, Fault) and r.kind == "version"), None)
        if wrong is not None:
            raise PortError(f"{link.url}: {wrong.what}", wrong.do)
    raise diagnosis(link.url, source, records, sample, timeout_s, baud, ports)


def diagnosis(
    url: str,
    source: LineSource,
    records: Iterable[Record | Fault],
    sample: bytes,
    waited_s: float,
    baud: int | None,
    ports: Callable[[], Iterable[PortInfo]] = list_ports,
) -> PortError:
    """Say why no hello came, from what came instead.

    Parameters
    ----------
    url : str
        The port.
    source : LineSource
        After it has read all that came.
    records : iterable
        What it made of it.
    sample : bytes
        The end of what came.
    waited_s : float
        How long was waited, s.
    baud, ports
        As in `identify`.
    """
    tally = source.tally
    others = ", ".join(str(rate) for rate in COMMON_BAUDS if rate != baud)
    at = f" at {baud} baud" if baud is not None else ""
    if tally.bytes == 0:
        return PortError(
            f"nothing came from {url} in {waited_s:g} s",
            f"is the board powered and its sketch running, and is this its port? {seen(ports())}",
        )
    if tally.readings:
        return PortError(
            f"{url} sends readings but never says hello",
            "the sketch must repeat its hello line and answer identify",
        )
    broken = next(
        (r for r in records if isinstance(r, Fault) and r.kind == "form" and r.line[:1] == b"H"), None
    )
    if broken is not None:
        return PortError(f"{url} says a hello that is not understood: {broken.what}", broken.do)
    if tally.good:
        return PortError(
            f"{url} is a blankbench board that says no hello",
            "press its reset button, or load the sketch anew",
        )
    if _strange_share(sample) > 0.1:
        return PortError(
            f"{url} sends bytes that are no text{at}", f"the baud rate is likely another: try {others}"
        )
    if tally.faults["check"] > tally.faults["unchecked"]:
        return PortError(
            f"every line from {url} is damaged{at}", f"try a shorter, screened cable, or {others} baud"
        )
    return PortError(
        f"{url} is another device, or has another sketch: it says {_shown(sample)}",
        f"load a sketch that speaks the line protocol, or name the right port; {seen(ports())}",
    )


def _strange_share(sample: bytes) -> float:
    """Part of the bytes that no text has."""
    strange = sum(1 for byte in sample if not (32 <= byte < 127 or byte in b"\t\r\n"))
    return strange / max(1, len(sample))


def _shown(sample: bytes) -> str:
    """Take one line that is likely whole, short enough for a message."""
    lines = [line.strip() for line in sample.decode("ascii", errors="replace").splitlines() if line.strip()]
    line = lines[len(lines) // 2] if lines else ""
    return repr(line if len(line) <= 40 else line[:37] + "...")
