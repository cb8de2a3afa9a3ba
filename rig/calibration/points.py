"""Making a calibration: from readings at known weights, positions and turns of the chuck.

Each function takes raw counts as they came and gives one channel's scale, with its half-width. Where the
readings cannot carry the answer it says so (`ReadingsError`) and makes nothing up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants

from analysis.estimate import coverage_factor
from analysis.readings import Floats
from rig.calibration.scales import (
    LOAD_BITS,
    TURN_COUNTS,
    AngleScale,
    LoadScale,
    TipScale,
    TravelScale,
    signed,
)
from rig.errors import ReadingsError

_LEAST_READINGS = 10
_BATCHES = 10
CLEAR = 20.0
"""A change must be this many times its own half-width: 5 % is the worst scale that is worth having."""


@dataclass(frozen=True, slots=True)
class KnownWeight:
    """A weight hung where the blank's tip pulls, and what the cell read."""

    mass_kg: float
    """Its mass, kg."""
    counts: ArrayLike
    """Raw counts while it hung still, shape (n,)."""
    mass_ci95_kg: float = 0.0
    """95 % half-width of its mass, kg (its tolerance)."""


@dataclass(frozen=True, slots=True)
class Level:
    """Mean of a channel's counts while nothing moved."""

    counts: float
    """Mean."""
    error: float
    """Standard error of the mean, counts."""
    dof: float
    """Degrees of freedom of `error`."""


def level(counts: ArrayLike, what: str) -> Level:
    """Average counts while nothing moves.

    The standard error comes from the means of ten stretches of equal length, so that noise that hangs
    together over neighbouring readings is counted (batch means; Law & Kelton, Simulation Modeling and
    Analysis, from memory), and is at least that of rounding to whole counts, 1/√12 over √n. Noise that hangs
    together for longer than a stretch is counted in part only: simulated, the 95 % half-width then holds the
    truth in 90 % of cases where the noise hangs together over ten readings of 240, in 70 % over thirty.

    Parameters
    ----------
    counts : array_like, shape (n,)
        Raw counts; missing ones (nan) are left out.
    what : str
        What was read, for messages.

    Raises
    ------
    ReadingsError
        With fewer than ten readings.
    """
    data = np.asarray(counts, dtype=float)
    data = data[~np.isnan(data)]
    if data.size < _LEAST_READINGS:
        raise ReadingsError(
            f"{what} has {data.size} readings and needs {_LEAST_READINGS}",
            "hold the rig still for a few seconds",
        )
    parts = min(_BATCHES, data.size)
    means = np.array([part.mean() for part in np.array_split(data, parts)])
    spread = float(means.std(ddof=1)) / math.sqrt(parts)
    rounding = 1.0 / math.sqrt(12.0 * data.size)
    return Level(float(data.mean()), max(spread, rounding), parts - 1.0)


