"""What a board says and what it may be asked: one frozen record a line.

`rig.line.frame` turns these into bytes and back. What no line may carry is refused here, when the record is
made (``ValueError``); what a board sends and may not is a `LineFault`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from analysis.errors import BlankbenchError

PROTOCOL_VERSION = 1
"""The version of the line protocol that is spoken here."""
MAX_LINE = 255
"""Longest line in bytes, without its line end."""
MAX_CHANNELS = 8
"""Most channels that one board may have."""

Coding: TypeAlias = Literal["signed", "unsigned", "turn"]
"""How counts are to be read: two's complement, plain, or plain and once round per turn."""
FaultKind: TypeAlias = Literal[
    "long", "unchecked", "check", "version", "unknown", "form", "range", "gap", "repeat", "restart"
]
"""What can be wrong with a line, from the outside in, and with the row of readings:

``long`` no line end where one must be; ``unchecked`` no check at its end; ``check`` the check does not hold;
``version`` a hello of another protocol version; ``unknown`` a line letter that we do not know; ``form`` the
check holds and the fields do not; ``range`` a value that the hello rules out.

``gap`` readings are missing; ``repeat`` the sequence number did not move; ``restart`` sequence and tick went
back without a boot line.
"""
CommandName: TypeAlias = Literal["identify", "start", "stop", "rate", "tare"]
"""What the computer may ask for."""

COMMAND_NAMES: tuple[CommandName, ...] = ("identify", "start", "stop", "rate", "tare")
STATES = (
    "boot",
    "ok",
    "no-answer",
    "over-range",
    "magnet-missing",
    "magnet-weak",
    "magnet-strong",
    "dropped",
    "zero",
)
"""The words of a status that the protocol gives a meaning; a board may use others."""
UNITS_OF = {"load": "N", "angle": "deg", "travel": "m", "tip": "deg"}
"""The channels that blankbench understands, with the unit of each where the board does not send counts."""

NAME = re.compile(r"[a-z][a-z0-9_]{0,15}")
WORD = re.compile(r"[!-~]{1,32}")
STATE = re.compile(r"[a-z][a-z0-9-]{0,23}")
UNIT = re.compile(r"[A-Za-z%][A-Za-z0-9%/^]{0,11}")


class LineFault(BlankbenchError):  # noqa: N818 (it is what the decoder reports as a fault)
    """The board sent a line that cannot be used.

    Parameters
    ----------
    kind : FaultKind
        Which sort of trouble.
    what, do : str
        As in `BlankbenchError`.
    """

    def __init__(self, kind: FaultKind, what: str, do: str) -> None:
        super().__init__(what, do)
        self.kind: FaultKind = kind


@dataclass(frozen=True, slots=True)
class Channel:
    """One value of every reading, as the hello announces it: ``load:counts,24,signed`` or ``load:N``."""

    name: str
    """``load``, ``angle``, ``travel``, ``tip``, or a name of the board's own, which is kept and not used."""
    unit: str = "counts"
    """``counts``, or N for the load, m for travel, deg for the angles."""
    bits: int | None = None
    """Width of the counts; ``None`` for a channel in units."""
    coding: Coding | None = None
    """How the counts are to be read; ``None`` for a channel in units."""

    def __post_init__(self) -> None:
        if not NAME.fullmatch(self.name):
            raise ValueError(f"{self.name!r} is no channel name (small letters, digits, _; a letter first)")
        if not UNIT.fullmatch(self.unit):
            raise ValueError(f"{self.unit!r} is no unit")
        if self.unit == "counts":
            if self.bits is None or not 2 <= self.bits <= 32:
                raise ValueError(f"channel {self.name}: counts need a width of 2 to 32 bits")
            if self.coding not in ("signed", "unsigned", "turn"):
                raise ValueError(f"channel {self.name}: counts are signed, unsigned or turn")
        elif self.bits is not None or self.coding is not None:
            raise ValueError(f"channel {self.name}: only counts have a width and a coding")
        elif self.unit != UNITS_OF.get(self.name, self.unit):
            raise ValueError(f"channel {self.name} is in {self.unit}: send counts or {UNITS_OF[self.name]}")

    @property
    def in_counts(self) -> bool:
        """True if a calibration has to turn this channel's values into units."""
        return self.unit == "counts"

    @property
    def lowest(self) -> float:
        """Smallest value that the channel can take, also its lower end stop."""
        if self.bits is None:
            return -math.inf
        return -(1 << (self.bits - 1)) if self.coding == "signed" else 0

    @property
    def highest(self) -> float:
        """Largest value that the channel can take, also its upper end stop."""
        if self.bits is None:
            return math.inf
        return (1 << (self.bits - 1)) - 1 if self.coding == "signed" else (1 << self.bits) - 1

    def __str__(self) -> str:
        return f"{self.name}:{self.unit}" + (f",{self.bits},{self.coding}" if self.in_counts else "")


