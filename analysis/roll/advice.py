"""Plain sentences for the builder: what a roll run cannot tell, and what would settle it."""

from __future__ import annotations

import math

from analysis.estimate import Estimate
from analysis.readings import RollReadings
from analysis.roll.answers import SnapAnswer
from analysis.roll.estimator import PLANE_LEVEL, Fitted
from analysis.roll.result import Shelf, ThirdSnap
from analysis.roll.shares import DEFAULT_FRICTION_N, Systematics
from analysis.roll.sift import Sifted

_STICKY = 0.2
"""Friction over the strongest torque up to which a shelf is spoken of."""
_FEW = 12.0
"""Degrees of freedom below which the noise counts as too slow for the turns that were rolled."""


def too_short(sifted: Sifted) -> str:
    """Say that less than 120° were rolled."""
    return (
        f"Only {sifted.coverage * 360.0:.0f}° of the turn were rolled; nothing is claimed below 120°."
        " Roll a whole turn."
    )


def travel_zero_words(zero: Estimate | None) -> list[str]:
    """Say where the stiffness of a run at two travels comes from, and what the travel's zero looks like."""
    if zero is None:
        return []
    said = (
        "Rolled at two travels: the stiffness is what the load gains between them, so the travel's zero does"
        " not enter."
    )
    if abs(zero.value) > zero.ci95:
        said += (
            f" The zero looks {1e3 * abs(zero.value):.1f} mm too {'short' if zero.value > 0.0 else 'long'},"
            " or the blank stiffens as it bends further."
        )
    return [said]


def third_snap_words(third: ThirdSnap | None) -> list[str]:
    """Name what may make a third snap."""
    if third is None:
        return []
    places = ", ".join(f"{round(math.degrees(angle)) % 360}°" for angle in sorted(third.angles))
    means = {
        "hand": (
            "They do not repeat from pass to pass, so it is the hand that turns the chuck: roll again without"
            " changing the grip three times a turn."
        ),
        "rig": "They turn with the chuck (three jaws?), so the rig makes them; they are taken off here.",
        "section": (
            "They turn with the blank: its section flattens or is not round. A hand may feel three snaps."
        ),
        "unknown": (
            "A sound blank has none: it is the rig (three jaws?), the hand, or a section that flattens. Chuck"
            " the blank again, turned by 60° or 90°, and give both runs to --joint."
        ),
    }
    return [
        f"The load has three waves a turn, {'' if third.sure else 'perhaps '}enough for a third snap"
        f" ({places}). {means[third.cause]}"
    ]


def shelf_words(shelf: Shelf | None) -> list[str]:
    """Say where friction may hold the blank though it has one snap only."""
    if shelf is None or shelf.torque > _STICKY:
        return []
    return [
        f"Near {round(math.degrees(shelf.angle)) % 360}° a second snap has just vanished: friction of"
        f" {math.ceil(100.0 * shelf.torque)} % of the strongest twist holds the blank there, and a hand may"
        " feel a snap."
    ]


def warnings_of(
    readings: RollReadings,
    sifted: Sifted,
    fitted: Fitted,
    p_value: float,
    anisotropy: float,
    systematics: Systematics,
    answer: SnapAnswer,
) -> list[str]:
    """List what the builder should know about this result."""
    out = []
    slow = fitted.dof < _FEW and fitted.memory > math.radians(1.8)
    if slow:
        out.append(
            "The noise changes slowly, so one turn says little about it and the half-widths are wide."
            " Roll three turns or more."
        )
    if p_value >= PLANE_LEVEL:
        out.append(
            "No stiff plane can be told from the noise. More turns, both ways, or more travel would help."
        )
    elif anisotropy < systematics.bow_alone:
        out.append(
            f"The natural bow alone may explain this anisotropy ({100 * anisotropy:.2f} %):"
            f" below {100 * systematics.bow_alone:.2f} % the plane may be the bow's own."
        )
    if answer.unsure > 0.05:
        out.append(
            "The number of snap positions is not sure: the blank is near the edge between one and two."
        )
    if answer.untold:
        out.append("A snap position that the noise hides is left out.")
    if not sifted.two_way and readings.rig.friction_N is None:
        out.append(
            f"Rolled in one direction, so the rig's friction cannot be told; our own value of"
            f" {1000 * DEFAULT_FRICTION_N:.0f} mN is taken. Roll both ways once to learn it."
        )
    if not readings.rig.states_calibration:
        out.append("The run states no calibration, so the half-widths hold none.")
    left_out = int(fitted.spike.sum())
    if left_out:
        out.append(f"{left_out} readings stand far off their neighbours (spikes) and are left out.")
    if sifted.coverage < 0.75:
        out.append(
            f"Only {sifted.coverage * 360.0:.0f}° of the turn were rolled, so half-widths are wide."
            " Roll a whole turn."
        )
    return out
