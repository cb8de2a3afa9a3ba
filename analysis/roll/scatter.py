"""Covariance in parts, each with its own degrees of freedom, and Student's factor of what is made of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.estimate import Estimate
from analysis.readings import Floats
from analysis.roll.tensor import Matrix


@dataclass(frozen=True, slots=True)
class Part:
    """One independent part of a covariance."""

    spread: Matrix
    """Covariance, shape (n, n)."""
    dof: float
    """Degrees of freedom behind its size; ``inf``: exactly known."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """Covariance of several numbers as a sum of independent parts.

    The variance v = Σ vᵢ of a linear combination has ν = v²/Σ(vᵢ²/νᵢ) degrees of freedom (Satterthwaite 1946,
    Biometrics Bulletin 2:110; Welch 1947).
    """

    parts: tuple[Part, ...]
    """Independent of each other; at least one."""

    @classmethod
    def of(cls, spread: Matrix, dof: float) -> Scatter:
        """One part."""
        return cls((Part(spread, dof),))

    def joined(self, *more: Part) -> Scatter:
        """With further parts; those that are zero are left out."""
        return Scatter((*self.parts, *(part for part in more if part.spread.any())))

    @property
    def total(self) -> Matrix:
        """Sum of the parts, shape (n, n)."""
        if len(self.parts) == 1:
            return self.parts[0].spread
        return np.asarray(np.sum([part.spread for part in self.parts], axis=0))

    def block(self, at: slice) -> Scatter:
        """Of some of the numbers."""
        return Scatter(tuple(Part(part.spread[at, at], part.dof) for part in self.parts))

    def through(self, jacobian: Matrix) -> Scatter:
        """Of linear combinations of the numbers, one a row of `jacobian`, shape (m, n)."""
        return Scatter(tuple(Part(jacobian @ part.spread @ jacobian.T, part.dof) for part in self.parts))

    def along(self, row: Floats) -> tuple[float, float]:
        """Standard error of one linear combination, and its degrees of freedom."""
        variances = [max(0.0, float(row @ part.spread @ row)) for part in self.parts]
        return math.sqrt(sum(variances)), _satterthwaite(variances, [part.dof for part in self.parts])

    def dof(self) -> float:
        """Degrees of freedom of all numbers together: each part counts by its share of the whole."""
        if len(self.parts) == 1:
            return self.parts[0].dof
        inverse = np.linalg.pinv(self.total)
        weights = [max(0.0, float(np.trace(inverse @ part.spread))) for part in self.parts]
        return _satterthwaite(weights, [part.dof for part in self.parts])

    def estimate(self, value: float, row: Floats) -> Estimate:
        """Give a value with the standard error of one linear combination."""
        sigma, dof = self.along(row)
        return Estimate(value, sigma, dof)


def _satterthwaite(variances: list[float], dofs: list[float]) -> float:
    """Degrees of freedom of a sum of independent variances."""
    if len(variances) == 1:
        return dofs[0]
    spent = sum(v**2 / dof for v, dof in zip(variances, dofs, strict=True))
    return sum(variances) ** 2 / spent if spent > 0.0 else math.inf
