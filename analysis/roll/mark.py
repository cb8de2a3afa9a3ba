"""The one angle that gets the tape, by the shop's rule, and guidance to it.

Guidance is pure: angles, times and loads go in, guidance comes out (which way to turn, how far, and when it
stands still there). The chuck angle, and with it the blank angle that faces the pull, grows as the chuck
turns anticlockwise seen from the butt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from analysis.angles import HALF_TURN, TURN, difference, wrap
from analysis.estimate import Estimate
from analysis.roll.result import Mark, MarkRule, Snap


def mark_of(
    rule: MarkRule,
    snaps: tuple[Snap, ...],
    snaps_tied: bool,
    stiff_plane: Estimate | None,
) -> Mark:
    """Choose the mark.

    Parameters
    ----------
    rule : {"snap", "snap-back", "stiff", "soft"}
        ``snap``: the firmest snap position; ``snap-back``: its opposite side; ``stiff`` and ``soft``: the end
        of that plane nearer to the firmest snap.
    snaps : tuple of Snap
        Firmest first.
    snaps_tied : bool
        True if the two firmest cannot be told apart.
    stiff_plane : Estimate or None
        The stiff plane, if one was found.

    Returns
    -------
    Mark
        Where two angles serve equally, the one nearer to blank angle 0 is given and the other beside it.
    """
    if rule in ("snap", "snap-back"):
        return _by_snap(rule, snaps, snaps_tied)
    if stiff_plane is None:
        return Mark(
            None,
            rule,
            None,
            "No mark: the rule asks for a plane, and no plane could be told.",
        )
    return _by_plane(rule, snaps, snaps_tied, stiff_plane)


def _by_snap(rule: MarkRule, snaps: tuple[Snap, ...], tied: bool) -> Mark:
    if not snaps:
        return Mark(None, rule, None, "No mark: no snap position could be told from the noise.")
    turn = 0.0 if rule == "snap" else HALF_TURN
    chosen = [replace(s.angle, value=wrap(s.angle.value + turn)) for s in snaps[: 2 if tied else 1]]
    place = "the firmest snap" if rule == "snap" else "opposite the firmest snap"
    if len(chosen) == 1:
        only = " (there is only one)" if len(snaps) == 1 else ""
        return Mark(
            chosen[0],
            rule,
            None,
            f"The tape goes {'on' if rule == 'snap' else ''} {place}{only}.".replace("  ", " "),
        )
    first, second = sorted(chosen, key=_from_zero)
    return Mark(
        first,
        rule,
        second.value,
        f"Two snaps hold equally firmly, {_deg(first.value)} and {_deg(second.value)};"
        " the one nearer to the index mark is given.",
    )


def _by_plane(rule: MarkRule, snaps: tuple[Snap, ...], tied: bool, stiff_plane: Estimate) -> Mark:
    start = stiff_plane.value + (0.0 if rule == "stiff" else 0.5 * HALF_TURN)
    ends = [
        replace(stiff_plane, value=wrap(start)),
        replace(stiff_plane, value=wrap(start + HALF_TURN)),
    ]
    if snaps:
        firmest = snaps[0].angle
        ends.sort(key=lambda end: abs(difference(end.value, firmest.value)))
        lead = HALF_TURN - 2.0 * abs(difference(ends[0].value, firmest.value))
        doubt = 2.0 * math.hypot(firmest.ci95, stiff_plane.ci95)
        equal = lead <= max(doubt, math.radians(0.1))
        if tied and len(snaps) > 1:
            other = min(ends, key=lambda end: abs(difference(end.value, snaps[1].angle.value)))
            equal = equal or other is not ends[0]
        if not equal:
            return Mark(
                ends[0],
                rule,
                None,
                f"The tape goes on the end of the {rule} plane that is nearer to the firmest snap.",
            )
        why = "Both ends of the {rule} plane are equally near to the firmest snap"
    else:
        why = "No snap position could be told, so both ends of the {rule} plane serve"
    first, second = sorted(ends, key=_from_zero)
    why = why.format(rule=rule)
    return Mark(first, rule, second.value, f"{why}; the one nearer to the index mark is given.")


def _from_zero(angle: Estimate) -> tuple[float, float]:
    return (round(min(angle.value, TURN - angle.value), 9), angle.value)


def _deg(angle: float) -> str:
    return f"{round(math.degrees(angle)) % 360}°"


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
