"""A blank under a hand: load, travel and tip slope as functions of time, before any sensor.

With d the travel, θ the blank angle that faces the pull, F̄(d) the elastica's load, k = F̄/d, A the anisotropy
and φ its stiff plane:

rolled   F(θ) = d·k·[1 + ½A·cos 2(θ−φ)] − f·cos(θ−β)
         with the bow's force f at β, the product of the stiffness tensor k·[1 + ½A·(cos 2φ …)] and the bow
flexed   F(d) = F̄(d)·[1 + ½A·cos 2(θ−φ)]·[1 ± ½·hysteresis], tip slope from the same elastica

In a flex, travel counts from where the free tip stands.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline, CubicSpline

from analysis.bend.elastica import Bender, NoBalanceError
from analysis.bend.steered import steering
from analysis.readings import Arm, Floats, Guide
from rig.virtual.blanks import Blank
from rig.virtual.gear import Gear
from rig.virtual.hand import Flex, Roll, Still, Stroke

REACH = 0.5
"""Furthest travel that is known, as a share of the free length."""
_GRAVITY = 9.80665


@dataclass(frozen=True, slots=True)
class Truth:
    """What really is, reading by reading, before any sensor: arrays of shape (n,), SI and radians."""

    time: Floats
    """Since the step began, s."""
    chuck: Floats
    """Chuck angle, not wrapped."""
    load: Floats
    """Load on the cell along the pull, friction and hysteresis in it."""
    travel: Floats
    """Travel of the carriage."""
    tip: Floats
    """Tip slope."""
    moving: NDArray[np.bool_]
    """Whether the carriage is unlocked and moves."""

    @classmethod
    def joined(cls, parts: Sequence[Truth]) -> Truth:
        """Several stretches one after the other."""
        names = ("time", "chuck", "load", "travel", "tip", "moving")
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


class BendCurve:
    """Load and tip slope of one blank over travel, by the elastica, mean over the roll.

    Both are odd in the travel; they are splined over 48 solved shapes from none to half of the free length,
    with their exact slopes, which is closer than 1e-7 of the load. On a rig that turns the pull, load and
    travel are those along its string or of its roller.

    Parameters
    ----------
    blank : Blank
    pulled_by : Guide, Arm or None
        What turns the pull.
    """

    def __init__(self, blank: Blank, pulled_by: Guide | Arm | None = None) -> None:
        self.furthest = REACH * blank.free_length
        """Furthest travel that is known, m."""
        if pulled_by is not None:
            self._steered(blank, pulled_by)
            return
        bender = Bender(blank.rigidity, elements=24)
        travel = np.linspace(0.0, REACH * blank.free_length, 49)
        theta, force = np.zeros(bender.mesh.nodes.size), 0.0
        slack, rows = 1.0, []  # load, tip slope, and how both grow with travel
        for place in travel:
            if place > 0.0:
                theta, force = bender.to_travel(float(place), force + travel[1] / slack, theta)
            linear = bender.linear(theta, force)
            slack = linear.travel_per_load
            rows.append((force, float(theta[-1]), 1.0 / slack, linear.tip_per_load / slack))
        load, tip, load_slope, tip_slope = np.array(rows).T
        self._load: CubicHermiteSpline | CubicSpline = CubicHermiteSpline(travel, load, load_slope)
        self._tip: CubicHermiteSpline | CubicSpline = CubicHermiteSpline(travel, tip, tip_slope)

    def _steered(self, blank: Blank, pulled_by: Guide | Arm) -> None:
        """Splines of a rig that turns the pull, as far as it can bend the blank."""
        rig = steering(blank.rigidity, pulled_by)
        step = self.furthest / 48
        rows = [(0.0, 0.0, 0.0, 1.0 / rig.hold(0.0).travel_per_load)]
        held, load = rig.hold(0.0), 0.0
        for number in range(1, 49):
            try:
                held, load = rig.to_travel(number * step, load + step / held.travel_per_load, held)
            except NoBalanceError:
                break
            rows.append((number * step, load, held.tip, 1.0 / held.travel_per_load))
        if len(rows) < 8:
            raise ValueError(f"this rig cannot bend {blank.name} far enough")
        travel, loads, tip, slope = np.array(rows).T
        self.furthest = float(travel[-1])
        self._load, self._tip = CubicHermiteSpline(travel, loads, slope), CubicSpline(travel, tip)

    def load(self, travel: Floats) -> Floats:
        """Load at `travel`, N, shape of `travel`."""
        return np.sign(travel) * self._load(np.abs(travel))

    def tip(self, travel: Floats) -> Floats:
        """Tip slope at `travel`, rad, shape of `travel`."""
        return np.sign(travel) * self._tip(np.abs(travel))


def bow_force(blank: Blank, stiffness: float) -> tuple[float, float]:
    """Size (N) and blank angle (rad) of the bow's force K·u0 where the mean stiffness is `stiffness`, N/m."""
    stiff = np.exp(2j * blank.stiff_plane)
    bow = blank.bow * np.exp(1j * blank.bow_direction)
    force = stiffness * (bow + 0.5 * blank.anisotropy * stiff * np.conj(bow))
    return float(abs(force)), float(np.angle(force))


