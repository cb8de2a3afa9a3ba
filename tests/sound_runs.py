"""Sound runs as benches really record them, with the truth they were made from.

Written apart from the package: the load over the roll is the linear formula, a bent blank is an elastica
integrated here (Runge–Kutta from the tip, all loads at once, the tip's slope found by the secant rule).
A scene keeps what happened apart from what the sensors made of it, so that a lie can be put between the two.

Sizes of noise, wander and spikes are those read off public recordings of one hobby rig under known weights:
white scatter 2 to 5 mN, wander of a few mN over ten seconds, one-sided spikes up to 10 g in half of the runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import pairwise

import numpy as np
from scipy.interpolate import CubicSpline

from analysis.readings import FlexReadings, RigErrors, RollReadings

TURN = 2.0 * math.pi
GRAM_N = 9.80665e-3
CODES = 4096
COUNT_N = GRAM_N / 203.0
TRAVEL_STEP = 1e-4
Array = np.ndarray


@dataclass(frozen=True)
class Noise:
    """What cell and amplifier add, N."""

    white: float = 0.004
    wander: float = 0.0
    memory_s: float = 10.0
    spikes: float = 0.0
    spike_N: float = 10.0 * GRAM_N
    tail: float = 0.3

    def draw(self, rng: np.random.Generator, time: Array) -> Array:
        n = time.size
        out = self.white * rng.standard_normal(n)
        if self.wander:
            keep = np.exp(-np.diff(time, prepend=time[0]) / self.memory_s)
            kick = self.wander * np.sqrt(1.0 - keep**2) * rng.standard_normal(n)
            level = np.empty(n)
            level[0] = 0.0  # the load is set to zero just before a run
            for i in range(1, n):
                level[i] = keep[i] * level[i - 1] + kick[i]
            out += level
        if self.spikes:
            hit = rng.random(n) < self.spikes
            size = self.spike_N * rng.uniform(0.15, 1.0, n) * hit
            out += size
            out[1:] += (self.tail * size * (rng.random(n) < 0.3))[:-1]
        return out


def amplifier(rng: np.random.Generator) -> Noise:
    """Draw an amplifier: white, with wander, with spikes, or with both."""
    wander = rng.choice([0.0, 0.002, 0.004])
    spikes = rng.choice([0.0, 0.0, 0.01, 0.03])
    return Noise(white=rng.uniform(0.002, 0.005), wander=float(wander), spikes=float(spikes))


def turned_by(rng: np.random.Generator, moves: Array, rate: float, speed: float, *, uneven: float) -> Array:
    """Angles at the times of readings for a hand that goes through `moves` (rad) at about `speed` (rad/s)."""
    lengths = np.abs(np.diff(moves))
    path = np.concatenate([[0.0], np.cumsum(lengths)])
    n = max(16, int(path[-1] / speed * rate))
    pace = 1.0 + uneven * np.convolve(rng.standard_normal(n + 200), np.ones(60) / math.sqrt(60), "same")[:n]
    gone = np.cumsum(np.maximum(pace, 0.15))
    return np.interp((gone - gone[0]) / (gone[-1] - gone[0]) * path[-1], path, moves)


@dataclass(frozen=True)
class RollScene:
    """What happened while a blank was rolled, and what the sensors will make of it."""

    way: str
    blank: Array
    """k, f·cos β, f·sin β, Δ·cos 2φ, Δ·sin 2φ."""
    travel: float
    time: Array
    chuck: Array
    """Angle of the chuck, rad, unwrapped."""
    facing: Array
    """Blank angle that really faces the pull, rad."""
    told: Array
    """Angle that the sensor has, rad."""
    noise: Array
    friction: float
    drift: Array
    gain: Array
    """On the load's part that the blank makes."""
    angle_step: float = TURN / CODES
    other: Array | None = None
    """Another blank's numbers, after `swapped`."""
    swapped: int = 10**9
    late_s: float = 0.0
    hanging: bool = False
    length: float = 1.8
    spoil: Callable[[Array, Array, Array], tuple[Array, Array, Array]] | None = None
    """Last of all: time, angle, load to time, angle, load."""
    rig: RigErrors = field(default_factory=lambda: RigErrors(load_scale_ci95=0.0, friction_N=0.02))
    at_rest: bool = False

    def made(self, numbers: Array, facing: Array) -> Array:
        k, fc, fs, dc, ds = numbers
        if self.hanging:
            stiffness = np.array([[k + dc, ds], [ds, k - dc]])
            give, bow = np.linalg.inv(stiffness), np.linalg.solve(stiffness, [fc, fs])
            pull = np.stack([np.cos(facing), np.sin(facing)])
            weight = k * self.travel
            return weight * np.einsum("in,ij,jn->n", pull, give, pull) + bow @ pull
        return (
            self.travel * (k + dc * np.cos(2 * facing) + ds * np.sin(2 * facing))
            - fc * np.cos(facing)
            - fs * np.sin(facing)
        )

    def readings(self) -> RollReadings:
        load = self.made(self.blank, self.facing)
        if self.other is not None:
            load[self.swapped :] = self.made(self.other, self.facing)[self.swapped :]
        way = np.sign(np.gradient(self.chuck))
        load = load * self.gain + self.friction * way
        if self.late_s:
            load = np.interp(self.time - self.late_s, self.time, load)
        step = TRAVEL_STEP if self.hanging else COUNT_N
        load = np.round((load + self.drift + self.noise) / step) * step
        angle = np.round(self.told / self.angle_step) * self.angle_step
        time, angle = self.time, np.mod(angle, TURN)
        if self.spoil is not None:
            time, angle, load = self.spoil(time, angle, load)
        return RollReadings(
            time_s=time,
            roll=angle,
            load_N=None if self.hanging else load,
            travel_m=load if self.hanging else None,
            held_travel_m=None if self.hanging else self.travel,
            held_load_N=float(self.blank[0] * self.travel) if self.hanging else None,
            free_length_m=self.length,
            contact="free" if self.hanging else "held",
            rig=self.rig,
            blank=self.way,
            at_rest=self.at_rest,
        )

    @property
    def truth(self) -> dict[str, float]:
        k, fc, fs, dc, ds = self.blank
        bow = np.linalg.solve(np.array([[k + dc, ds], [ds, k - dc]]), [fc, fs])
        grid = np.linspace(0.0, TURN, 7201)
        travel = self.travel
        energy = 0.5 * travel**2 * (dc * np.cos(2 * grid) + ds * np.sin(2 * grid)) - travel * (
            fc * np.cos(grid) + fs * np.sin(grid)
        )
        return {
            "stiff_plane": 0.5 * math.atan2(ds, dc) % math.pi,
            "anisotropy": 2.0 * math.hypot(dc, ds) / k,
            "stiffness": k,
            "bow": float(np.hypot(*bow)),
            "bow_direction": math.atan2(bow[1], bow[0]) % TURN,
            "mark": float(grid[int(np.argmin(energy))]),
        }


