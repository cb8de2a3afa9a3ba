"""Scales from several known values: weights, distances, angles, from a table or one after the other."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path

from analysis.calibrate import Scaled
from analysis.estimate import coverage_factor
from rig.calibration.counts import TURN_COUNTS
from rig.calibration.scales import LoadScale, TipScale, TravelScale
from rig.errors import FileError, ReadingsError

_TURN_OFF = 0.02
"""A tip sensor whose counts a turn are off by more than this is geared, or its counts are others."""


def read_table(path: str | Path, value: str) -> tuple[list[float], list[float]]:
    """Read a table of known values and counts, such as ``grams,counts``.

    Parameters
    ----------
    path : str or path
        CSV; semicolons and tabs are read too, and a decimal comma where the cells are not parted by commas.
    value : str
        Name of the column of the known values.

    Returns
    -------
    values, counts : list of float

    Raises
    ------
    FileError
        With the line of what is wrong.
    """
    place = Path(path)
    try:
        text = place.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise FileError(place, None, f"it cannot be read ({error.strerror})", "check the name") from None
    except UnicodeDecodeError:
        raise FileError(place, None, "it is not UTF-8 text", "save it as CSV in UTF-8") from None
    rows = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    example = f"write a first line  {value},counts  and below it a line for each reading"
    if not rows:
        raise FileError(place, None, "the table is empty", example)
    head = rows[0][1]
    parted = next((sign for sign in (";", "\t", ",") if sign in head), ",")
    names = [name.strip().lower() for name in next(csv.reader(io.StringIO(head), delimiter=parted))]
    for needed in (value, "counts"):
        if names.count(needed) != 1:
            raise FileError(place, rows[0][0], f"there is no one column {needed}", example)
    at, beside = names.index(value), names.index("counts")
    values, counts = [], []
    for number, line in rows[1:]:
        cells = next(csv.reader(io.StringIO(line), delimiter=parted))
        if len(cells) != len(names):
            raise FileError(
                place, number, f"this line has {len(cells)} cells and the first {len(names)}", "correct it"
            )
        pair = []
        for cell in (cells[at], cells[beside]):
            shown = cell.strip() if parted == "," else cell.strip().replace(",", ".")
            try:
                read = float(shown)
            except ValueError:
                read = math.nan
            if not math.isfinite(read):
                raise FileError(place, number, f"'{cell.strip()[:30]}' is no number", "correct the cell")
            pair.append(read)
        values.append(pair[0])
        counts.append(pair[1])
    return values, counts


def load_scale_of(
    scaled: Scaled,
    gravity_m_s2: float,
    *,
    tolerance_g: float = 0.0,
    gain: float | None = None,
    made: str = "",
) -> LoadScale:
    """Make a load scale from weights in grams.

    Parameters
    ----------
    tolerance_g : float
        95 % half-width of each weight, g.

    Raises
    ------
    ReadingsError
        If the readings hardly follow the weights.
    """
    unit = 1e-3 * gravity_m_s2  # newtons in a gram
    heaviest = max(abs(scaled.span[0]), abs(scaled.span[1]))
    noise = scaled.per_count_ci95 / abs(scaled.per_count)
    relative = math.hypot(noise, tolerance_g / heaviest)
    if not relative < 0.5:
        raise ReadingsError(
            "the counts hardly follow the weights", "check that they hang from the cell and that it is wired"
        )
    curve = () if not scaled.curved else tuple(c / unit**p for p, c in enumerate(scaled.coefficients) if p)
    offs = [abs(one.off) * unit for one in scaled.residuals if not one.suspect]
    zero = scaled.zero_ci95_counts * abs(scaled.per_count) * unit
    return LoadScale(
        zero_counts=scaled.zero_counts,
        N_per_count=scaled.per_count * unit,
        scale_ci95=relative,
        zero_ci95_N=zero if math.isfinite(zero) else None,
        residual_N=max(offs),
        curve=curve,
        heaviest_N=heaviest * unit,
        lower_limit_N=scaled.lower_limit * unit,
        hysteresis_pct=None if scaled.hysteresis is None else 100.0 * scaled.hysteresis,
        gain=gain,
        made=made,
    )


def travel_scale_of(scaled: Scaled, *, tolerance_mm: float = 0.0) -> TravelScale:
    """Make a travel scale from distances in millimetres; a counter is straight, so a curve is widened over.

    Raises
    ------
    ReadingsError
        If the counter does not follow the distances.
    """
    reach = scaled.span[1] - scaled.span[0]
    off = max(abs(one.off) for one in scaled.residuals if not one.suspect)
    relative = math.hypot(scaled.per_count_ci95 / abs(scaled.per_count), (tolerance_mm + off) / reach)
    if not relative < 0.5:
        raise ReadingsError("the counts hardly follow the distances", "check the sensor")
    return TravelScale(scaled.zero_counts, 1e-3 * scaled.per_count, relative)


def tip_scale_of(scaled: Scaled, counts_per_turn: int = TURN_COUNTS) -> tuple[TipScale, list[str]]:
    """Make a tip scale from angles in degrees: its zero and sense; its counts a turn are the sensor's own.

    Returns
    -------
    scale : TipScale
    warnings : list of str
    """
    found = 360.0 / scaled.per_count
    said = []
    if abs(abs(found) / counts_per_turn - 1.0) > _TURN_OFF:
        said.append(
            f"The angles given make {abs(found):.0f} counts a turn, and the sensor has {counts_per_turn}:"
            " check the angles."
        )
    return TipScale(1 if found > 0.0 else -1, scaled.zero_counts % counts_per_turn, counts_per_turn), said


def half_width(value: float) -> float | None:
    """Give a half-width for JSON: None where no left-over tells it."""
    return value if math.isfinite(value) else None


def wide(dof: int) -> str:
    """Say how much the few left-overs widen every half-width."""
    return f"{coverage_factor(dof) / 1.96:.1f} times" if dof > 0 else "without bound"


def numbers_in(text: str) -> list[float] | None:
    """Read ``0,100,200``; None where it is no list of numbers."""
    try:
        found = [float(part) for part in text.replace(";", ",").split(",")]
    except ValueError:
        return None
    return found if all(map(math.isfinite, found)) else None


def without(
    values: Sequence[float], counts: Sequence[float], left_out: Sequence[float]
) -> tuple[list[float], list[float]]:
    """Leave out known values by name."""
    kept = [
        (value, count)
        for value, count in zip(values, counts, strict=True)
        if not any(math.isclose(value, one, rel_tol=1e-9, abs_tol=1e-9) for one in left_out)
    ]
    return [value for value, _ in kept], [count for _, count in kept]
