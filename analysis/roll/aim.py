"""Guiding the hand to a blank angle: which way to turn, how far, and when it stands still there.

Pure: angles and times go in, guidance comes out. The chuck angle, and with it the blank angle that faces the
pull, grows as the chuck turns anticlockwise seen from the butt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from analysis.angles import difference

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

    Examples
    --------
    >>> aim = Aim(math.radians(10.0))
    >>> aim.see(math.radians(350.0), 0.0).turn
    'anticlockwise'
    >>> aim.see(math.radians(10.2), 1.0).turn, aim.see(math.radians(10.2), 2.5).steady
    ('hold', True)
    """

    def __init__(self, target: float, *, within: float = math.radians(0.5), hold_s: float = 1.0) -> None:
        self.target = target
        self._within = within
        self._hold_s = hold_s
        self._there_since: float | None = None
        self._latest = Guidance("hold", math.nan, False)

    def see(self, roll: float, time_s: float) -> Guidance:
        """Take a reading of the blank angle that faces the pull, rad; a missing one (nan) changes nothing."""
        if not math.isfinite(roll):
            return self._latest
        away = difference(self.target, roll)
        if abs(away) > self._within:
            self._there_since = None
            turn: Turn = "anticlockwise" if away > 0.0 else "clockwise"
            self._latest = Guidance(turn, away, False)
            return self._latest
        if self._there_since is None:
            self._there_since = time_s
        self._latest = Guidance("hold", away, time_s - self._there_since >= self._hold_s)
        return self._latest