@dataclass(frozen=True, slots=True)
class Hello:
    """Who is speaking and how its readings are to be read."""

    device: str
    """The board's name: one word, the same every time this board starts."""
    channels: tuple[Channel, ...]
    """The values of each reading, in their order."""
    rate_hz: float
    """Readings a second that the board means to send."""
    tick_us: float = 1.0
    """Microseconds in one tick of the board's clock."""
    tick_bits: int = 32
    """The tick counts modulo two to this power."""
    seq_bits: int = 16
    """The sequence number counts modulo two to this power."""
    firmware: str = ""
    """Version of the sketch, one word; empty if the board does not say."""
    version: int = PROTOCOL_VERSION
    """Version of the line protocol."""
    drive: bool = False
    """True if the board moves the rig: then ``stop`` halts the drive and readings go on."""

    def __post_init__(self) -> None:
        if self.version != PROTOCOL_VERSION:
            raise ValueError(f"this is protocol version {PROTOCOL_VERSION}, not {self.version}")
        if not WORD.fullmatch(self.device):
            raise ValueError("the device's name is one word of at most 32 characters")
        if self.firmware and not WORD.fullmatch(self.firmware):
            raise ValueError("the firmware's version is one word of at most 32 characters")
        if not 1 <= len(self.channels) <= MAX_CHANNELS:
            raise ValueError(f"a board has 1 to {MAX_CHANNELS} channels, not {len(self.channels)}")
        if len(set(self.names)) != len(self.channels):
            raise ValueError("two channels have the same name")
        for name, bits in (("tick_bits", self.tick_bits), ("seq_bits", self.seq_bits)):
            if not 8 <= bits <= 64:
                raise ValueError(f"{name} is 8 to 64, not {bits}")
        if not (math.isfinite(self.tick_us) and self.tick_us > 0.0):
            raise ValueError("tick_us must be positive")
        if not (math.isfinite(self.rate_hz) and self.rate_hz > 0.0):
            raise ValueError("rate_hz must be positive")

    @property
    def names(self) -> tuple[str, ...]:
        """The channels' names in the order of a reading's values."""
        return tuple(channel.name for channel in self.channels)

    @property
    def tick_s(self) -> float:
        """Seconds in one tick."""
        return 1e-6 * self.tick_us

    def complaint(self, reading: Reading) -> str | None:
        """Say what in a reading cannot be, given this hello; ``None`` if nothing."""
        if len(reading.values) != len(self.channels):
            return (
                f"the reading has {len(reading.values)} values, the hello names {len(self.channels)} channels"
            )
        if reading.seq >> self.seq_bits:
            return f"sequence number {reading.seq} does not fit into {self.seq_bits} bits"
        if reading.tick >> self.tick_bits:
            return f"tick {reading.tick} does not fit into {self.tick_bits} bits"
        for channel, value in zip(self.channels, reading.values, strict=True):
            if value is None or channel.bits is None:
                continue
            if isinstance(value, float):
                return f"{channel.name} is in counts, and {value} is no whole number"
            if not channel.lowest <= value <= channel.highest:
                return f"{channel.name} {value} does not fit into {channel.bits} bits, {channel.coding}"
        return None


@dataclass(frozen=True, slots=True)
class Reading:
    """All channels at one moment."""

    seq: int
    """Number of the reading, modulo two to the hello's `seq_bits`: a gap tells how many were lost."""
    tick: int
    """The board's clock when the sample was taken, modulo two to the hello's `tick_bits`."""
    values: tuple[int | float | None, ...]
    """One value a channel, in the hello's order; ``None`` where the sensor gave none."""


@dataclass(frozen=True, slots=True)
class Status:
    """Something happened on the board: it started, a sensor does not answer, a value is at its end stop."""

    tick: int
    """The board's clock when it happened."""
    channel: str | None
    """The channel concerned, ``None`` for the board itself."""
    state: str
    """One of `STATES`, or another word, which is passed on as it is."""
    text: str = ""
    """More about it, for a person; with ``zero`` the mean counts and how many readings made it, with
    ``dropped`` how many readings the board could not send."""

    @property
    def is_boot(self) -> bool:
        """True if the board has just started: sequence and tick begin anew."""
        return self.state == "boot"


@dataclass(frozen=True, slots=True)
class Answer:
    """What the board says to a command."""

    command: str
    """The command's first word, or ``?`` if it was not readable."""
    ok: bool
    """True if the board has done it."""
    text: str = ""
    """What it did, or why not."""


@dataclass(frozen=True, slots=True)
class Command:
    """What the computer asks of the board: a plain line that a person can type too, without a check."""

    name: CommandName
    """One of `COMMAND_NAMES`."""
    argument: int | None = None
    """Readings a second, for ``rate``; nothing else takes an argument."""
    line: bytes = field(init=False, repr=False, compare=False)
    """The bytes to send, with the line end."""

    def __post_init__(self) -> None:
        if self.name not in COMMAND_NAMES:
            raise ValueError(f"{self.name!r} is no command; commands are {', '.join(COMMAND_NAMES)}")
        if (self.name == "rate") != (self.argument is not None):
            raise ValueError("rate takes the readings a second, every other command stands alone")
        if self.argument is not None and not 1 <= self.argument <= 100_000:
            raise ValueError(f"a rate is 1 to 100000 readings a second, not {self.argument}")
        text = self.name if self.argument is None else f"{self.name} {self.argument}"
        object.__setattr__(self, "line", text.encode("ascii") + b"\n")


Record: TypeAlias = Hello | Reading | Status | Answer
"""What a board says."""
