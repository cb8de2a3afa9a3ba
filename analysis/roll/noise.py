"""Noise that remembers: an autoregression in time order, its order chosen by the data.

The model's columns take the slowest part of the noise out of the residuals, so the residuals' autocovariances
come out too small by about (k/n)·S(0), with S(0) the noise's spectral density at no frequency and k the
number of columns; this is put back (the first order of restricted likelihood) before solving.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.readings import Floats
from analysis.roll.tensor import Matrix

_LARGEST_ORDER = 8


@dataclass(frozen=True, slots=True)
class Autoregression:
    """e_t = Σ a_j·e_{t−j} + innovation of variance 1 (the scale is found by the fit)."""

    a: Floats
    """Coefficients, shape (p,)."""
    start: Matrix
    """Whitening of the first p rows, shape (p, p): inverse Cholesky factor of their covariance."""

    @property
    def order(self) -> int:
        """Number of coefficients."""
        return int(self.a.size)

    def whiten(self, rows: Matrix) -> Matrix:
        """Rows of equal, independent noise from rows in time order, shape (n, k)."""
        p = self.order
        if p == 0:
            return rows
        out = rows.copy()
        n = rows.shape[0]
        for j in range(1, p + 1):
            out[p:] -= self.a[j - 1] * rows[p - j : n - j]
        out[:p] = self.start @ rows[:p]
        return out

    @property
    def slow_power(self) -> float:
        """Spectral density at no frequency over the innovation's variance: 1/(1 − Σa)²."""
        return float(1.0 / (1.0 - self.a.sum()) ** 2)

    @property
    def variance(self) -> float:
        """Variance of e over the innovation's."""
        return 1.0 if self.order == 0 else float(np.linalg.inv(self.start.T @ self.start)[0, 0])

    @property
    def memory(self) -> float:
        """Rows after which the noise is new: S(0) over twice the variance; ½ for white noise."""
        return 0.5 * self.slow_power / self.variance

    def dof(self, rows: int, columns: int) -> float:
        """Degrees of freedom behind a slow column's variance (Satterthwaite).

        var(log S(0)) = 2/(n − k) + gᵀ·Γ⁻¹·g/n with g = ∂log S(0)/∂a = 2/(1 − Σa), Γ the autocovariance matrix
        over the innovation's variance; the degrees of freedom are 2/var.
        """
        left = max(1.0, rows - columns)
        spread = 2.0 / left
        if self.order:
            g = np.full(self.order, 2.0 / (1.0 - self.a.sum()))
            spread += float(np.sum((self.start @ g) ** 2)) / left
        return max(1.0, 2.0 / spread)


WHITE = Autoregression(np.zeros(0), np.zeros((0, 0)))
"""Noise without memory."""


def autoregression(residuals: Floats, columns: int) -> Autoregression:
    """Fit an autoregression to residuals of a fit with `columns` columns; the order by AICc."""
    n = residuals.size
    largest = min(_LARGEST_ORDER, (n - columns) // 12)
    if largest < 1:
        return WHITE
    raw = np.array([residuals[: n - lag] @ residuals[lag:] for lag in range(largest + 1)]) / n
    if not raw[0] > 0.0:
        return WHITE
    best = WHITE
    put_back = columns / n * raw[0]
    for _ in range(3):
        covariances = raw + put_back
        best, slow = _by_aicc(covariances, n - columns)
        put_back = columns / n * slow
    return best


def _by_aicc(covariances: Floats, n: float) -> tuple[Autoregression, float]:
    """Levinson's recursion; the order with the least corrected information criterion, and its S(0)."""
    error = float(covariances[0])
    a: Floats = np.zeros(0)
    best_a, best_error = a, error
    best = n * math.log(error)
    for p in range(1, covariances.size):
        reflection = (covariances[p] - float(a @ covariances[p - 1 : 0 : -1])) / error
        reflection = min(0.999, max(-0.999, float(reflection)))
        a = np.append(a - reflection * a[::-1], reflection)
        error *= 1.0 - reflection**2
        criterion = n * math.log(error) + 2.0 * p * n / (n - p - 1.0)
        if criterion < best:
            best, best_a, best_error = criterion, a, error
    p = best_a.size
    if p == 0:
        return WHITE, best_error
    lags = np.abs(np.subtract.outer(np.arange(p), np.arange(p)))
    gamma = covariances[lags] / best_error
    start = np.linalg.inv(np.linalg.cholesky(gamma))
    chosen = Autoregression(best_a, start)
    return chosen, best_error * chosen.slow_power
