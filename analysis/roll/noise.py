"""Noise that remembers, and how far the data know it.

Block means in time order are a model plus noise. The noise is taken as one of three families: white; a
process that forgets exponentially (an autoregression of the readings); or both added. In the cosine
basis (DCT-II) the coefficients of stationary noise are nearly independent, with the spectral density at
ω_k = π·k/n as variance.

Nobody knows the noise's memory. Over a grid of candidates the restricted likelihood (Patterson &
Thompson 1971, Biometrika 58:545) weighs each, and estimates, variances and test are averaged with these
weights: half-widths hold what is not known about the noise, also where a turn is too short to see it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.readings import Floats
from analysis.roll.tensor import Matrix

_MEMORIES = tuple(0.25 * 1.42**step for step in range(17))
"""Memories of the purely forgetful candidates, blocks: 0.25 to 68."""
_MIXED_MEMORIES = (1.0, 2.5, 6.0, 15.0, 40.0)
_MIXED_POWERS = (1.0, 3.0, 10.0, 30.0, 100.0)
"""Memories (blocks), and slow over white power at no frequency, of the candidates that are both."""
_WHITE_WEIGHT = 80.0
"""Prior weight of white noise against one other candidate: on one turn a weak slow part cannot be told from
none, and would widen every half-width. By simulation this weight keeps white noise's half-widths true."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Spectra that the noise of n blocks may have, in units of the blocks' variance."""

    precision: Matrix
    """One over the spectral density at ω_k, shape (candidates, n)."""
    log_determinant: Floats
    """Σ log of the spectral density, shape (candidates,)."""
    log_prior: Floats
    """Logarithm of the prior weight, shape (candidates,)."""
    memory: Floats
    """Blocks after which the noise is new (½ for white noise), shape (candidates,)."""


@lru_cache(maxsize=32)
def candidates(n: int, size: int) -> Candidates:
    """List the spectra of n means of `size` readings each."""
    white = np.ones(n)
    densities = [white]
    prior = [_WHITE_WEIGHT]
    for tau in _MEMORIES:
        densities.append(density(n, size, tau))
        prior.append(1.0)
    for tau in _MIXED_MEMORIES:
        slow = density(n, size, tau)
        for power in _MIXED_POWERS:
            densities.append(white + power / slow[0] * slow)
            prior.append(1.0)
    table = np.array(densities)
    return Candidates(
        precision=1.0 / table,
        log_determinant=np.log(table).sum(axis=1),
        log_prior=np.log(np.array(prior)),
        memory=0.5 * table[:, 0] / table.mean(axis=1),
    )


def density(n: int, size: int, tau: float) -> Floats:
    """Spectral density of the means of `size` readings of a first-order autoregression of variance 1.

    With q = e^{−1/(τ·size)} from one reading to the next and a = q^size, means have variance
    γ0 = (size + 2·Σ_j (size − j)·q^j)/size² and covariances γ_h = c·a^h, so that
    S(ω) = γ0 + 2c·(a·cos ω − a²)/(1 − 2a·cos ω + a²).

    Parameters
    ----------
    n : int
        Blocks.
    tau : float
        Memory, blocks.

    Returns
    -------
    ndarray, shape (n,)
        S at π·k/n, k = 0 … n − 1.
    """
    q = math.exp(-1.0 / (tau * size))
    a = math.exp(-1.0 / tau)
    j = np.arange(1, size)
    variance = (size + 2.0 * float(((size - j) * q**j).sum())) / size**2
    c = q ** (1 - size) * ((1.0 - a) / (1.0 - q)) ** 2 / size**2
    cosine = np.cos(np.pi * np.arange(n) / n)
    return np.asarray(variance + 2.0 * c * (a * cosine - a * a) / (1.0 - 2.0 * a * cosine + a * a))


def to_cosines(blocks: Matrix) -> Matrix:
    """Transform rows in time order to cosine coefficients, orthonormal DCT-II along the first axis."""
    return np.asarray(fft.dct(blocks, axis=0, norm="ortho"))


# Ours, chosen on benchmarks/roll_coverage.py and roll_false_planes.py.
_SLOW_COSINES, _FEWEST_COSINES = 48, 120
"""Cosines a turn, and at least, that are kept of the columns, which are slow: beyond is next to nothing."""
_ROUNDING = 1e-10
"""Least squared residual over the square of what is fitted: below it is rounding, not noise."""
_SLOW = 10.0
"""Degrees of freedom below which the noise counts as hardly known: the arithmetic mean of p then."""
_LEAST_NOISE_WEIGHT = 2e-3
"""Candidates of the noise less probable than this are not averaged in."""


@dataclass(frozen=True, slots=True)
class Grams:
    """Weighted products of the columns, scaled to unit length, under every candidate of the noise."""

    cosines: Matrix
    """Slow cosine coefficients of the scaled columns, shape (slow, k)."""
    scale: Floats
    """Lengths of the columns, shape (k,)."""
    gram: Matrix
    """XᵀWX, shape (candidates, k, k)."""
    known: Candidates
    """The candidates."""

    @classmethod
    def of(cls, rows: Matrix, known: Candidates, turns: float) -> Grams:
        """Form the products of the columns' slow cosines."""
        n, k = rows.shape
        slow = min(n, max(_FEWEST_COSINES, int(_SLOW_COSINES * turns)))
        cosines = to_cosines(rows)
        scale = np.sqrt(np.einsum("ij,ij->j", cosines, cosines))
        scaled = cosines[:slow] / scale
        upper = np.triu_indices(k)
        products = known.precision[:, :slow] @ (scaled[:, upper[0]] * scaled[:, upper[1]])
        gram = np.empty((len(products), k, k))
        gram[:, upper[0], upper[1]] = products
        gram[:, upper[1], upper[0]] = products
        return cls(scaled, scale, gram, known)

    def fitting(self, rest: Floats, residuals: Floats, size: float) -> Normal:
        """Add what is to be fitted to the products.

        Parameters
        ----------
        rest : ndarray, shape (n,)
            What is to be fitted: block means without a part that the columns explain (for rounding's sake).
        residuals : ndarray, shape (n,)
            Residuals of a first fit: beyond the slow cosines they alone tell the noise.
        size : float
            Length of the block means; rounding makes no residual smaller than 1e-15 of it.
        """
        slow, k = self.cosines.shape
        both = to_cosines(np.column_stack([rest, residuals]))
        length = max(float(np.linalg.norm(rest)), 1e-15 * size)
        part, fast = both[:slow, 0] / length, both[slow:, 1] / length
        gram = np.empty((len(self.gram), k + 1, k + 1))
        gram[:, :k, :k] = self.gram
        gram[:, :k, k] = gram[:, k, :k] = self.known.precision[:, :slow] @ (
            self.cosines * part[:, np.newaxis]
        )
        gram[:, k, k] = self.known.precision @ np.concatenate([part * part, fast * fast]) + _ROUNDING
        return Normal(gram, length / self.scale, self.known.log_determinant, rest.size)


