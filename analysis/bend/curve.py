"""Travel and tip slope as functions of the load, with exact derivatives, for fits of many readings.

The blank is bent at a few Chebyshev loads; between them travel, slope and their derivatives with respect to
the rigidity's parameters are interpolated by the same polynomial (barycentric form: Berrut & Trefethen 2004,
SIAM Review 46:501). Both are analytic in the load: twelve loads give 1e-6 of the travel up to half the
length.

On a rig that steers the pull the blank is bent as the rig bends it (`analysis.bend.steered`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.bend.bender import Bender, Surroundings
from analysis.bend.family import SIZE, Family
from analysis.bend.profile import Rigidity
from analysis.bend.steered import Held, Steering, steering
from analysis.readings import Arm, Floats, Guide

LOADS = 12
"""How many loads the blank is bent at."""


class Curve:
    """One run's curve: the same blank and rig, bent again for each new rigidity.

    Parameters
    ----------
    bender : Bender
        Where the load acts and what else acts; its rigidity is replaced.
    family : Family
        The rigidities to choose from.
    largest_N : float
        The loads reach from a little below zero to a little above this.
    """

    def __init__(self, bender: Bender, family: Family, largest_N: float) -> None:
        self.bender = bender
        nodes: Floats = np.cos(np.pi * (np.arange(LOADS) + 0.5) / LOADS)
        low, high = -0.05 * largest_N, 1.05 * largest_N
        self.low_N, self.high_N = low, high
        self.loads: Floats = 0.5 * (low + high) - 0.5 * (high - low) * nodes
        """The loads the blank is bent at, N, rising, shape (12,)."""
        odd = (-1.0) ** np.arange(LOADS)
        weights = odd * np.sin(np.pi * (np.arange(LOADS) + 0.5) / LOADS)
        self._weights: Floats = np.asarray(weights, dtype=float)
        apart = self.loads[:, None] - self.loads + np.eye(LOADS)
        slopes: Floats = np.asarray((self._weights / self._weights[:, None]) / apart, dtype=float)
        np.fill_diagonal(slopes, 0.0)
        np.fill_diagonal(slopes, -slopes.sum(axis=1))
        self._slopes: Floats = slopes
        self.depart_from(family)
        self._shapes: list[Floats | None] = [None] * LOADS
        zero = np.zeros(LOADS)
        self.travel, self.tip = zero, zero
        self.travel_per_p, self.tip_per_p = np.zeros((LOADS, SIZE)), np.zeros((LOADS, SIZE))

    def depart_from(self, family: Family) -> None:
        """Take the parameters as departures from another taper."""
        self._base, self._gradient = family.linear(self.bender.length_m - self.bender.mesh.points)

    def bend(self, parameters: Floats) -> None:
        """Bend the blank with the rigidity of `parameters` at all loads."""
        bender = self.bender
        bender.set_EI(np.exp(self._base + np.tensordot(parameters, self._gradient, axes=1)))
        gradient = self._gradient.reshape(SIZE, -1)
        travel, tip = np.empty(LOADS), np.empty(LOADS)
        sensitive = np.empty((2, LOADS, gradient.shape[1]))
        before: Floats | None = None
        for j, load in enumerate(self.loads):
            start = self._shapes[j]
            if start is None:
                start = before
            theta = bender.relax(float(load), start=start)
            state = bender.linear(theta, float(load))
            travel[j], tip[j] = bender.travel(theta), theta[-1]
            sensitive[0, j] = state.travel_per_log_EI().ravel()
            sensitive[1, j] = state.tip_per_log_EI().ravel()
            self._shapes[j] = theta
            if j + 1 < LOADS:
                before = theta + (self.loads[j + 1] - load) * state.shape_per_load
        self.travel_per_p, self.tip_per_p = sensitive[0] @ gradient.T, sensitive[1] @ gradient.T
        self._from_rest(travel, tip)

    def _from_rest(self, travel: Floats, tip: Floats) -> None:
        """Count the travel from no load."""
        rest = self.matrix(np.zeros(1))
        # The zero run with the tip free is the origin of the travel; the slope is absolute.
        self.travel, self.tip = travel - float((rest @ travel)[0]), tip
        self.travel_per_p = self.travel_per_p - rest @ self.travel_per_p

    def matrix(self, loads_N: Floats) -> Floats:
        """Interpolation from the curve's loads to `loads_N` (held inside the range), shape (n, 12)."""
        loads = np.clip(loads_N, self.low_N, self.high_N)
        apart = loads[:, None] - self.loads
        hit = apart == 0.0
        parts = self._weights / np.where(hit, 1.0, apart)
        out: Floats = parts / parts.sum(axis=1)[:, None]
        rows = hit.any(axis=1)
        out[rows] = hit[rows]
        return out

    @property
    def travel_slope(self) -> Floats:
        """dy/dF at the curve's loads, m/N."""
        return np.asarray(self._slopes @ self.travel)

    @property
    def tip_slope(self) -> Floats:
        """dθ_tip/dF at the curve's loads, rad/N."""
        return np.asarray(self._slopes @ self.tip)


