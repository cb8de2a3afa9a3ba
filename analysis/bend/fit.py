"""Rigidity along a blank from load, travel and tip slope, all three with noise.

Every reading i has a true load f_i that nobody knows; load, travel and slope scatter about
(f_i + rig, y(f_i; p), θ(f_i; p)). The f_i are found along with the parameters p (errors in variables, or
orthogonal distance regression: Fuller, Measurement Error Models, 1987, ch. 3), here by projecting each
reading's residual across the curve's tangent, which leaves a small linear problem in p alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.bend.family import DEVIATION_SD, PRECISION, SIZE, TAPER_MEAN, TAPER_TERMS, Family
from analysis.bend.mixture import DEVIATION_SDS, Component, Mixture, NormalEquations
from analysis.bend.track import RIG_TERMS, Residual, Track
from analysis.readings import Floats

# How the iteration goes on; none of it decides an answer (ours).
_ITERATIONS, _TAPER_ITERATIONS = 25, 10
_TAPER_HELD = 1e9  # precision of the deviation while the taper is found
_TAPER_KNOWN = 3e-3  # log EI, log n: the rest of the way is left to the full fit
_KNOWN = 0.05  # standard deviations: a smaller step ends the iteration
_LONGEST_STEP = 0.7  # of the taper's parameters, log EI: further out the tangent says nothing
_FIRST_DAMPING, _MORE, _LESS, _NO_DAMPING = 1e-3, 10.0, 0.1, 1e-6  # Levenberg–Marquardt


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
    mixture: Mixture
    """The distributions that parameters and covariance are taken over."""

    def noise(self, gradient: Floats) -> Floats:
        """95 % half-width over 1.96 of sums of the blank's parameters, from (SIZE,) or (SIZE, m) to (m,)."""
        rest = self.parameters.size - SIZE
        padding = [(0, rest), *[(0, 0)] * (gradient.ndim - 1)]
        return self.mixture.noise(np.pad(gradient, padding))

    def rig(self, run: int) -> Floats:
        """Loop terms, load zero, slope zero and drift terms of one run, shape (8,)."""
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
    widest = np.concatenate([PRECISION, *(track.rig_precision() for track in tracks)])
    family, parameters = _find_taper(reach_m, tracks, level, widest)
    mean = _prior_mean(family, widest.size)
    parameters = _find_all(tracks, parameters, mean, widest)
    return _averaged(family, tracks, parameters, mean, widest)


# Both searches below are Gauss–Newton steps with Levenberg and Marquardt's damping λ on
#
#     C(p) = Σ w·|r(p)|² + (p − m)ᵀ·P·(p − m),        (N + P + λ·diag(N + P))·δ = b − P·(p − m),
#
# r being a reading's residual across the curve over its noise, m and P the prior's mean and precision,
# N = Σ w·JᵀJ and b = Σ w·Jᵀr. A step after which C has grown, with the noise and weights as they were, is
# taken back and damped.


def _find_taper(
    reach_m: float, tracks: Sequence[Track], level: float, widest: Floats
) -> tuple[Family, Floats]:
    """Find the best taper, about which the family is linear, and the rig terms beside it, shape (p,)."""
    taper = TAPER_MEAN + np.array([level, 0.0, 0.0])
    parameters, step = np.zeros(widest.size), np.zeros(widest.size)
    precision = Component(DEVIATION_SD).precision(widest)
    precision[TAPER_TERMS:SIZE] = _TAPER_HELD
    damping, before = 0.0, math.inf
    for iteration in range(_TAPER_ITERATIONS):
        family = _departing(reach_m, taper, tracks)
        away = parameters - _prior_mean(family, parameters.size)
        parts = _residuals(tracks, parameters)
        if iteration and _cost(parts, away, precision) > before:
            taper = taper - step[:TAPER_TERMS]
            parameters[SIZE:] -= step[SIZE:]
            damping = max(_MORE * damping, _FIRST_DAMPING)
        else:
            damping *= _LESS
            normal, gradient = _gathered(parts, parameters.size, early=True)
            before, prior_gradient = _cost(parts, away, precision), precision * away
        step = _step(normal, gradient - prior_gradient, precision, damping)
        taper = taper + step[:TAPER_TERMS]
        parameters[SIZE:] += step[SIZE:]
        if float(np.max(np.abs(step[:TAPER_TERMS]))) < _TAPER_KNOWN:
            break
    return _departing(reach_m, taper, tracks), parameters


