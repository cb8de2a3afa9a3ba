"""Chuck files: a dated calibration that holds a chuck, or the older signature of a chuck."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

from rig.calibration.chuck import ChuckScale, Numbers
from rig.calibration.scales import Calibration
from rig.errors import FileError

_UNKNOWN = 1e29
"""Variance from which on an older signature could not tell a part."""
_SIZE = 4


def read_chuck(path: str | Path) -> ChuckScale:
    """Read a chuck from a file.

    Raises
    ------
    FileError
        If it is missing, or holds no chuck.
    """
    again = "make it from several mounts of one blank: blankbench calibrate chuck RUN RUN RUN"
    try:
        tables = tomllib.loads(Path(path).read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise FileError(
            path, None, f"the chuck cannot be read ({error.strerror})", "check the name"
        ) from None
    except ValueError as error:  # neither UTF-8 nor TOML
        raise FileError(path, None, f"this is no chuck file ({error})", again) from None
    if "blankbench-signature" in tables:
        return _older(tables, path, again)
    chuck = Calibration.from_tables(tables, path).chuck
    if chuck is None:
        raise FileError(path, None, "this file holds no chuck", again)
    return chuck


def _older(tables: dict[str, Any], path: str | Path, again: str) -> ChuckScale:
    """Read a signature: 1-per-turn in N and 2-per-turn in N/m, found with a blank of one stiffness."""
    from analysis.roll import guessed

    fault = FileError(path, None, "this is no chuck file", again)
    try:
        if tables["blankbench-signature"] != 1:
            raise fault
        values = [float(value) for value in tables["values"]]
        rows = [[float(value) for value in row] for row in tables["covariance"]]
        stiffness = float(tables["stiffness_N_per_m"])
    except (KeyError, TypeError, ValueError):
        raise fault from None
    shape = len(values) == _SIZE and len(rows) == _SIZE and all(len(row) == _SIZE for row in rows)
    if not shape or not all(map(math.isfinite, [*values, *(x for row in rows for x in row)])):
        raise fault
    if not stiffness > 0.0:
        raise fault
    guess = Numbers.of(guessed())
    told = [rows[at][at] < _UNKNOWN for at in range(_SIZE)]
    covariance = [
        [rows[a][b] / stiffness**2 if told[a] and told[b] else guess.covariance[a][b] for b in range(_SIZE)]
        for a in range(_SIZE)
    ]
    numbers = Numbers(
        values=tuple(v / stiffness if known else 0.0 for v, known in zip(values, told, strict=True)),
        covariance=tuple(map(tuple, covariance)),
        degrees_of_freedom=guess.degrees_of_freedom,
        seating_m=guess.seating_m,
        seating_degrees_of_freedom=guess.seating_degrees_of_freedom,
        index_sd_deg=guess.index_sd_deg,
        free_length_m=0.0,  # it does not say: that of the run
        stiffness_N_per_m=stiffness,
    )
    return ChuckScale(str(tables.get("dated", "")), numbers, numbers)
