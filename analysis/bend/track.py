"""One run during the fit: what the rig adds to it, and its residuals about the blank's curve.

What the rig adds to a run: half the difference of loading and unloading as a polynomial of the load (its
mean is the elastic curve; it is open at no load only where something on the rig drags, Coulomb's friction), a
load zero that is off or drifts in time, and the slope's zero. Readings far from the curve are given little
weight (Huber) or none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.bend.by_hand import HAND_READINGS
from analysis.bend.curve import Curve
from analysis.bend.family import SIZE
from analysis.bend.screen import Sweep
from analysis.readings import Floats

LOOP_TERMS = 3
"""Terms of the difference between loading and unloading."""
DRIFT_TERMS = 3
"""Drift of the load's zero since the first reading: a straight line and two half waves over the run."""
RIG_TERMS = LOOP_TERMS + 2 + DRIFT_TERMS
"""Of one run: loop, load zero, slope zero, drift."""

# What is known of a rig before a run is ours, chosen on benchmarks/bend_coverage.py unless a source stands
# with it: rigs drift little or not at all, rest at no load, and a clip is set by eye.
DRIFTS = (0.0, 0.004, 0.012)
"""How far the load's zero may drift over a run (one standard deviation), over the largest load."""
DRIFT_PROBABILITIES = (0.8, 0.13, 0.07)
"""Their probabilities before the run."""
DRIFT_SIZE = math.sqrt(sum(part * size**2 for part, size in zip(DRIFT_PROBABILITIES, DRIFTS, strict=True)))
"""One standard deviation of that drift before the run, over the largest load."""
_DRIFT_SHAPE = np.array([1.0, 0.25, 0.12])
"""Sizes of line and half waves to each other: drift is slow."""
CLOSED_LOOP = 5e-4
"""How far apart loading and unloading may be at no load (one standard deviation) over the largest load, where
nothing on the rig drags: a blank that comes back to rest shows no load."""
DRAG = 0.02
"""The same where something drags, such as a string over an eye: its friction turns round with the travel."""
DRAG_PROBABILITY = 0.1
"""Probability, before the run, that something drags."""
_LOOP = 0.1
"""How far apart loading and unloading may be (one standard deviation), over the largest load."""
TIP_ZERO = math.radians(0.4)
"""How far the slope's zero is off where it is off (one standard deviation), rad: a clip set by eye."""
TIP_ZERO_RIGHT = 0.8
"""Probability, before the run, that the slope's zero is right."""
EXACT = 1e14
"""Precision of what is known to be nothing."""

# Weights and noise (ours, chosen on benchmarks/bend_coverage.py, unless a source stands with it).
_HUBER = 3.0  # standard deviations: weights fall off from here (Huber 1981, Robust Statistics, ch. 7)
_REJECTED = 6.0  # standard deviations: further readings are another thing's
_MEDIAN_DISTANCE = 0.8  # about the median distance of readings with two channels, √(ln 2) = 0.83
# The noise seen from reading to reading counts for so many readings, or for that part of them.
_PRIOR_READINGS, _PRIOR_PART = 20.0, 0.2
_NOISE_ITERATIONS, _NOISE_KNOWN = 40, 3e-3  # relative change at which the noise stands
_LEAST_NOISE = 2e-5  # of the largest load, the largest travel and 1 rad: no channel is taken to be better
_FEWEST_TOGETHER = 50  # fewer residuals do not tell whether noise hangs together
_FURTHEST_LOOP = 1.2  # of the largest load: the loop's polynomial is not carried on further


@dataclass(slots=True)
class Track:
    """One run during the fit."""

    sweep: Sweep
    curve: Curve
    load_zero_N: float
    """How far the load's zero may be off (one standard deviation), N."""
    loads: Floats
    """True loads as they are known so far, N, shape (n,)."""
    noise: Floats
    """Standard deviations of load, travel, slope, shape (3,)."""
    weights: Floats
    """Weight of each reading, 0 to 1, shape (n,)."""
    elapsed: Floats
    """Time of each reading since the first, over the run's time, 0 to 1, shape (n,)."""

    def rig_precision(self) -> Floats:
        """Inverse variances of the run's rig terms before the run, in the widest component, shape (8,)."""
        most = self.curve.high_N
        loop = _LOOP * most if self.sweep.both_ways else 1e-9 * most
        zero = max(self.load_zero_N, 1e-9 * most)
        opened = min(loop, DRAG * most)
        drift = (DRIFTS[-1] * most * _DRIFT_SHAPE) ** -2
        if self.sweep.by_hand:
            drift = np.full(DRIFT_TERMS, EXACT)  # weights do not drift
        return np.array([opened**-2, loop**-2, loop**-2, zero**-2, TIP_ZERO**-2, *drift])

    def least_noise(self) -> Floats:
        """No channel is taken to be better than this, shape (3,)."""
        return _LEAST_NOISE * np.array([self.curve.high_N, float(np.max(np.abs(self.curve.travel))), 1.0])


