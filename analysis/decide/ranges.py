"""The range of a few normal values: its mean and scatter, and the older gauge study built on it.

The constants are integrals (Tippett 1925, Biometrika 17:364), computed and not copied from a table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import ArrayLike
from scipy.special import gammaln, ndtr


@dataclass(frozen=True, slots=True)
class RangeConstants:
    """Constants of the range of n values, in standard deviations."""

    d2: float
    """Mean of the range."""
    d3: float
    """Standard deviation of the range."""
    c4: float
    """Mean of the sample standard deviation."""

    @property
    def upper(self) -> float:
        """D₄: upper control limit of the range over the mean range."""
        return 1.0 + 3.0 * self.d3 / self.d2

    @property
    def single(self) -> float:
        """d₂*: root mean square of one range, by which a single range is divided (Duncan 1955)."""
        return math.hypot(self.d2, self.d3)


@lru_cache(maxsize=64)
def range_constants(n: int) -> RangeConstants:
    """Find the constants for n values.

    ``d₂ = ∫ 1 − Φⁿ − (1−Φ)ⁿ dx``; ``E R² = 2 ∬_{x<y} 1 − Φ(y)ⁿ − (1−Φ(x))ⁿ + (Φ(y)−Φ(x))ⁿ dx dy``.

    Examples
    --------
    >>> round(range_constants(2).d2, 6)
    1.128379
    """
    if n < 2:
        raise ValueError("a range needs at least two values")
    points, sizes = leggauss(200)
    x, weight = 9.0 * points, 9.0 * sizes
    below = ndtr(x)
    d2 = float(weight @ (1.0 - below**n - (1.0 - below) ** n))
    # y = x + v with v ≥ 0: smooth in both.
    v, step = 9.0 * (points + 1.0), 9.0 * sizes
    up = ndtr(x[:, None] + v)
    both = 1.0 - up**n - (1.0 - below[:, None]) ** n + (up - below[:, None]) ** n
    square = 2.0 * float(weight @ both @ step)
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(float(gammaln(0.5 * n) - gammaln(0.5 * (n - 1))))
    return RangeConstants(d2, math.sqrt(square - d2**2), c4)


@dataclass(frozen=True, slots=True)
class RangeStudy:
    """Components of a gauge study by average and range; standard deviations in the unit of the values."""

    repeatability: float
    """Equipment variation."""
    reproducibility: float
    """Between the people."""
    between_blanks: float
    """Between the blanks."""

    @property
    def rig(self) -> float:
        """Repeatability and reproducibility together."""
        return math.hypot(self.repeatability, self.reproducibility)

    @property
    def total(self) -> float:
        """Rig and blanks together."""
        return math.hypot(self.rig, self.between_blanks)


def range_study(table: ArrayLike) -> RangeStudy:
    """Split the scatter by average and range (AIAG, Measurement Systems Analysis, 4th ed. 2010).

    Kept to compare with records made on paper; the analysis of variance uses the data better.

    Parameters
    ----------
    table : array_like, shape (blanks, people, repeats)
        At least two of each.
    """
    data = np.asarray(table, dtype=float)
    if data.ndim != 3 or min(data.shape) < 2:
        raise ValueError("an average and range study needs blanks, people and repeats, two of each at least")
    blanks, people, repeats = data.shape
    inside = float(np.ptp(data, axis=2).mean()) / range_constants(repeats).d2
    apart = float(np.ptp(data.mean(axis=(0, 2)))) / range_constants(people).single
    between = float(np.ptp(data.mean(axis=(1, 2)))) / range_constants(blanks).single
    return RangeStudy(
        repeatability=inside,
        reproducibility=math.sqrt(max(0.0, apart**2 - inside**2 / (blanks * repeats))),
        between_blanks=between,
    )
