"""Rigidity along a blank from load, travel and tip slope, all three with noise.

Every reading i has a true load f_i that nobody knows; load, travel and slope scatter about
(f_i + rig, y(f_i; p), θ(f_i; p)). The f_i are found along with the parameters p (errors in variables, or
orthogonal distance regression: Fuller, Measurement Error Models, 1987, ch. 3), here by projecting each
reading's residual across the curve's tangent, which leaves a small linear problem in p alone.

What the rig adds to a run: half the difference of loading and unloading as a polynomial of the load (its
mean is the elastic curve; it is open at no load only where something on the rig drags, Coulomb's friction), a
load zero that is off or drifts in time, and the slope's zero. Readings far from the curve are given little
weight (Huber) or none.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from analysis.bend.by_hand import HAND_READINGS
from analysis.bend.curve import Curve
from analysis.bend.family import PRECISION, SIZE, SPREAD, TAPER_MEAN, TAPER_TERMS, Family
from analysis.bend.mixture import Pictures
from analysis.bend.screen import Sweep
from analysis.readings import Floats

LOOP_TERMS = 3
"""Terms of the difference between loading and unloading."""
DRIFT_TERMS = 3
"""Drift of the load's zero since the first reading: a straight line and two half waves over the run."""
RIG_TERMS = LOOP_TERMS + 2 + DRIFT_TERMS
"""Of one run: loop, load zero, slope zero, drift."""
_DRIFTS = (0.0, 0.004, 0.012)
"""How far the load's zero may drift over a run (one standard deviation), over the largest load."""
_DRIFT_ODDS = (0.8, 0.13, 0.07)
"""Their probabilities before the run."""
DRIFT_SIZE = math.sqrt(sum(odds * size**2 for odds, size in zip(_DRIFT_ODDS, _DRIFTS, strict=True)))
"""One standard deviation of that drift before the run, over the largest load."""
_DRIFT_SHAPE = np.array([1.0, 0.25, 0.12])
"""Sizes of line and half waves to each other: drift is slow (our choice)."""
_NEVER = 1e14
_CLOSED_LOOP = 5e-4
"""How far apart loading and unloading may be at no load (one standard deviation) over the largest load, where
nothing on the rig drags: a blank that comes back to rest shows no load."""
_DRAG = 0.02
"""The same where something drags, such as a string over an eye: its friction turns round with the travel."""
_DRAG_ODDS = 0.1
"""Probability, before the run, that something drags."""
TIP_ZERO = math.radians(0.4)
"""How far the slope's zero is off where it is off (one standard deviation), rad: a clip set by eye."""
TIP_ZERO_RIGHT = 0.8
"""Probability, before the run, that the slope's zero is right."""
_SPREADS = (0.015, 0.03, 0.045, 0.06, 0.08, 0.11, 0.15)
_SPREAD_PRIOR = (math.log(0.06), 0.6)
_ROUNDS = 25
_TAPER_ROUNDS = 10
_PRIOR_READINGS = 20.0


@dataclass(slots=True)
class Track:
    """One run during the fit."""

    sweep: Sweep
    curve: Curve
    load_zero_N: float
    """How far the load's zero may be off (one standard deviation), N."""
    loads: Floats
    """True loads as they are known so far, N, shape (n,)."""
    noise: Floats
    """Standard deviations of load, travel, slope, shape (3,)."""
    weights: Floats
    """Weight of each reading, 0 to 1, shape (n,)."""
    elapsed: Floats
    """Time of each reading since the first, over the run's time, 0 to 1, shape (n,)."""


@dataclass(frozen=True, slots=True)
class Fit:
    """Parameters of a blank and of the rig, with their covariance."""

    family: Family
    tracks: tuple[Track, ...]
    parameters: Floats
    """Of the family, then of each run's rig, shape (p,)."""
    covariance: Floats
    """Of the parameters, prior and the family's uncertainty included, shape (p, p)."""
    responses: tuple[tuple[Floats, Floats, Floats], ...]
    """By run: change of the parameters per change of each reading's load, travel, slope, shapes (p, n)."""
    spread: float
    """Deviation from a taper that the data prefer, log EI."""
    pictures: Pictures
    """The distributions that parameters and covariance are taken over."""

    def noise(self, gradient: Floats) -> Floats:
        """95 % half-width over 1.96 of sums of the blank's parameters, from (SIZE,) or (SIZE, m) to (m,)."""
        rest = self.parameters.size - SIZE
        padding = [(0, rest), *[(0, 0)] * (gradient.ndim - 1)]
        return self.pictures.noise(np.pad(gradient, padding))

    def rig(self, run: int) -> Floats:
        """Loop terms, load zero and slope zero of one run."""
        start = SIZE + RIG_TERMS * run
        return self.parameters[start : start + RIG_TERMS]


