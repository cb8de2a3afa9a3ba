"""From the side that faced the pull to the mean over the roll.

A flex run bends one side of the blank, and a side's stiffness is k·[1 + ½A·cos 2(θ − φ)]: an anisotropy A of
4 % moves the reference load by up to 2 % either way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.angles import HALF_TURN, difference
from analysis.estimate import Estimate

_ONE_SIDE = (
    "This rates the side that faced the pull: an anisotropy of 4 % moves the reference load by up to 2 %. "
    "The roll run of the same blank settles it."
)


@dataclass(frozen=True, slots=True)
class Planes:
    """What a roll run of the same blank tells about its sides."""

    anisotropy: Estimate
    """(k_max − k_min)/k_mean, as a fraction."""
    stiff_plane: Estimate | None
    """Stiff plane, rad; None where none was found."""


def to_the_mean(
    side: float | None, planes: Planes | None
) -> tuple[float, tuple[tuple[str, float], ...], tuple[str, ...]]:
    """Work out the factor from a side to the mean over the roll.

    Parameters
    ----------
    side : float or None
        Blank angle that faced the pull, rad.
    planes : Planes or None
        From the roll run of the same blank, where there is one.

    Returns
    -------
    factor : float
        Mean over the roll = factor × side.
    shares : tuple of (cause, relative 95 % half-width)
        What is not known about that.
    warnings : tuple of str
        What the builder should know.

    Examples
    --------
    >>> sure = Estimate(0.04, 0.0)
    >>> round(to_the_mean(0.0, Planes(sure, Estimate(0.0, 0.0)))[0], 4)
    0.9804
    """
    if planes is None:
        return 1.0, (), (_ONE_SIDE,)
    size = planes.anisotropy
    if planes.stiff_plane is None or side is None:
        half = 0.5 * (abs(size.value) + size.ci95)
        why = "The run does not say which side faced the pull, so it is rated as it is."
        return 1.0, (("side", half),), (why,) if side is None else ()
    away = 2.0 * difference(side, planes.stiff_plane.value, HALF_TURN)
    doubt = math.hypot(
        0.5 * size.ci95 * math.cos(away), size.value * math.sin(away) * planes.stiff_plane.ci95
    )
    return 1.0 / (1.0 + 0.5 * size.value * math.cos(away)), (("side", doubt),), ()
