"""A few seconds of readings while nothing moves: for zeros, known weights and known positions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from analysis.readings import Floats
from rig.errors import PortError
from rig.line import Answer, Command, Hello, LineSource, Reading
from rig.port.link import Link


def capture(
    link: Link,
    source: LineSource,
    hello: Hello,
    seconds: float,
    *,
    clock: Callable[[], float],
    patience_s: float = 10.0,
    watch: Callable[[float], None] = lambda share: None,
) -> dict[str, Floats]:
    """Read raw values for some seconds of the board's time.

    Bytes that waited in the port's buffer are passed over first, so that the readings are of now.

    Parameters
    ----------
    link, source, hello
        The open port, what reads its lines, and who the board is.
    seconds : float
        How long, by the number of readings at the hello's rate.
    clock : callable
        The computer's monotonic clock, s.
    patience_s : float
        How long to wait without any reading, s.
    watch : callable
        Told which share is there, 0 to 1.

    Returns
    -------
    dict of ndarray
        Raw values by channel, shape (n,), nan where missing.

    Raises
    ------
    PortError
        If the readings stop coming, or the port goes away.
    """
    start = source.say(Command("start"))
    if start is not None:
        link.write(start)
    source.feed(link.read())
    wanted = max(10, round(seconds * hello.rate_hz))
    readings: list[Reading] = []
    latest = clock()
    while len(readings) < wanted:
        fresh = [record for record in source.feed(link.read()) if isinstance(record, Reading)]
        readings += fresh
        if fresh:
            latest = clock()
            watch(min(1.0, len(readings) / wanted))
        elif clock() - latest > patience_s:
            raise PortError(f"{link.url} sends no more readings", "look at the board and its cable")
    _quieten(link, source, clock)
    values = np.array([reading.values for reading in readings[:wanted]], dtype=float)
    return dict(zip(hello.names, values.T, strict=True))


def _quieten(link: Link, source: LineSource, clock: Callable[[], float], wait_s: float = 0.5) -> None:
    """Ask the board to stop, and take what is still on its way; a board that knows no ``stop`` goes on."""
    stop = source.say(Command("stop"))
    if stop is None:
        return
    link.write(stop)
    deadline = clock() + wait_s
    while clock() < deadline:
        if any(
            isinstance(record, Answer) and record.command == "stop" for record in source.feed(link.read())
        ):
            return
