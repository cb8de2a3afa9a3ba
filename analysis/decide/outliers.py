"""Outlier tests for small batches, computed exactly: Grubbs and Dixon.

Nobody knows beforehand whether the odd blank will be the strongest or the weakest, so the two-sided tests
are the ones that the batch uses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.polynomial.legendre import leggauss
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import ndtr, stdtr, stdtrit

from analysis.readings import Floats


@dataclass(frozen=True, slots=True)
class OutlierTest:
    """One outlier test of one batch."""

    name: str
    """``Grubbs`` or ``Dixon``."""
    index: int
    """Which value stands farthest out."""
    statistic: float
    """Its statistic."""
    critical: float
    """Critical value at the level asked for."""
    p_value: float
    """Two-sided probability of a value as far out, if all came from one normal distribution."""

    @property
    def named(self) -> bool:
        """True if the statistic exceeds its critical value."""
        return self.statistic > self.critical


def grubbs_critical(n: int, level: float = 0.05, *, sides: int = 2) -> float:
    """Critical value of Grubbs' statistic ``max |x − mean| / s``.

    ``G = (n−1)/√n · √(t²/(n−2+t²))`` with t the upper ``level/(sides·n)`` point of Student's t with n − 2
    degrees of freedom (Grubbs 1950, Ann. Math. Stat. 21:27). Exact as long as two values cannot exceed it at
    once, which holds for the levels in use.

    Parameters
    ----------
    n : int
        Number of values, at least 3.
    level : float
        Significance level.
    sides : int
        1 if the side was fixed beforehand, 2 if not.

    Examples
    --------
    >>> round(grubbs_critical(5), 4), round(grubbs_critical(5, sides=1), 4)
    (1.715, 1.6714)
    """
    if n < 3:
        raise ValueError("Grubbs' test needs at least 3 values")
    t2 = float(stdtrit(n - 2, level / (sides * n))) ** 2
    return (n - 1) / math.sqrt(n) * math.sqrt(t2 / (n - 2 + t2))


def grubbs(values: ArrayLike, level: float = 0.05, *, sides: int = 2) -> OutlierTest:
    """Grubbs' test for one outlier.

    Parameters
    ----------
    values : array_like, shape (n,)
        At least 3 values.
    level, sides
        As in `grubbs_critical`.

    Returns
    -------
    OutlierTest
        Values that are all equal have statistic 0.
    """
    data = np.asarray(values, dtype=float)
    n = data.size
    critical = grubbs_critical(n, level, sides=sides)
    away = np.abs(data - data.mean())
    index = int(np.argmax(away))
    deviation = float(data.std(ddof=1))
    if deviation <= 1e-14 * float(np.abs(data).max(initial=0.0)):
        return OutlierTest("Grubbs", index, 0.0, critical, 1.0)
    statistic = float(away[index]) / deviation
    left = (n - 1) ** 2 - n * statistic**2
    if left <= 0.0:
        p_value = 0.0
    else:
        t = math.sqrt(n * (n - 2) * statistic**2 / left)
        p_value = min(1.0, sides * n * float(stdtr(n - 2, -t)))
    return OutlierTest("Grubbs", index, statistic, critical, p_value)


@lru_cache(maxsize=1)
def _dixon_nodes() -> tuple[Floats, Floats, Floats, Floats]:
    return (*hermegauss(48), *leggauss(96))


def dixon_tail(ratio: float, n: int) -> float:
    """Probability that Dixon's r₁₀ at one fixed end exceeds `ratio` (normal values).

    r₁₀ = (x₂ − x₁)/(xₙ − x₁). With x₁ = x the lowest value, xₙ = x + v and x₂ ≥ x + ratio·v,
    ``P = ∫∫ n(n−1) φ(x) φ(x+v) [Φ(x+v) − Φ(x+ratio·v)]^(n−2) dx dv`` (Dixon 1951, Ann. Math. Stat. 22:68).

    Parameters
    ----------
    ratio : float
        Between 0 and 1.
    n : int
        Number of values, at least 3.
    """
    if n < 3:
        raise ValueError("Dixon's test needs at least 3 values")
    ratio = min(max(ratio, 0.0), 1.0)
    # φ(x)φ(x+v) = φ(√2·c)·φ(v/√2) with the centre c = x + v/2: Gauss-Hermite over c, Gauss-Legendre over v.
    nodes, weights, points, sizes = _dixon_nodes()
    centre = nodes[:, None] / math.sqrt(2.0)
    v = (0.5 * 14.0 * (points + 1.0))[None, :]
    low = centre - 0.5 * v
    inner = np.clip(ndtr(low + v) - ndtr(low + ratio * v), 0.0, 1.0) ** (n - 2)
    density = np.exp(-0.25 * v**2) / (2.0 * math.pi * math.sqrt(2.0))
    total = np.sum(weights[:, None] * (7.0 * sizes)[None, :] * density * inner)
    return float(n * (n - 1) * total)


@lru_cache(maxsize=256)
def dixon_critical(n: int, level: float = 0.05, *, sides: int = 2) -> float:
    """Critical value of Dixon's r₁₀, exact to 1e-6; `sides` 2 halves the level at each end.

    Examples
    --------
    >>> round(dixon_critical(5), 4)
    0.7102
    """
    return float(brentq(lambda ratio: dixon_tail(ratio, n) - level / sides, 1e-6, 1.0 - 1e-9, xtol=1e-10))


def dixon(values: ArrayLike, level: float = 0.05, *, sides: int = 2) -> OutlierTest:
    """Dixon's r₁₀ test for one outlier: the gap at an end over the range.

    Parameters
    ----------
    values : array_like, shape (n,)
        At least 3 values.
    level, sides
        As in `dixon_critical`.

    Returns
    -------
    OutlierTest
        Values that are all equal have statistic 0.
    """
    data = np.asarray(values, dtype=float)
    order = np.argsort(data, kind="stable")
    critical = dixon_critical(data.size, level, sides=sides)
    ranked = data[order]
    width = float(ranked[-1] - ranked[0])
    if width <= 1e-14 * float(np.abs(data).max(initial=0.0)):
        return OutlierTest("Dixon", int(order[0]), 0.0, critical, 1.0)
    low, high = float(ranked[1] - ranked[0]) / width, float(ranked[-1] - ranked[-2]) / width
    index, statistic = (int(order[0]), low) if low > high else (int(order[-1]), high)
    return OutlierTest(
        "Dixon", index, statistic, critical, min(1.0, sides * dixon_tail(statistic, data.size))
    )
