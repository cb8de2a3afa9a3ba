"""A flex by hand: a few weights hung and taken off again, each travel read with a ruler.

No screen that was made for readings while the blank moves is asked here: a table has no scatter from
reading to reading, no speed and no middle of a run. What it has is weights and a ruler whose steps are known;
they are the noise that the fit starts from, and the table's own misfit widens it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.bend.screen import AT_TIP, FURTHEST, LEAST_BEND, Sweep, arrays_of, check_signs, check_tip
from analysis.errors import ReadingsError
from analysis.readings import FlexReadings, Floats

FEWEST_WEIGHTS = 3
"""Weights, each above no load, from which on an answer is given."""
MOST = 36
"""A table has no more readings than this; a logger has more before it is past a tenth of its way."""
STEP_NOISE = 0.36
"""Standard deviation of a reading by hand over its step; rounding alone makes 0.29 (ours, chosen on
benchmarks/by_hand.py)."""
HAND_READINGS = 6.0
"""How many readings the steps of ruler and scale count for, beside the table's own misfit (ours, chosen on
benchmarks/by_hand.py)."""
_TAKEN = 1.0  # weight: what the level of the rigidity takes
_SAME_LOAD = 0.02
"""Of the largest load: weights closer than this are one weight, hung again."""


def is_table(readings: FlexReadings) -> bool:
    """Tell whether a run is a table by hand: by its own word, else by its few readings."""
    known = np.isfinite(readings.load_N) & np.isfinite(readings.travel_m)
    return int(np.count_nonzero(known)) <= MOST


def degrees_of_freedom(sweeps: Sequence[Sweep]) -> float:
    """Count what stands behind the noise of tables: their weights, and what the noise's prior counts for.

    A weight hung twice is wrong by the same both times, so weights count, and not readings. The level of
    the rigidity takes about one of them; the rest is known from before, and takes next to nothing.
    """
    return sum(weights_in(sweep.load_N) for sweep in sweeps) + HAND_READINGS - _TAKEN


def weights_in(load_N: Floats) -> int:
    """Count the different weights of a table, no load left out.

    Examples
    --------
    >>> weights_in(np.array([0.0, 1.0, 2.0, 3.0, 2.0, 1.0]))
    3
    """
    most = float(np.max(load_N, initial=0.0))
    loaded = np.sort(load_N[load_N > _SAME_LOAD * most])
    return 0 if most <= 0.0 else 1 + int(np.count_nonzero(np.diff(loaded) > _SAME_LOAD * most))


def screen_table(readings: FlexReadings) -> Sweep:
    """Look a table over.

    Raises
    ------
    ReadingsError
        Where it cannot be used: what is wrong, what to do, and the reading's row.
    """
    load, travel, tip = arrays_of(readings)
    row = np.flatnonzero(np.isfinite(load) & np.isfinite(travel))
    load, travel, tip = load[row], travel[row], tip[row]
    found = weights_in(load)
    if found < FEWEST_WEIGHTS:
        if load.size and not float(np.max(load)) > 0.0 and float(np.max(travel)) > 0.0:
            raise ReadingsError(
                "the blank bends and no load is read", "check the load cell and its calibration", int(row[0])
            )
        raise ReadingsError(
            f"cannot tell from {found} weight{'s' * (found != 1)}",
            f"hang {FEWEST_WEIGHTS - found} more, up to a quarter of the length, and take them off again",
            int(row[-1]) if row.size else None,
        )
    check_signs(load, travel, row)
    arm = readings.station_m or readings.free_length_m
    where = "tip" if arm > AT_TIP * readings.free_length_m else "hook"
    top = float(np.max(travel))
    at = int(np.argmax(travel))
    if top < LEAST_BEND * arm:
        raise ReadingsError(
            f"the {where} moved {1e3 * top:.0f} mm at most, less than a tenth of the reference bend",
            f"hang more, until it has moved {250.0 * arm:.0f} mm",
            int(row[at]),
        )
    if top > FURTHEST * arm:
        raise ReadingsError(
            f"the {where} moved {1e3 * top:.0f} mm, and its distance from the chuck is {1e3 * arm:.0f} mm",
            "check the unit of the travel and the free length",
            int(row[at]),
        )
    check_tip(travel, tip, row)
    _check_order(load, travel, row)
    steps = readings.steps
    noise = (
        STEP_NOISE * steps.scale_N * math.sqrt(_hung_again(load)),
        STEP_NOISE * steps.ruler_m,
        STEP_NOISE * steps.protractor_rad if np.isfinite(tip).any() else math.nan,
    )
    return Sweep(row, load, travel, tip, _sides(load), noise, by_hand=True)


def _hung_again(load: Floats) -> float:
    """How often a weight was hung, on the average: its own error is the same each time."""
    return float(np.count_nonzero(load > _SAME_LOAD * np.max(load))) / weights_in(load)


def _sides(load: Floats) -> Floats:
    """Loading or unloading for each reading, by the weight before it; the heaviest belong to both."""
    most = float(np.max(load))
    side = np.ones(load.size)
    for at in range(1, load.size):
        gain = load[at] - load[at - 1]
        side[at] = side[at - 1] if abs(gain) <= 1e-6 * most else math.copysign(1.0, gain)
    side[load > (1.0 - 1e-6) * most] = 0.0
    return side


def _check_order(load: Floats, travel: Floats, row: NDArray[np.intp]) -> None:
    """Find the reading whose travel lies far off what the others make likely: a slip of the pen.

    Up to a third of the length a blank's travel over load changes by less than a factor of two, so one that
    is off by three was misread, or is in another unit.
    """
    most, top = float(np.max(load)), float(np.max(travel))
    heavy = np.flatnonzero(load > 0.1 * most)
    usual = float(np.median(travel[heavy] / load[heavy]))
    for at in heavy:
        ratio = travel[at] / load[at] / usual
        if not 1.0 / 3.0 < ratio < 3.0:
            raise ReadingsError(
                f"the travel of {1e3 * travel[at]:.0f} mm at {load[at]:.2f} N does not go with the others",
                "read it again, or check its unit",
                int(row[at]),
            )
    light = np.flatnonzero((load <= 0.02 * most) & (np.abs(travel) > 0.25 * top))
    if light.size:
        raise ReadingsError(
            f"at no load the tip stands off by {1e3 * travel[light[0]]:.0f} mm",
            "count the travel from where the free tip stands",
            int(row[light[0]]),
        )
