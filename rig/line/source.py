"""What every line source is: bytes go in, records and faults come out.

The decoder of the bench's own line protocol is one; a reader of another sketch's lines is another. A recorder
knows only this.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Protocol

from rig.line.record import Command, FaultKind, Hello, Record


@dataclass(frozen=True, slots=True)
class Fault:
    """A line that could not be used, or a break in the row of readings. Never fatal."""

    kind: FaultKind
    """Which sort of trouble."""
    what: str
    """What is wrong, in plain words."""
    do: str
    """What to do about it."""
    line: bytes = b""
    """The line as it came; of one that is too long, its beginning."""
    number: int = 0
    """Which line of the stream it was, counted from 1."""
    lost: int = 0
    """With ``gap``: how many readings are missing."""

    def __str__(self) -> str:
        return f"line {self.number}: {self.what}; {self.do}"


@dataclass(slots=True)
class Tally:
    """How a stream has gone so far. Each whole line is in exactly one of the five counts of lines."""

    bytes: int = 0
    """Bytes that came in."""
    readings: int = 0
    """Lines that gave a reading."""
    others: int = 0
    """Lines that gave another record."""
    bad: int = 0
    """Lines that could not be used."""
    blank: int = 0
    """Empty lines, which are left out silently."""
    partial: int = 0
    """First lines after an attach that were cut: expected, and no fault."""
    lost: int = 0
    """Readings that are missing by their sequence numbers."""
    faults: Counter[FaultKind] = field(default_factory=Counter)
    """Faults by kind: bad lines, and breaks in the row of readings."""

    @property
    def good(self) -> int:
        """Lines that gave a record."""
        return self.readings + self.others

    @property
    def lines(self) -> int:
        """Lines that came to their end, or grew too long."""
        return self.readings + self.others + self.bad + self.blank + self.partial


class LineSource(Protocol):
    """Turns the bytes of one device into records."""

    @property
    def hello(self) -> Hello | None:
        """Who is speaking, once known."""

    @property
    def tally(self) -> Tally:
        """How the stream has gone so far."""

    def feed(self, data: bytes) -> list[Record | Fault]:
        """Take the next bytes, in pieces of any size; return what they complete, in order. Never raises."""

    def reattach(self) -> None:
        """Forget a half line: the port was closed and opened again."""

    def say(self, command: Command) -> bytes | None:
        """Bytes that give the device a command; ``None`` if it takes no such command."""
