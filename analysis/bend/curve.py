"""Travel and tip slope as functions of the load, with exact derivatives, for fits of many readings.

The blank is bent at a few Chebyshev loads; between them travel, slope and their derivatives with respect to
the rigidity's parameters are interpolated by the same polynomial (barycentric form: Berrut & Trefethen 2004,
SIAM Review 46:501). Both are analytic in the load: twelve loads give 1e-6 of the travel up to half the
length.
"""

from __future__ import annotations

import numpy as np

from analysis.bend.elastica import Bender
from analysis.bend.family import SIZE, Family
from analysis.readings import Floats

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
        turn: Floats = np.cos(np.pi * (np.arange(LOADS) + 0.5) / LOADS)
        low, high = -0.05 * largest_N, 1.05 * largest_N
        self.low_N, self.high_N = low, high
        self.loads: Floats = 0.5 * (low + high) - 0.5 * (high - low) * turn
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
        self.rest_travel, self.rest_tip = 0.0, 0.0

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
        self.rest_travel, self.rest_tip = float((rest @ travel)[0]), float((rest @ tip)[0])
        # The zero run with the tip free is the origin of the travel; the slope is absolute.
        self.travel, self.tip = travel - self.rest_travel, tip
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
