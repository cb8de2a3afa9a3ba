"""Least squares of a run's readings: orthogonal triangles, blocks of readings, spikes told by residuals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.readings import Floats
from analysis.roll.tensor import Matrix


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """A linear fit."""

    values: Floats
    """Coefficients, shape (k,)."""
    unscaled_covariance: Matrix
    """(XᵀX)⁻¹, shape (k, k): times the variance of a row, the covariance."""
    rss: float
    """Sum of squared residuals."""
    residuals: Floats
    """y − X·values, shape (n,)."""


def least_squares(columns: Matrix, y: Floats) -> LeastSquares:
    """Fit y = X·b by QR of X with its columns scaled to unit length.

    Parameters
    ----------
    columns : ndarray, shape (n, k)
        X, of full column rank.
    y : ndarray, shape (n,)

    Raises
    ------
    numpy.linalg.LinAlgError
        If a column is zero or repeats others exactly.
    """
    return nested_least_squares(columns, y, columns.shape[1])[0]


def nested_least_squares(columns: Matrix, y: Floats, leading: int) -> tuple[LeastSquares, LeastSquares]:
    """Fit all columns, and the leading ones alone, from one triangulation.

    The triangle of the leading columns is the corner of the whole one.

    Parameters
    ----------
    columns, y
        As for `least_squares`.
    leading : int
        How many of the first columns the second fit has.

    Raises
    ------
    numpy.linalg.LinAlgError
        As `least_squares`.
    """
    norms = np.sqrt(np.einsum("ij,ij->j", columns, columns))
    if not np.all(norms > 0.0):
        raise np.linalg.LinAlgError("a column of the model is zero")
    q, r = np.linalg.qr(columns / norms)
    fits = []
    for size in dict.fromkeys((columns.shape[1], leading)):
        inverse = np.linalg.inv(r[:size, :size]) / norms[:size, np.newaxis]
        across, used = q[:, :size].T, columns[:, :size]
        values = inverse @ (across @ y)
        residuals = y - used @ values
        values = values + inverse @ (across @ residuals)
        residuals = y - used @ values
        fits.append(LeastSquares(values, inverse @ inverse.T, float(residuals @ residuals), residuals))
    return fits[0], fits[-1]


LEAST_BLOCKS = 300
"""Blocks that a run is cut into, where it has the readings."""
_BLOCKS_A_TURN = 120
"""The same for each turn of a long run."""


@dataclass(frozen=True, slots=True)
class Blocks:
    """Runs of readings that are averaged."""

    size: int
    """Readings in a block (the last may hold fewer, or up to half a block more)."""
    starts: NDArray[np.intp]
    """Index of the first reading of each block, shape (blocks,)."""

    @classmethod
    def over(cls, n: int, turns: float) -> Blocks:
        """Cut n readings of a run of so many turns."""
        size = max(1, n // max(LEAST_BLOCKS, int(_BLOCKS_A_TURN * turns)))
        return cls(size, np.arange(max(1, int(n / size + 0.5))) * size)

    def means(self, rows: Matrix, target: Floats, keep: NDArray[np.bool_] | None) -> tuple[Matrix, Floats]:
        """Average columns and target over the kept readings of each block.

        Rows of blocks with fewer readings are scaled down, so that white noise is alike in all.

        Parameters
        ----------
        rows : ndarray, shape (k, n)
            Columns, one a row.
        target : ndarray, shape (n,)
        keep : ndarray of bool, shape (n,), or None
            Readings to use; None uses all.

        Returns
        -------
        ndarray, shape (blocks, k)
        ndarray, shape (blocks,)
        """
        if keep is None and self.size == 1:
            return np.ascontiguousarray(rows.T), target
        if keep is None:
            starts, counts = self.starts, np.diff(self.starts, append=target.size)
        else:
            before = np.concatenate([[0], np.cumsum(keep)])
            starts = before[self.starts]
            counts = np.diff(starts, append=before[-1])
            some = counts > 0
            starts, counts = starts[some], counts[some]
            rows, target = rows[:, keep], target[keep]
        weight = 1.0 / np.sqrt(counts * float(self.size))
        sums = np.add.reduceat(rows, starts, axis=1)
        return np.ascontiguousarray((sums * weight).T), np.add.reduceat(target, starts) * weight


_MAD_TO_SIGMA = 1.482602218505602
"""σ of a normal distribution over its median absolute deviation, 1/Φ⁻¹(3/4)."""
_LEAST = 24
"""With fewer readings no spike is looked for."""
_ROUNDS = 3
"""Rounds in which readings beside a spike are judged again without it."""


def spikes(residuals: Floats, finest: float = 0.0) -> NDArray[np.bool_]:
    """Mark the spikes among residuals in time order.

    What is judged is how far a residual stands off the straight line between its neighbours on both sides,
    those that are no spikes themselves. These distances are taken as a mixture of a core N(0, σ²) and
    of spikes N(0, s²). For every number K of largest distances called spikes the classification
    likelihood is known in closed form; the best K is taken where it beats none by the Bayesian
    information criterion (two more numbers: how many and how large). No threshold is set by hand, and
    normal noise, with or without memory, has none.

    Parameters
    ----------
    residuals : ndarray, shape (n,)
        Readings minus a first fit, in time order.
    finest : float
        Least standard deviation that a reading may have; below it is rounding.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    n = residuals.size
    marked = np.zeros(n, dtype=bool)
    if n < _LEAST:
        return marked
    off = residuals.copy()
    off[1:-1] -= 0.5 * (residuals[:-2] + residuals[2:])
    off[0] -= residuals[1]
    off[-1] -= residuals[-2]
    np.abs(off, out=off)
    sigma = max(finest, _MAD_TO_SIGMA * float(np.median(off)))
    if not sigma > 0.0:
        return marked
    for _ in range(_ROUNDS):
        before = marked
        marked = _largest(off, sigma)
        if not marked.any() or np.array_equal(marked, before):
            break
        off = _off_neighbours(residuals, marked)
    return marked


def _off_neighbours(residuals: Floats, marked: NDArray[np.bool_]) -> Floats:
    """Distance from the line between the nearest neighbours that are not marked."""
    n = residuals.size
    places = np.arange(n)
    good = ~marked
    last = np.maximum.accumulate(np.where(good, places, -1))
    following = np.minimum.accumulate(np.where(good, places, n)[::-1])[::-1]
    left = np.concatenate([[-1], last[:-1]])
    right = np.concatenate([following[1:], [n]])
    left = np.where(left < 0, np.minimum(right, n - 1), left)
    right = np.where(right >= n, left, right)
    return np.asarray(np.abs(residuals - 0.5 * (residuals[left] + residuals[right])))


def _largest(off: Floats, sigma: float) -> NDArray[np.bool_]:
    """Mark the K largest distances, K by the classification likelihood of the mixture."""
    n = off.size
    marked = np.zeros(n, dtype=bool)
    far = np.flatnonzero(off > 2.5 * sigma)
    if far.size == 0:
        return marked
    order = far[np.argsort(-off[far])]
    squares = (off[order] / sigma) ** 2
    count = np.arange(1, order.size + 1)
    spike_variance = np.cumsum(squares) / count
    gain = (
        0.5 * np.cumsum(squares)
        - 0.5 * count * (1.0 + np.log(spike_variance))
        + count * np.log(count / n)
        + (n - count) * np.log1p(-count / n)
    )
    best = int(np.argmax(gain))
    if gain[best] > math.log(n):
        marked[order[: best + 1]] = True
    return marked
