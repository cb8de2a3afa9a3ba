"""Lies told to sound runs: what a slipping blank, a failing sensor or a wrong unit makes of them.

Each lie takes a scene (`sound_runs`) and a generator and gives the scene with the lie in it, or None where it
cannot be told to that scene.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from sound_runs import CODES, TURN, FlexScene, RollScene, drawn_blank

Roll = Callable[[RollScene, np.random.Generator], RollScene | None]
Flex = Callable[[FlexScene, np.random.Generator], FlexScene | None]


def _from(n: int, rng: np.random.Generator, low: float = 0.3, high: float = 0.7) -> int:
    """A place in mid-run, but not at the very turn-back, where nobody can tell."""
    while True:
        part = rng.uniform(low, high)
        if abs(part - 0.5) > 0.04:
            return int(part * n)


def slip(scene: RollScene, rng: np.random.Generator, degrees: float, seconds: float = 0.0) -> RollScene:
    n = scene.time.size
    at = _from(n, rng)
    gone = scene.time - scene.time[at]
    part = np.where(gone >= 0, 1.0, 0.0) if not seconds else np.clip(gone / seconds, 0.0, 1.0)
    return replace(scene, facing=scene.facing + rng.choice([-1, 1]) * math.radians(degrees) * part)


def jump(scene: RollScene, rng: np.random.Generator, degrees: float) -> RollScene:
    at = _from(scene.time.size, rng)
    step = np.where(np.arange(scene.time.size) >= at, math.radians(degrees) * rng.choice([-1, 1]), 0.0)
    return replace(scene, told=scene.told + step)


def scale(scene: RollScene, rng: np.random.Generator, factor: float) -> RollScene:
    return replace(scene, told=scene.told[0] + factor * (scene.told - scene.told[0]))


def stuck_bit(scene: RollScene, rng: np.random.Generator, bit: int) -> RollScene:
    high = bool(rng.integers(2))

    def spoil(time, angle, load):
        code = np.round(angle / (TURN / CODES)).astype(int) % CODES
        code = code | (1 << bit) if high else code & ~(1 << bit)
        return time, code * (TURN / CODES), load

    return replace(scene, spoil=spoil)


def late(scene: RollScene, rng: np.random.Generator, seconds: float) -> RollScene:
    return replace(scene, late_s=seconds)


def frozen_load(scene: RollScene, rng: np.random.Generator, part: float, noisy: bool) -> RollScene:
    n = scene.time.size
    at = int(rng.uniform(0.05, 0.95 - part) * n)
    end = at + int(part * n)

    def spoil(time, angle, load):
        load = load.copy()
        held = load[at]
        load[at:end] = held + (scene.noise[at:end] if noisy else 0.0)
        return time, angle, load

    return replace(scene, spoil=spoil)


def frozen_angle(scene: RollScene, rng: np.random.Generator, part: float) -> RollScene:
    n = scene.time.size
    at = int(rng.uniform(0.05, 0.95 - part) * n)
    end = at + int(part * n)

    def spoil(time, angle, load):
        angle = angle.copy()
        angle[at:end] = angle[at]
        return time, angle, load

    return replace(scene, spoil=spoil)


def end_stop(scene: RollScene, rng: np.random.Generator, part: float) -> RollScene:
    def spoil(time, angle, load):
        return time, angle, np.minimum(load, np.quantile(load, 1.0 - part))

    return replace(scene, spoil=spoil)


def settling(scene: RollScene, rng: np.random.Generator, part: float) -> RollScene:
    tau = rng.uniform(0.03, 0.08) * scene.time[-1]
    return replace(scene, gain=scene.gain * (1.0 - part * np.exp(-scene.time / tau)))


def load_step(scene: RollScene, rng: np.random.Generator, part: float) -> RollScene:
    at = _from(scene.time.size, rng)
    step = part * float(scene.blank[0] * scene.travel) * rng.choice([-1, 1])
    return replace(scene, drift=scene.drift + np.where(np.arange(scene.time.size) >= at, step, 0.0))


def gain(scene: RollScene, rng: np.random.Generator, factor: float) -> RollScene:
    at = _from(scene.time.size, rng)
    return replace(scene, gain=scene.gain * np.where(np.arange(scene.time.size) >= at, factor, 1.0))


def in_grams(scene: RollScene, rng: np.random.Generator) -> RollScene:
    def spoil(time, angle, load):
        return time, angle, load / 9.80665e-3

    return replace(scene, spoil=spoil)


def another_blank(scene: RollScene, rng: np.random.Generator) -> RollScene:
    other = drawn_blank(rng, k=float(scene.blank[0]) * rng.uniform(0.97, 1.03))
    return replace(scene, other=other, swapped=int(2 * scene.time.size / 3))


def twice(scene: RollScene, rng: np.random.Generator) -> RollScene:
    n = scene.time.size
    size = int(rng.uniform(0.1, 0.2) * n)
    at = int(rng.uniform(0.1, 0.6) * n)
    to = min(at + size + int(rng.uniform(0.02, 0.1) * n), n - size)

    def spoil(time, angle, load):
        angle, load = angle.copy(), load.copy()
        angle[to : to + size], load[to : to + size] = angle[at : at + size], load[at : at + size]
        return time, angle, load

    return replace(scene, spoil=spoil)


def wrong_length(scene, rng: np.random.Generator, factor: float):
    if isinstance(scene, FlexScene):
        return replace(scene, free_length_told=scene.length * factor)
    return replace(scene, length=scene.length * factor)


def travel_mm(scene: RollScene, rng: np.random.Generator) -> RollScene:
    made = scene.readings

    def readings():
        return replace(made(), held_travel_m=scene.travel * 1e3)

    out = replace(scene)
    object.__setattr__(out, "readings", readings)
    return out


ROLL_LIES: dict[str, tuple[str, Roll]] = {
    **{f"slip {d}°": ("slip", partial(slip, degrees=d)) for d in (5, 10, 20, 40, 60)},
    "slow slip 20°": ("slip", partial(slip, degrees=20, seconds=4.0)),
    **{f"jump {d}°": ("jump", partial(jump, degrees=d)) for d in (5, 15, 30)},
    "angle × 0.95": ("scale", partial(scale, factor=0.95)),
    "angle × 1.05": ("scale", partial(scale, factor=1.05)),
    **{f"bit {b} stuck": ("contradiction", partial(stuck_bit, bit=b)) for b in (5, 7, 9, 11)},
    **{f"late {s} s": ("lag", partial(late, seconds=s)) for s in (0.2, 0.4)},
    **{
        f"load frozen {int(100 * p)} %{' noisy' if noisy else ''}": (
            "frozen",
            partial(frozen_load, part=p, noisy=noisy),
        )
        for p in (0.1, 0.3, 0.5)
        for noisy in (False, True)
    },
    "angle frozen 10 %": ("frozen", partial(frozen_angle, part=0.1)),
    "angle frozen 30 %": ("frozen", partial(frozen_angle, part=0.3)),
    "load clipped 15 %": ("end-stop", partial(end_stop, part=0.15)),
    "settling 3 %": ("settling", partial(settling, part=0.03)),
    "settling 5 %": ("settling", partial(settling, part=0.05)),
    "load step 1 %": ("drift", partial(load_step, part=0.01)),
    "load step 4 %": ("drift", partial(load_step, part=0.04)),
    "gain 0.95": ("gain", partial(gain, factor=0.95)),
    "gain 1.05": ("gain", partial(gain, factor=1.05)),
    "grams as newtons": ("units", in_grams),
    "length × 1000": ("units", partial(wrong_length, factor=1000.0)),
    "length × 100": ("units", partial(wrong_length, factor=100.0)),
    "last third another blank": ("contradiction", another_blank),
    "a block twice": ("doubled", twice),
}


def f_gain_back(scene: FlexScene, rng: np.random.Generator, factor: float) -> FlexScene:
    peak = int(np.argmax(scene.travel))
    return replace(scene, gain=np.where(np.arange(scene.time.size) > peak, factor, 1.0))


def f_gain(scene: FlexScene, rng: np.random.Generator, factor: float) -> FlexScene:
    at = _from(scene.time.size, rng, 0.25, 0.75)
    return replace(scene, gain=np.where(np.arange(scene.time.size) >= at, factor, 1.0))


def f_slip(scene: FlexScene, rng: np.random.Generator, metres: float) -> FlexScene:
    at = _from(scene.time.size, rng)
    return replace(scene, shown=scene.shown + np.where(np.arange(scene.time.size) >= at, metres, 0.0))


def f_step(scene: FlexScene, rng: np.random.Generator, part: float) -> FlexScene:
    at = _from(scene.time.size, rng)
    most = float(np.max(scene.made(scene.taper, scene.rigidity, scene.travel)[0]))
    step = np.where(np.arange(scene.time.size) >= at, part * most * rng.choice([-1, 1]), 0.0)
    return replace(scene, drift=scene.drift + step)


def f_frozen(scene: FlexScene, rng: np.random.Generator, part: float, channel: str, noisy: bool) -> FlexScene:
    n = scene.time.size
    at = int(rng.uniform(0.1, 0.85 - part) * n)
    end = at + int(part * n)

    def spoil(time, load, travel, tip):
        load, travel, tip = load.copy(), travel.copy(), tip.copy()
        shown = {"load": load, "travel": travel, "tip": tip}[channel]
        own = {"load": scene.noise[at:end], "travel": 0.0, "tip": 0.0}[channel] if noisy else 0.0
        shown[at:end] = shown[at] + own
        return time, load, travel, tip

    return replace(scene, spoil=spoil)


def f_clipped(scene: FlexScene, rng: np.random.Generator) -> FlexScene:
    def spoil(time, load, travel, tip):
        return time, np.minimum(load, 0.8 * np.quantile(load, 0.999)), travel, tip

    return replace(scene, spoil=spoil)


def f_settling(scene: FlexScene, rng: np.random.Generator, part: float) -> FlexScene:
    most = float(np.max(scene.made(scene.taper, scene.rigidity, scene.travel)[0]))
    tau = 0.15 * scene.time[-1]
    return replace(scene, drift=scene.drift + part * most * (np.exp(-scene.time / tau)))


def f_tip(scene: FlexScene, rng: np.random.Generator, factor: float) -> FlexScene:
    return replace(scene, tip_gain=factor)


def f_grams(scene: FlexScene, rng: np.random.Generator) -> FlexScene:
    return replace(scene, spoil=lambda time, load, travel, tip: (time, load / 9.80665e-3, travel, tip))


def f_mm(scene: FlexScene, rng: np.random.Generator) -> FlexScene:
    return replace(scene, spoil=lambda time, load, travel, tip: (time, load, travel * 1e3, tip))


def f_degrees(scene: FlexScene, rng: np.random.Generator) -> FlexScene:
    return replace(scene, spoil=lambda time, load, travel, tip: (time, load, travel, np.radians(tip)))


def f_late(scene: FlexScene, rng: np.random.Generator, seconds: float) -> FlexScene:
    return replace(scene, late_s=seconds)


def f_another(scene: FlexScene, rng: np.random.Generator) -> FlexScene:
    return replace(
        scene,
        other=("slow" if scene.taper != "slow" else "fast", scene.rigidity * rng.uniform(0.8, 1.25)),
        swapped=int(2 * scene.time.size / 3),
    )


def f_twice(scene: FlexScene, rng: np.random.Generator) -> FlexScene:
    n = scene.time.size
    size, at = int(0.12 * n), int(rng.uniform(0.1, 0.3) * n)
    to = at + size + int(rng.uniform(0.02, 0.1) * n)

    def spoil(time, load, travel, tip):
        load, travel, tip = load.copy(), travel.copy(), tip.copy()
        for values in (load, travel, tip):
            values[to : to + size] = values[at : at + size]
        return time, load, travel, tip

    return replace(scene, spoil=spoil)


FLEX_LIES: dict[str, tuple[str, Flex]] = {
    "gain × 1.05 coming back": ("contradiction", partial(f_gain_back, factor=1.05)),
    "gain × 1.1 coming back": ("contradiction", partial(f_gain_back, factor=1.10)),
    "gain × 0.85 coming back": ("contradiction", partial(f_gain_back, factor=0.85)),
    "gain × 1.05": ("gain", partial(f_gain, factor=1.05)),
    "gain × 0.95": ("gain", partial(f_gain, factor=0.95)),
    "slip 3 mm": ("slip", partial(f_slip, metres=0.003)),
    "slip 10 mm": ("slip", partial(f_slip, metres=0.010)),
    "slip 30 mm": ("slip", partial(f_slip, metres=-0.030)),
    "load step 2 %": ("drift", partial(f_step, part=0.02)),
    "load step 5 %": ("drift", partial(f_step, part=0.05)),
    "load frozen 10 %": ("frozen", partial(f_frozen, part=0.1, channel="load", noisy=False)),
    "load frozen 30 % noisy": ("frozen", partial(f_frozen, part=0.3, channel="load", noisy=True)),
    "travel frozen 15 %": ("frozen", partial(f_frozen, part=0.15, channel="travel", noisy=False)),
    "tip frozen 20 %": ("frozen", partial(f_frozen, part=0.2, channel="tip", noisy=False)),
    "load clipped": ("end-stop", f_clipped),
    "settling 3 %": ("settling", partial(f_settling, part=0.03)),
    "tip × 0.9": ("contradiction", partial(f_tip, factor=0.9)),
    "tip × 1.1": ("contradiction", partial(f_tip, factor=1.1)),
    "grams as newtons": ("units", f_grams),
    "travel in mm": ("units", f_mm),
    "tip slope in wrong unit": ("units", f_degrees),
    "length × 100": ("units", partial(wrong_length, factor=100.0)),
    "late 0.4 s": ("lag", partial(f_late, seconds=0.4)),
    "last third another blank": ("contradiction", f_another),
    "a block twice": ("doubled", f_twice),
}
