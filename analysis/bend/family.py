"""The rigidities a fit may choose from: a taper, and a smooth deviation from it.

Distances count from the tip (t = 0), so that runs of one blank with different free lengths share them:

    log EI(t) = log EI_far + n·log(r + (1 − r)·t/T) + Σ_k z_k·φ_k(t/T),      0 ≤ t ≤ T,

r = exp(τ/n) being the diameter's ratio and τ = log(EI_tip/EI_far), which a run tells far better. The first
two terms are the taper family. The sum is a Gaussian process (Rasmussen & Williams, Gaussian Processes for
Machine Learning, 2006, ch. 2 and 4) with mean 0 and Matérn-3/2 covariance, written in its leading
eigenfunctions with z_k ~ N(0, 1): the wall's steps, ferrules and compound tapers that no short formula holds.
It keeps EI positive and is what makes the half-width of EI honest.

A fit first finds the best taper and then lets log EI depart from it linearly in all parameters; what the
linearised taper cannot follow, the deviation can.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import eigh

from analysis.readings import Floats

DEVIATION_SD = 0.06
"""Standard deviation of the deviation from a taper, log EI, that the basis is scaled to (ours, chosen on
benchmarks/bend_coverage.py; a fit averages over others)."""
REACH = 0.25
"""Correlation length of the deviation, over the length (ours, chosen on benchmarks/bend_coverage.py)."""
TERMS = 14
"""How many eigenfunctions are kept: the rest holds 0.2 % of the variance."""
TAPER_TERMS = 3
"""log EI at the far end, τ, log n."""
SIZE = TAPER_TERMS + TERMS
"""Number of parameters."""
_GRID = 81  # places of the eigenfunctions: a twentieth of the correlation length apart

# What is known of any blank before it is flexed (our choice; wide against what a run tells): τ and log n.
# A thin tube of constant wall has n = 3, one whose wall tapers along 4 (I = π·r³·t of a thin tube).
_DROP = (-4.0, 2.0)
_EXPONENT = (math.log(3.3), 0.3)
TAPER_MEAN = np.array([0.0, _DROP[0], _EXPONENT[0]])
"""What is expected of the taper before a run; the level of EI is left open."""
PRECISION = np.array([0.0, _DROP[1] ** -2, _EXPONENT[1] ** -2, *([1.0] * TERMS)])
"""Inverse variances of the parameters before a run, shape (SIZE,)."""


def taper_log_EI(taper: Floats, at: Floats) -> tuple[Floats, Floats]:
    """Log EI of a taper at t/T, and its change with (log EI_far, τ, log n), shape (3, …)."""
    exponent = math.exp(taper[2])
    ratio = math.exp(taper[1] / exponent)
    width = ratio + (1.0 - ratio) * at
    drop = ratio * (1.0 - at) / width
    log_width = exponent * np.log(width)
    return taper[0] + log_width, np.stack([np.ones_like(at), drop, log_width - taper[1] * drop])


@dataclass(frozen=True, slots=True)
class Family:
    """log EI against the distance from the tip, linear in parameters p about a taper: base + p·gradient."""

    reach_m: float
    """T: the longest distance from the tip that is asked for, m."""
    taper: Floats
    """(log EI_far, τ, log n) of the taper that the parameters depart from."""

    @property
    def prior_mean(self) -> Floats:
        """What is expected of the parameters before a run, shape (SIZE,)."""
        return np.concatenate([TAPER_MEAN - self.taper, np.zeros(TERMS)])

    def linear(self, from_tip_m: Floats) -> tuple[Floats, Floats]:
        """Base, shape (…), and gradient, shape (SIZE, …), of log EI at distances from the tip."""
        at = np.clip(np.asarray(from_tip_m, dtype=float) / self.reach_m, 0.0, 1.0)
        base, tapers = taper_log_EI(self.taper, at)
        grid, basis = _eigenfunctions()
        deviation = np.array([np.interp(at.ravel(), grid, row) for row in basis])
        return base, np.concatenate([tapers, DEVIATION_SD * deviation.reshape(TERMS, *at.shape)])


_CACHE: list[tuple[Floats, Floats]] = []


def _eigenfunctions() -> tuple[Floats, Floats]:
    """Grid on [0, 1] and the leading eigenfunctions of the covariance, √eigenvalue included."""
    if not _CACHE:
        grid = np.linspace(0.0, 1.0, _GRID)
        apart = math.sqrt(3.0) * np.abs(grid[:, None] - grid) / REACH
        covariance = (1.0 + apart) * np.exp(-apart)
        values, vectors = eigh(covariance, subset_by_index=[_GRID - TERMS, _GRID - 1])
        _CACHE.append((grid, (vectors * np.sqrt(values)).T[::-1].copy()))
    return _CACHE[0]
