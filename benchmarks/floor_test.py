"""The mark of the default rule against an imitation of the floor test.

    python benchmarks/floor_test.py [blanks, 200] [seed]

Each invented blank is bent and let go 200 times from random roll angles. Friction holds it wherever the
torque is small: at a snap, at a crest, and also on a shelf where a second snap has just vanished. The energy
is made from matrices here, apart from the package's own formulas. The hand is sure in one of two senses:

- *by the energy*: nine in ten of all releases end in one basin of the energy, wherever friction stops them;
- *by the place*: nine in ten of the releases that moved end within friction's dead band of one snap.

Printed for both: how often the mark lies in that basin, and how often within its half-width and friction's
dead band of the mean place of rest (of all releases in the basin; of those that moved and came to the snap).
Where the two senses differ a blank has one basin and two places of rest: printed is how often the report says
so. Last, how often the widest basin is not the firmest snap.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import numpy as np

from analysis.readings import RollReadings
from analysis.roll import fit_roll

_TURN = 2.0 * math.pi
_GRID = 7200
_RELEASES = 200
TRAVEL_M, LENGTH_M = 0.45, 1.8


@dataclass(frozen=True, slots=True)
class Trial:
    """One blank."""

    sure_by_energy: bool
    """Nine in ten of all releases end in one basin of the energy."""
    sure_by_place: bool
    """Nine in ten of the releases that moved end in one place."""
    in_basin: bool
    """The mark lies in the basin that most releases end in."""
    near_all: bool
    """The mark is within its half-width and friction's dead band of the mean rest of all in the basin."""
    near_snap: bool
    """The same for the mean rest of those that moved and came to the snap."""
    shelf_told: bool
    """The report names a shelf that friction holds, or says that one snap or two cannot be told."""
    widest_is_firmest: bool
    """The basin that most releases end in holds the firmest snap."""
    told: bool
    """The report says that there are two snaps, or ties them."""


def trial(rng: np.random.Generator) -> Trial:
    """Make a blank, roll it on a noisy rig, let it go on the floor, and compare."""
    k = rng.uniform(2.0, 8.0)
    axes = _rotation(rng.uniform(0.0, math.pi))
    tensor = axes @ np.diag([1.0, -1.0]) @ axes.T * (0.5 * k * 10.0 ** rng.uniform(-2.3, -1.3)) + k * np.eye(
        2
    )
    toward = rng.uniform(0.0, _TURN)
    bow = 10.0 ** rng.uniform(-3.5, -1.8) * np.array([math.cos(toward), math.sin(toward)])
    force = tensor @ bow
    turn = np.arange(_GRID) * _TURN / _GRID
    pull = np.stack([np.cos(turn), np.sin(turn)])
    energy = 0.5 * TRAVEL_M**2 * np.einsum("an,ab,bn->n", pull, tensor, pull) - TRAVEL_M * (force @ pull)
    torque = -(np.roll(energy, -1) - np.roll(energy, 1)) / (2.0 * _TURN / _GRID)
    friction = rng.uniform(0.02, 0.15) * float(np.abs(torque).max())

    n = 2400
    roll = np.concatenate([np.linspace(0.0, 2.0 * _TURN, n // 2), np.linspace(2.0 * _TURN, 0.0, n // 2)])
    seen = np.stack([np.cos(roll), np.sin(roll)])
    load = TRAVEL_M * np.einsum("an,ab,bn->n", seen, tensor, seen) - force @ seen
    load += 0.010 * rng.standard_normal(n)
    result = fit_roll(RollReadings(np.arange(n) / 80.0, roll % _TURN, load, None, TRAVEL_M, None, LENGTH_M))

    minima = np.flatnonzero((energy < np.roll(energy, 1)) & (energy <= np.roll(energy, -1)))
    crests = np.flatnonzero((energy > np.roll(energy, 1)) & (energy >= np.roll(energy, -1)))
    basin = np.searchsorted(crests, np.arange(_GRID)) % len(crests)
    starts = rng.integers(0, _GRID, _RELEASES)
    rests = np.array([_let_go(start, torque, friction) for start in starts])
    ends = basin[rests]
    favourite = int(np.bincount(ends, minlength=len(crests)).argmax())
    home = next(low for low in minima if basin[low] == favourite)
    band = _dead_band(home, torque, friction)
    moved = rests != starts  # not held where it was let go
    there = np.abs(np.angle(np.exp(1j * (turn[rests] - turn[home])))) <= band + 2.0 * _TURN / _GRID
    inside = ends == favourite
    firmest = max(minima, key=lambda low: _barrier(low, energy, crests))
    mark = result.mark.angle
    places = [] if mark is None else [mark.value, *([] if result.mark.tie is None else [result.mark.tie])]
    cells = [round(place / _TURN * _GRID) % _GRID for place in places]
    reach = band + (0.0 if mark is None else mark.ci95)
    return Trial(
        sure_by_energy=float(np.mean(inside)) >= 0.9,
        sure_by_place=bool(np.any(moved)) and float(np.mean(there[moved])) >= 0.9,
        in_basin=any(int(basin[cell]) == favourite for cell in cells),
        near_all=_off(places, turn[rests[inside]]) <= reach,
        near_snap=_off(places, turn[rests[moved & there]]) <= reach,
        shelf_told=any(
            "just vanished" in warning or "near the edge" in warning for warning in result.warnings
        ),
        widest_is_firmest=bool(basin[firmest] == favourite),
        told=len(result.snaps) != 1,
    )


def _off(places: list[float], rests: np.ndarray) -> float:
    """Distance of the nearest place to the circular mean of the rests, rad; inf without either."""
    if not places or not rests.size:
        return math.inf
    mean = float(np.angle(np.mean(np.exp(1j * rests))))
    return min(abs(math.remainder(place - mean, _TURN)) for place in places)


def _rotation(angle: float) -> np.ndarray:
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s], [s, c]])