_ELEMENTS = 12  # of a steered blank; tests/analysis/bend/test_steered.py holds it to be enough


class SteeredCurve(Curve):
    """As `Curve`, for a string toward a guide or a roller on an arm.

    Parameters
    ----------
    bender : Bender
        Where a string is tied.
    unit : Taper or Profile
        Lays out the grids; of the free length.
    around : Surroundings
        The blank's own weight and what rides on the tip.
    family : Family
        The rigidities to choose from.
    largest_N : float
        As in `Curve`.
    by : Guide or Arm
        What turns the pull.
    """

    def __init__(
        self,
        bender: Bender,
        unit: Rigidity,
        around: Surroundings,
        family: Family,
        largest_N: float,
        by: Guide | Arm,
    ) -> None:
        self._unit, self._around, self.by = unit, around, by
        self._family = family
        self._held: list[Held | None] = [None] * LOADS
        super().__init__(bender, family, largest_N)

    def depart_from(self, family: Family) -> None:
        """Take the parameters as departures from another taper."""
        self._family = family

    def bend(self, parameters: Floats) -> None:
        """Bend the blank with the rigidity of `parameters` at all loads."""
        travel, tip, travel_per_p, tip_per_p = self._bent(parameters, self.by, self._held)
        self.travel_per_p, self.tip_per_p = travel_per_p, tip_per_p
        self._from_rest(travel, tip)

    def shape(self, rigidity: Rigidity, load_N: float) -> tuple[Floats, Floats]:
        """Place of a blank under a load on this rig, along the axis and along the pull, m."""
        around = Surroundings(self.bender.station_m, self._around.weight, self._around.tip_weight_N)
        run = steering(rigidity, self.by, around, _ELEMENTS)
        held = run.hold(load_N, run.hold(0.5 * load_N))
        return held.bender.place(held.theta)

    def moved_by(self, parameters: Floats) -> list[tuple[str, Floats, Floats]]:
        """Change of travel, m, and slope, rad, at the curve's loads for each half-width of the rig."""
        travel, tip, *_ = self._bent(parameters, self.by, list(self._held))
        rest = self.matrix(np.zeros(1))[0]
        changes = []
        for cause, other in _neighbours(self.by):
            there, slope, *_ = self._bent(parameters, other, list(self._held))
            if isinstance(self.by, Arm) and isinstance(other, Arm):
                there = there * (self.by.arm_m / other.arm_m)  # what is read is the angle
            change = there - travel
            changes.append((cause, change - float(rest @ change), slope - tip))
        return changes

    def _bent(
        self, parameters: Floats, by: Guide | Arm, helds: list[Held | None]
    ) -> tuple[Floats, Floats, Floats, Floats]:
        def make(station_m: float) -> Bender:
            around = Surroundings(station_m, self._around.weight, self._around.tip_weight_N)
            bender = Bender(self._unit, around, _ELEMENTS)
            base, gradient = self._family.linear(bender.length_m - bender.mesh.points)
            bender.set_EI(np.exp(base + np.tensordot(parameters, gradient, axes=1)))
            return bender

        steering = Steering(by, make, self.bender.station_m, self.bender.length_m)
        travel, tip = np.empty(LOADS), np.empty(LOADS)
        travel_per_p, tip_per_p = np.empty((LOADS, SIZE)), np.empty((LOADS, SIZE))
        before: Held | None = None
        for j, load in enumerate(self.loads):
            before = steering.hold(float(load), helds[j] or before)
            helds[j] = before
            travel[j], tip[j] = before.travel_m, before.tip
            grid = before.bender
            _, gradient = self._family.linear(grid.length_m - grid.mesh.points)
            travel_per_p[j] = np.tensordot(gradient, before.travel_per_log_EI, axes=2)
            tip_per_p[j] = np.tensordot(gradient, before.tip_per_log_EI, axes=2)
        return travel, tip, travel_per_p, tip_per_p


def _neighbours(by: Guide | Arm) -> list[tuple[str, Guide | Arm]]:
    """The rig with one of its measures moved by its half-width, and that measure's name."""
    place = by.place_ci95_m
    if isinstance(by, Guide):
        moved: list[tuple[str, float, Guide | Arm]] = [
            ("guide's place along the axis", place, replace(by, x_m=by.x_m + place)),
            ("guide's place along the pull", place, replace(by, y_m=by.y_m + place)),
        ]
    else:
        moved = [
            ("pivot's place along the axis", place, replace(by, pivot_x_m=by.pivot_x_m + place)),
            ("pivot's place along the pull", place, replace(by, pivot_y_m=by.pivot_y_m + place)),
            ("arm's length", by.arm_ci95_m, replace(by, arm_m=by.arm_m + by.arm_ci95_m)),
        ]
    return [(cause, other) for cause, size, other in moved if size > 0.0]


__all__ = ["SteeredCurve"]
