"""How another sketch's lines are to be read: which of its numbers is what, and in what unit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal, TypeAlias, cast

from rig.line.record import Channel, Hello
from rig.line.tokens import Decimal

Name: TypeAlias = Literal["load", "angle", "travel", "tip", "time"]
"""What a number is."""
NAMES: tuple[Name, ...] = ("load", "angle", "travel", "tip", "time")
_GRAM = 9.80665e-3
"""Weight of a gram, N. It and the units below are exact by definition (standard gravity, pound, inch); a test
holds them against `scipy.constants`, which takes long to load."""
_POUND = 453.59237 * _GRAM
UNITS: dict[Name, dict[str, float]] = {
    "load": {
        "N": 1.0, "mN": 1e-3, "g": _GRAM, "gf": _GRAM, "kg": 1e3 * _GRAM, "oz": _POUND / 16,
        "lb": _POUND,
    },
    "travel": {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "in": 0.0254},
    "angle": {"deg": 1.0, "rad": 180.0 / math.pi, "turn": 360.0},
    "tip": {"deg": 1.0, "rad": 180.0 / math.pi},
    "time": {"us": 1.0, "ms": 1e3, "s": 1e6},
}  # fmt: skip
"""Unit → factor to N, m, degrees; for the time, to microseconds."""
_SAME = {
    "grams": "g", "gram": "g", "gr": "g", "ozf": "oz", "lbf": "lb", "lbs": "lb", "kgf": "kg", "n": "N",
    "°": "deg", "º": "deg", "degrees": "deg", "degree": "deg", "d": "deg", "µs": "us", "rev": "turn",
}  # fmt: skip
_COUNT_BITS = {"load": 24, "travel": 24, "angle": 12, "tip": 12}


def unit_called(name: Name, text: str) -> str | None:
    """Give a unit by any of its names; None where this quantity has none so called."""
    for form in (text, text.lower()):
        found = _SAME.get(form, form)
        if found in UNITS[name]:
            return found
    return None


@dataclass(frozen=True, slots=True)
class Field:
    """One number of a line."""

    name: Name
    """What it is."""
    line: int
    """Which of a reading's lines it stands in, counted from 0."""
    index: int
    """Which number of that line, counted from 0."""
    label: str = ""
    """What stands in front of it; where there is a label it is found by that."""
    unit: str = "counts"
    """Its unit; ``counts`` where a calibration tells."""
    base: int = 10
    """10 or 16."""
    scale: float = 1.0
    """Numbers in no known unit are taken as whole counts of this many to one."""
    bits: int = 32
    """Of a clock: it wraps there. Of counts: their width."""

    @property
    def is_clock(self) -> bool:
        """True for the sketch's own time."""
        return self.name == "time"


@dataclass(frozen=True, slots=True)
class PlainMapping:
    """How the lines of one sketch are read."""

    shapes: tuple[tuple[str, ...], ...]
    """Labels of each line of a reading, in the order they come; one line as a rule."""
    fields: tuple[Field, ...]
    """The numbers that are taken."""
    rate_hz: float
    """Readings a second."""
    decimal: Decimal = "point"
    """Sign of the numbers."""
    separator: str = ""
    """What parts the numbers, for a person."""
    baud: int | None = None
    """Rate of the port."""
    heading: str = ""
    """The line of headings that the sketch prints, if it does: columns that trade places show there."""

    def __post_init__(self) -> None:
        if not any(not field.is_clock for field in self.fields):
            raise ValueError("a mapping takes one number at least")
        if len({field.name for field in self.fields}) < len(self.fields):
            raise ValueError("a mapping takes each quantity once")
        if not (math.isfinite(self.rate_hz) and self.rate_hz > 0.0):
            raise ValueError("the rate is a positive number")
        for field in self.fields:
            if not 0 <= field.line < len(self.shapes) or not 0 <= field.index < len(self.shapes[field.line]):
                raise ValueError(f"there is no number {field.index + 1} in line {field.line + 1}")
            if field.unit != "counts" and field.unit not in UNITS[field.name]:
                raise ValueError(f"{field.unit} is no unit of {field.name}")

    @property
    def channels(self) -> tuple[Field, ...]:
        """The fields that are channels, in the order of a reading's values."""
        return tuple(field for field in self.fields if not field.is_clock)

    @property
    def clock(self) -> Field | None:
        """The sketch's own time, where it prints one."""
        return next((field for field in self.fields if field.is_clock), None)

    @property
    def one_line(self) -> bool:
        """True if all of a reading stands in one line."""
        return len(self.shapes) == 1

    def hello(self) -> Hello:
        """Say what a board that speaks the line protocol would say."""
        channels = []
        for field in self.channels:
            if field.unit != "counts":
                unit = {"load": "N", "travel": "m"}.get(field.name, "deg")
                channels.append(Channel(field.name, unit))
            elif field.name in ("angle", "tip"):
                channels.append(Channel(field.name, bits=_COUNT_BITS[field.name], coding="turn"))
            else:
                channels.append(Channel(field.name, bits=field.bits, coding="signed"))
        tick_us, bits = 1.0, 64
        if self.clock is not None:
            tick_us = UNITS["time"][self.clock.unit]
            bits = self.clock.bits
            if self.clock.unit == "s":
                tick_us, bits = 1.0, 64
        return Hello("plain-text-sketch", tuple(channels), self.rate_hz, tick_us=tick_us, tick_bits=bits)

    def to_table(self) -> dict[str, Any]:
        """Give the mapping as a table of the settings."""
        table: dict[str, Any] = {
            "shapes": [list(shape) for shape in self.shapes],
            "rate_hz": round(self.rate_hz, 3),
            "decimal": self.decimal,
            "separator": self.separator,
        }
        if self.baud is not None:
            table["baud"] = self.baud
        if self.heading:
            table["heading"] = self.heading
        table["fields"] = [asdict(field) for field in self.fields]
        return table

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> PlainMapping:
        """Read a mapping from a table of the settings.

        Raises
        ------
        ValueError
            If it is none.
        """
        try:
            fields = tuple(Field(**each) for each in table["fields"])
            if any(field.name not in NAMES for field in fields):
                raise ValueError("a field is load, angle, travel, tip or time")
            decimal = table.get("decimal", "point")
            if decimal not in ("point", "comma"):
                raise ValueError("decimal is point or comma")
            return cls(
                shapes=tuple(tuple(str(label) for label in shape) for shape in table["shapes"]),
                fields=fields,
                rate_hz=float(table["rate_hz"]),
                decimal=cast("Decimal", decimal),
                separator=str(table.get("separator", "")),
                baud=table.get("baud"),
                heading=str(table.get("heading", "")),
            )
        except (KeyError, TypeError) as error:
            raise ValueError(f"the mapping of the sketch's lines is not whole ({error})") from error
