"""Making the calibration of a winch or a swing arm."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from analysis.estimate import coverage_factor
from rig.calibration.counts import TURN_COUNTS, unwrapped
from rig.calibration.geometry import Geometry, Winch
from rig.calibration.points import CLEAR, level, signed_turn
from rig.calibration.turning import TurnScale
from rig.errors import ReadingsError


def turn_scale(
    at_zero: ArrayLike,
    at_known: ArrayLike,
    known_m: float,
    geometry: Geometry,
    *,
    a_little: ArrayLike | None = None,
    counts_per_turn: int = TURN_COUNTS,
    wraps_at: int | None = None,
    known_ci95_m: float = 0.0,
) -> TurnScale:
    """Calibrate the travel of a winch or a swing arm: its zero, its sense and its radius.

    Parameters
    ----------
    at_zero : array_like, shape (n,)
        Raw counts with the tip free and the string just taut, or the roller just touching the straight blank.
    at_known : array_like, shape (n,)
        Raw counts after `known_m` of string was taken in, or the roller was raised by it.
    known_m : float
        That length, m.
    geometry : Winch or SwingArm
        As measured with a ruler; its radius, or the arm's length, is replaced by the one found.
    a_little : array_like or None, shape (n,)
        Raw counts after a little of it, a twentieth to nearly half of a turn of the sensor: tells its sense.
        Needed where the sensor begins again and the known length is more than 0.4 of a turn of it.
    counts_per_turn : int
        Counts in one turn.
    wraps_at : int or None
        Counts at which the sensor begins again; how many turns there were is taken from the geometry, so its
        radius must be known to within half a turn over all of them.
    known_ci95_m : float
        95 % half-width of the known length, m.

    Raises
    ------
    ReadingsError
        If the counts hardly differ, or no radius near the stated one fits.
    ValueError
        If the length is not positive.
    """
    if not known_m > 0:
        raise ValueError("the known length is above zero")
    first, second = np.asarray(at_zero, dtype=float), np.asarray(at_known, dtype=float)
    if wraps_at is not None:
        first, second = unwrapped(first, wraps_at), unwrapped(second, wraps_at)
    start, end = level(first, "the travel's zero"), level(second, "the known position")
    change = end.counts - start.counts
    if wraps_at is not None:
        turn = geometry.turn(known_m) if isinstance(geometry, Winch) else geometry.turn_of_rise(known_m)
        expected = float(turn) / (2.0 * math.pi) * counts_per_turn
        if a_little is not None:
            expected *= _sense(start.counts, a_little, wraps_at)
        elif expected < 0.4 * wraps_at:
            expected = 0.0
        else:
            raise ValueError("a sensor that begins again on the way needs a reading after a small move")
        change += wraps_at * round((expected - change) / wraps_at)
    half = coverage_factor(start.dof) * math.hypot(start.error, end.error)
    if abs(change) < CLEAR * half:
        raise ReadingsError(
            f"the sensor turned by {abs(change):.0f} counts, too little against its noise",
            "take in more string, or check the sensor",
        )
    found = geometry.calibrated(abs(change) / counts_per_turn * 2.0 * math.pi, known_m)
    relative = math.hypot(half / change, known_ci95_m / known_m)
    if isinstance(found, Winch):
        found = replace(found, drum_ci95_m=relative * (found.drum_radius_m + 0.5 * found.string_m))
    else:
        found = replace(found, arm_ci95_m=relative * found.arm_m)
    return TurnScale(
        zero_counts=start.counts,
        geometry=found,
        sign=1 if change > 0 else -1,
        counts_per_turn=counts_per_turn,
        wraps_at=wraps_at,
        scale_ci95=found.scale_ci95,
    )


def _sense(start: float, a_little: ArrayLike, wraps_at: int) -> float:
    """Which way a sensor counts that begins again every turn."""
    moved = level(unwrapped(a_little, wraps_at), "the small move").counts - start
    moved = float(signed_turn(moved, wraps_at))
    if not 0.05 * wraps_at <= abs(moved) <= 0.45 * wraps_at:
        raise ReadingsError(
            f"the sensor turned by {360.0 * abs(moved) / wraps_at:.0f}°, from which its sense is not sure",
            "turn it by about a quarter of a turn",
        )
    return math.copysign(1.0, moved)