@dataclass(frozen=True, slots=True)
class Normal:
    """Weighted normal equations under every candidate of the noise."""

    gram: Matrix
    """[X r]ᵀ·W·[X r] with r what is fitted, all of unit length, shape (candidates, k + 1, k + 1)."""
    unit: Floats
    """A coefficient is so many times its scaled one, shape (k,)."""
    log_determinant: Floats
    """Of the candidates' densities, shape (candidates,)."""
    rows: int
    """Number of blocks."""

    def restricted(self, places: NDArray[np.intp]) -> Floats:
        """Find the restricted log-likelihood of a model under each candidate, its scale profiled out."""
        use = np.append(places, -1)
        triangle = np.linalg.cholesky(self.gram[:, use[:, np.newaxis], use])
        diagonal = np.log(np.diagonal(triangle, axis1=1, axis2=2))
        free = self.rows - places.size
        return np.asarray(-0.5 * self.log_determinant - diagonal[:, :-1].sum(axis=1) - free * diagonal[:, -1])

    def solve(self, places: NDArray[np.intp], noises: NDArray[np.intp]) -> tuple[Matrix, Matrix]:
        """Coefficients, shape (noises, k), and covariances, shape (noises, k, k), of the scaled columns."""
        use = np.append(places, -1)
        gram = self.gram[noises[:, np.newaxis, np.newaxis], use[:, np.newaxis], use]
        inverse = np.linalg.inv(gram[:, :-1, :-1])
        right = gram[:, :-1, -1]
        values = np.einsum("gij,gj->gi", inverse, right)
        rss = gram[:, -1, -1] - np.einsum("gi,gi->g", right, values)
        return values, inverse * (rss / (self.rows - places.size))[:, np.newaxis, np.newaxis]


@dataclass(frozen=True, slots=True)
class Average:
    """Answer averaged over models and candidates."""

    values: Floats
    """Coefficients, shape (k,)."""
    covariance: Matrix
    """Their covariance, shape (k, k)."""
    dof: float
    """Degrees of freedom behind it."""
    p_value: float
    """Probability that noise alone makes the pair so large."""


