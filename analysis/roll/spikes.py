"""Amplifier spikes: readings from another distribution than their neighbours, told by the data."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.readings import Floats

_WINDOW = 7
"""Readings in the running median: bursts of up to three spikes stand out."""
_MAD_TO_SIGMA = 1.482602218505602
"""σ of a normal distribution over its median absolute deviation, 1/Φ⁻¹(3/4)."""


def spikes(residuals: Floats) -> NDArray[np.bool_]:
    """Mark the spikes among residuals in time order.

    The residual against its running median is taken as a mixture of a core N(0, σ²) and spikes N(0, s²). For
    every number K of largest values called spikes the classification likelihood is known in closed form, and
    the best K is taken where it beats K = 0 by the Bayesian information criterion (two more numbers: the rate
    and the size of spikes). No threshold is set by hand; of white normal noise, one reading in ten runs of
    2,500 is called a spike.

    Parameters
    ----------
    residuals : ndarray, shape (n,)
        Readings minus a first fit, in time order.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    n = residuals.size
    marked = np.zeros(n, dtype=bool)
    if n < 3 * _WINDOW:
        return marked
    half = _WINDOW // 2
    padded = np.concatenate([residuals[half:0:-1], residuals, residuals[-2 : -half - 2 : -1]])
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, _WINDOW), axis=1)
    size = np.abs(residuals - middle)
    sigma = _MAD_TO_SIGMA * float(np.median(size))
    if not sigma > 0.0:
        nonzero = size[size > 0.0]
        if nonzero.size < n // 4:
            return marked
        sigma = _MAD_TO_SIGMA * float(np.median(nonzero))
    most = n // 5
    order = np.argsort(-size)[:most]
    squares = (size[order] / sigma) ** 2
    count = np.arange(1, most + 1)
    spike_variance = np.cumsum(squares) / count
    gain = (
        0.5 * np.cumsum(squares)
        - 0.5 * count
        - 0.5 * count * np.log(spike_variance)
        + count * np.log(count / n)
        + (n - count) * np.log1p(-count / n)
    )
    best = int(np.argmax(gain))
    if gain[best] > math.log(n) and spike_variance[best] > 9.0:
        marked[order[: best + 1]] = True
    return marked
