"""Travel of a rig that reads an angle: its counts, and what turns."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.readings import Floats
from rig.calibration.counts import TURN_COUNTS, unwrapped
from rig.calibration.geometry import Geometry


@dataclass(frozen=True, slots=True)
class TurnScale:
    """Travel by the rig's geometry from turns = sign · (counts − zero) / counts per turn."""

    zero_counts: float
    """Counts where the tip is free."""
    geometry: Geometry
    """What turns: the drum of a winch, or a swing arm."""
    sign: int = 1
    """+1 if counts grow along the pull; else −1."""
    counts_per_turn: int = TURN_COUNTS
    """Counts in one turn."""
    wraps_at: int | None = None
    """Counts at which the sensor begins again; None: it goes on counting. Then the first reading of a run is
    taken to be within half of it from the zero, and each reading within half of it from the one before."""
    scale_ci95: float | None = None
    """Relative 95 % half-width of the travel; None: not known."""

    def followed(self, counts: ArrayLike, near: float | None = None) -> Floats:
        """Give counts that go on where the sensor begins again.

        Parameters
        ----------
        counts : array_like, shape (n,)
            Readings one after the other; nan where missing.
        near : float or None
            The followed reading before them; None: the zero.
        """
        out = np.asarray(counts, dtype=float)
        there = ~np.isnan(out)
        if self.wraps_at is None or not there.any():
            return out
        start = self.zero_counts if near is None else near
        out = unwrapped(out, self.wraps_at)
        first = float(out[there][0])
        return out - self.wraps_at * round((first - start) / self.wraps_at)

    def apply(self, counts: ArrayLike, near: float | None = None) -> Floats:
        """Give the travel, m; `near` as in `followed`."""
        turns = self.sign * (self.followed(counts, near) - self.zero_counts) / self.counts_per_turn
        return self.geometry.travel(2.0 * math.pi * turns)

    def counts(self, travel_m: ArrayLike) -> Floats:
        """Counts at a travel, m, not wrapped: the inverse of `apply`.

        Raises
        ------
        ReadingsError
            If the rig cannot reach it.
        """
        turns = self.geometry.turn(travel_m) / (2.0 * math.pi)
        return np.asarray(self.zero_counts + self.sign * self.counts_per_turn * turns)
