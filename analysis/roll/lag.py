"""Lag: the load of a reading belongs to the angle of a little while ago.

An amplifier settles for about two of its periods, so a load read at t belongs to θ(t − τ). Rolled both ways
the two passes are shifted apart by 2·rate·τ, which shows τ: with F the load over the roll,

    F(θ(t − τ)) = F(θ(t − τ₀)) − (τ − τ₀)·θ̇·F'(θ(t − τ₀)) + …,

so the angle is taken back by the best τ₀ and the column −θ̇·F' stays in the fit with its covariance
(Gauss–Newton). Backlash and wind-up shift the passes too, and not with the rate: one rate cannot tell them
apart, and for one run that does not matter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.readings import Floats
from analysis.roll import model
from analysis.roll.model import Kind
from analysis.roll.regression import least_squares
from analysis.roll.sift import Sifted
from analysis.roll.tensor import SIZE, to_compliance

UNLEARNT = 2.5
"""Largest plausible lag in readings of the amplifier: two periods of settling and half a reading's hold
(datasheet of a 24-bit bridge amplifier: four conversions after a step, from memory)."""
_STEPS = 12
_STILL = 1e-5
"""Steps of τ below this are the end, s."""
_FURTHEST_S = 2.0
"""No amplifier that reads a load lags so long."""
_TOLD = math.radians(5.0)
"""A lag whose turn of the angle is not known to this (one standard error) is not fitted: the load hardly
changes over the roll, and what it changes is noise. A wave that noise alone makes tells it to 20° at best."""
_NO_TURN = math.radians(1.0)
"""Lag that turns the angle by less than this is left to its column."""
_WINDOW_S = 0.12
"""Half of the stretch over which the rate is read."""
_THIN = 1500
"""Readings that the search for τ₀ uses at most."""
_STEP = 1e-3


@dataclass(frozen=True, slots=True)
class Lagged:
    """A run with its angles taken back, and the column for what is left."""

    sifted: Sifted
    """The readings with the angle that their load belongs to."""
    lag_s: float
    """By how long, s."""
    column: Floats | None
    """−θ̇·F' at each reading, in the reading's unit a second; None where the lag is not fitted."""


def rates(time: Floats, roll: Floats) -> Floats:
    """Rate of roll at each reading, rad/s, read over a short stretch; 0 where the blank stands."""
    step = float(np.median(np.diff(time))) if time.size > 1 else 0.0
    window = max(1, round(_WINDOW_S / step)) if step > 0.0 else 1
    at = np.arange(time.size)
    low, high = np.maximum(at - window, 0), np.minimum(at + window, time.size - 1)
    span = time[high] - time[low]
    return np.asarray(np.where(span > 0.0, (roll[high] - roll[low]) / np.where(span > 0.0, span, 1.0), 0.0))


def taken_back(sifted: Sifted, lag_s: float) -> Sifted:
    """Give every load the angle of `lag_s` ago; readings whose angle lies outside the run are left out."""
    if lag_s == 0.0:
        return sifted
    then = sifted.time - lag_s
    inside = (then >= sifted.time[0]) & (then <= sifted.time[-1])
    roll = np.interp(then[inside], sifted.time, sifted.roll)
    sign = np.interp(then[inside], sifted.time, sifted.direction)
    return replace(
        sifted,
        time=sifted.time[inside] - sifted.time[inside][0],
        roll=roll,
        reading=sifted.reading[inside],
        travel=sifted.travel[inside],
        direction=np.where(sign >= 0.0, 1.0, -1.0),
    )


def fitted_lag(sifted: Sifted, kind: Kind) -> Lagged:
    """Find the lag of a run rolled both ways; another run comes back as it is."""
    none = Lagged(sifted, 0.0, None)
    if not sifted.two_way or not float(sifted.time[-1]) > 0.0:
        return none
    lag = 0.0
    fastest = float(np.quantile(np.abs(rates(sifted.time, sifted.roll)), 0.9))
    for _ in range(_STEPS):
        moved = taken_back(sifted, lag)
        if moved.reading.size < 0.7 * sifted.reading.size:
            return none
        step, sure = _step(moved, kind)
        if not (math.isfinite(step) and sure * fastest < _TOLD):
            return none
        lag += float(np.clip(step, -0.3, 0.3))
        if abs(lag) > _FURTHEST_S:
            return none
        if abs(step) < max(_STILL, 0.02 * sure):
            break
    if abs(lag) * fastest < _NO_TURN:
        lag = 0.0
    moved = taken_back(sifted, lag)
    return Lagged(moved, lag, _column(moved, kind, _rough(moved, kind)[0]))


def _column(sifted: Sifted, kind: Kind, core: Floats) -> Floats:
    """−θ̇·F' at every reading."""
    scale = sifted.travel
    up = model.core_at(sifted.roll + _STEP, scale, kind, core)
    down = model.core_at(sifted.roll - _STEP, scale, kind, core)
    return np.asarray(-rates(sifted.time, sifted.roll) * (up - down) / (2.0 * _STEP))


def _thinned(sifted: Sifted) -> Sifted:
    """Every so many-th reading."""
    step = max(1, sifted.reading.size // _THIN)
    if step == 1:
        return sifted
    return replace(
        sifted,
        time=sifted.time[::step],
        roll=sifted.roll[::step],
        reading=sifted.reading[::step],
        travel=sifted.travel[::step],
        direction=sifted.direction[::step],
    )


def _rough(sifted: Sifted, kind: Kind) -> tuple[Floats, Floats, Sifted]:
    """Core by plain least squares, its residuals and the readings they are of.

    A free tip is taken as held here: the two differ by a few per thousand in what the lag needs.
    """
    thin = _thinned(sifted)
    linear: Kind = "hanging" if kind == "hanging" else "held"
    columns = model.columns(thin, linear)
    rows = np.vstack([columns.rows[: columns.drift + 2], columns.rows[columns.waves : columns.waves + 2]])
    fit = least_squares(rows.T, thin.reading)
    core = fit.values[:SIZE]
    if kind == "free":
        core = to_compliance(core)
    return core, fit.residuals, thin


def _step(sifted: Sifted, kind: Kind) -> tuple[float, float]:
    """Gauss–Newton step of τ, s, and its standard error."""
    thin = _thinned(sifted)
    core, _, _ = _rough(sifted, kind)
    linear: Kind = "hanging" if kind == "hanging" else "held"
    columns = model.columns(thin, linear)
    lag = _column(thin, kind, core)
    if not float(np.abs(lag).max()) > 0.0:
        return math.nan, math.inf
    rows = np.vstack(
        [columns.rows[: columns.drift + 2], columns.rows[columns.waves : columns.waves + 2], lag]
    )
    try:
        fit = least_squares(rows.T, thin.reading)
    except np.linalg.LinAlgError:
        return math.nan, math.inf
    free = max(1, thin.reading.size - rows.shape[0])
    return float(fit.values[-1]), math.sqrt(fit.rss / free * float(fit.unscaled_covariance[-1, -1]))


def readings_a_second(sifted: Sifted) -> float:
    """Readings a second while the blank turns, without loads that only repeat the last one."""
    steps = np.diff(sifted.time)
    moving = np.abs(np.diff(sifted.roll)) > 0.0
    usual = steps[moving & (steps > 0.0)]
    if not usual.size:
        return math.nan
    fresh = float(np.mean(np.diff(sifted.reading) != 0.0))
    return fresh / float(np.median(usual))
