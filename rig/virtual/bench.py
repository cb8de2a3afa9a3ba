"""The simulated bench: blanks beside it, a blank in the chuck, a hand that is asked for steps, and counts.

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

from analysis.readings import Floats
from rig.virtual import physics
from rig.virtual.blanks import Blank
from rig.virtual.gear import Gear
from rig.virtual.hand import Flex, Roll, Step, Still
from rig.virtual.physics import BendCurve, Truth
from rig.virtual.sensors import Counts, Sensors


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
        return Counts.joined([counts for counts, _ in parts]), Truth.joined([truth for _, truth in parts])

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
            return step.seconds, physics.still(step)
        blank, mount = self._blank, math.radians(self._mount_deg)
        if blank is None:
            raise ValueError("there is no blank in the chuck: mount one first")
        if step.travel_m > physics.REACH * blank.free_length:
            raise ValueError(f"{step.travel_m:g} m is further than half of the free length of {blank.name}")
        turned = None if self.gear.geometry is None else self.gear.geometry.pulled_by
        if isinstance(step, Roll) and turned:
            raise ValueError("with a guide or an arm the bench plays flex runs only")
        if blank.name not in self._curves:
            self._curves[blank.name] = BendCurve(blank, turned)
        curve = self._curves[blank.name]
        if step.travel_m > curve.furthest:
            raise ValueError(f"this rig bends {blank.name} no further than {curve.furthest:.3f} m")
        if isinstance(step, Roll):
            return physics.rolled(step, blank, curve, mount, self.gear, rng)
        return physics.flexed(step, blank, curve, mount, rng)
