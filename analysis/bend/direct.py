"""Power and action read from the readings themselves, without the model of the blank, to lay beside it.

Where a run reaches the reference bend, the load there is read from the readings around that travel. Travel
over slope at the smallest loads is the bend centre's distance from the tip. Both are less sure than the
model's, and neither knows of a taper: where they disagree with it, something is wrong that the half-widths do
not hold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.bend.family import SIZE
from analysis.bend.fit import Fit
from analysis.bend.profile import Profile
from analysis.bend.rating import LOAD, REFERENCE_BEND, Ratings, small_load_centre
from analysis.bend.result import Direct
from analysis.bend.screen import at_tip
from analysis.bend.shares import Side, length_shares, one_direction
from analysis.bend.track import DRIFT_TERMS, LOOP_TERMS, RIG_TERMS, drift_terms, readings_as_one
from analysis.estimate import Estimate, Share
from analysis.readings import FlexReadings, Floats


@dataclass(frozen=True, slots=True)
class Contrast:
    """A sum of coefficients, by least squares with outliers left out."""

    value: float
    """The sum that was asked for."""
    error: float
    """Its standard error; noise that hangs together widens it."""
    dof: float
    """Degrees of freedom."""


def line(design: Floats, values: Floats, contrast: Floats) -> Contrast:
    """Fit a line and give a contrast of its coefficients.

    Parameters
    ----------
    design : ndarray, shape (n, k)
        What the values depend on.
    values : ndarray, shape (n,)
        The values.
    contrast : ndarray, shape (k,)
        Which sum of the coefficients is wanted.
    """
    kept = np.ones(values.size, dtype=bool)
    for _ in range(3):
        found = np.linalg.lstsq(design[kept], values[kept], rcond=None)[0]
        left = values - design @ found
        size = 1.4826 * float(np.median(np.abs(left[kept])))
        kept = np.abs(left) <= max(5.0 * size, 1e-300)
    dof = float(max(int(kept.sum()) - design.shape[1], 1))
    used = design[kept]
    variance = float(np.sum(left[kept] ** 2)) / dof * readings_as_one(left[kept])
    unscaled = np.linalg.inv(used.T @ used)  # covariance of the coefficients over the variance
    return Contrast(float(contrast @ found), math.sqrt(variance * float(contrast @ unscaled @ contrast)), dof)


WINDOW = 0.2
"""Readings within so much of the reference travel, relative, are used (ours: there a parabola
is true to 1e-4 for usual tapers)."""
_FEWEST, _FEWEST_EACH = 6, 3  # readings about the bend in a direction, and on either side of it
_SMALL = 0.25
"""Travel over the free length up to which travel over slope is taken to the smallest loads."""
_FEWEST_SMALL = 20  # readings: three coefficients, and enough left for the noise


def load_read(found: Fit, run: int, length_m: float) -> tuple[Estimate, float] | None:
    """Load at the reference bend from the readings around it, and the fitted curve's load there, N.

    Load over travel in a window about a quarter of the length is a parabola whose height and slope differ
    between loading and unloading by as much; its height at the middle is the mean of both directions. The
    load's zero and its drift, which belong to the rig, are taken off as fitted, with their error.

    Parameters
    ----------
    found : Fit
        The fit, for the rig's part and for the curve to compare with.
    run : int
        Which run.
    length_m : float
        Its free length, m.

    Returns
    -------
    (Estimate, float) or None
        None where the readings do not reach the bend, or are too few about it.
    """
    track = found.tracks[run]
    sweep, rig = track.sweep, found.rig(run)
    at = REFERENCE_BEND * length_m
    away = sweep.travel_m / at - 1.0
    near = np.abs(away) <= WINDOW
    ways = [near & (sweep.side == way) for way in (1.0, -1.0)]
    ways = [way for way in ways if way.any()]
    around = [(int(way.sum()), int(np.sum(away[way] > 0.0)), int(np.sum(away[way] < 0.0))) for way in ways]
    if not ways or any(all_ < _FEWEST or min(parts) < _FEWEST_EACH for all_, *parts in around):
        return None
    x, side = away[near], sweep.side[near]
    terms = [np.ones_like(x), x, x**2]
    if len(ways) == 2:
        terms += [side, side * x]
    drift = drift_terms(track.elapsed[near])
    load = sweep.load_N[near] - rig[LOOP_TERMS] - rig[LOOP_TERMS + 2 :] @ drift
    design = np.stack(terms, axis=1)
    height = np.eye(design.shape[1])[0]
    fitted = line(design, load, height)
    taken = np.array([float(height @ np.linalg.lstsq(design, row, rcond=None)[0]) for row in drift])
    start = SIZE + RIG_TERMS * run
    places = [start + LOOP_TERMS, *range(start + RIG_TERMS - DRIFT_TERMS, start + RIG_TERMS)]
    gradient = np.zeros(found.parameters.size)
    gradient[places] = [1.0, *taken]
    of_rig = float(found.mixture.noise(gradient)[0])
    return Estimate(fitted.value, math.hypot(fitted.error, of_rig), fitted.dof), _curve_load(found, run, at)


def _curve_load(found: Fit, run: int, travel_m: float) -> float:
    """Load of a run's fitted curve at a travel, N."""
    curve = found.tracks[run].curve
    loads = np.linspace(0.0, curve.high_N, 801)
    return float(np.interp(travel_m, curve.matrix(loads) @ curve.travel, loads))


