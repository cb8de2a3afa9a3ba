"""Readings of a roll run made ready for a fit, or refused: missing and faulty ones are out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.angles import TURN
from analysis.errors import ReadingsError
from analysis.readings import Floats, RollReadings, refuse_unbelievable

_CELL = math.radians(3.0)
"""Gaps between neighbouring angles narrower than this never count as not covered."""
_WIDE = math.radians(20.0)
"""Gaps wider than this always do."""
_REVERSAL = math.radians(20.0)
"""Roll in the rarer direction from which on a run counts as rolled both ways."""
_JUMP = math.radians(15.0)
"""No hand rolls so far between two readings of a rig that otherwise sees small steps."""
_STILL = 5
"""Readings at exactly one angle before a jump from which on the sensor counts as stuck."""


def covered(roll: Floats) -> float:
    """Find the covered part of the turn, 0 to 1: the turn without the wide gaps between angles.

    Parameters
    ----------
    roll : ndarray, shape (n,)
        Angles, wrapped or not, rad.
    """
    wrapped = np.sort(np.mod(roll, TURN))
    gaps = np.diff(wrapped, append=wrapped[0] + TURN)
    if float(gaps.max()) <= _CELL:
        return 1.0
    usual = max(_CELL, 3.0 * float(np.quantile(gaps, 0.9)))
    wide = gaps > min(usual, _WIDE)
    return float(1.0 - gaps[wide].sum() / TURN)


def faulty(step: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Mark angles that cannot be right, judged against the usual step between readings.

    Parameters
    ----------
    step : ndarray, shape (n − 1,)
        Sizes of the steps between neighbouring angles, unwrapped, rad.

    Returns
    -------
    torn : ndarray of bool, shape (n,)
        Between two large jumps: a sensor averaged over its wrap runs backwards through the whole turn there.
    stuck : ndarray of bool, shape (n,)
        Repeats of one angle that end in a large jump: the sensor stood still while the blank went on.
    """
    torn = np.zeros(step.size + 1, dtype=bool)
    stuck = np.zeros(step.size + 1, dtype=bool)
    if step.size == 0 or float(step.max()) <= _JUMP:
        return torn, stuck
    moving = step[step > 0.0]
    if moving.size < 20:
        return torn, stuck
    large = step > max(_JUMP, 8.0 * float(np.quantile(moving, 0.9)))
    if large.any():
        torn[1:-1] = large[:-1] & large[1:]
        for end in np.flatnonzero(large):
            start = end
            while start > 0 and step[start - 1] == 0.0:
                start -= 1
            if end - start >= _STILL:
                stuck[start + 1 : end + 1] = True
    return torn, stuck


def direction(roll: Floats) -> tuple[Floats, bool]:
    """Tell the sign of the roll at each reading, and whether both directions were rolled.

    Parameters
    ----------
    roll : ndarray, shape (n,)
        Unwrapped angle, rad; steps below a degree are a sensor's jitter.

    Returns
    -------
    sign : ndarray, shape (n,)
        +1 where the angle grows, −1 where it falls, the last one while the blank stands still; all alike
        where the rarer direction covers less than 20°.
    two_way : bool
    """
    size = roll.size
    up, down = walked(roll)
    step = (up + down) / size
    window = int(
        min(
            max(1.0, math.radians(1.0) / step if step > 0.0 else 1.0),
            max(1.0, size / 20),
        )
    )
    if min(up, down) < _REVERSAL:
        return np.full(size, 1.0 if up >= down else -1.0), False
    places = np.arange(size)
    move = roll[np.minimum(places + window, size - 1)] - roll[np.maximum(places - window, 0)]
    # far slower than the run's mean it stands still, and what is left of its sign is the sensor's jitter
    sign = np.where(np.abs(move) > 0.5 * window * step, np.sign(move), 0.0)
    last = np.maximum.accumulate(np.where(sign != 0.0, places, 0))
    sign = sign[last]
    first = np.flatnonzero(sign)
    sign[: first[0]] = sign[first[0]]
    return sign, True


def walked(roll: Floats) -> tuple[float, float]:
    """Roll with growing and with falling angle, rad, both positive; jitter thinned out."""
    step = max(1, roll.size // 200)
    moves = np.diff(np.append(roll[::step], roll[-1]))
    return float(moves[moves > 0.0].sum()), float(-moves[moves < 0.0].sum())


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
