"""What a blank keeps after it was unloaded, and what creeps while it is held.

Both are small against the bend, and both look like a load cell whose zero drifts. They are therefore given
with what a load cell may drift as a share of their half-width.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from analysis.bend.curve import Curve
from analysis.bend.direct import line
from analysis.bend.result import Creep
from analysis.bend.screen import Sweep, scatter
from analysis.bend.track import DRIFT_SIZE
from analysis.estimate import NORMAL_95, Estimate, Share
from analysis.readings import FlexReadings, Floats

# Ours, chosen on the runs of tests/analysis/bend/test_aftereffect.py: held, creeping and steadily swept ones.
_LOW = 0.12  # of the largest load: what counts as near no load
_FEWEST_LOW = 5  # readings near no load on each side
_NEAR_TOP = 0.03  # of the largest travel
_LINGERS = 3.0  # times as long near the top as the sweep would take through there: it was held
_STILL = 0.15  # of the sweep's speed
_SETTLED_S = 1.0  # when exactly a hold began is known no better
_FEWEST_HELD = 12  # readings while held
_LONGER = 5.0  # times the settling time: shorter holds say nothing per decade


def set_after(sweep: Sweep, curve: Curve, load_after_N: float | None) -> Estimate | None:
    """Travel that is left at no load when the blank has been unloaded, m, positive toward the pull.

    Near no load the readings' travel beyond the fitted curve is a constant before and another after, and a
    part in proportion to the load, of opposite sign loading and unloading (hysteresis). The difference of the
    constants is the set.

    Parameters
    ----------
    sweep : Sweep
        The usable readings.
    curve : Curve
        The run's fitted curve.
    load_after_N : float or None
        What the load reads with the tip free after the run, where that is known: the drift of its zero.

    Returns
    -------
    Estimate or None
        The drift of the load's zero is a share of the half-width, unless it was read. None where the run has
        too few readings near no load before or after.
    """
    most = float(np.quantile(sweep.load_N, 0.98))
    top = int(np.argmax(sweep.travel_m))
    low = sweep.load_N < _LOW * most
    before = low & (sweep.side > 0.0) & (np.arange(low.size) < top)
    after = low & (sweep.side < 0.0) & (np.arange(low.size) > top)
    if min(int(before.sum()), int(after.sum())) < _FEWEST_LOW:
        return None
    # Both ends must come near rest, else their constants are carried on by the straight line.
    if max(float(sweep.load_N[before].min()), float(sweep.load_N[after].min())) > 0.5 * _LOW * most:
        return None
    used = np.flatnonzero(before | after)
    load = sweep.load_N[used]
    left = sweep.travel_m[used] - curve.matrix(load) @ curve.travel
    design = np.stack([before[used], after[used], sweep.side[used] * load], axis=1).astype(float)
    contrast = np.array([-1.0, 1.0, 0.0])
    stays = line(design, left, contrast)
    slack = float((curve.matrix(np.zeros(1)) @ curve.travel_slope)[0])
    if load_after_N is not None:
        seen = sweep.scatter[0] if math.isfinite(sweep.scatter[0]) else 0.0
        return Estimate(stays.value + slack * load_after_N, math.hypot(stays.error, slack * seen), stays.dof)
    drift = Share("load zero drift", slack * NORMAL_95 * DRIFT_SIZE * most)
    return Estimate(stays.value, stays.error, stays.dof).with_shares([drift])


@dataclass(frozen=True, slots=True)
class _Hold:
    """Readings while the blank was held still at the top."""

    log_time: Floats
    """log10 of the time since the hold began, s, shape (n,)."""
    part: Floats
    """The time since then over the run's time, shape (n,)."""
    load_N: Floats
    """Load, N, shape (n,)."""
    travel_m: Floats
    """Travel, m, shape (n,)."""
    lasted_s: float
    """How long it was held, s."""