def fit(reach_m: float, tracks: Sequence[Track], level: float) -> Fit:
    """Find the rigidity and each run's rig terms.

    Parameters
    ----------
    reach_m : float
        Longest distance from the tip that will be asked for, m.
    tracks : sequence of Track
        The runs of one blank; changed in place.
    level : float
        First guess of log EI at the far end, the rest of the taper being as expected.
    """
    taper = TAPER_MEAN + np.array([level, 0.0, 0.0])
    precision = np.concatenate([PRECISION, *(_rig_precision(track) for track in tracks)])
    parameters = np.zeros(precision.size)
    ridge, before, step = 0.0, math.inf, np.zeros(precision.size)
    normal, slope = np.zeros((step.size, step.size)), np.zeros(step.size)
    held = _stiffness(precision, SPREAD)
    held[TAPER_TERMS:SIZE] = 1e9  # the taper first
    for turn in range(_TAPER_ROUNDS):
        family = Family(reach_m, taper)
        for track in tracks:
            track.curve.depart_from(family)
        away = parameters - _mean(family, parameters.size)
        parts = _look(tracks, parameters)
        if turn and _cost(parts, away, held) > before:
            taper = taper - step[:TAPER_TERMS]
            parameters[SIZE:] -= step[SIZE:]
            ridge = max(10.0 * ridge, 1e-3)
        else:
            ridge *= 0.1
            normal, slope = _gather(parts, parameters.size, early=True)
            before, pull = _cost(parts, away, held), held * away
        step = _solve(normal, slope, held, pull, ridge)
        taper = taper + step[:TAPER_TERMS]
        parameters[SIZE:] += step[SIZE:]
        if float(np.max(np.abs(step[:TAPER_TERMS]))) < 3e-3:
            break

    family = Family(reach_m, taper)
    for track in tracks:
        track.curve.depart_from(family)
    mean = _mean(family, parameters.size)
    spread, drags, chosen, ridge, before = SPREAD, False, False, 0.0, math.inf
    for turn in range(_ROUNDS):
        stiff = _stiffness(precision, spread, drags=drags)
        parts = _look(tracks, parameters)
        cost = _cost(parts, parameters - mean, stiff)
        if cost > before * (1.0 + 1e-6):  # judged with the noise and weights of the last round
            parameters, ridge = parameters - step, max(10.0 * ridge, 1e-3)
        else:
            ridge *= 0.1 if ridge > 1e-6 else 0.0
            normal, slope = _gather(parts, parameters.size, early=turn < 1)
            before = _cost(parts, parameters - mean, stiff)
        step = _solve(normal, slope, stiff, stiff * (parameters - mean), ridge)
        parameters = parameters + step
        moved = float(np.max(np.abs(step) * np.sqrt(np.diag(normal) + stiff)))
        if ridge == 0.0 and turn >= 2 and moved < 0.05:
            if chosen:
                break
            odds = _odds(normal, slope, parameters - step, mean, precision)
            spread, chosen = float(np.exp(odds.sum(axis=1) @ np.log(_SPREADS))), True
            drags = float(odds[:, ::2].sum()) > 0.5
            before = math.inf
    return _finish(family, tracks, parameters, mean, precision)


def _mean(family: Family, size: int) -> Floats:
    mean = np.zeros(size)
    mean[:SIZE] = family.prior_mean
    return mean


def _stiffness(
    precision: Floats,
    spread: float,
    *,
    tip_zero_right: bool = False,
    drift: float = _DRIFTS[-1],
    drags: bool = False,
) -> Floats:
    """Inverse variances before the run, for another standard deviation of the smooth deviation."""
    out = precision.copy()
    out[TAPER_TERMS:SIZE] *= (SPREAD / spread) ** 2
    if tip_zero_right:
        out[SIZE + LOOP_TERMS + 1 :: RIG_TERMS] = _NEVER
    if not drags:
        out[SIZE::RIG_TERMS] *= (_DRAG / _CLOSED_LOOP) ** 2
    for term in range(DRIFT_TERMS):
        at = slice(SIZE + LOOP_TERMS + 2 + term, None, RIG_TERMS)
        out[at] = out[at] * (_DRIFTS[-1] / drift) ** 2 if drift else _NEVER
    return out