def _let_go(start: int, torque: np.ndarray, friction: float) -> int:
    """Follow the torque until friction holds; a heavily damped roll, cell by cell."""
    here = int(start)
    way = int(np.sign(torque[here]))
    while abs(torque[here]) > friction and int(np.sign(torque[here])) == way:
        here = (here + way) % _GRID
    return here


def _barrier(low: int, energy: np.ndarray, crests: np.ndarray) -> float:
    after = crests[np.searchsorted(crests, low) % len(crests)]
    before = crests[np.searchsorted(crests, low) - 1]
    return float(min(energy[after], energy[before]) - energy[low])


def _dead_band(home: int, torque: np.ndarray, friction: float) -> float:
    """Furthest from a snap, to the one or the other side, that friction holds, rad."""
    furthest = 0
    for way in (1, -1):
        here, width = home, 0
        while abs(torque[here]) <= friction and width < _GRID:
            here = (here + way) % _GRID
            width += 1
        furthest = max(furthest, width)
    return furthest * _TURN / _GRID


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rng = np.random.default_rng(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    trials = [trial(rng) for _ in range(count)]
    print(f"{count} blanks, {_RELEASES} releases each: mark in the hand's basin, near the place of rest")
    by_energy = [each for each in trials if each.sure_by_energy]
    by_place = [each for each in trials if each.sure_by_place]
    _line("sure by the energy", by_energy, [each.near_all for each in by_energy])
    _line("sure by the place ", by_place, [each.near_snap for each in by_place])
    shelves = [each for each in by_energy if not each.near_all]
    print(
        f"not near, of the first line: {len(shelves)}; the report names a second place, or doubts, in"
        f" {sum(each.shelf_told for each in shelves)}"
    )
    other = [each for each in trials if not each.widest_is_firmest]
    print(
        f"widest basin is not the firmest snap: {len(other)}; told of two snaps in"
        f" {sum(each.told for each in other)}"
    )


def _line(name: str, sure: list[Trial], near: list[bool]) -> None:
    basin = 100.0 * np.mean([each.in_basin for each in sure])
    print(f"{name} {len(sure):4d} blanks   {basin:5.1f} %   {100.0 * np.mean(near):5.1f} %")


if __name__ == "__main__":
    main()