def drawn_blank(
    rng: np.random.Generator, *, k: float | None = None, anisotropy: float | None = None
) -> Array:
    """Ultralight to heavy, k, bow, plane."""
    k = math.exp(rng.uniform(math.log(1.6), math.log(22.0))) if k is None else k
    anisotropy = rng.uniform(0.015, 0.06) if anisotropy is None else anisotropy
    bow, beta, phi = rng.uniform(0.002, 0.012), rng.uniform(0, TURN), rng.uniform(0, math.pi)
    delta = 0.5 * anisotropy * k
    dc, ds = delta * math.cos(2 * phi), delta * math.sin(2 * phi)
    f = np.array([[k + dc, ds], [ds, k - dc]]) @ (bow * np.array([math.cos(beta), math.sin(beta)]))
    return np.array([k, *f, dc, ds])


ROLL_WAYS = (
    "two-way 80/s",
    "two-way 10/s",
    "two-way, slow hand",
    "two-way, quick hand",
    "two-way, pauses",
    "two-way, wander",
    "two-way, spikes",
    "two turns each way",
    "one turn one way",
    "three turns one way",
    "1000/s",
    "hanging weight",
    "few readings",
    "steps of 10° × 6",
    "12 places × 10",
    "5° quanta",
    "three quarters one way",
)
CONTINUOUS = ROLL_WAYS[:11]
"""Ways that lies are told to."""


