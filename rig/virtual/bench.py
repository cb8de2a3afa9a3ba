"""The simulated bench: a blank in the chuck, a hand, the rig's parts, and the counts that they make.

Physics, with d the travel, θ the blank angle that faces the pull, F̄(d) the elastica's load, k = F̄/d,
A the anisotropy and φ its stiff plane:

rolled   F(θ) = d·k·[1 + ½A·cos 2(θ−φ)] − f·cos(θ−β)
         with the bow's force f at β, the product of the stiffness tensor k·[1 + ½A·(cos 2φ …)] and the bow
flexed   F(d) = F̄(d)·[1 + ½A·cos 2(θ−φ)]·[1 ± ½·hysteresis], tip slope from the same elastica

To that comes what the parts do (`rig.virtual.gear`). In a flex, travel counts from where the free tip stands.
Every step begins at its own time 0 with its own random numbers, which depend only on the seed, the blank's
name, the mount and the step's number: the same steps give the same counts however fast the rig runs and in
however many pieces it is read. The load's drift also starts at 0 there, as if the rig had just been zeroed.
"""

from __future__ import annotations

import math
import threading
import zlib
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline

from analysis.bend.elastica import Bender
from analysis.readings import Floats
from rig.virtual.blanks import Blank
from rig.virtual.gear import Gear
from rig.virtual.hand import Flex, Roll, Step, Still, Stroke
from rig.virtual.sensors import Counts, Sensors

_REACH = 0.5  # furthest travel that the bench knows, as a share of the free length
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


class BendCurve:
    """Load and tip slope of one blank over travel, by the elastica, mean over the roll.

    Both are odd in the travel; they are splined over 48 solved shapes from none to half of the free length,
    with their exact slopes, which is closer than 1e-7 of the load.
    """

    def __init__(self, blank: Blank) -> None:
        bender = Bender(blank.rigidity, elements=24)
        travel = np.linspace(0.0, _REACH * blank.free_length, 49)
        theta, force = np.zeros(bender.mesh.nodes.size), 0.0
        slack, rows = 1.0, []  # load, tip slope, and how both grow with travel
        for place in travel:
            if place > 0.0:
                theta, force = bender.to_travel(float(place), force + travel[1] / slack, theta)
            linear = bender.linear(theta, force)
            slack = linear.travel_per_load
            rows.append((force, float(theta[-1]), 1.0 / slack, linear.tip_per_load / slack))
        load, tip, load_slope, tip_slope = np.array(rows).T
        self._load = CubicHermiteSpline(travel, load, load_slope)
        self._tip = CubicHermiteSpline(travel, tip, tip_slope)

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


@dataclass(slots=True)
class Task:
    """A step that the hand was asked to do."""

    step: Step
    """What to do."""
    blank: Blank | None
    """What is in the chuck meanwhile."""
    mount_deg: float
    """Blank angle that faces the pull when the chuck reads 0, deg."""
    duration_s: float
    """How long it takes on the board's clock, s."""
    play: Callable[[Floats], Truth] = field(repr=False)
    """The truth at times since the step began."""
    sensors: Sensors = field(repr=False)
    """Makes the counts."""
    halted_s: float = math.inf
    """Time at which the rig was halted in it, s; from then on everything stays as it stood."""
    done: threading.Event = field(default_factory=threading.Event, repr=False)
    """Set when the step's last reading has been sampled; its bytes may still be on their way."""

    def readings(self, rate_hz: float) -> int:
        """How many readings the step gives at a rate, the one at its first moment included."""
        return math.floor(self.duration_s * rate_hz + 1e-9) + 1

    def wait(self, timeout: float | None = None) -> bool:
        """Wait for the step's last reading; False if that takes longer than `timeout` s."""
        return self.done.wait(timeout)


