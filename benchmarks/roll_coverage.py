"""How true are the half-widths of a roll fit, and how near is its error to the limit?

Simulated runs of the linear model (written here, apart from the package's own), one kind of trouble a row:

* how often the 95 % noise half-widths of plane, anisotropy, bow, its direction and the snaps hold the truth;
* the plane's error over the Cramér–Rao bound of the model with friction and drift unknown, with the noise
  that is not spikes (rms of the ratio; 1 is the limit).

    python benchmarks/roll_coverage.py [runs a kind, 2000] [word in the kind's name …]

Takes about 10 ms a run on one core.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass

import numpy as np

from analysis.readings import RollReadings
from analysis.roll import fit_roll

TURN = 2.0 * math.pi
TRAVEL, LENGTH, STIFFNESS = 0.45, 1.8, 4.0


@dataclass(frozen=True)
class Trouble:
    """One way in which a run is rolled and spoilt."""

    name: str
    readings: int = 1500
    turns: float = 2.0
    both_ways: bool = True
    uneven: float = 0.5
    arc: float | None = None
    sigma: float = 0.012
    memory: float | None = None  # of the noise, in turns
    friction: float = 0.0
    drift: float = 0.0
    spikes: float = 0.0
    gap: float = 0.0  # degrees
    quantum: float = 0.0  # degrees
    missing: float = 0.0
    anisotropy: float = 0.02
    bow_force: float = 0.12


KINDS = [
    Trouble("white, one turn, one way", turns=1, both_ways=False),
    Trouble("white, two turns, both ways"),
    Trouble("white, 5,000 readings", readings=5000),
    Trouble("uneven hand", uneven=1.0),
    Trouble("partial turn, 200°", turns=1, both_ways=False, arc=200.0),
    Trouble("partial turn, 280° and back", arc=280.0),
    Trouble("gap of 50°", gap=50.0),
    Trouble("angle in steps of 1°", quantum=1.0),
    Trouble("friction both ways", friction=0.03),
    Trouble("drift", drift=0.05),
    Trouble("1 % spikes", spikes=0.01),
    Trouble("noise remembers 1/200 turn, one turn", memory=1 / 200, turns=1, both_ways=False),
    Trouble("noise remembers 1/200 turn, both ways", memory=1 / 200),
    Trouble("noise remembers 1/50 turn, three turns", memory=1 / 50, turns=3, both_ways=False),
    Trouble("noise remembers 1/20 turn, three turns", memory=1 / 20, turns=3, both_ways=False),
    Trouble("a tenth of the readings missing", missing=0.1),
    Trouble("72 readings, one turn", readings=72, turns=1, both_ways=False, uneven=0.0),
    Trouble(
        "friction, drift, spikes, gap, one way",
        turns=1,
        both_ways=False,
        friction=0.03,
        drift=0.05,
        spikes=0.01,
        gap=50.0,
    ),
]


@dataclass(frozen=True)
class Made:
    """A simulated run with its truth."""

    readings: RollReadings
    plane: float
    anisotropy: float
    bow: float
    bow_direction: float
    snaps: np.ndarray
    bound: float  # Cramér–Rao bound of the plane's standard deviation, rad; nan where noise remembers


def make(rng: np.random.Generator, kind: Trouble) -> Made:
    """Roll a blank of random plane and bow."""
    roll, sense = _hand(rng, kind)
    n = roll.size
    plane, force_at = rng.random() * math.pi, rng.random() * TURN
    delta = 0.5 * kind.anisotropy * STIFFNESS
    stiff = STIFFNESS + delta * np.cos(2 * (roll - plane))
    load = TRAVEL * stiff - kind.bow_force * np.cos(roll - force_at)
    s = np.linspace(0.0, 1.0, n)
    load += kind.friction * sense + kind.drift * rng.normal() * s
    noise = rng.normal(size=n) if kind.memory is None else _remembering(rng, n, kind.memory * n / kind.turns)
    load += kind.sigma * noise
    spiky = rng.random(n) < kind.spikes
    load[spiky] += rng.choice([-1.0, 1.0], spiky.sum()) * rng.exponential(0.5, spiky.sum())
    keep = np.ones(n, dtype=bool)
    if kind.gap:
        middle = rng.random() * TURN
        keep = np.abs((roll - middle + math.pi) % TURN - math.pi) > math.radians(0.5 * kind.gap)
    read = roll if not kind.quantum else np.radians(np.round(np.degrees(roll) / kind.quantum) * kind.quantum)
    load[rng.random(n) < kind.missing] = math.nan
    columns = [np.ones(n), np.cos(roll), np.sin(roll), np.cos(2 * roll), np.sin(2 * roll), s]
    if kind.both_ways:
        columns.append(sense)
    used = keep & ~spiky & np.isfinite(load)
    bound = math.nan
    if kind.memory is None:
        design = np.column_stack(columns)[used]
        spread = kind.sigma**2 * np.linalg.inv(design.T @ design)[3:5, 3:5]
        across = np.array([-math.sin(2 * plane), math.cos(2 * plane)])
        if delta > 0:
            bound = math.sqrt(across @ spread @ across) / (2 * TRAVEL * delta)
    matrix = STIFFNESS * np.eye(2) + delta * np.array(
        [[math.cos(2 * plane), math.sin(2 * plane)], [math.sin(2 * plane), -math.cos(2 * plane)]]
    )
    bow = np.linalg.solve(matrix, kind.bow_force * np.array([math.cos(force_at), math.sin(force_at)]))
    return Made(
        RollReadings(np.arange(n)[keep] / 80.0, read[keep] % TURN, load[keep], None, TRAVEL, None, LENGTH),
        plane,
        kind.anisotropy,
        float(np.hypot(*bow)),
        math.atan2(bow[1], bow[0]),
        _minima(delta, plane, kind.bow_force, force_at),
        bound,
    )


def _hand(rng: np.random.Generator, kind: Trouble) -> tuple[np.ndarray, np.ndarray]:
    """Roll angle and direction of an uneven hand."""
    n = kind.readings
    t = np.linspace(0.0, 1.0, n)
    speed = np.ones(n)
    for wave in range(1, 6):
        speed += kind.uneven * 0.45 * np.cos(TURN * (0.7 * kind.turns * wave * t + rng.random()))
    speed = np.clip(speed, 0.1, None)
    sense = np.ones(n)
    if kind.both_ways:
        sense[n // 2 :] = -1.0
        speed[n // 2 :] *= speed[: n // 2].sum() / speed[n // 2 :].sum()
    path = kind.turns * TURN
    if kind.arc is not None:
        path = math.radians(kind.arc) * (2.0 if kind.both_ways else 1.0)
    steps = sense * speed * path / speed[1:].sum()
    return np.cumsum(steps) + rng.random() * TURN, sense


def _remembering(rng: np.random.Generator, n: int, memory: float) -> np.ndarray:
    """Stationary first-order autoregression of variance 1 with this memory, in readings."""
    a = math.exp(-1.0 / memory)
    out = np.empty(n)
    out[0] = rng.normal()
    drive = math.sqrt(1.0 - a * a) * rng.normal(size=n)
    for index in range(1, n):
        out[index] = a * out[index - 1] + drive[index]
    return out


def _minima(delta: float, plane: float, force: float, force_at: float) -> np.ndarray:
    """Brute force: minima of the energy on a fine grid, deepest first."""
    grid = np.linspace(0.0, TURN, 36000, endpoint=False)
    energy = 0.5 * TRAVEL**2 * delta * np.cos(2 * (grid - plane)) - TRAVEL * force * np.cos(grid - force_at)
    at = np.flatnonzero((energy < np.roll(energy, 1)) & (energy <= np.roll(energy, -1)))
    return grid[at[np.argsort(energy[at])]]


def apart(a: float, b: float, period: float) -> float:
    """Distance of two wrapped angles."""
    return abs((a - b + period / 2) % period - period / 2)


def study(kind: Trouble, runs: int, seed: int = 1) -> dict[str, float]:
    """Cover rates in percent, and the plane's error over its bound."""
    rng = np.random.default_rng(seed)
    held: dict[str, list[bool]] = {
        name: [] for name in ("plane", "anisotropy", "bow", "bow at", "snap", "found")
    }
    ratios = []
    for _ in range(runs):
        made = make(rng, kind)
        result = fit_roll(made.readings)
        held["found"].append(result.plane_found)
        if result.stiff_plane is not None:
            error = apart(result.stiff_plane.value, made.plane, math.pi)
            held["plane"].append(error <= result.stiff_plane.noise_ci95)
            ratios.append(error / made.bound)
        held["anisotropy"].append(
            abs(result.anisotropy.value - made.anisotropy) <= result.anisotropy.noise_ci95
        )
        if kind.both_ways or not kind.friction:  # one-way friction is in the systematic part, not here
            held["bow"].append(abs(result.bow.value - made.bow) <= result.bow.noise_ci95)
        if result.bow_direction is not None:
            held["bow at"].append(
                apart(result.bow_direction.value, made.bow_direction, TURN) <= result.bow_direction.noise_ci95
            )
        for snap in result.snaps:
            nearest = min(apart(snap.angle.value, at, TURN) for at in made.snaps)
            held["snap"].append(nearest <= snap.angle.noise_ci95 + TURN / 72000)
    out = {name: 100.0 * float(np.mean(hits)) if hits else math.nan for name, hits in held.items()}
    out["over bound"] = float(np.sqrt(np.mean(np.square(ratios)))) if ratios else math.nan
    return out


def main(arguments: list[str]) -> None:
    runs = int(arguments[0]) if arguments else 2000
    kinds = [kind for kind in KINDS if not arguments[1:] or any(word in kind.name for word in arguments[1:])]
    names = ("plane", "anisotropy", "bow", "bow at", "snap", "found")
    print(f"{runs} runs a kind; 95 % half-widths (noise part) that hold the truth, in percent")
    print(
        f"{'kind':42s}" + "".join(f"{name:>11s}" for name in names) + f"{'error/bound':>13s}{'ms a run':>10s}"
    )
    for kind in kinds:
        start = time.perf_counter()
        out = study(kind, runs)
        each = 1e3 * (time.perf_counter() - start) / runs
        print(
            f"{kind.name:42s}"
            + "".join(f"{out[name]:11.1f}" for name in names)
            + f"{out['over bound']:13.2f}{each:10.1f}",
            flush=True,
        )


__all__ = ["KINDS", "Trouble", "make", "study"]

if __name__ == "__main__":
    main(sys.argv[1:])
