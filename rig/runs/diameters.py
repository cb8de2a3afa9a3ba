"""Outer diameters along a blank: a CSV with ``from_tip_m, diameter_m``, or the two ends in a run's header."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np

from analysis.bend.strain import Diameters
from rig.errors import FileError
from rig.runs.header import Header

_COLUMNS = ("from_tip_m", "diameter_m")
_WIDEST = 0.2


def read_diameters(path: Path) -> Diameters:
    """Read a file of diameters.

    Raises
    ------
    FileError
        With the line, if it cannot be used.
    """
    try:
        lines = Path(path).read_bytes().decode("utf-8-sig").splitlines()
    except OSError as error:
        raise FileError(
            path, None, f"the diameters cannot be read ({error.strerror})", "check the name"
        ) from None
    except UnicodeDecodeError:
        raise FileError(path, None, "this is no text", "save it as CSV, UTF-8") from None
    rows = [(at, line) for at, line in enumerate(lines, start=1) if line.strip() and not line.startswith("#")]
    names = [name.strip() for name in next(csv.reader([rows[0][1]]))] if rows else []
    if not set(_COLUMNS) <= set(names):
        raise FileError(
            path,
            rows[0][0] if rows else 1,
            "the columns from_tip_m and diameter_m are missing",
            "begin the file with  from_tip_m,diameter_m",
        )
    places = [names.index(name) for name in _COLUMNS]
    values: list[tuple[float, float]] = []
    for at, line in rows[1:]:
        cells = next(csv.reader([line]))
        try:
            from_tip, outer = (float(cells[place]) for place in places)
        except (ValueError, IndexError):
            raise FileError(path, at, "two numbers are needed here", "correct the line") from None
        if not (math.isfinite(from_tip) and from_tip >= 0.0):
            raise FileError(path, at, "a distance from the tip is 0 or more", "correct it, in metres")
        if not 0.0 < outer <= _WIDEST:
            raise FileError(path, at, f"no blank is {outer:g} m thick", "give diameters in metres")
        values.append((from_tip, outer))
    values.sort()
    table = np.array(values).reshape(-1, 2)
    if len(values) < 2 or not np.all(np.diff(table[:, 0]) > 0.0):
        raise FileError(
            path, None, "two different distances from the tip are needed or more", "measure at tip and chuck"
        )
    return Diameters(table[:, 0], table[:, 1])


def header_diameters(header: Header) -> Diameters | None:
    """Diameters from the two ends that a run states, straight between them; None where it does not."""
    butt, tip = header.butt_diameter_m, header.tip_diameter_m
    if butt is None or tip is None:
        return None
    free = header.free_length_m
    length = header.length_m or free + (header.clamped_length_m or 0.0)
    length = max(length, free)
    assumed = "Diameters: a straight taper between butt and tip as the run states them."
    return Diameters(np.array([0.0, length]), np.array([tip, butt]), assumed)
