"""Units that a builder's table is written in, and what they are in the run file's own."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from scipy import constants

Quantity = Literal["load", "travel", "angle", "time"]
"""What a column holds: a load, a travel, an angle or a time."""

_GRAM = 1e-3 * constants.g
_OUNCE = constants.ounce * constants.g
_POUND = constants.pound * constants.g


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of one quantity."""

    name: str
    """As it is shown."""
    quantity: Quantity
    """What it measures."""
    factor: float
    """Times this it is N, m, degrees or seconds."""


UNITS: dict[Quantity, dict[str, float]] = {
    # A mass that pulls is a weight: grams as a load are grams-force.
    "load": {
        "N": 1.0,
        "mN": 1e-3,
        "gf": _GRAM,
        "g": _GRAM,
        "kg": 1e3 * _GRAM,
        "kgf": 1e3 * _GRAM,
        "ozf": _OUNCE,
        "oz": _OUNCE,
        "lbf": _POUND,
        "lb": _POUND,
    },
    "travel": {
        "m": 1.0,
        "cm": 1e-2,
        "mm": 1e-3,
        "in": constants.inch,
    },
    "angle": {
        "deg": 1.0,
        "rad": 180.0 / constants.pi,
        "turn": 360.0,
        "clock": 30.0,
    },
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0},
}
"""By quantity, name → factor to N, m, degrees, seconds."""

_OTHER_NAMES: dict[str, str] = {
    "newton": "N",
    "newtons": "N",
    "gram": "g",
    "grams": "g",
    "gramm": "g",
    "gr": "g",
    "grf": "gf",
    "gram-force": "gf",
    "p": "gf",
    "kilogram": "kg",
    "kilograms": "kg",
    "kilo": "kg",
    "kp": "kgf",
    "ounce": "oz",
    "ounces": "oz",
    "lbs": "lb",
    "pound": "lb",
    "pounds": "lb",
    "metre": "m",
    "meter": "m",
    "metres": "m",
    "meters": "m",
    "millimetre": "mm",
    "millimeter": "mm",
    "millimetres": "mm",
    "millimeters": "mm",
    "centimetre": "cm",
    "centimeter": "cm",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "″": "in",
    "°": "deg",
    "º": "deg",
    "degree": "deg",
    "degrees": "deg",
    "grad": "deg",
    "radian": "rad",
    "radians": "rad",
    "rev": "turn",
    "turns": "turn",
    "hour": "clock",
    "hours": "clock",
    "o'clock": "clock",
    "oclock": "clock",
    "uhr": "clock",
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "msec": "ms",
    "millis": "ms",
    "milliseconds": "ms",
    "µs": "us",
    "μs": "us",
    "micros": "us",
    "microseconds": "us",
    "minutes": "min",
}
_WORDS: dict[Quantity, str] = {
    "load": "N, g, gf, kg, ozf, lbf",
    "travel": "m, cm, mm, in",
    "angle": "deg, rad, turn, clock",
    "time": "s, ms, us, min",
}
_BRACKET = re.compile(r"^(?P<name>.*?)\s*[\[({]\s*(?P<unit>[^\])}]+?)\s*[\])}]\s*$")
_BEHIND = re.compile(r"^(?P<name>.*\S)\s*(?:,|/|\bin\b)\s*(?P<unit>\S+)\s*$", re.IGNORECASE)
_TAIL = re.compile(r"^(?P<name>.*[^\s_])[_ ](?P<unit>[^\s_]+)$")


def unit_of(text: str, quantity: Quantity) -> Unit | None:
    """Find a unit by any of its names; None where the quantity has none so called.

    Examples
    --------
    >>> unit_of("grams", "load").name, round(unit_of("g", "load").factor, 6), unit_of("g", "travel")
    ('g', 0.009807, None)
    """
    plain = text.strip().replace("Â°", "°").rstrip(".")
    for name in (plain, plain.lower()):
        name = _OTHER_NAMES.get(name, name)
        if quantity == "time" and name == "clock":
            name = "h"
        if name in UNITS[quantity]:
            return Unit(name, quantity, UNITS[quantity][name])
        for known, factor in UNITS[quantity].items():
            # Capitals are a matter of taste, but mN is no MN.
            if known.lower() == name and known != "mN":
                return Unit(known, quantity, factor)
    return None


def is_unit(text: str) -> bool:
    """Tell whether any quantity has a unit of this name."""
    return any(unit_of(text, quantity) is not None for quantity in UNITS)


def units_of(quantity: Quantity) -> str:
    """List the units of a quantity for a message."""
    return _WORDS[quantity]


def part_unit(heading: str) -> tuple[str, str | None]:
    """Part a column's heading into its name and the unit in it, if one is written there.

    Examples
    --------
    >>> part_unit("Load [g]"), part_unit("travel_mm"), part_unit("Weg in mm"), part_unit("Load cell")
    (('Load', 'g'), ('travel', 'mm'), ('Weg', 'mm'), ('Load cell', None))
    """
    text = heading.strip()
    found = _BRACKET.match(text)
    if found:
        return found["name"].strip(), found["unit"]
    for pattern in (_BEHIND, _TAIL):
        found = pattern.match(text)
        if found and is_unit(found["unit"]):
            return found["name"].strip(" ,/"), found["unit"]
    return text, None