def load_scale(
    zero: ArrayLike,
    weights: Sequence[KnownWeight],
    *,
    gravity_m_s2: float = constants.g,
    bits: int = LOAD_BITS,
) -> LoadScale:
    """Calibrate the load cell from its zero and one or more known weights.

    The straight line through the zero, by least squares over the weights: with Δᵢ the change of the mean
    counts and Wᵢ = mᵢ·g, newtons per count a = Σ WᵢΔᵢ / Σ Δᵢ². Its half-width joins the noise of the means,
    the weights' tolerances and, with several weights, their distances from the line.

    Parameters
    ----------
    zero : array_like, shape (n,)
        Raw counts without a weight.
    weights : sequence of KnownWeight
        One or more.
    gravity_m_s2 : float
        Of the shop's place; standard gravity is within 0.3 % of it anywhere on Earth.
    bits : int
        Width of the amplifier's counts.

    Raises
    ------
    ReadingsError
        If a weight changes the counts too little or against the rest, or drives the amplifier to its end.
    ValueError
        Without a weight, or with a mass that is not positive.
    """
    if not weights or any(not weight.mass_kg > 0 for weight in weights):
        raise ValueError("a load cell is calibrated with one or more weights of positive mass")
    ends = (-(2.0 ** (bits - 1)), 2.0 ** (bits - 1) - 1)
    rest = level(signed(zero, bits), "the unloaded cell")
    loads = np.array([weight.mass_kg * gravity_m_s2 for weight in weights])
    changes, errors = np.empty(len(weights)), np.empty(len(weights))
    for at, weight in enumerate(weights):
        data = signed(weight.counts, bits)
        name = f"the weight of {weight.mass_kg * 1e3:g} g"
        if np.isin(data, ends).any():
            raise ReadingsError(
                f"{name} drives the amplifier to its end", "use a lighter weight, or check the wires"
            )
        hung = level(data, name)
        changes[at] = hung.counts - rest.counts
        errors[at] = math.hypot(hung.error, rest.error)
        if abs(changes[at]) < CLEAR * coverage_factor(rest.dof) * errors[at]:
            raise ReadingsError(
                f"{name} changes the reading by {abs(changes[at]):.0f} counts, too little against the noise",
                "check that it hangs from the cell and that the cell is wired, or use a heavier one",
            )
    if np.ptp(np.sign(changes)):
        raise ReadingsError(
            "the weights change the reading in opposite directions", "hang them all the same way"
        )
    power = float(np.sum(changes**2))
    slope = float(np.sum(loads * changes)) / power
    residuals = loads - slope * changes
    # Noise of the zero is common to all changes, noise of each weight its own.
    weight_noise = np.sqrt(np.maximum(errors**2 - rest.error**2, 0.0))
    noise = math.hypot(
        *(changes * weight_noise / power * slope), rest.error * float(np.sum(changes)) / power * slope
    )
    tolerance = math.hypot(
        *(c * w.mass_ci95_kg * gravity_m_s2 / power for c, w in zip(changes, weights, strict=True))
    )
    parts = [coverage_factor(rest.dof) * noise, tolerance]
    residual = None
    if len(weights) > 1:
        freedom = len(weights) - 1
        scatter = math.sqrt(float(np.sum(residuals**2)) / freedom / power)
        parts.append(coverage_factor(freedom) * scatter)
        residual = float(np.max(np.abs(residuals)))
    return LoadScale(
        zero_counts=rest.counts,
        N_per_count=slope,
        scale_ci95=math.hypot(*parts) / abs(slope),
        zero_ci95_N=coverage_factor(rest.dof) * rest.error * abs(slope),
        residual_N=residual,
        bits=bits,
    )


def travel_scale(
    at_zero: ArrayLike,
    at_known: ArrayLike,
    known_m: float,
    *,
    known_ci95_m: float = 0.0,
    bits: int | None = None,
) -> TravelScale:
    """Calibrate the travel from two known positions: the zero, and one at `known_m` along the pull.

    Parameters
    ----------
    at_zero, at_known : array_like, shape (n,)
        Raw counts while the carriage stood still at each.
    known_m : float
        Distance between the two, m, positive along the pull.
    known_ci95_m : float
        95 % half-width of that distance (how well the ruler was read), m.
    bits : int or None
        Width of a counter that wraps.

    Raises
    ------
    ReadingsError
        If the counts hardly differ.
    ValueError
        If the distance is not positive.
    """
    if not known_m > 0:
        raise ValueError("the known position must lie along the pull, above zero")
    first, second = np.asarray(at_zero, dtype=float), np.asarray(at_known, dtype=float)
    if bits is not None:
        # Both levels near the first zero reading, so that a wrap in between does not matter.
        first = signed(first - np.asarray(at_zero, dtype=float).flat[0], bits) + first.flat[0]
        second = signed(second - first.flat[0], bits) + first.flat[0]
    start, end = level(first, "the travel's zero"), level(second, "the known position")
    change = end.counts - start.counts
    half = coverage_factor(start.dof) * math.hypot(start.error, end.error)
    if abs(change) < CLEAR * half:
        raise ReadingsError(
            f"the travel changed by {abs(change):.0f} counts, too little against its noise",
            "move the carriage further, or check the sensor",
        )
    return TravelScale(
        zero_counts=start.counts,
        m_per_count=known_m / change,
        scale_ci95=math.hypot(half / change, known_ci95_m / known_m),
        bits=bits,
    )