def roll_scene(way: str, rng: np.random.Generator, blank: Array | None = None) -> RollScene:
    """Draw one sound roll run."""
    numbers = drawn_blank(rng) if blank is None else blank
    noise = amplifier(rng)
    start = rng.uniform(0.0, TURN)
    rate, speed, moves, uneven = 80.0, math.radians(rng.uniform(18, 36)), [0.0, TURN, 0.0], 0.4
    step = TURN / CODES
    if way == "two-way 10/s":
        rate, speed = 10.0, math.radians(12)
    elif way == "two-way, slow hand":
        rate, speed, uneven = 20.0, math.radians(6), 0.8
    elif way == "two-way, quick hand":
        speed, uneven = math.radians(80), 0.8
    elif way == "two-way, wander":
        noise = Noise(white=0.003, wander=0.004)
    elif way == "two-way, spikes":
        noise = Noise(white=0.003, wander=0.002, spikes=0.03)
    elif way == "two turns each way":
        moves = [0.0, 2 * TURN, 0.0]
    elif way == "one turn one way":
        moves = [0.0, 1.03 * TURN]
    elif way == "three turns one way":
        moves = [0.0, 3.05 * TURN]
    elif way == "1000/s":
        rate, speed = 1000.0, math.radians(60)
    elif way == "few readings":
        rate, speed = 10.0, math.radians(90)
    elif way == "5° quanta":
        step = math.radians(5.0)
    elif way == "three quarters one way":
        moves = [0.0, 0.75 * TURN]
    if way == "steps of 10° × 6":
        chuck = np.repeat(np.radians(10.0) * np.arange(36), 6)
        time = np.arange(chuck.size) / 10.0 + np.repeat(1.5 * np.arange(36), 6)
    elif way == "12 places × 10":
        chuck = np.repeat(np.radians(30.0) * np.arange(12) + np.radians(0.5) * rng.standard_normal(12), 10)
        time = np.arange(chuck.size) / 10.0 + np.repeat(4.0 * np.arange(12), 10)
    else:
        chuck = turned_by(rng, np.array(moves), rate, speed, uneven=uneven)
        if way == "two-way, pauses":
            at = np.sort(rng.integers(20, chuck.size - 20, 3))
            chuck = np.insert(chuck, np.repeat(at, 240), np.repeat(chuck[at], 240))
        time = np.arange(chuck.size) / rate
    still = way in ("steps of 10° × 6", "12 places × 10")
    span = time[-1] if time[-1] > 0 else 1.0
    drift = rng.uniform(-0.015, 0.015) * (1.0 - np.exp(-2.0 * time / span))
    hanging = way == "hanging weight"
    scatter = noise.draw(rng, time)
    scale = 1.0 / numbers[0] if hanging else 1.0  # a ruler's or string's scatter, about as large
    friction = 0.0 if still else rng.uniform(0.0, 0.012)
    return RollScene(
        way=way,
        blank=numbers,
        travel=0.45,
        time=time,
        chuck=chuck + start,
        facing=chuck + start,
        told=chuck + start + math.radians(0.03) * rng.standard_normal(chuck.size) * (0.0 if still else 1.0),
        noise=scatter * scale,
        friction=friction * scale,
        drift=drift * scale,
        gain=np.ones(chuck.size),
        angle_step=step,
        hanging=hanging,
    )


