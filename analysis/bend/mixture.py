"""What may have made the readings: components, each with its probability, taken together.

A component says how far a blank departs from a taper, whether the slope's zero is right, how far the load's
zero drifts and whether something on the rig drags. Each gives a normal distribution of the parameters;
together they are a mixture. Its standard deviation, times 1.96, is no 95 % half-width: one unlikely component
with a wide distribution draws it out, and the half-width would hold the truth far more often. So the
half-width is read off the mixture itself.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import ndtr

from analysis.bend.family import DEVIATION_SD, SIZE, TAPER_TERMS
from analysis.bend.track import (
    CLOSED_LOOP,
    DRAG,
    DRAG_PROBABILITY,
    DRIFT_PROBABILITIES,
    DRIFT_TERMS,
    DRIFTS,
    EXACT,
    LOOP_TERMS,
    RIG_TERMS,
    TIP_ZERO_RIGHT,
)
from analysis.estimate import NORMAL_95
from analysis.readings import Floats

DEVIATION_SDS = (0.015, 0.03, 0.045, 0.06, 0.08, 0.11, 0.15)
"""How far blanks depart from a taper (one standard deviation of log EI): a grid, averaged over."""
_DEVIATION_PRIOR = (math.log(DEVIATION_SD), 0.6)
"""Mean and standard deviation of its logarithm before a run (ours, chosen on benchmarks/bend_coverage.py)."""
_LEVEL = 0.95  # what a half-width holds, as everywhere (design rule)
_HALVINGS = 50  # 8 standard deviations / 2⁵⁰ is below rounding
_UNLIKELY = 1e-6  # components below this probability move a half-width by less than it is printed to


@dataclass(frozen=True, slots=True)
class Component:
    """One account of what made the readings."""

    deviation_sd: float
    """Standard deviation of the blank's deviation from a taper, log EI."""
    tip_zero_right: bool = False
    """True if the slope's zero is right."""
    drift: float = DRIFTS[-1]
    """Standard deviation of the load zero's drift, over the largest load."""
    drags: bool = False
    """True if something on the rig drags."""

    def precision(self, widest: Floats) -> Floats:
        """Inverse variances of all parameters before the run, from those of the widest prior, shape (p,)."""
        out = widest.copy()
        out[TAPER_TERMS:SIZE] *= (DEVIATION_SD / self.deviation_sd) ** 2
        if self.tip_zero_right:
            out[SIZE + LOOP_TERMS + 1 :: RIG_TERMS] = EXACT
        if not self.drags:
            out[SIZE::RIG_TERMS] *= (DRAG / CLOSED_LOOP) ** 2
        for term in range(DRIFT_TERMS):
            at = slice(SIZE + LOOP_TERMS + 2 + term, None, RIG_TERMS)
            out[at] = out[at] * (DRIFTS[-1] / self.drift) ** 2 if self.drift else EXACT
        return out

    @property
    def log_priors(self) -> tuple[float, float, float, float]:
        """Logarithms of the probabilities before the run, of slope zero, drift, drag and deviation.

        The last one but for a constant: the deviation is log-normal.
        """
        away = (math.log(self.deviation_sd) - _DEVIATION_PRIOR[0]) / _DEVIATION_PRIOR[1]
        return (
            math.log(TIP_ZERO_RIGHT if self.tip_zero_right else 1.0 - TIP_ZERO_RIGHT),
            math.log(DRIFT_PROBABILITIES[DRIFTS.index(self.drift)]),
            math.log(DRAG_PROBABILITY if self.drags else 1.0 - DRAG_PROBABILITY),
            -0.5 * away**2,
        )


COMPONENTS = tuple(
    Component(*parts) for parts in itertools.product(DEVIATION_SDS, (True, False), DRIFTS, (True, False))
)
"""Every deviation with every account of the rig: 7 · 12."""