def average_over(
    normal: Normal,
    places: list[NDArray[np.intp]],
    weights: Floats,
    noise_weights: Floats,
    pair: NDArray[np.intp],
    before: Floats,
) -> Average:
    """Average coefficients, covariances and the plane's test over models and candidates of the noise.

    How far the covariances' logarithm differs makes the degrees of freedom (Satterthwaite): with
    variance v of log s², ν = 2/(v + 2/(n − k)), and the t-scale is the mean variance times (ν − 2)/ν.

    The test's probability is the weighted geometric mean over the candidates, which claims a plane that
    is not there 5 % of the time (by simulation, see ``benchmarks/roll_false_planes.py``). Where the
    noise is hardly known the arithmetic mean is taken: it claims fewer.
    """
    kept = np.flatnonzero(noise_weights > _LEAST_NOISE_WEIGHT)
    chosen = np.flatnonzero(weights)
    parts = [
        _Part.of(normal, places[index], kept, weights[index] * noise_weights[kept], pair, before)
        for index in chosen
    ]
    total = float(np.concatenate([part.share for part in parts]).sum())
    # c̄ = Σ w·c and cov = Σ w·(C + c·cᵀ) − c̄·c̄ᵀ: within and between models and candidates.
    mean = sum((part.mean for part in parts), np.zeros(normal.unit.size)) / total
    second = sum((part.second for part in parts), np.zeros((mean.size, mean.size))) / total
    share = np.concatenate([part.share for part in parts]) / total
    log_size = np.concatenate([part.log_size for part in parts])
    doubt = float(share @ (log_size - float(share @ log_size)) ** 2)
    most = max(part.size for part in parts)
    dof = 2.0 / (doubt + 2.0 / (normal.rows - most))
    covariance = (second - np.outer(mean, mean)) * ((dof - 2.0) / dof if dof > 4.0 else 0.5)
    p_mean = sum(part.p_mean for part in parts) / total
    p_geometric = math.exp(sum(part.log_p for part in parts) / total)
    return Average(
        before + mean * normal.unit,
        covariance * np.outer(normal.unit, normal.unit),
        dof,
        p_mean if dof < _SLOW else p_geometric,
    )


@dataclass(frozen=True, slots=True)
class _Part:
    """What one model adds to the average, over the candidates of the noise; coefficients are scaled."""

    share: Floats
    """Weight of each candidate, shape (g,)."""
    mean: Floats
    """Σ w·c, shape (k,)."""
    second: Matrix
    """Σ w·(C + c·cᵀ), shape (k, k)."""
    log_size: Floats
    """½·log of the determinant of the pair's covariance, by candidate, shape (g,)."""
    log_p: float
    """Σ w·log p of the pair's test."""
    p_mean: float
    """Σ w·p."""
    size: int
    """Columns in the model."""

    @classmethod
    def of(
        cls,
        normal: Normal,
        place: NDArray[np.intp],
        noises: NDArray[np.intp],
        share: Floats,
        pair: NDArray[np.intp],
        before: Floats,
    ) -> _Part:
        """Solve one model under each candidate.

        The pair's test is F = ½·xᵀC⁻¹x with 2 and n − k degrees of freedom, for which in closed form
        p = (1 + 2F/(n − k))^(−(n − k)/2).
        """
        k = normal.unit.size
        mean, second = np.zeros(k), np.zeros((k, k))
        values, covariances = normal.solve(place, noises)
        mean[place] = share @ values
        second[np.ix_(place, place)] = np.einsum("g,gij->ij", share, covariances)
        second[np.ix_(place, place)] += np.einsum("g,gi,gj->ij", share, values, values)
        block = covariances[:, pair[:, np.newaxis], pair]
        determinant = block[:, 0, 0] * block[:, 1, 1] - block[:, 0, 1] ** 2
        x, y = (before[pair] / normal.unit[pair])[:, np.newaxis] + values[:, pair].T
        twice_f = (
            x * x * block[:, 1, 1] - 2.0 * x * y * block[:, 0, 1] + y * y * block[:, 0, 0]
        ) / determinant
        free = normal.rows - place.size
        minus_log = 0.5 * free * np.log1p(twice_f / free)
        return cls(
            share,
            mean,
            second,
            0.5 * np.log(determinant),
            -float(share @ minus_log),
            float(share @ np.exp(-minus_log)),
            place.size,
        )