def _gather(parts: Sequence[_Residual], size: int, *, early: bool) -> tuple[Floats, Floats]:
    """Weigh the readings and set up the normal equations."""
    normal, slope = np.zeros((size, size)), np.zeros(size)
    for part in parts:
        _weigh(part, early=early)
        _add(normal, slope, part)
    return normal, slope


def _solve(normal: Floats, slope: Floats, stiff: Floats, pull: Floats, ridge: float) -> Floats:
    """One Gauss–Newton step (Levenberg–Marquardt with `ridge`)."""
    damped = normal + np.diag(stiff + ridge * (np.diag(normal) + stiff))
    step: Floats = np.asarray(np.linalg.solve(damped, slope - pull), dtype=float)
    longest = float(np.max(np.abs(step[:TAPER_TERMS])))
    return step * min(1.0, 0.7 / longest) if longest > 0.0 else step


def _look(tracks: Sequence[Track], parameters: Floats) -> list[_Residual]:
    """Bend every run's blank and move its true loads along."""
    parts = []
    for run, track in enumerate(tracks):
        track.curve.bend(parameters[:SIZE])
        part = _Residual(track, parameters, run)
        part.follow()
        parts.append(part)
    return parts


def _cost(parts: Sequence[_Residual], away: Floats, stiff: Floats) -> float:
    """Weighted squares of the residuals and of the parameters about the prior."""
    return sum(part.cost() for part in parts) + float(np.sum(stiff * away**2))


def _rig_precision(track: Track) -> Floats:
    """Inverse variances of a run's rig terms before the run."""
    most = track.curve.high_N
    loop = 0.1 * most if track.sweep.both_ways else 1e-9 * most
    zero = max(track.load_zero_N, 1e-9 * most)
    opened = min(loop, _DRAG * most)
    drift = (_DRIFTS[-1] * most * _DRIFT_SHAPE) ** -2
    if track.sweep.by_hand:
        drift = np.full(DRIFT_TERMS, _NEVER)  # weights do not drift
    return np.array([opened**-2, loop**-2, loop**-2, zero**-2, TIP_ZERO**-2, *drift])


def drift_terms(elapsed: Floats) -> Floats:
    """Load per drift parameter at a part of the run's time, 0 at its start, shape (3, n)."""
    return np.stack([elapsed, np.sin(math.pi * elapsed), np.sin(2.0 * math.pi * elapsed)])


def loop_terms(loads_N: Floats, largest_N: float) -> Floats:
    """Load difference (loading minus unloading) per loop parameter, shape (3, n): 1 − u, u, u·(1 − u)."""
    u = np.clip(loads_N / largest_N, 0.0, 1.2)
    return np.stack([1.0 - u, u, u * (1.0 - u)])