def angle_scale(
    at_zero: ArrayLike,
    turned: ArrayLike,
    *,
    counts_per_turn: int = TURN_COUNTS,
    zero_ci95_deg: float | None = None,
) -> AngleScale:
    """Find the chuck's zero and which way its sensor counts.

    Parameters
    ----------
    at_zero : array_like, shape (n,)
        Raw counts while the chuck stood at its zero.
    turned : array_like, shape (n,)
        Raw counts after it was turned anticlockwise, seen from the butt, by roughly a quarter of a turn.
    counts_per_turn : int
        Counts in one turn.
    zero_ci95_deg : float or None
        95 % half-width of how well the chuck was set to zero.

    Raises
    ------
    ReadingsError
        If it was turned by less than 20° or by more than 160°, or moved meanwhile.
    """
    start, change = _turn(at_zero, turned, counts_per_turn, "the chuck", "anticlockwise, seen from the butt,")
    return AngleScale(1 if change > 0 else -1, start, counts_per_turn, zero_ci95_deg)


def tip_scale(level_counts: ArrayLike, bent: ArrayLike, *, counts_per_turn: int = TURN_COUNTS) -> TipScale:
    """Find the tip sensor's zero and which way it counts.

    Parameters
    ----------
    level_counts : array_like, shape (n,)
        Raw counts while the tip lay along the chuck's axis.
    bent : array_like, shape (n,)
        Raw counts after the tip was turned toward the pull by 20° to 160°.
    counts_per_turn : int
        Counts in one turn.

    Raises
    ------
    ReadingsError
        If it was turned by less or more, or moved meanwhile.
    """
    start, change = _turn(level_counts, bent, counts_per_turn, "the tip", "toward the pull")
    return TipScale(1 if change > 0 else -1, start, counts_per_turn)


def _turn(
    at_zero: ArrayLike, turned: ArrayLike, counts_per_turn: int, what: str, way: str
) -> tuple[float, float]:
    """Zero in counts and the turn from it in degrees, (−180, 180]."""
    start, end = _still(at_zero, counts_per_turn, what), _still(turned, counts_per_turn, what)
    change = (np.mod((end - start) / counts_per_turn + 0.5, 1.0) - 0.5) * 360.0
    if not 20.0 <= abs(change) <= 160.0:
        raise ReadingsError(
            f"{what} was turned by {abs(change):.0f}°, from which its sense is not sure",
            f"turn it {way} by about a quarter of a turn",
        )
    return start, float(change)


def _still(counts: ArrayLike, counts_per_turn: int, what: str) -> float:
    """Mean counts on the circle, of a sensor that stood still."""
    data = np.asarray(counts, dtype=float)
    data = data[~np.isnan(data)]
    if not data.size:
        raise ReadingsError(f"there is no reading of {what}'s angle", "check the sensor")
    away: Floats = signed_turn(data - data[0], counts_per_turn)
    if np.ptp(away) > counts_per_turn / 72.0:
        raise ReadingsError(f"{what} moved by more than 5° while it was read", "hold it still")
    return float(np.mod(data[0] + away.mean(), counts_per_turn))


def signed_turn(counts: ArrayLike, counts_per_turn: int) -> Floats:
    """Bring a difference of counts into half a turn either way."""
    return (np.mod(np.asarray(counts, dtype=float) / counts_per_turn + 0.5, 1.0) - 0.5) * counts_per_turn
