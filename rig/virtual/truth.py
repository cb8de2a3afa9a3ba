"""What a perfect reading of an invented blank would give: for the truth beside a recording.

Computed from the blank's description without anything from `analysis` but the elastica: energies by
quadrature of the load over travel, snap positions by searching the whole turn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.special import ellipe, ellipeinc, ellipk, ellipkinc

from analysis.bend.elastica import load_for_travel, solve
from analysis.readings import Floats
from rig.virtual.blanks import Blank
from rig.virtual.physics import BendCurve, bow_force

_GRID = 3600


@dataclass(frozen=True, slots=True)
class TrueSnap:
    """One minimum of the bending energy over the roll."""

    angle: float
    """Blank angle that faces the pull there, rad, [0, 2π)."""
    barrier: float
    """Energy up to the lower of the two neighbouring crests (to the only crest for a single one), J."""


@dataclass(frozen=True, slots=True)
class TrueValues:
    """What is true of a blank at one travel. SI and radians."""

    blank: Blank
    """The blank."""
    travel: float
    """Travel at which it is rolled, m."""
    stiffness: float
    """Mean load over travel at that travel, N/m."""
    initial_stiffness: float
    """The same in the limit of small travel, N/m."""
    snaps: tuple[TrueSnap, ...]
    """Firmest first."""
    reference_load: float
    """Load at a quarter of the free length, mean over the roll, loading and unloading, N."""
    bend_centre: float
    """∫θ ds/(L·θ_tip) there."""
    even_blank_rigidity: float
    """Rigidity of the uniform blank of the same length and reference load, N·m²."""

    @property
    def snap_from_soft(self) -> float:
        """Angle between the firmest snap and the soft plane, rad, 0 … π/2."""
        off = self.snaps[0].angle - self.blank.stiff_plane - 0.5 * math.pi
        return abs((off + 0.5 * math.pi) % math.pi - 0.5 * math.pi)


class RollEnergy:
    """Bending energy of a blank over the roll at one travel, but for a part that does not depend on the roll.

    With the load F = F̄(y)·[1 + ½A·cos 2(θ−φ)] − (F̄/y)·u·cos(θ−β) of the bench, u the bow's force for a
    stiffness of one, this is U = ½A·cos 2(θ−φ)·∫F̄ dy − u·cos(θ−β)·∫F̄/y dy from 0 to the travel.

    Parameters
    ----------
    blank : Blank
    travel : float
        m.
    """

    def __init__(self, blank: Blank, travel: float) -> None:
        nodes, weights = np.polynomial.legendre.leggauss(64)
        place = 0.5 * travel * (nodes + 1.0)
        load = BendCurve(blank).load(place)
        unit, self._bow = bow_force(blank, 1.0)
        self._plane = blank.stiff_plane
        self._stiff_J = 0.25 * blank.anisotropy * travel * float(weights @ load)
        self._bow_J = 0.5 * unit * travel * float(weights @ (load / place))

    def __call__(self, roll: Floats | float) -> Floats:
        """Energy at blank angles that face the pull (rad, any shape), J."""
        stiff = self._stiff_J * np.cos(2.0 * (roll - self._plane))
        return np.asarray(stiff - self._bow_J * np.cos(roll - self._bow))


def true_snaps(blank: Blank, travel: float) -> tuple[TrueSnap, ...]:
    """Every minimum of the energy over one turn with its barrier, firmest first."""
    energy = RollEnergy(blank, travel)

    def refined(place: float, sign: float) -> float:
        step = 2.0 * math.pi / _GRID
        best = minimize_scalar(
            lambda angle: sign * float(energy(angle)), bounds=(place - step, place + step), method="bounded",
            options={"xatol": 1e-9},
        )  # fmt: skip
        return float(best.x)

    grid = np.linspace(0.0, 2.0 * math.pi, _GRID, endpoint=False)
    level = energy(grid)
    low = (level < np.roll(level, 1)) & (level <= np.roll(level, -1))
    high = (level > np.roll(level, 1)) & (level >= np.roll(level, -1))
    dips = [refined(place, 1.0) for place in grid[low]]
    crests = np.array([float(energy(refined(place, -1.0))) for place in grid[high]])
    places = grid[high]
    snaps = []
    for dip in dips:
        after = crests[int(np.argmin((places - dip) % (2.0 * math.pi)))]
        before = crests[int(np.argmin((dip - places) % (2.0 * math.pi)))]
        snaps.append(TrueSnap(dip % (2.0 * math.pi), float(min(before, after)) - float(energy(dip))))
    return tuple(sorted(snaps, key=lambda snap: -snap.barrier))


def true_values(blank: Blank, travel: float | None = None) -> TrueValues:
    """Work out what is true of a blank, rolled at `travel`, m (a quarter of the free length if not given)."""
    length = blank.free_length
    quarter = load_for_travel(blank.rigidity, 0.25 * length)
    held = 0.25 * length if travel is None else travel
    return TrueValues(
        blank=blank,
        travel=held,
        stiffness=load_for_travel(blank.rigidity, held).load_N / held,
        initial_stiffness=solve(blank.rigidity, 0.0).stiffness_N_per_m,
        snaps=true_snaps(blank, held),
        reference_load=quarter.load_N,
        bend_centre=quarter.bend_centre,
        even_blank_rigidity=_even(quarter.load_N, length),
    )


def _even(load: float, length: float) -> float:
    """Rigidity of the uniform blank that bends by a quarter of its length under `load`, N·m².

    F·L²/EI at a travel of L/4, from the elliptic integrals of Bisshopp & Drucker (1945).
    """

    def root(slope: float) -> float:
        m = 0.5 * (1.0 + math.sin(slope))
        return float(ellipk(m) - ellipkinc(math.asin(1.0 / math.sqrt(2.0 * m)), m))

    def travel(slope: float) -> float:
        m = 0.5 * (1.0 + math.sin(slope))
        part = float(ellipe(m) - ellipeinc(math.asin(1.0 / math.sqrt(2.0 * m)), m))
        return 1.0 - 2.0 * part / root(slope)

    slope = brentq(lambda t: travel(t) - 0.25, 0.05, 1.2, xtol=1e-14)
    return load * length * length / root(float(slope)) ** 2