@cache
def elastica(base: float, ratio: float, exponent: float, softer: float) -> tuple[Array, Array, Array, Array]:
    """Dimensionless travel y/L, load F·L²/EI₀, tip slope and ∫θ ds/L of a cantilever under a dead load.

    EI/EI₀ = base·(1 − (1 − ratio)·s)^exponent, `softer` by so much beyond the middle (a ferrule's step). From
    the tip backwards: θ' = −M/EI, M' = F·cos θ; θ(chuck) = 0 decides the tip's slope.
    """
    loads = np.concatenate([[0.0], np.geomspace(0.01, 6.0, 47)])

    def rigidity(t: float) -> float:
        s = 1.0 - t
        step = 1.0 - 0.5 * softer * (1.0 + math.tanh((s - 0.5) / 0.03))
        return base * (1.0 - (1.0 - ratio) * s) ** exponent * step

    def shot(tip: Array) -> tuple[Array, Array, Array]:
        theta, moment, y, turn = tip.copy(), np.zeros_like(tip), np.zeros_like(tip), np.zeros_like(tip)
        h = 1.0 / 400
        for i in range(400):
            state = np.stack([theta, moment, y, turn])

            def slope(t: float, v: Array) -> Array:
                return np.stack([-v[1] / rigidity(t), loads * np.cos(v[0]), np.sin(v[0]), v[0]])

            t = i * h
            a = slope(t, state)
            b = slope(t + 0.5 * h, state + 0.5 * h * a)
            c = slope(t + 0.5 * h, state + 0.5 * h * b)
            d = slope(t + h, state + h * c)
            theta, moment, y, turn = state + h / 6.0 * (a + 2 * b + 2 * c + d)
        return theta, y, turn

    one = 0.02 * loads
    two = np.minimum(1.2, 0.2 * loads)
    first, second = shot(one)[0], shot(two)[0]
    for _ in range(60):
        apart = np.where(np.abs(second - first) > 1e-15, second - first, 1.0)
        move = np.where(np.abs(second - first) > 1e-15, second * (two - one) / apart, 0.0)
        three = np.clip(two - move, 0.0, 1.56)
        one, first, two = two, second, three
        second = shot(two)[0]
        if np.max(np.abs(second)) < 1e-11:
            break
    good = np.abs(second) < 1e-8
    _, y, turn = shot(two)
    keep = good & (y < 0.6)
    return y[keep], loads[keep], two[keep], turn[keep]


TAPERS = {
    "thin tube": (1.0, 0.25, 3.0, 0.0),
    "cone": (1.0, 0.35, 4.0, 0.0),
    "fast": (1.0, 0.18, 2.6, 0.0),
    "slow": (1.0, 0.6, 3.0, 0.0),
    "stepped": (1.0, 0.3, 3.0, 0.1),
}


@dataclass(frozen=True)
class FlexScene:
    """What happened while a blank was flexed."""

    way: str
    taper: str
    rigidity: float
    """EI at the chuck, N·m²."""
    length: float
    time: Array
    travel: Array
    """Where the tip really was, m."""
    shown: Array
    """What the travel sensor has, m."""
    side: Array
    """1 loading, −1 unloading."""
    hysteresis: float
    noise: Array
    drift: Array
    gain: Array
    travel_noise: float = 3e-4
    tip_noise: float = math.radians(0.1)
    seed: int = 0
    other: tuple[str, float] | None = None
    swapped: int = 10**9
    late_s: float = 0.0
    tip_gain: float = 1.0
    spoil: Callable[..., tuple[Array, Array, Array, Array]] | None = None
    rig: RigErrors = field(default_factory=lambda: RigErrors(load_scale_ci95=0.0))
    free_length_told: float | None = None

    def made(self, taper: str, rigidity: float, travel: Array) -> tuple[Array, Array]:
        y, f, tip, _ = elastica(*TAPERS[taper])
        force, slope = CubicSpline(y, f), CubicSpline(y, tip)
        at = travel / self.length
        return force(at) * rigidity / self.length**2, slope(at)

    def readings(self) -> FlexReadings:
        rng = np.random.default_rng(self.seed)
        load, tip = self.made(self.taper, self.rigidity, self.travel)
        if self.other is not None:
            load_b, tip_b = self.made(*self.other, self.travel)
            load[self.swapped :], tip[self.swapped :] = load_b[self.swapped :], tip_b[self.swapped :]
        load = load * self.gain * (1.0 + 0.5 * self.hysteresis * self.side)
        if self.late_s:
            load = np.interp(self.time - self.late_s, self.time, load)
        load = np.round((load + self.drift + self.noise) / COUNT_N) * COUNT_N
        travel = self.shown + self.travel_noise * rng.standard_normal(load.size)
        travel = np.round(travel / TRAVEL_STEP) * TRAVEL_STEP
        tip = tip * self.tip_gain + self.tip_noise * rng.standard_normal(load.size)
        tip = np.round(tip / (TURN / CODES)) * (TURN / CODES)
        time = self.time
        if self.spoil is not None:
            time, load, travel, tip = self.spoil(time, load, travel, tip)
        return FlexReadings(
            time_s=time,
            load_N=load,
            travel_m=travel,
            tip=tip,
            free_length_m=self.free_length_told or self.length,
            roll=0.0,
            rig=self.rig,
            blank=self.way,
        )

    @property
    def truth(self) -> dict[str, float]:
        y, f, tip, turn = elastica(*TAPERS[self.taper])
        unit = self.rigidity / self.length**2
        slope, area = float(CubicSpline(y, tip)(0.25)), float(CubicSpline(y, turn)(0.25))
        return {
            "reference_load": float(CubicSpline(y, f)(0.25)) * unit,
            "bend_centre": area / slope,
            "initial_stiffness": float(f[1] / y[1]) * unit / self.length,
        }


