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
