"""Angles that wrap: directions (once a turn) and planes (twice a turn), in radians.

A *direction* lives in [0, 2π); a *plane* is an axis and lives in [0, π): 10° and 190° are the same plane.
"""

from __future__ import annotations

import math
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

TURN = 2.0 * math.pi
"""Of the blank, rad."""
HALF_TURN = math.pi
"""After which a plane is itself again, rad."""


@overload
def wrap(angle: float, period: float = ...) -> float: ...
@overload
def wrap(angle: NDArray[np.float64], period: float = ...) -> NDArray[np.float64]: ...
def wrap(angle: float | NDArray[np.float64], period: float = TURN) -> float | NDArray[np.float64]:
    """Bring an angle into [0, period).

    Parameters
    ----------
    angle : float or ndarray
        Angle in rad (or in any unit, if `period` is in the same).
    period : float
        2π for directions (the default), π for planes.

    Examples
    --------
    >>> wrap(-10.0, 360.0)
    350.0
    >>> wrap(-1e-20, 360.0)
    0.0
    """
    wrapped = np.mod(angle, period)
    wrapped = np.where(wrapped >= period, 0.0, wrapped)
    return float(wrapped) if np.ndim(angle) == 0 else wrapped


@overload
def difference(a: float, b: float, period: float = ...) -> float: ...
@overload
def difference(a: NDArray[np.float64], b: ArrayLike, period: float = ...) -> NDArray[np.float64]: ...
def difference(
    a: float | NDArray[np.float64], b: ArrayLike, period: float = TURN
) -> float | NDArray[np.float64]:
    """Signed shortest way from `b` to `a`, in [−period/2, period/2).

    Examples
    --------
    >>> difference(1.0, 359.0, 360.0)
    2.0
    >>> difference(2.0, 179.0, 180.0)
    3.0
    """
    half = 0.5 * period
    out = np.mod(np.subtract(a, b) + half, period) - half
    return float(out) if np.ndim(out) == 0 else out


def mean_direction(angles: ArrayLike, period: float = TURN) -> tuple[float, float]:
    """Mean of wrapped angles and the mean resultant length (1 = all alike, 0 = no preferred angle).

    For planes (``period=π``) the angles are doubled, averaged as directions and halved again, the usual
    treatment of axial data (Mardia & Jupp, Directional Statistics, 2000, §1.1 and §2.2).

    Parameters
    ----------
    angles : array_like, shape (n,)
        Angles in the unit of `period`.

    Returns
    -------
    mean : float
        In [0, period).
    resultant : float
        Between 0 and 1, of the multiplied-up angles.

    Raises
    ------
    ValueError
        If there is no angle.
    """
    data = np.asarray(angles, dtype=float)
    if data.size == 0:
        raise ValueError("the mean of no angles is not defined")
    vector = np.exp(1j * data * (TURN / period)).mean()
    return wrap(float(np.angle(vector)) * period / TURN, period), float(abs(vector))
