"""Readings of a roll run made ready for a fit, or refused: missing and faulty ones are out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.angles import TURN
from analysis.errors import ReadingsError
from analysis.readings import Floats, RollReadings, refuse_unbelievable
from analysis.roll.turning import covered, direction, faulty, walked

LEAST_ROLL = math.radians(120.0)
"""Below this covered angle no plane is claimed."""
_LEAST_READINGS = 12
"""Five numbers, drift and the scatter need at least so many."""
_SATURATED_PART = 0.03
"""Part of the readings at exactly the same extreme from which on a cell counts as saturated."""
_WILD = math.radians(50.0)
"""No hand rolls so far between two readings, as a rule: twelve of them in a turn stand 30° apart."""


@dataclass(frozen=True, slots=True)
class Sifted:
    """What a fit uses; all arrays have shape (n,)."""

    time: Floats
    """Seconds from the first reading of the run."""
    roll: Floats
    """Unwrapped blank angle that faces the pull, rad."""
    reading: Floats
    """Load in N, or travel in m under a hanging weight."""
    travel: Floats
    """Travel in m; under a hanging weight the weight in N (what multiplies the tensor's part)."""
    direction: Floats
    """+1 where the blank angle grows, −1 where it falls; all +1 or all −1 from one direction."""
    two_way: bool
    """True if both directions were rolled."""
    coverage: float
    """Covered part of the turn, 0 to 1."""
    turns: float
    """Turns rolled in all, both directions added up."""
    warnings: tuple[str, ...]
    """Plain sentences about what was left out."""
    why_not: str = ""
    """Why nothing is claimed, where it is not for the covered part of the turn."""

    @property
    def long_enough(self) -> bool:
        """True if enough of the turn is covered for a plane."""
        return self.coverage * TURN >= LEAST_ROLL and float(np.ptp(self.roll)) >= 0.95 * LEAST_ROLL


def sift(readings: RollReadings) -> Sifted:
    """Make a run ready, or say why it cannot be used.

    Raises
    ------
    ReadingsError
        Too few readings, a size that no bench reads, time that runs backwards, travel that is not positive,
        an angle that does not move, a reading that never changes, a saturated sensor.
    """
    hanging = readings.held_load_N is not None
    measured, scale = measured_of(readings)
    refuse_unbelievable(readings.time_s, "time", "s")
    refuse_unbelievable(readings.roll, "angle", "rad")
    refuse_unbelievable(measured, "travel" if hanging else "load", "m" if hanging else "N")
    refuse_unbelievable(scale, "weight" if hanging else "travel", "N" if hanging else "m")
    complete = np.isfinite(readings.time_s) & np.isfinite(readings.roll) & np.isfinite(measured)
    complete &= np.isfinite(scale)
    rows = np.flatnonzero(complete)
    if rows.size < _LEAST_READINGS:
        raise ReadingsError(
            f"only {rows.size} readings are complete, at least {_LEAST_READINGS} are needed",
            "record a whole turn again",
        )
    time, roll, reading, scale = (
        column[rows] for column in (readings.time_s, readings.roll, measured, scale)
    )
    backwards = np.flatnonzero(np.diff(time) < 0.0)
    if backwards.size:
        row = int(rows[backwards[0] + 1])
        raise ReadingsError("time runs backwards", "keep one recording a file", row=row)
    slack = np.flatnonzero(scale <= 0.0)
    if slack.size:
        row = int(rows[slack[0]])
        raise ReadingsError("the travel is not positive", "bend the blank before rolling it", row=row)
    _refuse_lifeless(roll, reading, rows, "travel" if hanging else "load")
    unwrapped = np.unwrap(roll)
    step = np.abs(np.diff(unwrapped))
    torn, stuck = faulty(step)
    warnings = []
    if float(step.max()) > _WILD and (usual := float(np.median(step))) > _WILD:
        warnings.append(
            f"The angle moves by about {math.degrees(usual):.0f}° from one reading to the next: unless the"
            " blank was set to each angle by itself, the angle sensor is at fault and nothing here holds."
        )
    if torn.any():
        warnings.append(
            f"The angle jumps back and forth at {int(torn.sum())} readings near {_deg(roll[torn][0])};"
            " they are left out. The sensor's sketch should not average angles across the wrap."
        )
    if stuck.any():
        warnings.append(
            f"The angle stood still and then jumped, near {_deg(roll[stuck][0])}; {int(stuck.sum())} readings"
            " are left out. Check the angle sensor and its magnet."
        )
    good = ~(torn | stuck)
    if not good.all():
        time, reading, scale = (column[good] for column in (time, reading, scale))
        unwrapped = np.unwrap(roll[good])
    roll = unwrapped
    sign, two_way = direction(roll)
    return Sifted(
        time=time - time[0],
        roll=roll,
        reading=reading,
        travel=scale,
        direction=sign,
        two_way=two_way,
        coverage=covered(roll),
        turns=sum(walked(roll)) / TURN,
        warnings=tuple(warnings),
    )


def measured_of(readings: RollReadings) -> tuple[Floats, Floats]:
    """Pick the reading, and what multiplies the tensor's part of it."""
    if readings.held_load_N is not None:
        if readings.travel_m is None:
            raise ReadingsError(
                "the run has no travel readings",
                "record travel_m under a hanging weight",
            )
        return readings.travel_m, np.full(readings.travel_m.shape, readings.held_load_N)
    if readings.load_N is None:
        raise ReadingsError("the run has no load readings", "record load_N where the tip is held")
    held = math.nan if readings.held_travel_m is None else readings.held_travel_m
    scale = np.full(readings.load_N.shape, held)
    if readings.travel_m is not None:
        scale = np.where(np.isfinite(readings.travel_m), readings.travel_m, scale)
    return readings.load_N, scale


def _refuse_lifeless(roll: Floats, reading: Floats, rows: NDArray[np.intp], what: str) -> None:
    first = int(rows[0])
    if float(np.ptp(roll)) == 0.0:
        raise ReadingsError(
            "the angle never changes",
            "check the angle sensor and its magnet",
            row=first,
        )
    low, high = float(reading.min()), float(reading.max())
    if low == high:
        raise ReadingsError(f"the {what} never changes", "check the sensor and its amplifier", row=first)
    for extreme, word in ((low, "smallest"), (high, "largest")):
        at = np.flatnonzero(reading == extreme)
        if at.size < max(8.0, _SATURATED_PART * reading.size):
            continue
        runs = at.size - int(np.count_nonzero(np.diff(at) == 1))
        usual = float(np.median(np.unique(reading, return_counts=True)[1]))
        if at.size >= 8.0 * usual and at.size >= 4 * runs:
            raise ReadingsError(
                f"the {what} stays at its {word} value for {at.size} readings: the sensor is saturated",
                "bend less or use a sensor with a larger range, and record again",
                row=int(rows[at[0]]),
            )


def _deg(angle: float) -> str:
    return f"{math.degrees(angle) % 360.0:.0f}°"
