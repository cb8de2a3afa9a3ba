"""Amplifier spikes: readings from another distribution than their neighbours, told by the data."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.readings import Floats

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