def drift_terms(elapsed: Floats) -> Floats:
    """Load per drift parameter at a part of the run's time, 0 at its start, shape (3, n)."""
    return np.stack([elapsed, np.sin(math.pi * elapsed), np.sin(2.0 * math.pi * elapsed)])


def loop_terms(loads_N: Floats, largest_N: float) -> Floats:
    """Load difference (loading minus unloading) per loop parameter, shape (3, n): 1 − u, u, u·(1 − u)."""
    u = np.clip(loads_N / largest_N, 0.0, _FURTHEST_LOOP)
    return np.stack([1.0 - u, u, u * (1.0 - u)])


class Residual:
    """Residuals of one run about the curve, scaled by the noise, and their change with the parameters."""

    def __init__(self, track: Track, parameters: Floats, run: int) -> None:
        self.track = track
        self.start = SIZE + RIG_TERMS * run
        self.rig = parameters[self.start : self.start + RIG_TERMS]
        self.size = parameters.size
        tip = track.sweep.tip
        self.has_tip = np.isfinite(tip)
        self.tip = np.where(self.has_tip, tip, 0.0)

    def follow(self) -> None:
        """Move the true loads to where each reading stands nearest to the curve."""
        for _ in range(2):
            self._evaluate()
            tangent = self.tangent / self.track.noise
            tangent[~self.has_tip, 2] = 0.0
            scaled = self.off / self.track.noise
            move = np.sum(tangent * scaled, axis=1) / np.sum(tangent**2, axis=1)
            curve = self.track.curve
            self.track.loads = np.clip(self.track.loads + move, curve.low_N, curve.high_N)
        self._evaluate()

    def _evaluate(self) -> None:
        track, curve = self.track, self.track.curve
        self.across = curve.matrix(track.loads)
        loop = 0.5 * track.sweep.side * loop_terms(track.loads, curve.high_N)
        self.loop = loop
        sweep = track.sweep
        load = track.loads + self.rig[:LOOP_TERMS] @ loop + self.rig[LOOP_TERMS]
        load = load + self.rig[LOOP_TERMS + 2 :] @ drift_terms(track.elapsed)
        travel = self.across @ curve.travel
        slope = self.across @ curve.tip + self.rig[LOOP_TERMS + 1]
        self.off = np.stack([sweep.load_N - load, sweep.travel_m - travel, self.tip - slope], axis=1)
        self.off[~self.has_tip, 2] = 0.0
        tangent = np.stack(
            [np.ones_like(load), self.across @ curve.travel_slope, self.across @ curve.tip_slope], axis=1
        )
        self.tangent = tangent

    def cost(self) -> float:
        """Weighted sum of squares of the scaled residuals."""
        return float(np.sum(self.track.weights[:, None] * (self.off / self.track.noise) ** 2))

    def projected(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Scaled residuals (n, 3), design (3, n, p), unit tangents (n, 3), the design along them (n, p)."""
        track, curve = self.track, self.track.curve
        noise = track.noise
        n = track.loads.size
        design = np.zeros((3, n, self.size))
        at = self.start
        design[0][:, at : at + LOOP_TERMS] = self.loop.T
        design[0][:, at + LOOP_TERMS] = 1.0
        design[0][:, at + LOOP_TERMS + 2 : at + RIG_TERMS] = drift_terms(track.elapsed).T
        design[1][:, :SIZE] = self.across @ curve.travel_per_p
        design[2][:, :SIZE] = self.across @ curve.tip_per_p
        design[2][:, at + LOOP_TERMS + 1] = 1.0
        design[2][~self.has_tip] = 0.0
        design /= noise[:, None, None]
        tangent = self.tangent / noise
        tangent[~self.has_tip, 2] = 0.0
        tangent /= np.sqrt(np.sum(tangent**2, axis=1))[:, None]
        along = np.einsum("nc,cnp->np", tangent, design)
        return self.off / noise, design, tangent, along

    def weigh(self, *, early: bool) -> None:
        """Noise from the residuals, and each reading's weight from its distance to the curve.

        Early on the curve is not yet near and the noise stays as it was.
        """
        track, noise = self.track, self.track.noise
        seen = np.array(track.sweep.scatter)
        counts = (
            HAND_READINGS if track.sweep.by_hand else min(_PRIOR_READINGS, _PRIOR_PART * track.loads.size)
        )
        counted = np.where(np.isfinite(seen), counts, 0.0)
        known = np.where(np.isfinite(seen), seen, 0.0)
        for _ in range(_NOISE_ITERATIONS):
            weights = self._weights(noise, early=early)
            track.weights = weights
            if early:
                return
            # σ² = (Σ w·r² + ν₀·σ₀²)/(Σ w·(1 − h) + ν₀): h is the part of a reading that its own true load
            # takes up (the tangent's), σ₀ the scatter from reading to reading, which counts for ν₀ readings.
            tangent = self._unit_tangent_squared(noise)
            left = weights[:, None] * (1.0 - tangent)
            left[~self.has_tip, 2] = 0.0
            square = np.sum(weights[:, None] * self.off**2, axis=0) + counted * known**2
            least = track.least_noise()
            old = noise
            noise = np.sqrt(square / np.maximum(left.sum(axis=0) + counted, 1e-9))
            noise = np.maximum(np.where(np.isfinite(noise), noise, least), least)
            if np.all(np.abs(noise - old) < _NOISE_KNOWN * old):
                break
        track.noise = noise

    def _weights(self, noise: Floats, *, early: bool) -> Floats:
        """Weight of each reading by its distance to the curve in standard deviations (Huber), shape (n,)."""
        distance = np.sqrt(np.sum((self.off / noise) ** 2, axis=1) / (1.0 + self.has_tip))
        if early:
            distance /= max(float(np.median(distance)) / _MEDIAN_DISTANCE, 1.0)
        weights = np.minimum(1.0, _HUBER / np.maximum(distance, 1e-300))
        weights[distance > _REJECTED] = 0.0
        return np.asarray(weights)

    def _unit_tangent_squared(self, noise: Floats) -> Floats:
        """Part of each channel in the direction along the curve, shape (n, 3)."""
        tangent = self.tangent / noise
        tangent[~self.has_tip, 2] = 0.0
        return np.asarray(tangent**2 / np.sum(tangent**2, axis=1)[:, None])

    def hanging_together(self) -> Floats:
        """How many readings count as one, by channel, shape (3,)."""
        load, travel, tip = (self.off * self.track.weights[:, None]).T
        return np.array([readings_as_one(left) for left in (load, travel, tip[self.has_tip])])

    def add_to(self, normal: Floats, gradient: Floats) -> None:
        """Add the run to the normal equations, N = Σ w·JᵀJ and b = Σ w·Jᵀr.

        Of each reading only what lies across the curve counts, t being the curve's unit tangent:
        JᵀJ → JᵀJ − (tᵀJ)ᵀ(tᵀJ) and r → r − (t·r)·t. That is what is left when its true load is free.
        """
        scaled, design, tangent, along = self.projected()
        weights = self.track.weights
        across = scaled - np.sum(scaled * tangent, axis=1)[:, None] * tangent
        for c in range(3):
            heavy = design[c] * weights[:, None]
            normal += heavy.T @ design[c]
            gradient += heavy.T @ across[:, c]
        heavy = along * weights[:, None]
        normal -= heavy.T @ along


def readings_as_one(left: Floats) -> float:
    """How many readings count as one: 1 for white noise, more where noise hangs together.

    The sum of the residuals' autocorrelations, 1 + 2·Σ ρ_k, up to the first lag at which a neighbouring pair
    of them is no longer positive (Geyer 1992, Statistical Science 7:473).
    """
    if left.size < _FEWEST_TOGETHER or not np.any(left):
        return 1.0
    left = left - left.mean()
    spectrum = np.fft.rfft(left, 2 * left.size)
    rho = np.fft.irfft(np.abs(spectrum) ** 2)[: left.size // 4]
    rho = rho / rho[0]
    pairs = rho[1:-1:2] + rho[2::2]
    ends = np.flatnonzero(pairs <= 0.0)
    count = int(ends[0]) if ends.size else pairs.size
    return max(1.0, 1.0 + 2.0 * float(np.sum(pairs[:count])))
