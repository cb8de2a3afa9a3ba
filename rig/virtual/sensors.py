"""What the rig's sensors make of the truth: noise, drift and spikes, then whole counts that wrap or stop."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from analysis.readings import Floats
from rig.calibration import LOAD_BITS, TURN_COUNTS
from rig.virtual.gear import TRAVEL_BITS, Gear
from rig.virtual.physics import Truth

Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Counts:
    """Raw counts, reading by reading, each of shape (n,)."""

    load: Whole
    """Bridge amplifier, 24 bits with sign; stops at its ends."""
    angle: Whole
    """Chuck angle, 0 … 4095."""
    travel: Whole
    """Travel counter, 16 bits without sign, which stops at its ends; of what turns, 0 … 4095."""
    tip: Whole
    """Tip slope, 0 … 4095."""

    @classmethod
    def joined(cls, parts: Sequence[Counts]) -> Counts:
        """Several stretches one after the other."""
        names = ("load", "angle", "travel", "tip")
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


class Sensors:
    """The sensors during one step, each with its own random numbers, so that chunks do not matter.

    Parameters
    ----------
    gear : Gear
        The rig's parts.
    seeds : sequence of six SeedSequence
        For load, wander, drift, spikes, angle, and travel with tip.
    """

    def __init__(self, gear: Gear, seeds: Sequence[np.random.SeedSequence]) -> None:
        self._gear = gear
        load, wander, drift, spikes, angle, place = (np.random.default_rng(seed) for seed in seeds)
        self._load, self._wander, self._spikes, self._angle = load, wander, spikes, angle
        self._travel, self._tip = place.spawn(2)
        self._wandered = gear.load_wander_N * float(wander.standard_normal())
        self._periods = np.geomspace(180.0, 1800.0, 5)  # s: cells creep and warm up over minutes
        self._phases = drift.uniform(0.0, 2.0 * math.pi, 5)
        # each wave's rms change over one minute, over all phases, is √(1 − cos(2π·60/T)) of its amplitude
        change = 1.0 - np.cos(2.0 * math.pi * 60.0 / self._periods)
        self._waves = drift.dirichlet(np.ones(5)) * 5.0
        self._waves *= gear.drift_N / math.sqrt(float(np.sum(self._waves**2 * change)))

    def read(self, truth: Truth, load: Floats, dt: float) -> Counts:
        """Take the next readings.

        Parameters
        ----------
        truth : Truth
            What really is.
        load : ndarray, shape (n,)
            Load that the amplifier is seeing (late by its delay), N.
        dt : float
            Time between readings, s.
        """
        gear, n = self._gear, truth.time.size
        felt = load + self.drift(truth.time) + gear.load_noise_N * self._load.standard_normal(n)
        felt += self._wandering(n, dt) + self._spiked(n)
        chuck = truth.chuck + gear.magnet_rad * np.sin(truth.chuck)
        chuck = chuck + gear.angle_noise_rad * self._angle.standard_normal(n)
        shake = gear.travel_noise_m * self._travel.standard_normal(n)
        travel = truth.travel + np.where(truth.moving, shake, 0.0)
        tip = truth.tip + gear.tip_noise_rad * self._tip.standard_normal(n)
        end = 1 << (LOAD_BITS - 1)
        per_rad = TURN_COUNTS / (2.0 * math.pi)
        return Counts(
            _whole(gear.load_zero_counts + felt / gear.load_N_per_count, -end, end - 1),
            _whole(gear.angle_zero_counts + gear.angle_sign * per_rad * chuck) % TURN_COUNTS,
            self._travelled(travel),
            _whole(gear.tip_zero_counts + gear.tip_sign * per_rad * tip) % TURN_COUNTS,
        )

    def _travelled(self, travel: Floats) -> Whole:
        """Counts of the travel, m: of a counter that stops at its ends, or of what turns and begins again."""
        gear = self._gear
        if gear.turning is not None:
            return _whole(gear.turning.counts(travel)) % TURN_COUNTS
        return _whole(gear.travel_zero_counts + travel / gear.travel_m_per_count, 0, (1 << TRAVEL_BITS) - 1)

    def drift(self, time: Floats) -> Floats:
        """Shift of the load's zero since the step began, N, shape of `time`; 0 at time 0."""
        turns = 2.0 * math.pi * time[:, None] / self._periods
        return np.asarray((np.sin(turns + self._phases) - np.sin(self._phases)) @ self._waves)

    def _wandering(self, n: int, dt: float) -> Floats:
        """First-order Gauss–Markov noise that goes on from the last reading, N, shape (n,)."""
        size, hold = self._gear.load_wander_N, math.exp(-dt / self._gear.load_wander_s)
        fresh = size * math.sqrt(1.0 - hold * hold) * self._wander.standard_normal(n)
        out, _ = lfilter([1.0], [1.0, -hold], fresh, zi=[hold * self._wandered])
        self._wandered = float(out[-1])
        return np.asarray(out, dtype=float)

    def _spiked(self, n: int) -> Floats:
        chance, size = self._spikes.uniform(-1.0, 1.0, (n, 2)).T
        spike = self._gear.spike_N * (size + 0.5 * np.sign(size))  # half to one and a half times, either way
        return np.where(np.abs(chance) < self._gear.spike_share, spike, 0.0)


def _whole(value: Floats, low: int | None = None, high: int | None = None) -> Whole:
    counts = np.rint(value)
    if low is not None:
        counts = np.clip(counts, low, high)
    return counts.astype(np.int64)