class Bench:
    """A bench that one thread tells what to do and another samples.

    Parameters
    ----------
    blanks : iterable of Blank
        What lies beside the bench.
    gear : Gear
        The rig's parts.
    seed : int
        Of everything random.

    Examples
    --------
    >>> from rig.virtual.blanks import load_blanks
    >>> bench = Bench(load_blanks(), seed=7)
    >>> bench.mount("P-1", mount_deg=90.0)
    >>> task = bench.roll(travel_m=0.525, turns=(1.0, -1.0))
    >>> counts, truth = bench.sample(80, 1 / 80)
    >>> counts.angle.shape, round(float(truth.travel[0]), 3)
    ((80,), 0.525)
    """

    def __init__(self, blanks: Iterable[Blank], gear: Gear | None = None, seed: int = 1) -> None:
        self.gear = Gear() if gear is None else gear
        self.seed = seed
        self._blanks = {blank.name: blank for blank in blanks}
        self._curves: dict[str, BendCurve] = {}
        self._lock = threading.RLock()
        self._queue: deque[Task] = deque()
        self._blank: Blank | None = None
        self._mount_deg = 0.0
        self._mounts: dict[str, int] = {}
        self._steps = 0
        self._time = 0.0
        self.on_change: Callable[[], None] = lambda: None
        """Called after the hand was asked for something, from the asking thread."""
        self._task = self._make(Still())
        self._task.done.set()

    @property
    def blanks(self) -> tuple[Blank, ...]:
        """The blanks beside the bench."""
        return tuple(self._blanks.values())

    @property
    def busy(self) -> bool:
        """True while the hand still has something to do."""
        with self._lock:
            return bool(self._queue) or not self._task.done.is_set()

    def left(self, dt: float) -> int:
        """How many readings, `dt` s apart, until the step at hand is done; 0 with nothing to do."""
        with self._lock:
            task = self._current()
            return 0 if task.done.is_set() else self._left(dt)

    def mount(self, name: str, mount_deg: float = 0.0) -> None:
        """Put a blank into the chuck, for the steps that are asked for from now on.

        Parameters
        ----------
        name : str
            One of `blanks`.
        mount_deg : float
            Blank angle that faces the pull when the chuck reads 0, deg.

        Raises
        ------
        ValueError
            If no blank has that name.
        """
        if name not in self._blanks:
            raise ValueError(f"there is no blank {name!r} at the bench, only {', '.join(self._blanks)}")
        with self._lock:
            self._blank, self._mount_deg = self._blanks[name], mount_deg
            self._mounts[name] = self._mounts.get(name, 0) + 1
            self._steps = 0

    def do(self, step: Step) -> Task:
        """Ask the hand for a step; it begins at the next sample after those asked for before are done.

        When nothing is left to do the hand stays where it is.

        Raises
        ------
        ValueError
            If the step needs a blank and none is mounted, or bends the blank further than the bench knows.
        """
        with self._lock:
            task = self._make(step)
            self._queue.append(task)
        self.on_change()
        return task

    def still(self, seconds: float = 2.0, **more: Any) -> Task:
        """Ask for a `Still`."""
        return self.do(Still(seconds, **more))

    def roll(self, travel_m: float, **more: Any) -> Task:
        """Ask for a `Roll`."""
        return self.do(Roll(travel_m, **more))

    def flex(self, travel_m: float, **more: Any) -> Task:
        """Ask for a `Flex`."""
        return self.do(Flex(travel_m, **more))

    def halt(self) -> None:
        """Stop all motion where it stands and forget what else was asked for, as a driven rig does."""
        with self._lock:
            for task in self._queue:
                task.done.set()
            self._queue.clear()
            if not self._task.done.is_set():
                self._task.halted_s = self._time
                self._task.done.set()

    def sample(self, n: int, dt: float) -> tuple[Counts, Truth]:
        """Take the next `n` readings, `dt` s apart: raw counts, and the truth behind them."""
        parts: list[tuple[Counts, Truth]] = []
        with self._lock:
            while n > 0:
                task = self._current()
                now = n
                if not task.done.is_set():  # not beyond the step's last reading
                    now = min(n, self._left(dt))
                time: Floats = self._time + dt * np.arange(now, dtype=np.float64)
                truth = replace(task.play(np.minimum(time, task.halted_s)), time=time)
                late = truth.load
                if self.gear.load_lag_s:
                    late = task.play(np.minimum(time - self.gear.load_lag_s, task.halted_s)).load
                parts.append((task.sensors.read(truth, late, dt), truth))
                self._time += dt * now
                n -= now
                if self._time > task.duration_s + 1e-9 * dt:
                    task.done.set()
        if len(parts) == 1:
            return parts[0]
        return Counts.joined([counts for counts, _ in parts]), _joined([truth for _, truth in parts])

    def _left(self, dt: float) -> int:
        return math.floor((self._task.duration_s - self._time) / dt + 1e-9) + 1

    def _current(self) -> Task:
        if self._queue and self._task.done.is_set():
            self._task, self._time = self._queue.popleft(), 0.0
        return self._task

    def _make(self, step: Step) -> Task:
        blank, mount = self._blank, self._mount_deg
        name = "" if blank is None else blank.name
        key = (zlib.crc32(name.encode()), self._mounts.get(name, 0), self._steps)
        self._steps += 1
        hand, *noise = np.random.SeedSequence(self.seed, spawn_key=key).spawn(7)
        duration, play = self._played(step, np.random.default_rng(hand))
        return Task(step, blank, mount, duration, play, Sensors(self.gear, noise))

    def _played(self, step: Step, rng: np.random.Generator) -> tuple[float, Callable[[Floats], Truth]]:
        """How long a step takes, s, and the truth as a function of the time since it began."""
        if isinstance(step, Still):
            return step.seconds, _still(step)
        blank, mount = self._blank, math.radians(self._mount_deg)
        if blank is None:
            raise ValueError("there is no blank in the chuck: mount one first")
        if step.travel_m > _REACH * blank.free_length:
            raise ValueError(f"{step.travel_m:g} m is further than half of the free length of {blank.name}")
        if blank.name not in self._curves:
            self._curves[blank.name] = BendCurve(blank)
        curve = self._curves[blank.name]
        if isinstance(step, Roll):
            return _roll(step, blank, curve, mount, self.gear, rng)
        return _flex(step, blank, curve, mount, rng)


def _still(step: Still) -> Callable[[Floats], Truth]:
    def play(time: Floats) -> Truth:
        one = np.ones_like(time)
        chuck, load = math.radians(step.chuck_deg) * one, step.hung_kg * _GRAVITY * one
        travel, tip = step.travel_m * one, math.radians(step.tip_deg) * one
        return Truth(time, chuck, load, travel, tip, np.zeros(time.shape, bool))

    return play


def _roll(
    step: Roll, blank: Blank, curve: BendCurve, mount: float, gear: Gear, rng: np.random.Generator
) -> tuple[float, Callable[[Floats], Truth]]:
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


def _flex(
    step: Flex, blank: Blank, curve: BendCurve, mount: float, rng: np.random.Generator
) -> tuple[float, Callable[[Floats], Truth]]:
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


def _joined(parts: list[Truth]) -> Truth:
    names = ("time", "chuck", "load", "travel", "tip", "moving")
    return Truth(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))
