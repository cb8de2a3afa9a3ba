"""Several pictures of what made the readings, each with its probability, taken together.

A picture says how far a blank departs from a taper, whether the slope's zero is right and how far the load's
zero drifts. Each gives a normal distribution of the parameters; together they are a mixture. Its standard
deviation, times 1.96, is no 95 % half-width: one unlikely picture with a wide distribution draws it out, and
the half-width would hold the truth far more often. So the half-width is read off the mixture itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.readings import Floats

_NORMAL = 1.959964
_LEVEL = 0.95
_HALVINGS = 50
_UNLIKELY = 1e-6


@dataclass(frozen=True, slots=True)
class Pictures:
    """A mixture of normal distributions of the parameters.

    Examples
    --------
    >>> one = Pictures(np.array([1.0]), np.zeros((1, 1)), np.array([[[4.0]]]))
    >>> round(float(one.noise(np.array([1.0]))[0]), 6)
    2.0
    """

    odds: Floats
    """Probability of each picture, shape (k,)."""
    means: NDArray[np.float64]
    """Parameters in each, shape (k, p)."""
    covariances: NDArray[np.float64]
    """Their covariance in each, shape (k, p, p)."""

    @property
    def mean(self) -> Floats:
        """Parameters over all pictures, shape (p,)."""
        return np.asarray(self.odds @ self.means)

    @property
    def covariance(self) -> NDArray[np.float64]:
        """Covariance over all pictures, shape (p, p)."""
        away = self.means - self.mean
        spread = np.einsum("k,kp,kq->pq", self.odds, away, away)
        return np.asarray(np.tensordot(self.odds, self.covariances, axes=1) + spread)

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
        likely = self.odds > _UNLIKELY
        odds = self.odds[likely] / self.odds[likely].sum()
        off = (self.means[likely] - self.mean) @ columns
        turned = self.covariances[likely] @ columns
        size = np.sqrt(np.maximum(np.einsum("pm,kpm->km", columns, turned), 1e-300))
        low, high = np.zeros(columns.shape[1]), 8.0 * np.max(size + np.abs(off), axis=0)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            held = odds @ (ndtr((middle - off) / size) - ndtr((-middle - off) / size))
            low, high = np.where(held < _LEVEL, middle, low), np.where(held < _LEVEL, high, middle)
        return np.asarray(0.5 * (low + high) / _NORMAL)
