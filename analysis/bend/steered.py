"""Loads that the rig steers while the blank bends: a string toward a guide, a roller on a swing arm.

Both rigs have one freedom q, the travel along the pull: the string taken in, or the way of the roller along
its circle. The load Q that belongs to it, the string's tension or the roller's force square to the arm, is
what does the work, Q = dU/dq with U the bending energy, because neither string nor roller rubs.

For a load Q the force on the blank follows from few unknowns z:

guide   z = α, the string's direction: force Q·(cos α, sin α), and α must point from the loaded point to the
        guide; q = −(distance to the guide).
arm     z = (τ, s, ψ): the blank's slope and station where the roller touches it, and the arm's angle against
        the axis. The force N·(−sin τ, cos τ) is square to the blank with N = Q/(n·e), e the way the roller
        goes; the blank's slope at s must be τ and its place there the roller's rim; q = ± arm·ψ.

They are found by Newton's method with the exact changes of the bent shape per force; how they change with
the rigidity follows from the same matrix.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.bend.bender import BARE, Bender, Linearised, NoBalanceError, Surroundings
from analysis.bend.profile import Rigidity, Taper
from analysis.readings import Arm, Floats, Guide

_STEPS = 40  # far more than any travel takes; then there is no balance
_CLOSE = 1e-11  # of the length: rounding
_BOLD = 0.3  # rad; longer steps are cut


@dataclass(frozen=True, slots=True)
class Held:
    """A blank in balance on its rig."""

    theta: Floats
    """Slope at the nodes, rad, shape (4e + 1,)."""
    nodes: Floats
    """Stations of the nodes, m, shape (4e + 1,)."""
    unknowns: Floats
    """What was solved for, a start for the next load."""
    travel_m: float
    """Travel along the pull, m, up to a constant of the rig."""
    tip: float
    """Slope of the tip, rad."""
    energy_J: float
    """Bending energy, J."""
    travel_per_load: float
    """dq/dQ, m/N."""
    bender: Bender
    """The grid it was found on."""
    travel_per_log_EI: Floats
    """Change of the travel at this load with log EI at the quadrature points, m, shape (e, 6)."""
    tip_per_log_EI: Floats
    """Change of the tip's slope at this load likewise, rad, shape (e, 6)."""
    place_m: tuple[float, float]
    """Place of the loaded point along the axis and along the pull, m."""