def creep_held(readings: FlexReadings, curve: Curve, largest_N: float) -> Creep | None:
    """Creep while the blank is held at the top: load that fades, or travel that grows, per decade of time.

    Load and travel are each taken as a straight line in the logarithm of the time since the hold began, as
    creep of fibre in resin goes over a few decades (common practice, no source). What of the one comes from
    the other is taken off by the fitted curve's stiffness there, so that string that gives does not count.

    Parameters
    ----------
    readings : FlexReadings
        The run.
    curve : Curve
        Its fitted curve.
    largest_N : float
        Largest load, for what the load's zero may drift.

    Returns
    -------
    Creep or None
        None where the run was not held long enough.
    """
    hold = _hold(readings)
    if hold is None:
        return None
    mean_load, mean_travel = float(np.mean(hold.load_N)), float(np.mean(hold.travel_m))
    if not (mean_load > 0.0 and mean_travel > 0.0):
        return None
    stiffness = 1.0 / float((curve.matrix(np.array([mean_load])) @ curve.travel_slope)[0])
    design = np.stack([np.ones_like(hold.log_time), hold.log_time], axis=1)
    slope = np.array([0.0, 1.0])
    by_load = line(design, hold.load_N, slope)
    by_travel = line(design, hold.travel_m, slope)
    fading = stiffness * by_travel.value - by_load.value  # N per decade at constant travel
    error = math.hypot(by_load.error, stiffness * by_travel.error)
    drifting = abs(float(np.linalg.lstsq(design, hold.part, rcond=None)[0] @ slope))
    drift = NORMAL_95 * DRIFT_SIZE * largest_N * drifting
    of_load = abs(by_load.value) / mean_load >= abs(by_travel.value) / mean_travel
    unit = mean_load if of_load else stiffness * mean_travel
    per_decade = Estimate(fading / unit, error / unit, by_load.dof).with_shares(
        [Share("load zero drift", drift / unit)]
    )
    return Creep("load" if of_load else "travel", per_decade, hold.lasted_s)


def _hold(readings: FlexReadings) -> _Hold | None:
    """Find the readings at the top during which the blank was held still."""
    time, load, travel = (np.asarray(x, float) for x in (readings.time_s, readings.load_N, readings.travel_m))
    good = np.flatnonzero(np.isfinite(time) & np.isfinite(load) & np.isfinite(travel))
    time, load, travel = time[good], load[good], travel[good]
    if time.size < _FEWEST_HELD or not np.all(np.diff(time) > 0.0):
        return None
    calm = median_filter(travel, size=5, mode="nearest")
    top = int(np.argmax(calm))
    noise = scatter(travel)
    near = calm > calm[top] - max(_NEAR_TOP * calm[top], 6.0 * noise if math.isfinite(noise) else 0.0)
    first, last = top, top
    while first > 0 and near[first - 1]:
        first -= 1
    while last < time.size - 1 and near[last + 1]:
        last += 1
    outside = time[-1] - time[0] - (time[last] - time[first])
    if outside <= 0.0:
        return None
    # of the way up and down that lies outside the top
    way = float(calm[first] - calm[0]) + (float(calm[last] - calm[-1]) if last < time.size - 1 else 0.0)
    speed = way / outside
    passing = (2.0 if last < time.size - 1 else 1.0) * float(calm[top] - min(calm[first], calm[last])) / speed
    if not (speed > 0.0 and time[last] - time[first] > _LINGERS * passing):
        return None
    still = _still(time[first : last + 1], travel[first : last + 1], _STILL * speed)
    if still is None:
        return None
    begin, end = first + still[0], first + still[1]
    since = time[begin : end + 1] - time[begin]
    used = since >= _SETTLED_S
    if int(used.sum()) < _FEWEST_HELD or since[-1] < _LONGER * _SETTLED_S:
        return None
    part = since[used] / (time[-1] - time[0])
    span = slice(begin, end + 1)
    return _Hold(np.log10(since[used]), part, load[span][used], travel[span][used], float(since[-1]))


def _still(time: Floats, travel: Floats, speed: float) -> tuple[int, int] | None:
    """First and last index of the longest stretch in which the travel changes slower than `speed`, m/s."""
    half = max(2, int(np.searchsorted(time - time[0], 0.5 * _SETTLED_S)))
    slow = np.zeros(time.size, dtype=bool)
    for at in range(time.size):
        near = slice(max(0, at - half), at + half + 1)
        t = time[near] - time[near].mean()
        slow[at] = abs(float(t @ travel[near]) / float(t @ t)) < speed
    edges = np.flatnonzero(np.diff(np.concatenate([[False], slow, [False]]).astype(int)))
    if edges.size == 0:
        return None
    starts, ends = edges[::2], edges[1::2] - 1
    longest = int(np.argmax(time[ends] - time[starts]))
    return int(starts[longest]), int(ends[longest])


__all__ = ["creep_held", "set_after"]
