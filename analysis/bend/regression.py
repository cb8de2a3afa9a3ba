"""Straight lines through readings: least squares with outliers left out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.bend.fit import readings_as_one
from analysis.readings import Floats


@dataclass(frozen=True, slots=True)
class Line:
    """Least squares with outliers left out."""

    value: float
    """The contrast of the coefficients that was asked for."""
    error: float
    """Its standard error; noise that hangs together widens it."""
    dof: float
    """Degrees of freedom."""


def line(design: Floats, values: Floats, contrast: Floats) -> Line:
    """Fit a line and give a contrast of its coefficients.

    Parameters
    ----------
    design : ndarray, shape (n, k)
        What the values depend on.
    values : ndarray, shape (n,)
        The values.
    contrast : ndarray, shape (k,)
        Which sum of the coefficients is wanted.
    """
    kept = np.ones(values.size, dtype=bool)
    for _ in range(3):
        found = np.linalg.lstsq(design[kept], values[kept], rcond=None)[0]
        left = values - design @ found
        size = 1.4826 * float(np.median(np.abs(left[kept])))
        kept = np.abs(left) <= max(5.0 * size, 1e-300)
    dof = float(max(int(kept.sum()) - design.shape[1], 1))
    used = design[kept]
    variance = float(np.sum(left[kept] ** 2)) / dof * readings_as_one(left[kept])
    spread = np.linalg.inv(used.T @ used)
    return Line(float(contrast @ found), math.sqrt(variance * float(contrast @ spread @ contrast)), dof)