def small_centre_read(found: Fit, run: int, length_m: float) -> Estimate | None:
    """Travel over slope in the limit of small load, over the free length.

    Slope as an odd polynomial of the travel, with a zero of its own, whose first coefficient is wanted; the
    third order belongs to large bending, and what is left of the fifth is below 0.05 % for usual tapers.

    Returns
    -------
    Estimate or None
        None without the tip's slope, or with too few readings.
    """
    sweep = found.tracks[run].sweep
    away = sweep.travel_m / length_m
    used = np.isfinite(sweep.tip) & (away <= _SMALL)
    if int(used.sum()) < _FEWEST_SMALL or float(np.max(away[used])) < 0.5 * _SMALL:
        return None
    x, tip = away[used], sweep.tip[used]
    design = np.stack([np.ones_like(x), x, x**3], axis=1)
    steep = line(design, tip, np.array([0.0, 1.0, 0.0]))
    if steep.value <= 0.0:
        return None
    return Estimate(1.0 / steep.value, steep.error / steep.value**2, steep.dof)


def read_directly(
    found: Fit, main: int, run: FlexReadings, at_free: Ratings, profile: Profile, dof: float, side: Side
) -> Direct | None:
    """Load and bend centre from the readings alone, and the model's, both for the free length.

    What the fitted curve's load at the bend differs from the blank's reference load is the blank's own
    weight; the load that was read is brought to the same by that difference. On a rig that turns the pull
    the reference load is not among the readings.
    """
    if not at_tip(run) or run.pulled_by is not None:
        return None
    model = at_free.value.reference_load_N
    read = load_read(found, main, run.free_length_m)
    load = None
    if read is not None:
        load = replace(read[0], value=read[0].value + model - read[1])
        scales = (
            ("load calibration", run.rig.load_scale_ci95, 1.0),
            ("travel calibration", run.rig.travel_scale_ci95, at_free.value.load_exponent),
        )
        shares = [Share(why, load.value * size * half, shared=True) for why, half, size in scales if half]
        if not found.tracks[main].sweep.both_ways:
            shares.append(one_direction(load.value))
        load = load.with_shares([*shares, *length_shares(run, at_free, True, load.value)])
        load = side.to_the_mean(load)
    by_model = Estimate(model, float(found.noise(at_free.gradient(LOAD))[0]) * model, dof).scaled(side.factor)
    return Direct(
        load, by_model, small_centre_read(found, main, run.free_length_m), small_load_centre(profile)
    )


__all__ = ["line", "load_read", "read_directly", "small_centre_read"]