class _Residual:
    """Residuals of one run about the curve, scaled by the noise, and their change with the parameters."""

    def __init__(self, track: Track, parameters: Floats, run: int) -> None:
        self.track = track
        self.start = SIZE + RIG_TERMS * run
        self.rig = parameters[self.start : self.start + RIG_TERMS]
        self.size = parameters.size
        tip = track.sweep.tip
        self.has_tip = np.isfinite(tip)
        self.tip = np.where(self.has_tip, tip, 0.0)

    def follow(self) -> None:
        """Move the true loads to where each reading stands nearest to the curve."""
        for _ in range(2):
            self._evaluate()
            tangent = self.tangent / self.track.noise
            tangent[~self.has_tip, 2] = 0.0
            scaled = self.off / self.track.noise
            move = np.sum(tangent * scaled, axis=1) / np.sum(tangent**2, axis=1)
            curve = self.track.curve
            self.track.loads = np.clip(self.track.loads + move, curve.low_N, curve.high_N)
        self._evaluate()

    def _evaluate(self) -> None:
        track, curve = self.track, self.track.curve
        self.across = curve.matrix(track.loads)
        loop = 0.5 * track.sweep.side * loop_terms(track.loads, curve.high_N)
        self.loop = loop
        sweep = track.sweep
        load = track.loads + self.rig[:LOOP_TERMS] @ loop + self.rig[LOOP_TERMS]
        load = load + self.rig[LOOP_TERMS + 2 :] @ drift_terms(track.elapsed)
        travel = self.across @ curve.travel
        slope = self.across @ curve.tip + self.rig[LOOP_TERMS + 1]
        self.off = np.stack([sweep.load_N - load, sweep.travel_m - travel, self.tip - slope], axis=1)
        self.off[~self.has_tip, 2] = 0.0
        tangent = np.stack(
            [np.ones_like(load), self.across @ curve.travel_slope, self.across @ curve.tip_slope], axis=1
        )
        self.tangent = tangent

    def cost(self) -> float:
        """Weighted sum of squares of the scaled residuals."""
        return float(np.sum(self.track.weights[:, None] * (self.off / self.track.noise) ** 2))

    def projected(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Scaled residuals (n, 3), design (3, n, p), unit tangents (n, 3), the design along them (n, p)."""
        track, curve = self.track, self.track.curve
        noise = track.noise
        n = track.loads.size
        design = np.zeros((3, n, self.size))
        at = self.start
        design[0][:, at : at + LOOP_TERMS] = self.loop.T
        design[0][:, at + LOOP_TERMS] = 1.0
        design[0][:, at + LOOP_TERMS + 2 : at + RIG_TERMS] = drift_terms(track.elapsed).T
        design[1][:, :SIZE] = self.across @ curve.travel_per_p
        design[2][:, :SIZE] = self.across @ curve.tip_per_p
        design[2][:, at + LOOP_TERMS + 1] = 1.0
        design[2][~self.has_tip] = 0.0
        design /= noise[:, None, None]
        tangent = self.tangent / noise
        tangent[~self.has_tip, 2] = 0.0
        tangent /= np.sqrt(np.sum(tangent**2, axis=1))[:, None]
        along = np.einsum("nc,cnp->np", tangent, design)
        return self.off / noise, design, tangent, along


def _weigh(part: _Residual, *, early: bool) -> None:
    """Noise from the residuals, and each reading's weight from its distance to the curve.

    Early on the curve is not yet near and the noise stays as it was.
    """
    track = part.track
    noise, sweep = track.noise, track.sweep
    n = track.loads.size
    free = 1.0 + part.has_tip
    for _ in range(40):
        scaled = part.off / noise
        distance = np.sqrt(np.sum(scaled**2, axis=1) / free)
        if early:
            distance /= max(float(np.median(distance)) / 0.8, 1.0)
        weights = np.minimum(1.0, 3.0 / np.maximum(distance, 1e-300))
        weights[distance > 6.0] = 0.0
        track.weights = weights
        if early:
            return
        tangent = part.tangent / noise
        tangent[~part.has_tip, 2] = 0.0
        share = tangent**2 / np.sum(tangent**2, axis=1)[:, None]
        left = weights[:, None] * (1.0 - share)
        left[~part.has_tip, 2] = 0.0
        seen = np.array(sweep.scatter)
        counted = np.where(
            np.isfinite(seen), HAND_READINGS if sweep.by_hand else min(_PRIOR_READINGS, 0.2 * n), 0.0
        )
        known = np.where(np.isfinite(seen), seen, 0.0)
        square = np.sum(weights[:, None] * part.off**2, axis=0) + counted * known**2
        least = _least_noise(track)
        old = noise
        noise = np.sqrt(square / np.maximum(left.sum(axis=0) + counted, 1e-9))
        noise = np.maximum(np.where(np.isfinite(noise), noise, least), least)
        if np.all(np.abs(noise - old) < 3e-3 * old):
            break
    track.noise = noise


def readings_as_one(left: Floats) -> float:
    """How many readings count as one: 1 for white noise, more where noise hangs together.

    The sum of the residuals' autocorrelations, 1 + 2·Σ ρ_k, up to the first lag at which a neighbouring pair
    of them is no longer positive (Geyer 1992, Statistical Science 7:473).
    """
    if left.size < 50 or not np.any(left):
        return 1.0
    left = left - left.mean()
    spectrum = np.fft.rfft(left, 2 * left.size)
    rho = np.fft.irfft(np.abs(spectrum) ** 2)[: left.size // 4]
    rho = rho / rho[0]
    pairs = rho[1:-1:2] + rho[2::2]
    ends = np.flatnonzero(pairs <= 0.0)
    count = int(ends[0]) if ends.size else pairs.size
    return max(1.0, 1.0 + 2.0 * float(np.sum(pairs[:count])))


def _hanging_together(part: _Residual) -> Floats:
    """How many readings count as one, by channel."""
    load, travel, tip = (part.off * part.track.weights[:, None]).T
    return np.array([readings_as_one(left) for left in (load, travel, tip[part.has_tip])])


def _least_noise(track: Track) -> Floats:
    """No channel is taken to be better than this."""
    curve = track.curve
    return 2e-5 * np.array([curve.high_N, float(np.max(np.abs(curve.travel))), 1.0])


def _add(normal: Floats, slope: Floats, part: _Residual) -> None:
    """Add one run to the normal equations."""
    scaled, design, tangent, along = part.projected()
    weights = part.track.weights
    across = scaled - np.sum(scaled * tangent, axis=1)[:, None] * tangent
    for c in range(3):
        heavy = design[c] * weights[:, None]
        normal += heavy.T @ design[c]
        slope += heavy.T @ across[:, c]
    heavy = along * weights[:, None]
    normal -= heavy.T @ along


_PICTURES = tuple(itertools.product(_SPREADS, (True, False), _DRIFTS, (True, False)))
"""Size of the deviation, slope's zero right or not, drift of the load's zero, something drags or not."""


def _odds(normal: Floats, slope: Floats, at: Floats, mean: Floats, precision: Floats) -> Floats:
    """Probabilities of the pictures (deviation's size; slope's zero, load's drift and drag), shape (7, 12).

    From the evidence of the linearised fit, log p(data | picture) = ½·log|P| − ½·log|N + P| + ½·b'(N + P)⁻¹b
    + const, b taken about the prior's mean (Rasmussen & Williams 2006, ch. 5).
    """
    about = slope + normal @ (at - mean)
    odds = np.empty(len(_PICTURES))
    for k, (spread, right, drift, drags) in enumerate(_PICTURES):
        prior = _stiffness(precision, spread, tip_zero_right=right, drift=drift, drags=drags)
        factor = cho_factor(normal + np.diag(prior))
        evidence = 0.5 * float(np.sum(np.log(prior[prior > 0.0])))
        evidence -= float(np.sum(np.log(np.diag(factor[0]))))
        evidence += 0.5 * float(about @ cho_solve(factor, about))
        away = (math.log(spread) - _SPREAD_PRIOR[0]) / _SPREAD_PRIOR[1]
        evidence += math.log(TIP_ZERO_RIGHT if right else 1.0 - TIP_ZERO_RIGHT)
        evidence += math.log(_DRIFT_ODDS[_DRIFTS.index(drift)])
        evidence += math.log(_DRAG_ODDS if drags else 1.0 - _DRAG_ODDS)
        odds[k] = evidence - 0.5 * away**2
    odds = np.exp(odds - odds.max())
    return np.asarray(odds / odds.sum()).reshape(len(_SPREADS), -1)


def _finish(
    family: Family,
    tracks: Sequence[Track],
    parameters: Floats,
    mean: Floats,
    precision: Floats,
) -> Fit:
    """Average over the pictures and keep what the shares need."""
    size = parameters.size
    normal, slope = np.zeros((size, size)), np.zeros(size)
    parts = _look(tracks, parameters)
    for part in parts:
        part.track.noise = part.track.noise * np.sqrt(_hanging_together(part))
        _add(normal, slope, part)
    odds = _odds(normal, slope, parameters, mean, precision)
    about = slope + normal @ (parameters - mean)
    means, covariances = [], []
    for spread, right, drift, drags in _PICTURES:
        prior = _stiffness(precision, spread, tip_zero_right=right, drift=drift, drags=drags)
        covariance = np.linalg.inv(normal + np.diag(prior))
        means.append(mean + covariance @ about)
        covariances.append(covariance)
    pictures = Pictures(odds.ravel(), np.array(means), np.array(covariances))
    centre, inverse = pictures.mean, np.tensordot(pictures.odds, pictures.covariances, axes=1)
    responses = []
    for track, part in zip(tracks, parts, strict=True):
        _, design, tangent, along = part.projected()
        per = []
        for c in range(3):
            effect = (design[c] - tangent[:, c : c + 1] * along) * (track.weights / track.noise[c])[:, None]
            per.append(inverse @ effect.T)
        responses.append((per[0], per[1], per[2]))
    for track in tracks:
        track.curve.bend(centre[:SIZE])
    return Fit(
        family,
        tuple(tracks),
        centre,
        pictures.covariance,
        tuple(responses),
        float(odds.sum(axis=1) @ np.array(_SPREADS)),
        pictures,
    )
