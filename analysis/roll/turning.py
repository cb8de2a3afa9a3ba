"""The roll angle in time order: its faults, its direction and the covered part of the turn."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.angles import TURN
from analysis.readings import Floats

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