FLEX_WAYS = (
    "80/s",
    "10/s",
    "slow",
    "quick",
    "pauses",
    "wander",
    "spikes",
    "1000/s",
    "steps × 20",
    "steps × 8, small loads",
    "hung weights",
    "few readings",
)
FLEX_LIED = FLEX_WAYS[:8]


def flex_scene(way: str, rng: np.random.Generator) -> FlexScene:
    """Draw one sound flex run."""
    taper = str(rng.choice(list(TAPERS)))
    length = rng.uniform(1.5, 2.3)
    power = math.exp(rng.uniform(math.log(1.0), math.log(14.0)))  # reference load, N
    y, f, _, _ = elastica(*TAPERS[taper])
    rigidity = power * length**2 / float(CubicSpline(y, f)(0.25))
    noise = amplifier(rng)
    rate, seconds = 80.0, rng.uniform(15.0, 30.0)
    furthest = rng.uniform(0.27, 0.34) * length
    if way == "10/s":
        rate, seconds = 10.0, 40.0
    elif way == "slow":
        rate, seconds = 10.0, 120.0
    elif way == "quick":
        seconds = 5.0
    elif way == "wander":
        noise, seconds = Noise(white=0.003, wander=0.004), 40.0
    elif way == "spikes":
        noise = Noise(white=0.003, wander=0.002, spikes=0.03)
    elif way == "1000/s":
        rate, seconds = 1000.0, 6.0
    elif way == "few readings":
        rate, seconds = 10.0, 6.0
    n = int(rate * seconds)
    if way.startswith("steps") or way == "hung weights":
        if way == "hung weights":
            force = CubicSpline(y, f)
            loads = np.linspace(0.0, float(force(furthest / length)), 9)
            levels = np.interp(loads, f, y) * length
            each, move, rate = 12, 0, 10.0
        elif way == "steps × 20":
            levels, each, move, rate = np.linspace(0.0, furthest, 20), 15, 5, 10.0
        else:
            levels = furthest * np.linspace(0.0, 1.0, 8) ** 1.5
            each, move, rate = 30, 3, 10.0
        both = np.concatenate([levels, levels[-2::-1]])
        pieces = [np.full(each, both[0])]
        for a, b in pairwise(both):
            pieces.append(a + (b - a) * (np.arange(move) + 1.0) / (move + 1.0))
            pieces.append(np.full(each, b))
        travel = np.concatenate(pieces)
    else:
        rest = max(2, n // 20)
        half = (n - 2 * rest) // 2
        up = furthest * 0.5 * (1.0 - np.cos(np.pi * np.linspace(0.0, 1.0, half)))
        travel = np.concatenate([np.zeros(rest), up, up[::-1], np.zeros(rest)])
        if way == "pauses":
            at = np.sort(rng.integers(rest + 20, travel.size - rest - 20, 3))
            travel = np.insert(travel, np.repeat(at, 200), np.repeat(travel[at], 200))
    time = np.arange(travel.size) / rate
    peak = int(np.argmax(travel))
    side = np.where(np.arange(travel.size) <= peak, 1.0, -1.0)
    drift = rng.uniform(-0.005, 0.005) * time / time[-1]
    scatter = noise.draw(rng, time)
    return FlexScene(
        way=way,
        taper=taper,
        rigidity=rigidity,
        length=length,
        time=time,
        travel=travel,
        shown=travel.copy(),
        side=side,
        hysteresis=rng.uniform(0.0, 0.025),
        noise=scatter - scatter[: max(3, travel.size // 40)].mean(),
        drift=drift,
        gain=np.ones(travel.size),
        seed=int(rng.integers(2**31)),
    )


__all__ = [
    "CONTINUOUS",
    "FLEX_LIED",
    "FLEX_WAYS",
    "ROLL_WAYS",
    "FlexScene",
    "Noise",
    "RollScene",
    "amplifier",
    "drawn_blank",
    "elastica",
    "flex_scene",
    "replace",
    "roll_scene",
]