class Steering:
    """How one rig loads one blank.

    Parameters
    ----------
    by : Guide or Arm
    make : callable
        Gives the blank on a grid, for a load at a station, m.
    station_m : float
        Where a string is tied, m from the chuck's face.
    length_m : float
        Free length, m.

    Raises
    ------
    NoBalanceError
        If the rig cannot reach the straight blank.
    """

    def __init__(
        self, by: Guide | Arm, make: Callable[[float], Bender], station_m: float, length_m: float
    ) -> None:
        self.by = by
        self._make = make
        self._length = length_m
        self._fixed: Bender | None = None
        if isinstance(by, Guide):
            self._fixed = make(station_m)
            self.start = np.array([math.atan2(by.y_m, by.x_m - station_m)])
            """Unknowns of the straight blank."""
            return
        reach = by.arm_m**2 - (by.pivot_y_m + by.roller_m) ** 2
        if not reach > 0.0:
            raise NoBalanceError("the arm does not reach the blank")
        way = math.sqrt(reach) if by.outward else -math.sqrt(reach)
        touch = by.pivot_x_m + way
        if not 0.0 < touch <= length_m:
            raise NoBalanceError("the roller does not stand under the blank")
        self.start = np.array([0.0, touch, math.atan2(-by.pivot_y_m - by.roller_m, way)])

    def hold(self, load_N: float, before: Held | None = None) -> Held:
        """Blank in balance under a load, from a neighbouring balance.

        Raises
        ------
        NoBalanceError
            If none is found, for instance because the blank slips off the roller.
        """
        z = self.start.copy() if before is None else before.unknowns.copy()
        theta = None if before is None else before.theta
        nodes = None if before is None else before.nodes
        for _ in range(_STEPS):
            bender = self._on_grid(z)
            if theta is not None and nodes is not bender.mesh.nodes:
                theta = np.interp(bender.mesh.nodes, nodes, theta)  # type: ignore[arg-type]
            nodes = bender.mesh.nodes
            along, across = self._force(z, load_N)
            theta = bender.relax(across, along, start=theta)
            state = bender.linear(theta, across, along)
            miss, change = self._misses(z, load_N, bender, theta, state)
            step = -np.linalg.solve(change, miss)
            if not np.all(np.isfinite(step)):
                break
            if float(np.max(np.abs(step))) < _CLOSE:
                return self._held(z, load_N, bender, theta, state, change)
            shorter = min(1.0, _BOLD / float(np.max(np.abs(step))))
            z = self._moved(z, np.asarray(step * shorter, dtype=float))
        if isinstance(self.by, Arm) and z[1] >= self._length:
            raise NoBalanceError("the blank slips off the roller")
        raise NoBalanceError("the pull's direction did not settle")

    def to_travel(self, travel_m: float, load_N: float, before: Held) -> tuple[Held, float]:
        """Blank and load, N, at a travel past that of no load, m, from a guess of the load."""
        rest, held = self.hold(0.0).travel_m, before
        for _ in range(_STEPS):
            held = self.hold(load_N, held)
            step = (travel_m - (held.travel_m - rest)) / held.travel_per_load
            if abs(step) <= 1e-10 * max(abs(load_N), 1e-9):
                return held, load_N
            load_N += step
        raise NoBalanceError(f"no load takes the rig to a travel of {travel_m:.4g} m")

    @staticmethod
    def pulled(by: Guide | Arm, held: Held, load_N: float) -> float:
        """Part of the force on the blank along the pull, square to the axis, N."""
        z = held.unknowns
        if isinstance(by, Guide):
            return load_N * math.sin(z[0])
        # the normal's part along the pull, over that along the roller's way
        sense = 1.0 if by.outward else -1.0
        return load_N * math.cos(z[0]) / (sense * math.cos(float(z[0] - z[2])))

    def up_to(self, travel_m: float, steps: int) -> list[tuple[Held, float]]:
        """Blank and load, N, at evenly spaced travels from none to `travel_m`, m, the first at rest."""
        rest = self.hold(0.0)
        out = [(rest, 0.0)]
        for place in np.linspace(0.0, travel_m, steps + 1)[1:]:
            held, load = out[-1]
            out.append(self.to_travel(float(place), load + travel_m / steps / held.travel_per_load, held))
        return out

    def _on_grid(self, z: Floats) -> Bender:
        if self._fixed is not None:
            return self._fixed
        return self._make(float(z[1]))

    def _moved(self, z: Floats, step: Floats) -> Floats:
        z = np.asarray(z + step, dtype=float)
        if isinstance(self.by, Arm):
            z[1] = min(max(z[1], 0.05 * self._length), self._length)
        return z

    def _arm(self, z: Floats, load_N: float) -> tuple[Floats, Floats, Floats, float, float]:
        """Normal of the blank, its change with the slope, way of the roller, its change with ψ, and N."""
        tau, psi = float(z[0]), float(z[2])
        normal = np.array([-math.sin(tau), math.cos(tau)])
        turned = np.array([-math.cos(tau), -math.sin(tau)])
        sense = 1.0 if isinstance(self.by, Arm) and self.by.outward else -1.0
        way = sense * np.array([-math.sin(psi), math.cos(psi)])
        grip = float(normal @ way)
        if grip < 0.05:
            raise NoBalanceError("the arm no longer pushes the blank")
        return normal, turned, way, grip, load_N / grip

    def _force(self, z: Floats, load_N: float) -> tuple[float, float]:
        """Force on the blank along the axis and along the pull, N."""
        if isinstance(self.by, Guide):
            return load_N * math.cos(z[0]), load_N * math.sin(z[0])
        normal, *_, push = self._arm(z, load_N)
        return push * float(normal[0]), push * float(normal[1])

    def _changes_of_force(self, z: Floats, load_N: float) -> tuple[Floats, Floats]:
        """Change of the force with the unknowns, shape (2, k), and with the load, shape (2,)."""
        if isinstance(self.by, Guide):
            unit = np.array([math.cos(z[0]), math.sin(z[0])])
            return load_N * np.array([[-unit[1]], [unit[0]]]), unit
        normal, turned, way, grip, push = self._arm(z, load_N)
        sense = 1.0 if self.by.outward else -1.0
        bent = sense * np.array([-math.cos(z[2]), -math.sin(z[2])])
        out = np.zeros((2, 3))
        out[:, 0] = push * turned - push / grip * float(turned @ way) * normal
        out[:, 2] = -push / grip * float(normal @ bent) * normal
        return out, normal / grip

    def _misses(
        self, z: Floats, load_N: float, bender: Bender, theta: Floats, state: Linearised
    ) -> tuple[Floats, Floats]:
        """What is not yet in balance, shape (k,), and its change with the unknowns, shape (k, k)."""
        at = int(np.searchsorted(bender.mesh.nodes, bender.station_m - 1e-12))
        x, y = bender.place(theta)
        place = np.array([x[at], y[at]])
        per_force, _ = self._changes_of_force(z, load_N)
        moved = state.place_per_force @ per_force
        by = self.by
        if isinstance(by, Guide):
            away = np.array([by.x_m, by.y_m]) - place
            off = math.remainder(math.atan2(away[1], away[0]) - float(z[0]), 2.0 * math.pi)
            turn = np.array([away[1], -away[0]]) / float(away @ away)
            return np.array([off]), np.asarray(turn[None, :] @ moved - 1.0)
        normal, turned, _, _, push = self._arm(z, load_N)
        swing = np.array([math.cos(z[2]), math.sin(z[2])])
        centre = np.array([by.pivot_x_m, by.pivot_y_m]) + by.arm_m * swing
        miss = np.array([theta[at] - z[0], *(place - centre - by.roller_m * normal)])
        change = np.zeros((3, 3))
        change[0] = state.slope_per_force(at) @ per_force
        change[1:] = moved
        # the load moved outward by ds adds a moment push·ds there, and the loaded point is ds further on
        change[0, 1] += push * state.slope_per_moment(at)
        change[1:, 1] += push * state.place_per_moment + np.array([math.cos(theta[at]), math.sin(theta[at])])
        change[0, 0] -= 1.0
        change[1:, 0] -= by.roller_m * turned
        change[1:, 2] -= by.arm_m * np.array([-swing[1], swing[0]])
        return miss, change

    def _held(
        self, z: Floats, load_N: float, bender: Bender, theta: Floats, state: Linearised, change: Floats
    ) -> Held:
        """Collect a balance and its changes."""
        at = int(np.searchsorted(bender.mesh.nodes, bender.station_m - 1e-12))
        x, y = bender.place(theta)
        place = np.array([x[at], y[at]])
        per_unknown, per_load = self._changes_of_force(z, load_N)
        at_once = np.stack([state.axial_per_log_EI(), state.travel_per_log_EI()])  # force held, (2, e, 6)
        tip_at_once = state.tip_per_log_EI()
        by = self.by
        if isinstance(by, Guide):
            away = np.array([by.x_m, by.y_m]) - place
            distance = float(np.hypot(*away))
            unit = away / distance
            turn = np.array([away[1], -away[0]]) / distance**2
            moved = state.place_per_force
            z_per_load = -np.linalg.solve(change, (turn @ moved @ per_load)[None])
            z_per_EI = -np.tensordot(turn, at_once, axes=1) / change[0, 0]
            travel = -distance
            travel_per_load = float(unit @ moved @ (per_load + per_unknown @ z_per_load))
            along = unit @ moved @ per_unknown[:, 0]
            travel_per_EI = np.tensordot(unit, at_once, axes=1) + along * z_per_EI
            tip_turn = float(state.slope_per_force(bender.mesh.nodes.size - 1) @ per_unknown[:, 0])
            tip_per_EI = tip_at_once + tip_turn * z_per_EI
        else:
            sense = by.arm_m if by.outward else -by.arm_m
            force_misses = np.concatenate([state.slope_per_force(at)[None], state.place_per_force])
            z_per_load = -np.linalg.solve(change, force_misses @ per_load)
            sides = np.concatenate([tip_at_once[None], at_once]).reshape(3, -1)
            z_per_all = -np.linalg.solve(change, sides).reshape(3, *tip_at_once.shape)
            travel = sense * float(z[2])
            travel_per_load = sense * float(z_per_load[2])
            travel_per_EI = sense * z_per_all[2]
            tip_per_EI = z_per_all[0]  # beyond the roller the blank is straight
        return Held(
            theta, bender.mesh.nodes, z, travel, float(theta[-1]), bender.bending_energy(theta),
            travel_per_load, bender, travel_per_EI, tip_per_EI, (float(place[0]), float(place[1])),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Across:
    """Where a rig with a steered pull holds a blank, and how hard it pulls there square to the axis."""

    offset_m: float
    """How far the loaded point stands off the axis, m."""
    load_ratio: float
    """Load square to the axis over the rig's load."""
    offset_spread: float
    """Relative 95 % half-width of the offset, from the blanks' shapes."""
    load_spread: float
    """Relative 95 % half-width of the ratio likewise."""


def across(by: Guide | Arm, travel_m: float, length_m: float) -> Across:
    """What a travel on such a rig is square to the axis, whatever the blank's rigidity.

    It depends on the shape of the taper alone: a usual thin tube stands for all, a stout one and a slender
    cone for how far others are off.

    Raises
    ------
    NoBalanceError
        If the rig does not reach that travel.
    """
    found = []
    for ratio, exponent in ((0.25, 3.0), (0.5, 3.0), (0.2, 4.0)):
        held, load = steering(Taper(length_m, 1.0, ratio, exponent), by, elements=12).up_to(travel_m, 8)[-1]
        pulled = Steering.pulled(by, held, load)
        found.append((held.place_m[1], pulled / load))
    (offset, part), *others = found
    off = max(abs(there / offset - 1.0) for there, _ in others)
    return Across(offset, part, off, max(abs(there / part - 1.0) for _, there in others))


def steering(
    rigidity: Rigidity, by: Guide | Arm, around: Surroundings = BARE, elements: int = 24
) -> Steering:
    """Steering of a blank of known rigidity.

    Raises
    ------
    NoBalanceError
        If the rig cannot reach the straight blank.
    """

    def make(station_m: float) -> Bender:
        return Bender(rigidity, Surroundings(station_m, around.weight, around.tip_weight_N), elements)

    length = rigidity.length_m
    return Steering(by, make, around.station_m or length, length)


__all__ = ["Across", "Held", "Steering", "across", "steering"]
