"""What of a roll run turns with the chuck and not with the blank: the rig's own signature."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.readings import Floats
from analysis.roll.tensor import SIZE, Matrix

UNKNOWN = 1e30
"""Variance of what the mounts could not tell."""


@dataclass(frozen=True, slots=True)
class Signature:
    """What of a roll run turns with the chuck: the rig's own run-out and support stiffness.

    It can be taken off later runs of one mount (`taken_off`).
    """

    values: Floats
    """g·cos, g·sin (N) and h·cos, h·sin (N/m) in the chuck's frame, shape (4,)."""
    covariance: Matrix
    """Theirs, shape (4, 4); `UNKNOWN` where the mounts could not tell."""
    travel_m: float
    """Travel at which it was found, m: the run-out's part goes with the stiffness."""
    stiffness_N_per_m: float
    """Mean stiffness of the blank it was found with, N/m."""

    @property
    def runout_m(self) -> float:
        """How far the chuck's axis is off at the tip, m; nan where the mounts could not tell."""
        if self.covariance[0, 0] >= UNKNOWN:
            return math.nan
        return math.hypot(*self.values[:2]) / self.stiffness_N_per_m

    @property
    def support_pct(self) -> float:
        """Anisotropy that the chuck alone would show, %; nan where the mounts could not tell."""
        if self.covariance[2, 2] >= UNKNOWN:
            return math.nan
        return 200.0 * math.hypot(*self.values[2:]) / self.stiffness_N_per_m


def rotation(angle: float) -> Matrix:
    """Rotation of a pair of coefficients, shape (2, 2)."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s], [s, c]])


def taken_off(numbers: Floats, spread: Matrix, mount: float, signature: Signature) -> tuple[Floats, Matrix]:
    """Take a signature off the five numbers of a run of one mount; its uncertainty is added.

    The run-out acts through the blank's stiffness, the support's compliance in proportion to it. What the
    signature could not tell is left as it is.

    Parameters
    ----------
    numbers : ndarray, shape (5,)
        k, f·cos β, f·sin β, Δ·cos 2φ, Δ·sin 2φ.
    spread : ndarray, shape (5, 5)
        Their covariance.
    mount : float
        Blank angle that faces the pull when the chuck reads 0, rad.
    """
    turn = np.zeros((SIZE, 4))
    known = np.diag(signature.covariance) < UNKNOWN
    turn[1:3, :2] = rotation(mount)
    turn[3:5, 2:] = rotation(2.0 * mount)
    turn *= float(numbers[0]) / signature.stiffness_N_per_m * known
    covariance = np.where(np.outer(known, known), signature.covariance, 0.0)
    return numbers - turn @ signature.values, spread + turn @ covariance @ turn.T