@dataclass(frozen=True, slots=True)
class NormalEquations:
    """What all readings say of the parameters, linearised at a point: N·(p − point) = b."""

    normal: Floats
    """N, shape (p, p)."""
    gradient: Floats
    """b, shape (p,)."""
    point: Floats
    """Parameters at which they were set up, shape (p,)."""
    prior_mean: Floats
    """What is expected of the parameters before the run, shape (p,)."""
    widest: Floats
    """Inverse variances before the run in the widest prior, shape (p,)."""

    @property
    def about_prior(self) -> Floats:
        """B about the prior's mean, b + N·(point − mean), shape (p,)."""
        return np.asarray(self.gradient + self.normal @ (self.point - self.prior_mean))

    def probabilities(self) -> Floats:
        """Probability of each component after the run, shape (7, 12): by deviation, by account of the rig.

        From the evidence of the linearised fit, log p(data | k) = ½·log|P| − ½·log|N + P| + ½·bᵀ(N + P)⁻¹b
        + const, b taken about the prior's mean (Rasmussen & Williams 2006, ch. 5).
        """
        about = self.about_prior
        logs = np.empty(len(COMPONENTS))
        for k, component in enumerate(COMPONENTS):
            prior = component.precision(self.widest)
            factor = cho_factor(self.normal + np.diag(prior))
            evidence = 0.5 * float(np.sum(np.log(prior[prior > 0.0])))
            evidence -= float(np.sum(np.log(np.diag(factor[0]))))
            evidence += 0.5 * float(about @ cho_solve(factor, about))
            for before in component.log_priors:
                evidence += before
            logs[k] = evidence
        weights = np.exp(logs - logs.max())
        return np.asarray(weights / weights.sum()).reshape(len(DEVIATION_SDS), -1)

    def mixture(self) -> Mixture:
        """Distribution of the parameters after the run.

        Each component is normal with covariance (N + P)⁻¹ and mean m + (N + P)⁻¹·b, m being the prior's.
        """
        about = self.about_prior
        means, covariances = [], []
        for component in COMPONENTS:
            covariance = np.linalg.inv(self.normal + np.diag(component.precision(self.widest)))
            means.append(self.prior_mean + covariance @ about)
            covariances.append(covariance)
        return Mixture(self.probabilities().ravel(), np.array(means), np.array(covariances))


@dataclass(frozen=True, slots=True)
class Mixture:
    """A mixture of normal distributions of the parameters.

    Examples
    --------
    >>> one = Mixture(np.array([1.0]), np.zeros((1, 1)), np.array([[[4.0]]]))
    >>> round(float(one.noise(np.array([1.0]))[0]), 6)
    2.0
    """

    probabilities: Floats
    """Of each component, shape (k,)."""
    means: NDArray[np.float64]
    """Parameters in each, shape (k, p)."""
    covariances: NDArray[np.float64]
    """Their covariance in each, shape (k, p, p)."""

    @property
    def mean(self) -> Floats:
        """Parameters over all components, shape (p,)."""
        return np.asarray(self.probabilities @ self.means)

    @property
    def covariance(self) -> NDArray[np.float64]:
        """Covariance over all components, shape (p, p)."""
        away = self.means - self.mean
        between = np.einsum("k,kp,kq->pq", self.probabilities, away, away)
        return np.asarray(np.tensordot(self.probabilities, self.covariances, axes=1) + between)

    def noise(self, gradient: Floats) -> Floats:
        """95 % half-width over 1.96 of sums of the parameters, about their mean.

        Parameters
        ----------
        gradient : ndarray, shape (p,) or (p, m)
            What each sum is made of.

        Returns
        -------
        ndarray, shape (1,) or (m,)
            What an `Estimate` takes as its standard error: 1.96 times it holds 95 % of the mixture.
        """
        columns = gradient.reshape(gradient.shape[0], -1)
        likely = self.probabilities > _UNLIKELY
        parts = self.probabilities[likely] / self.probabilities[likely].sum()
        off = (self.means[likely] - self.mean) @ columns
        spans = self.covariances[likely] @ columns
        size = np.sqrt(np.maximum(np.einsum("pm,kpm->km", columns, spans), 1e-300))
        # The half-width h solves Σ π_k·[Φ((h − μ_k)/σ_k) − Φ((−h − μ_k)/σ_k)] = 0.95: found by halving.
        low, high = np.zeros(columns.shape[1]), 8.0 * np.max(size + np.abs(off), axis=0)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            held = parts @ (ndtr((middle - off) / size) - ndtr((-middle - off) / size))
            low, high = np.where(held < _LEVEL, middle, low), np.where(held < _LEVEL, high, middle)
        return np.asarray(0.5 * (low + high) / NORMAL_95)
