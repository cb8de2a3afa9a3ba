"""The hand at the bench: what it is asked to do, and how far it has turned or pulled at any time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from scipy.interpolate import PchipInterpolator

from analysis.readings import Floats


@dataclass(frozen=True, slots=True)
class Still:
    """Nothing moves and the tip is free: for zeros, known weights and known positions."""

    seconds: float = 2.0
    """How long."""
    chuck_deg: float = 0.0
    """Where the chuck stands, deg."""
    travel_m: float = 0.0
    """Where the carriage stands, with nothing hooked to it, m."""
    hung_kg: float = 0.0
    """Known weight on the load cell, kg."""
    tip_deg: float = 0.0
    """How far the tip's slope sensor is tilted by hand, deg."""

    def __post_init__(self) -> None:
        _positive("seconds", self.seconds)


@dataclass(frozen=True, slots=True)
class Roll:
    """The tip is held at a travel and the chuck is turned by hand, one leg after the other."""

    travel_m: float
    """Where the tip is held, m; it is there from the first moment."""
    turns: tuple[float, ...] = (2.0, -2.0)
    """Legs in turns, + the way in which the chuck angle grows: two turns on and two back."""
    speed_deg_s: float = 25.0
    """About how fast, mean of a leg, deg/s."""
    start_deg: float = 0.0
    """Chuck angle at the start, deg."""
    unevenness: float = 0.5
    """0 a motor … 1 a hand that nearly stops now and then."""
    pause_s: float = 0.5
    """How long the hand rests before each leg and at the end, s."""

    def __post_init__(self) -> None:
        _positive("travel_m", self.travel_m)
        _positive("speed_deg_s", self.speed_deg_s)
        if not self.turns or not all(math.isfinite(turn) and turn != 0.0 for turn in self.turns):
            raise ValueError("turns needs at least one leg, none of them 0")


@dataclass(frozen=True, slots=True)
class Flex:
    """The chuck stands still and the tip is pulled out and let back, from free to a travel and again."""

    travel_m: float
    """Furthest travel, counted from the free tip, m."""
    roll_deg: float = 0.0
    """Blank angle that faces the pull, deg."""
    speed_m_s: float = 0.03
    """About how fast, m/s."""
    times: int = 1
    """How often up and back."""
    unevenness: float = 0.4
    """0 a motor … 1 a hand that nearly stops now and then."""
    pause_s: float = 0.5
    """How long the hand rests before each leg and at the end, s."""

    def __post_init__(self) -> None:
        _positive("travel_m", self.travel_m)
        _positive("speed_m_s", self.speed_m_s)
        if self.times < 1:
            raise ValueError("a flex goes up and back at least once")


Step: TypeAlias = Still | Roll | Flex
"""One thing the hand is asked to do."""


class Stroke:
    """A way there and back made by a hand: position as a smooth function of time.

    Each leg starts and ends at rest; in between the speed wavers about its mean, the more the larger
    `unevenness`, and never turns round. Before the first leg and after every leg the hand rests.

    Parameters
    ----------
    start : float
        Position at time 0 (rad or m).
    legs : sequence of float
        How far each leg goes, with its sign.
    speed : float
        Mean speed of a leg, > 0, in the position's unit per second.
    memory : float
        Path after a reversal over which `sense` turns over, > 0, in the position's unit.
    sense : float
        Where `sense` stands at first: 0, or the sign of the way by which the hand came to the start.
    """

    def __init__(
        self,
        start: float,
        legs: Sequence[float],
        speed: float,
        memory: float,
        sense: float = 0.0,
        *,
        unevenness: float,
        pause_s: float,
        rng: np.random.Generator,
    ) -> None:
        self._memory, self._first = memory, sense
        self._starts: list[float] = []  # time at which each leg begins
        self._turning: list[tuple[float, float, float]] = []  # position, sense before, sign of the leg
        time, position = 0.0, start
        times, places = [np.array([0.0])], [np.array([start])]
        for leg in legs:
            time += pause_s
            seconds = abs(leg) / speed
            self._starts.append(time)
            self._turning.append((position, sense, math.copysign(1.0, leg)))
            share, done = _leg(seconds, unevenness, rng)
            times.append(time + share * seconds)
            places.append(position + leg * done)
            time += seconds
            position += leg
            sense = float(self._sense(len(self._turning) - 1, position))
        self.duration_s = time + pause_s
        """From the first rest to the end of the last one, s."""
        grid, index = np.unique(np.concatenate(times), return_index=True)
        self._path = PchipInterpolator(grid, np.concatenate(places)[index])
        self._last = float(grid[-1])

    def position(self, time_s: Floats) -> Floats:
        """Where the hand is, shape of `time_s`; before the start and after the end it rests."""
        return np.asarray(self._path(np.clip(time_s, 0.0, self._last)), dtype=float)

    def sense(self, time_s: Floats) -> Floats:
        """Which way friction pulls, −1 … 1, shape of `time_s`.

        After a reversal it turns over as 1 − 2·exp(−|x − x_reversal|/memory) (Dahl's friction model); while
        the hand rests it stays.
        """
        place = self.position(time_s)
        leg = np.searchsorted(self._starts, time_s, side="right") - 1
        out = np.full_like(place, self._first)
        for number in range(len(self._turning)):
            here = leg == number
            out[here] = self._sense(number, place[here])
        return out

    def _sense(self, number: int, place: Floats | float) -> Floats | float:
        start, before, sign = self._turning[number]
        return sign + (before - sign) * np.exp(-np.abs(place - start) / self._memory)


def _leg(seconds: float, unevenness: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Share of time and share of the way of one leg, both from 0 to 1 and growing, shape (n,)."""
    n = int(min(max(200.0, 40.0 * seconds), 20_000.0))
    share = np.linspace(0.0, 1.0, n + 1)
    time = share * seconds
    ramp = min(0.8, 0.25 * seconds)  # s to reach the speed
    edge = np.clip(np.minimum(time, seconds - time) / ramp, 0.0, 1.0)
    speed = edge * edge * (3.0 - 2.0 * edge)
    if unevenness > 0.0:
        periods = rng.uniform(0.9, 7.0, 6)
        sizes = rng.dirichlet(np.ones(6)) * 0.95 * min(unevenness, 1.0)
        waver = np.sin(2.0 * np.pi * time[:, None] / periods + rng.uniform(0.0, 2.0 * np.pi, 6)) @ sizes
        speed = speed * (1.0 + waver)
    way = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))))
    return share, way / way[-1]


def _positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(f"{name} must be a positive number, not {value}")
