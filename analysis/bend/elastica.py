"""Shapes in balance: how a blank stands under a load, at a travel, or on a string.

The grid is refined until its own error estimate is small enough.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from analysis.bend.bender import BARE, Bender, NoBalanceError, Shape, Surroundings
from analysis.bend.profile import Rigidity
from analysis.readings import Floats

_FIRST = 16
"""Elements of the first grid."""
_MOST = 1024
"""Elements beyond which no blank needs more."""


def _refined(
    rigidity: Rigidity,
    around: Surroundings,
    tolerance: float,
    elements: int | None,
    bend: Callable[[Bender, Shape | None], Shape],
    *,
    one_grid: bool = True,
) -> Shape:
    """Bend on finer and finer grids until the error estimate is small enough.

    Where the rigidity is smooth inside the elements a grid tells its own error, and the next grid follows
    from the eighth power of the element's length; else travel and slope must stand still from grid to grid.
    """
    if not one_grid or rigidity.knots_m.size > _MOST // 2:
        return _compared(rigidity, around, tolerance, elements, bend)
    if elements is not None:
        return bend(Bender(rigidity, around, elements, knots=True), None)
    count = _FIRST
    shape: Shape | None = None
    while True:
        shape = bend(Bender(rigidity, around, count, knots=True), shape)
        excess = max(shape.error_m / rigidity.length_m, shape.error_rad) / tolerance
        if excess <= 1.0 or count >= _MOST:
            return shape
        count = math.ceil(count * min(max(1.2 * excess**0.125, 1.3), 4.0))


def _compared(
    rigidity: Rigidity,
    around: Surroundings,
    tolerance: float,
    elements: int | None,
    bend: Callable[[Bender, Shape | None], Shape],
) -> Shape:
    """Halve the elements until nothing moves; the last step is the error estimate."""
    count = elements or 8
    coarse = bend(Bender(rigidity, around, max(count // 2, 2) if elements else count), None)
    for _ in range(1 if elements else 8):
        count = count if elements else 2 * count
        fine = bend(Bender(rigidity, around, count), coarse)
        off_m = abs(fine.travel_m - coarse.travel_m) + abs(float(fine.x_m[-1] - coarse.x_m[-1]))
        off_rad = abs(fine.tip - coarse.tip) + abs(fine.load_N - coarse.load_N) / max(
            abs(fine.load_N), 1e-300
        )
        coarse = replace(fine, error_m=off_m, error_rad=off_rad)
        if off_m <= tolerance * rigidity.length_m and off_rad <= tolerance:
            break
    return coarse


def _guess(bender: Bender, before: Shape | None) -> Floats | None:
    return None if before is None else np.interp(bender.mesh.nodes, before.s_m, before.theta)


def solve(
    rigidity: Rigidity,
    load_N: float,
    around: Surroundings = BARE,
    *,
    tolerance: float = 1e-8,
    elements: int | None = None,
) -> Shape:
    """Shape of a blank under a dead load along the pull.

    Parameters
    ----------
    rigidity : Taper or Profile
    load_N : float
        Load, N; negative bends the other way.
    around : Surroundings
        Where the load acts; own weight; clip.
    tolerance : float
        The grid is refined until the error estimates of travel (over the length) and slope (rad) are smaller.
    elements : int, optional
        Take this grid and no other.

    Raises
    ------
    NoBalanceError
        If no balanced shape is found.

    Examples
    --------
    The published value for F·L²/EI = 1 (Mattiasson 1981, table 1): travel 0.30172 of the length.

    >>> from analysis.bend.profile import Taper
    >>> round(solve(Taper(1.0, 1.0), 1.0).travel_m, 5)
    0.30172
    """

    def bend(bender: Bender, before: Shape | None) -> Shape:
        return bender.shape(bender.relax(load_N, start=_guess(bender, before)), load_N)

    return _refined(rigidity, around, tolerance, elements, bend)


def load_for_travel(
    rigidity: Rigidity,
    travel_m: float,
    around: Surroundings = BARE,
    *,
    tolerance: float = 1e-8,
    elements: int | None = None,
) -> Shape:
    """Shape of a blank whose loaded point stands `travel_m` off the chuck's axis along the pull.

    Parameters and errors as in `solve`.

    Examples
    --------
    >>> from analysis.bend.profile import Taper
    >>> shape = load_for_travel(Taper(1.0, 1.0), 0.301720773799814)
    >>> round(shape.load_N, 7)
    1.0
    """

    def bend(bender: Bender, before: Shape | None) -> Shape:
        if before is None:
            rest = bender.relax(0.0) if bender._loaded else np.zeros(bender.mesh.nodes.size)
            slack = bender.linear(rest, 0.0).travel_per_load
            guess = (travel_m - bender.travel(rest)) / slack
            theta, load = bender.to_travel(travel_m, guess)
        else:
            theta, load = bender.to_travel(travel_m, before.load_N, _guess(bender, before))
        shape = bender.shape(theta, load)
        # the travel is given, so its error goes into the load, and from there into the slope
        off = shape.error_m * shape.stiffness_N_per_m
        whole = shape.error_rad + off * (abs(shape.tip_per_load) + 1.0 / max(abs(load), 1e-300))
        return replace(shape, error_rad=whole)

    return _refined(rigidity, around, tolerance, elements, bend)


def solve_toward(
    rigidity: Rigidity,
    tension_N: float,
    anchor_m: tuple[float, float],
    around: Surroundings = BARE,
    *,
    tolerance: float = 1e-8,
    elements: int | None = None,
) -> Shape:
    """Shape of a blank whose loaded point is pulled by a string toward a fixed anchor.

    The direction of the string is found by Newton's method on its angle, with the exact change of the
    loaded point's place per force.

    Parameters
    ----------
    tension_N : float
        Pull in the string, N, ≥ 0.
    anchor_m : tuple of float
        (x, y) of the anchor: along the chuck's axis from its face, and along the pull, m.

    Other parameters and errors as in `solve`.
    """
    if tension_N < 0.0:
        raise ValueError("a string pulls")

    def bend(bender: Bender, before: Shape | None) -> Shape:
        theta = _guess(bender, before)
        at = np.searchsorted(bender.mesh.nodes, bender.station_m - 1e-12)
        angle = math.atan2(anchor_m[1], anchor_m[0] - bender.station_m)
        if theta is not None:
            x, y = bender.place(theta)
            angle = math.atan2(anchor_m[1] - y[at], anchor_m[0] - x[at])
        else:
            theta = bender.relax(0.0)
        reached = tension_N if before is not None else 0.0
        step = tension_N
        while True:
            trial = min(reached + step, tension_N)
            try:
                theta, angle = _aim(bender, trial, angle, theta, anchor_m, int(at))
            except NoBalanceError:
                step *= 0.5
                if step < 1e-4 * tension_N:
                    raise
                continue
            reached = trial
            if reached >= tension_N:
                break
        return bender.shape(theta, tension_N * math.sin(angle), tension_N * math.cos(angle))

    return _refined(rigidity, around, tolerance, elements, bend, one_grid=False)


def _aim(
    bender: Bender, tension: float, angle: float, theta: Floats, anchor: tuple[float, float], at: int
) -> tuple[Floats, float]:
    """Balance under a string: the angle of its pull points at the anchor."""
    for _ in range(40):
        load, axial = tension * math.sin(angle), tension * math.cos(angle)
        theta = bender.relax(load, axial, start=theta)
        x, y = bender.place(theta)
        to_x, to_y = anchor[0] - x[at], anchor[1] - y[at]
        distance = to_x**2 + to_y**2
        miss = math.remainder(math.atan2(to_y, to_x) - angle, 2.0 * math.pi)
        if abs(miss) < 1e-12:
            return theta, angle
        per_force = bender.linear(theta, load, axial).place_per_force
        move = per_force @ np.array([-tension * math.sin(angle), tension * math.cos(angle)])
        turning = (to_y * move[0] - to_x * move[1]) / distance
        step = miss / (1.0 - turning)
        angle += max(-0.5, min(0.5, step))
    if abs(miss) < 1e-9:
        return theta, angle
    raise NoBalanceError("the string's direction did not settle")


__all__ = [
    "BARE",
    "Bender",
    "NoBalanceError",
    "Shape",
    "Surroundings",
    "load_for_travel",
    "solve",
    "solve_toward",
]