def rolled_load(blank: Blank, curve: BendCurve, travel: Floats, roll: Floats) -> Floats:
    """Load along the pull with the tip held at `travel` and the blank angle `roll` facing the pull, N.

    Parameters
    ----------
    travel, roll : ndarray, shape (n,)
        m and rad.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        stiffness = np.where(travel == 0.0, 0.0, curve.load(travel) / travel)
    unit, direction = bow_force(blank, 1.0)
    plane = 1.0 + 0.5 * blank.anisotropy * np.cos(2.0 * (roll - blank.stiff_plane))
    return stiffness * (travel * plane - unit * np.cos(roll - direction))


def still(step: Still) -> Callable[[Floats], Truth]:
    """Play a `Still`: the truth as a function of the time since it began, s."""

    def play(time: Floats) -> Truth:
        one = np.ones_like(time)
        chuck, load = math.radians(step.chuck_deg) * one, step.hung_kg * _GRAVITY * one
        travel, tip = step.travel_m * one, math.radians(step.tip_deg) * one
        return Truth(time, chuck, load, travel, tip, np.zeros(time.shape, bool))

    return play


def rolled(
    step: Roll, blank: Blank, curve: BendCurve, mount: float, gear: Gear, rng: np.random.Generator
) -> tuple[float, Callable[[Floats], Truth]]:
    """Play a `Roll`: how long it takes, s, and the truth as a function of the time since it began, s.

    Parameters
    ----------
    mount : float
        Blank angle that faces the pull when the chuck reads 0, rad.
    gear : Gear
        For friction, run-out and the chuck's support.
    rng : Generator
        For the hand's unevenness.
    """
    stroke = Stroke(
        math.radians(step.start_deg),
        [2.0 * math.pi * turn for turn in step.turns],
        math.radians(step.speed_deg_s),
        gear.friction_rad,
        math.copysign(1.0, step.turns[0]),  # the hand came to the start turning the same way
        unevenness=step.unevenness,
        pause_s=step.pause_s,
        rng=rng,
    )

    def play(time: Floats) -> Truth:
        chuck = stroke.position(time)
        bent = step.travel_m - gear.runout_m * np.cos(chuck - gear.runout_direction)
        load = rolled_load(blank, curve, bent, chuck + mount)
        load *= 1.0 + gear.support * np.cos(2.0 * (chuck - gear.support_plane))
        load += gear.friction_N * stroke.sense(time)
        travel = np.full_like(time, step.travel_m)
        return Truth(time, chuck, load, travel, curve.tip(travel), np.zeros(time.shape, bool))

    return stroke.duration_s, play


def flexed(
    step: Flex, blank: Blank, curve: BendCurve, mount: float, rng: np.random.Generator
) -> tuple[float, Callable[[Floats], Truth]]:
    """Play a `Flex`; parameters and result as `rolled`."""
    roll = math.radians(step.roll_deg)
    side = 1.0 + 0.5 * blank.anisotropy * math.cos(2.0 * (roll - blank.stiff_plane))
    stroke = Stroke(
        0.0,
        [step.travel_m, -step.travel_m] * step.times,
        step.speed_m_s,
        0.02 * step.travel_m,
        unevenness=step.unevenness,
        pause_s=step.pause_s,
        rng=rng,
    )

    def play(time: Floats) -> Truth:
        travel = stroke.position(time)
        load = curve.load(travel) * side * (1.0 + 0.5 * blank.hysteresis * stroke.sense(time))
        moving = np.ones(time.shape, bool)
        return Truth(time, np.full_like(time, roll - mount), load, travel, curve.tip(travel), moving)

    return stroke.duration_s, play
