"""One cell of a table: a number with whatever unit stands behind it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime

from rig.runs.foreign.table import Decimal, is_missing

_CELL = re.compile(
    r"(?P<number>[-+−]?(?:\d[\d.,' \u00a0]*|[.,]\d+)(?:[eE][-+]?\d+)?)\s*(?P<unit>[^\d\s].*)?$"
)
_CLOCK = re.compile(r"(\d{1,2})[:h](\d\d)(?::00)?$")
_THOUSANDS = {"point": ",", "comma": "."}


@dataclass(frozen=True, slots=True)
class Cell:
    """What stands in a cell."""

    value: float | None
    """The number; None where there is no reading."""
    unit: str = ""
    """What stands behind it."""


def read_cell(text: str, decimal: Decimal) -> Cell | str:
    """Read a cell; what is wrong with it comes back as words.

    Examples
    --------
    >>> read_cell("12,5 g", "comma")
    Cell(value=12.5, unit='g')
    >>> read_cell("1,234.5", "point").value
    1234.5
    >>> read_cell("about 12", "point")
    'is no number'
    """
    cell = text.strip()
    if is_missing(cell):
        return Cell(None)
    found = _CELL.match(cell)
    if found is None:
        return "is no number"
    number = found["number"].strip().replace("−", "-")
    for sign in (_THOUSANDS[decimal], "'", " ", "\u00a0"):
        groups = number.split(sign)
        if len(groups) > 1 and not all(re.match(r"\d{3}(?!\d)", group) for group in groups[1:]):
            return "is no number" if sign != _THOUSANDS[decimal] else "has the other decimal sign"
        number = "".join(groups)
    if decimal == "comma":
        number = number.replace(",", ".")
    try:
        value = float(number)
    except ValueError:
        return "is no number"
    if not math.isfinite(value):
        return "is beyond any number"
    return Cell(value, (found["unit"] or "").strip())


def read_clock(text: str) -> float | None:
    """Read hours and minutes of a dial, in hours; None for anything else."""
    found = _CLOCK.match(text.strip())
    return None if found is None or int(found[2]) > 59 else int(found[1]) + int(found[2]) / 60.0


def read_moment(text: str) -> float | None:
    """Read a time of day or a date with a time, in seconds of any origin; None for anything else.

    Examples
    --------
    >>> read_moment("09:30:01.5") - read_moment("09:30:00")
    1.5
    """
    cell = text.strip().replace(",", ".")
    found = re.fullmatch(r"(\d{1,2}):(\d\d)(?::(\d\d(?:\.\d+)?))?", cell)
    if found:
        return 3600.0 * int(found[1]) + 60.0 * int(found[2]) + float(found[3] or 0.0)
    try:
        return datetime.fromisoformat(cell).timestamp()
    except (ValueError, OverflowError):
        return None
