"""Many energies at once: minima of sampled energies, for half-widths where nothing is smooth."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from analysis.estimate import coverage_factor
from analysis.readings import Floats
from analysis.roll.tensor import Matrix

COUNT = 256
"""Samples of an energy."""


def sampled(parts: Floats, cov: Matrix, dof: float) -> Matrix:
    """Draw quasi-random samples of an energy's four parts, widened as Student's t is; the same in every call.

    Parameters
    ----------
    parts : ndarray, shape (4,)
        p_cos, p_sin, q_cos, q_sin as in `analysis.roll.tensor.RollEnergy`.
    cov : ndarray, shape (4, 4)
        Their covariance.

    Returns
    -------
    ndarray, shape (COUNT, 4)
    """
    values, vectors = np.linalg.eigh(cov)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    widen = coverage_factor(dof) / coverage_factor(math.inf)
    return np.asarray(parts + widen * _NORMALS @ root.T)


def two_minima(parts: Matrix) -> NDArray[np.bool_]:
    """Tell which energies have two minima (inside the astroid, see `analysis.roll.snaps`).

    Parameters
    ----------
    parts : ndarray, shape (m, 4)

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    p = np.hypot(parts[:, 0], parts[:, 1])
    q = np.hypot(parts[:, 2], parts[:, 3])
    psi = np.arctan2(parts[:, 3], parts[:, 2]) - 0.5 * np.arctan2(parts[:, 1], parts[:, 0])
    size = np.cbrt(np.abs(q * np.cos(psi))) ** 2 + np.cbrt(np.abs(q * np.sin(psi))) ** 2
    return np.asarray(size < np.cbrt(4.0 * p) ** 2)


def minima(parts: Matrix) -> tuple[Matrix, Matrix]:
    """Find the minima of many energies and their barriers.

    Parameters
    ----------
    parts : ndarray, shape (m, 4)

    Returns
    -------
    angles : ndarray, shape (m, 2)
        rad; the second is nan where there is one minimum.
    barriers : ndarray, shape (m, 2)
        J, to the lower of the neighbouring crests; nan likewise.
    """
    scale = np.max(np.abs(parts), axis=1, keepdims=True)
    unit = parts / np.where(scale > 0.0, scale, 1.0)
    big_p = unit[:, 0] - 1j * unit[:, 1]
    big_p = np.where(np.abs(big_p) > 1e-9, big_p, 1e-9)
    half_q = 0.5 * (unit[:, 2] - 1j * unit[:, 3])
    companion = np.zeros((len(unit), 4, 4), dtype=complex)
    companion[:, 1, 0] = companion[:, 2, 1] = companion[:, 3, 2] = 1.0
    companion[:, 0, 0] = half_q / big_p
    companion[:, 0, 2] = -np.conj(half_q) / big_p
    companion[:, 0, 3] = np.conj(big_p) / big_p
    roots = np.linalg.eigvals(companion)
    off = np.abs(np.log(np.maximum(np.abs(roots), 1e-300)))
    nearest = np.take_along_axis(np.angle(roots), np.argsort(off, axis=1), axis=1)
    both = two_minima(parts)
    angles = np.full((len(parts), 2), math.nan)
    barriers = np.full((len(parts), 2), math.nan)
    _pairs(unit, nearest, both, angles, barriers)
    _singles(unit, nearest, ~both, angles, barriers)
    return angles, barriers * scale


def _pairs(unit: Matrix, at: Matrix, rows: NDArray[np.bool_], angles: Matrix, barriers: Matrix) -> None:
    four = np.sort(at[rows], axis=1)
    levels = _level(unit[rows], four)
    even = levels[:, 0] + levels[:, 2] < levels[:, 1] + levels[:, 3]
    low = np.where(even[:, np.newaxis], [0, 2], [1, 3])
    high = np.where(even[:, np.newaxis], [1, 3], [0, 2])
    crest = np.take_along_axis(levels, high, axis=1).min(axis=1, keepdims=True)
    angles[rows] = np.take_along_axis(four, low, axis=1)
    barriers[rows] = crest - np.take_along_axis(levels, low, axis=1)


def _singles(unit: Matrix, at: Matrix, rows: NDArray[np.bool_], angles: Matrix, barriers: Matrix) -> None:
    two = at[rows, :2]
    levels = _level(unit[rows], two)
    low = np.argmin(levels, axis=1)[:, np.newaxis]
    angles[rows, 0] = np.take_along_axis(two, low, axis=1)[:, 0]
    barriers[rows, 0] = np.ptp(levels, axis=1)


def _level(unit: Matrix, at: Matrix) -> Matrix:
    c1, s1 = np.cos(at), np.sin(at)
    p_cos, p_sin, q_cos, q_sin = (unit[:, [column]] for column in range(4))
    return np.asarray(p_cos * (c1 * c1 - s1 * s1) + 2.0 * p_sin * s1 * c1 - q_cos * c1 - q_sin * s1)


def _normals() -> Matrix:
    """Make quasi-random standard normal points, shape (COUNT, 4).

    Points of an additive recurrence with the powers of 1/φ, φ the real root of φ⁵ = φ + 1 (the generalised
    golden ratio), through the normal quantile, with their mirror images, scaled to unit covariance: as
    even as a lattice, and the same in every call.
    """
    root = 2.0
    for _ in range(60):
        root = (1.0 + root) ** 0.2
    steps = root ** -np.arange(1.0, 5.0)
    points = ndtri((0.5 + np.outer(np.arange(1, COUNT // 2 + 1), steps)) % 1.0)
    both = np.concatenate([points, -points])
    root_of_cov = np.linalg.cholesky(both.T @ both / COUNT)
    return np.asarray(np.linalg.solve(root_of_cov, both.T).T)


_NORMALS = _normals()
"""The points behind every sample."""
