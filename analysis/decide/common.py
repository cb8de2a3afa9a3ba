"""The tests of a spread where blanks carry one rig's errors in common, each in its own pattern.

What turns with the chuck turns from blank to blank with the mark: xᵢ = μᵢ + aᵢ·ε + sᵢ·g·zᵢ, ε standard normal
and common to all blanks, aᵢ how blank i follows it, zᵢ its own; g is common too where every blank's own error
was estimated from the same few left-overs (the seating), g² = ν/χ²_ν. Given ε and g the blanks are
independent, with shifted means and scaled errors: every probability of `analysis.decide.spread` is its
mean over ε and g, taken over a fixed set of quasi-random draws. The least favourable true values are those
that `spread` finds where the common part is counted as each blank's own; simulation confirms the levels.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtri, stdtr

from analysis.decide.spread import (
    Errors,
    best_pair,
    p_values,
    statistic,
    window_probability,
    worst_split,
)
from analysis.readings import Floats

_DRAWS = 64
_MOST_WAYS = 4
"""Independent ways in which the common errors move the blanks apart that are told; a chuck has four."""
_SMALL = 1e-3
"""Ways smaller than this part of the largest are left out."""
_EXACT = 1e-9


def common_p_values(
    values: Floats,
    sizes: Floats,
    dof: Floats,
    tolerance: float,
    common: NDArray[np.float64],
    alike_dof: float | None,
) -> tuple[float, float]:
    """Test a batch as `analysis.decide.spread.p_values` does.

    Parameters
    ----------
    values, sizes, dof, tolerance
        As there; `sizes` without the common part.
    common : ndarray, shape (n, q)
        What each common error of size one (a standard error) does to each value.
    alike_dof : float or None
        Degrees of freedom of what all `sizes` were estimated from together; None: each has its own `dof`.

    Returns
    -------
    p_consistent, p_not_consistent : float
    """
    moves = _ways(common)
    if not moves.size and alike_dof is None:
        return p_values(values, sizes, dof, tolerance)
    scaled = np.asarray(values - values[0]) / tolerance
    own = np.maximum(np.asarray(sizes) / tolerance, _EXACT)
    apart = moves / tolerance
    exact = np.full(own.size, math.inf)
    every_dof = exact if alike_dof is not None else np.asarray(dof, dtype=float)
    flat = Errors(np.hypot(own, np.linalg.norm(apart, axis=1)), every_dof)
    w_flat = statistic(scaled, flat)
    split, pair = worst_split(flat, w_flat)[1], best_pair(flat, w_flat)[1]
    w = statistic(scaled, Errors(own, every_dof))
    shifts, factors = _draws(apart.shape[1], alike_dof)
    beyond = within = 0.0
    for shift, factor in zip(shifts @ apart.T, factors, strict=True):
        errors = Errors(own * factor, every_dof)
        means = np.stack([split, pair]) + shift
        chances = window_probability(means, errors, max(w / factor, -0.5 / float(errors.size.max())))
        beyond += float(1.0 - chances[0])
        within += float(chances[1])
    beyond, within = beyond / len(factors), within / len(factors)
    return max(within, _wrong_way_round(own, apart, alike_dof)), beyond


def _wrong_way_round(own: Floats, apart: NDArray[np.float64], alike_dof: float | None) -> float:
    """Largest chance that two blanks one tolerance apart are measured in the wrong order."""
    first, second = np.triu_indices(own.size, 1)
    between = np.sum((apart[first] - apart[second]) ** 2, axis=1)
    together = math.sqrt(float(np.max(own[first] ** 2 + own[second] ** 2 + between)))
    return float(stdtr(min(alike_dof or 1e9, 1e9), -1.0 / together))


def _ways(common: NDArray[np.float64]) -> NDArray[np.float64]:
    """Independent ways in which the common errors move the blanks apart, shape (n, r)."""
    if not common.size:
        return np.zeros((len(common), 0))
    left, sizes, _ = np.linalg.svd(common - common.mean(axis=0), full_matrices=False)
    told = sizes > max(_SMALL * float(sizes[0]), 1e-300)
    return np.asarray((left * sizes)[:, told][:, :_MOST_WAYS])


@lru_cache(maxsize=32)
def _draws(ways: int, alike_dof: float | None) -> tuple[NDArray[np.float64], tuple[float, ...]]:
    """Quasi-random standard normal shifts, shape (draws, ways), and scale factors.

    Additive recurrence with the generalised golden ratio, in mirrored pairs.
    """
    size = ways + 1
    root = 2.0
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (size + 1))
    steps = root ** -np.arange(1.0, size + 1)
    points = (0.5 + np.outer(np.arange(1, _DRAWS // 2 + 1), steps)) % 1.0
    points = np.concatenate([points, 1.0 - points])
    factors = (1.0,) * _DRAWS
    if alike_dof is not None:
        factors = tuple(np.sqrt(alike_dof / chdtri(alike_dof, points[:, -1])).tolist())
    return ndtri(points[:, :ways]), factors
