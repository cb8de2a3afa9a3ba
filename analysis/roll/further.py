"""What a hand would feel as the blank is bent further: how many snaps there are, and where they go.

The stiffness planes' part of the energy grows with the square of the travel, the bow's part with the travel
itself, so a bow that rules a slightly bent blank loses to the planes when it is bent further.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.angles import difference
from analysis.roll.result import RollResult
from analysis.roll.snaps import rests
from analysis.roll.tensor import Blank, energy_of

REFERENCE = 0.25
"""Travel at the reference bend over the free length."""


@dataclass(frozen=True, slots=True)
class Stage:
    """The snaps at one travel."""

    travel_m: float
    """How far the tip is bent, m."""
    angles: tuple[float, ...]
    """Snap positions, rad, firmest first: one or two."""
    barriers: tuple[float, ...]
    """Energy that holds each, J."""


def blank_of(result: RollResult) -> Blank | None:
    """Rebuild stiffness and bow from a result; None where it could not tell the stiffness."""
    if result.stiffness is None:
        return None
    k = result.stiffness.value
    delta, plane = 0.0, 0.0
    if result.plane_found and result.stiff_plane is not None and result.anisotropy is not None:
        delta, plane = 0.5 * k * result.anisotropy.value, result.stiff_plane.value
    d_cos, d_sin = delta * math.cos(2.0 * plane), delta * math.sin(2.0 * plane)
    x = y = 0.0
    if result.bow is not None and result.bow_direction is not None:
        x = result.bow.value * math.cos(result.bow_direction.value)
        y = result.bow.value * math.sin(result.bow_direction.value)
    # The bow's force is the stiffness tensor times the bow.
    return Blank(k, (k + d_cos) * x + d_sin * y, d_sin * x + (k - d_cos) * y, d_cos, d_sin)


def stages(result: RollResult, travels_m: Sequence[float]) -> tuple[Stage, ...]:
    """Work out the snaps at several travels; none where neither planes nor bow are known."""
    blank = blank_of(result)
    if blank is None or (blank.delta == 0.0 and blank.f_cos == blank.f_sin == 0.0):
        return ()
    found = []
    for travel in travels_m:
        here = rests(energy_of(blank, travel))
        found.append(Stage(travel, tuple(rest.angle for rest in here), tuple(rest.barrier for rest in here)))
    return tuple(found)


def second_snap_travel(result: RollResult) -> float | None:
    """Travel beyond which the blank has two snaps, m; None where it never has (no plane was found).

    With h = f/(2·d·Δ) and ψ between bow force and stiff plane there are two snaps inside the astroid
    |h·cos ψ|^⅔ + |h·sin ψ|^⅔ < 1 (Stoner & Wohlfarth 1948, for the same energy), hence
    d = f·(|cos ψ|^⅔ + |sin ψ|^⅔)^{3/2} / (2·Δ).
    """
    blank = blank_of(result)
    if blank is None or blank.delta == 0.0:
        return None
    force = math.hypot(blank.f_cos, blank.f_sin)
    apart = difference(math.atan2(blank.f_sin, blank.f_cos), blank.stiff_plane)
    cosine, sine = abs(math.cos(apart)), abs(math.sin(apart))
    edge = math.pow(math.pow(cosine, 2.0 / 3.0) + math.pow(sine, 2.0 / 3.0), 1.5)
    return force * edge / (2.0 * blank.delta)