def _find_all(tracks: Sequence[Track], parameters: Floats, mean: Floats, widest: Floats) -> Floats:
    """Find all parameters about that taper, shape (p,).

    When they stand still, the size of the deviation that the data prefer is chosen, and whether something
    drags, once; then they are found again.
    """
    component, chosen = Component(DEVIATION_SD), False
    damping, before, step = 0.0, math.inf, np.zeros(widest.size)
    for iteration in range(_ITERATIONS):
        precision = component.precision(widest)
        parts = _residuals(tracks, parameters)
        cost = _cost(parts, parameters - mean, precision)
        if cost > before * (1.0 + 1e-6):  # judged with the noise and weights of the last iteration
            parameters, damping = parameters - step, max(_MORE * damping, _FIRST_DAMPING)
        else:
            damping *= _LESS if damping > _NO_DAMPING else 0.0
            normal, gradient = _gathered(parts, parameters.size, early=iteration < 1)
            before = _cost(parts, parameters - mean, precision)
        step = _step(normal, gradient - precision * (parameters - mean), precision, damping)
        point, parameters = parameters, parameters + step
        moved = float(np.max(np.abs(step) * np.sqrt(np.diag(normal) + precision)))
        if damping == 0.0 and iteration >= 2 and moved < _KNOWN:
            if chosen:
                break
            likely = NormalEquations(normal, gradient, point, mean, widest).probabilities()
            deviation_sd = float(np.exp(likely.sum(axis=1) @ np.log(DEVIATION_SDS)))
            component, chosen = Component(deviation_sd, drags=float(likely[:, ::2].sum()) > 0.5), True
            before = math.inf
    return parameters


def _departing(reach_m: float, taper: Floats, tracks: Sequence[Track]) -> Family:
    """Rigidities about a taper, with every run's curve linear about it."""
    family = Family(reach_m, taper)
    for track in tracks:
        track.curve.depart_from(family)
    return family


def _prior_mean(family: Family, size: int) -> Floats:
    """What is expected of all parameters before the runs: the rig's are nothing, shape (p,)."""
    mean = np.zeros(size)
    mean[:SIZE] = family.prior_mean
    return mean


def _residuals(tracks: Sequence[Track], parameters: Floats) -> list[Residual]:
    """Bend every run's blank and move its true loads along."""
    parts = []
    for run, track in enumerate(tracks):
        track.curve.bend(parameters[:SIZE])
        part = Residual(track, parameters, run)
        part.follow()
        parts.append(part)
    return parts


def _cost(parts: Sequence[Residual], away: Floats, precision: Floats) -> float:
    """Weighted squares of the residuals and of the parameters about the prior."""
    return sum(part.cost() for part in parts) + float(np.sum(precision * away**2))


def _gathered(parts: Sequence[Residual], size: int, *, early: bool) -> tuple[Floats, Floats]:
    """Weigh the readings and set up the normal equations, shapes (p, p) and (p,)."""
    normal, gradient = np.zeros((size, size)), np.zeros(size)
    for part in parts:
        part.weigh(early=early)
        part.add_to(normal, gradient)
    return normal, gradient


def _step(normal: Floats, gradient: Floats, precision: Floats, damping: float) -> Floats:
    """One damped step, no longer than the taper's tangent reaches, shape (p,)."""
    damped = normal + np.diag(precision + damping * (np.diag(normal) + precision))
    step: Floats = np.asarray(np.linalg.solve(damped, gradient), dtype=float)
    longest = float(np.max(np.abs(step[:TAPER_TERMS])))
    return step * min(1.0, _LONGEST_STEP / longest) if longest > 0.0 else step


def _averaged(
    family: Family, tracks: Sequence[Track], parameters: Floats, mean: Floats, widest: Floats
) -> Fit:
    """Average over the components and keep what the shares need."""
    normal, gradient = np.zeros((parameters.size, parameters.size)), np.zeros(parameters.size)
    parts = _residuals(tracks, parameters)
    for part in parts:
        part.track.noise = part.track.noise * np.sqrt(part.hanging_together())
        part.add_to(normal, gradient)
    mixture = NormalEquations(normal, gradient, parameters, mean, widest).mixture()
    inverse = np.tensordot(mixture.probabilities, mixture.covariances, axes=1)
    responses = tuple(_responses(part, inverse) for part in parts)
    centre = mixture.mean
    for track in tracks:
        track.curve.bend(centre[:SIZE])
    return Fit(family, tuple(tracks), centre, mixture.covariance, responses, mixture)


def _responses(part: Residual, inverse: Floats) -> tuple[Floats, Floats, Floats]:
    """Change of the parameters per change of each load, travel and slope, (N + P)⁻¹·w·(J − (tᵀJ)·t)/σ."""
    _, design, tangent, along = part.projected()
    per = []
    for c in range(3):
        weight = (part.track.weights / part.track.noise[c])[:, None]
        per.append(inverse @ ((design[c] - tangent[:, c : c + 1] * along) * weight).T)
    return per[0], per[1], per[2]
