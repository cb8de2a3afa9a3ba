"""Least squares by orthogonal triangles, and the columns of a harmonic model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.readings import Floats
from analysis.roll.tensor import Matrix


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """A linear fit."""

    values: Floats
    """Coefficients, shape (k,)."""
    spread: Matrix
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


def harmonic_columns(roll: Floats, first: int, last: int) -> Matrix:
    """Cos and sin of `first` to `last` waves per turn.

    Returns
    -------
    ndarray, shape (n, 2·(last − first + 1))
        cos mθ, sin mθ for m = first … last.
    """
    waves = np.outer(roll, np.arange(first, last + 1))
    out = np.empty((roll.size, 2 * (last - first + 1)))
    out[:, 0::2] = np.cos(waves)
    out[:, 1::2] = np.sin(waves)
    return out
