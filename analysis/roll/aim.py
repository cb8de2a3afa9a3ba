"""Guiding the hand to a blank angle: which way to turn, how far, and when it stands still there.

Pure: angles, times and loads go in, guidance comes out. The chuck angle, and with it the blank angle that
faces the pull, grows as the chuck turns anticlockwise seen from the butt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from analysis.angles import difference

RELEASED = 0.8
"""Below this part of the load limit a load that had passed the limit counts as released."""
Turn = Literal["anticlockwise", "clockwise", "hold"]
"""Which way to turn the chuck, seen from the butt."""


@dataclass(frozen=True, slots=True)
class Guidance:
    """What the hand should do now."""

    turn: Turn
    """Which way, seen from the butt; ``hold`` within the target."""
    away: float
    """How far the target is away, rad, positive anticlockwise; nan while no angle has come."""
    steady: bool
    """True once the blank has stood within the target for long enough."""
    over_limit: bool = False
    """True from when the load passes the limit until the blank is released; nothing is steady meanwhile."""


class Aim:
    """Follows a blank to a target.

    Parameters
    ----------
    target : float
        Blank angle that shall face the pull, rad.
    within : float
        How near is near enough, rad (half a degree).
    hold_s : float
        How long it must stand there, s.
    limit_N : float
        Load past which the blank must be released, N.

    Examples
    --------
    >>> aim = Aim(math.radians(10.0))
    >>> aim.see(math.radians(350.0), 0.0).turn
    'anticlockwise'
    >>> aim.see(math.radians(10.2), 1.0).turn, aim.see(math.radians(10.2), 2.5).steady
    ('hold', True)
    """

    def __init__(
        self,
        target: float,
        *,
        within: float = math.radians(0.5),
        hold_s: float = 1.0,
        limit_N: float = math.inf,
    ) -> None:
        self.target = target
        self._within = within
        self._hold_s = hold_s
        self._limit_N = limit_N
        self._over = False
        self._there_since: float | None = None
        self._latest = Guidance("hold", math.nan, False)

    def see(self, roll: float, time_s: float, load_N: float = math.nan) -> Guidance:
        """Take a reading.

        Parameters
        ----------
        roll : float
            Blank angle that faces the pull, rad; a missing one (nan) leaves the way to turn as it was.
        time_s : float
            When, s.
        load_N : float
            Load, N; nan where the rig reads none.
        """
        if load_N > self._limit_N:
            self._over = True
        elif load_N < RELEASED * self._limit_N:
            self._over = False
        if self._over:
            self._there_since = None
        self._latest = replace(self._guide(roll, time_s), over_limit=self._over)
        return self._latest

    def _guide(self, roll: float, time_s: float) -> Guidance:
        if not math.isfinite(roll):
            return replace(self._latest, steady=self._latest.steady and not self._over)
        away = difference(self.target, roll)
        if abs(away) > self._within:
            self._there_since = None
            turn: Turn = "anticlockwise" if away > 0.0 else "clockwise"
            return Guidance(turn, away, False)
        if self._over:
            return Guidance("hold", away, False)
        if self._there_since is None:
            self._there_since = time_s
        return Guidance("hold", away, time_s - self._there_since >= self._hold_s)
