"""What a calibrated chuck is worth: coverage over rigs and blanks, and five identical blanks in a batch.

Run ``python benchmarks/chuck_coverage.py [rigs] [batches]``. Rigs are drawn with run-out 0–4 mm, uneven
support 0–1.5 % (constant or ∝ k·L²), seating 0.2–1 mm, index mark 0.5–1.5°, lag 0–0.4 s; each is calibrated
with one straight blank at five mounts, and then rolls blanks in one mount each. Beside the half-widths stand
those of an efficient estimator with the same knowledge: linear, with the known variances of noise, seating
and index mark (Student's factor of the left-overs for the seating in brackets).
"""

from __future__ import annotations

import math
import sys
from collections import Counter

import numpy as np
from numpy.typing import NDArray

from analysis.angles import difference
from analysis.decide.batch import compare_batch
from analysis.estimate import coverage_factor
from analysis.readings import RollReadings
from analysis.roll import Chuck, RollResult, fit_mounts, fit_roll, guessed

TRAVEL, LENGTH, NOISE, RATE, SPEED = 0.45, 1.8, 0.012, 80.0, 30.0
TURN = 2.0 * math.pi


class Rig:
    """A rig that errs."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.runout = rng.uniform(0.0, 0.004) * np.exp(1j * rng.uniform(0.0, TURN))
        self.support = 0.5 * rng.uniform(0.0, 0.015) * np.exp(1j * rng.uniform(0.0, TURN))
        self.soft = bool(rng.integers(2))
        self.seating = rng.uniform(0.0002, 0.001)
        self.index = math.radians(rng.uniform(0.5, 1.5))
        self.lag = rng.uniform(0.0, 0.4)
        self.usual = rng.uniform(8.0, 16.0)
        """Stiffness at which the support is as it says, N/m."""

    def roll(self, blank: Blank, mount: float) -> RollReadings:
        """A turn and back at 30°/s, 80 readings a second."""
        rng, end = self.rng, 360.0 / SPEED
        time = np.arange(int(2.0 * end * RATE)) / RATE

        def angle(at: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.radians(np.where(at < end, SPEED * np.maximum(at, 0.0), 2.0 * SPEED * end - SPEED * at))

        late = time - self.lag
        way = angle(late)
        true = way + mount - self.index * rng.standard_normal()
        k = blank.k
        load = TRAVEL * k * (1.0 + 0.5 * blank.anisotropy * np.cos(2.0 * (true - blank.plane)))
        load -= np.real(blank.force * np.exp(-1j * true)) + k * np.real(self.runout * np.exp(-1j * way))
        support = self.support * (k / self.usual if self.soft else 1.0)
        load += TRAVEL * k * np.real(support * np.exp(-2j * way))
        offset = self.seating * (rng.standard_normal() + 1j * rng.standard_normal())
        load -= k * np.real(offset * np.exp(-1j * true))
        load += 0.02 * np.where(late < end, 1.0, -1.0) + NOISE * rng.standard_normal(time.size)
        read = (angle(time) + mount) % TURN
        return RollReadings(time, read, load, None, TRAVEL, None, LENGTH, mount=mount)

    def calibrated(self) -> Chuck:
        """Five mounts of a straight, round blank."""
        blank = Blank(self.rng, self.usual, 0.005, 0.001)
        return fit_mounts([self.roll(blank, 0.2 * TURN * step) for step in range(5)], chuck=guessed()).chuck


class Blank:
    """A blank of known planes and bow."""

    def __init__(self, rng: np.random.Generator, k: float, anisotropy: float, bow: float) -> None:
        self.k, self.anisotropy, self.bow = k, anisotropy, bow
        self.plane, self.toward = rng.uniform(0.0, math.pi), rng.uniform(0.0, TURN)
        self.force = (
            k
            * bow
            * (np.exp(1j * self.toward) + 0.5 * anisotropy * np.exp(1j * (2.0 * self.plane - self.toward)))
        )

    def mark(self) -> float:
        """Firmest snap by the energy over a fine grid, rad."""
        grid = np.linspace(0.0, TURN, 7200, endpoint=False)
        energy = 0.25 * TRAVEL**2 * self.k * self.anisotropy * np.cos(2.0 * (grid - self.plane))
        energy = energy - TRAVEL * np.real(self.force * np.exp(-1j * grid))
        low = np.flatnonzero((energy < np.roll(energy, 1)) & (energy <= np.roll(energy, -1)))
        high = np.flatnonzero((energy > np.roll(energy, 1)) & (energy >= np.roll(energy, -1)))
        held = [
            min(
                energy[high[np.argmin((high - at) % grid.size)]],
                energy[high[np.argmin((at - high) % grid.size)]],
            )
            - energy[at]
            for at in low
        ]
        return float(grid[low[int(np.argmax(held))]])


def efficient(rig: Rig, blank: Blank) -> tuple[float, float, float]:
    """Half-widths of plane (deg), anisotropy (points) and bow (mm), linear and with known variances.

    One mount after five: noise of the run and of the calibration, seating, index mark, and the support's law
    at one of its two ends.
    """
    readings = 2.0 * 360.0 / SPEED * RATE
    first = NOISE * math.sqrt(2.0 / readings) / blank.k
    second = first / TRAVEL
    usual = NOISE * math.sqrt(2.0 / readings) / rig.usual
    index = rig.index
    part = 0.5 * blank.anisotropy
    law = 0.5 * abs(1.0 - blank.k / rig.usual) * abs(rig.support)
    planes = math.sqrt(second**2 + (usual / TRAVEL) ** 2 / 5.0 + law**2 + (2.0 * index * 0.0025) ** 2 / 5.0)
    plane = math.degrees(math.hypot(0.5 * planes / part, index))
    bow = math.sqrt(first**2 + usual**2 / 5.0 + rig.seating**2 * 1.2)
    shape = 0.23 * blank.bow  # what a bow's shape alone does at a quarter of the length (the design's)
    return 1.96 * plane, 1.96 * 200.0 * planes, 1e3 * math.hypot(1.96 * bow, shape)


def coverage(rigs: int, blanks: int, seed: int) -> None:
    """Print coverage and half-widths."""
    rng = np.random.default_rng(seed)
    hits: dict[str, list[bool]] = {}
    widths: dict[str, list[float]] = {}
    best: dict[str, list[float]] = {}

    def put(name: str, off: float, half: float, least: float | None = None) -> None:
        hits.setdefault(name, []).append(abs(off) <= half)
        widths.setdefault(name, []).append(half)
        if least is not None:
            best.setdefault(name, []).append(half / least)

    for _ in range(rigs):
        rig = Rig(rng)
        chuck = rig.calibrated()
        for _ in range(blanks):
            blank = Blank(rng, rng.uniform(6.0, 24.0), rng.uniform(0.005, 0.05), rng.uniform(0.001, 0.012))
            result = fit_roll(rig.roll(blank, rng.uniform(0.0, TURN)), chuck=chuck)
            least = efficient(rig, blank)
            judge(result, blank, least, put)
    for name, held in hits.items():
        ratio = f"{np.median(best[name]):5.2f}" if name in best else "    -"
        print(
            f"{name:11} n {len(held):5d}  covered {100 * np.mean(held):5.1f} %  median half-width"
            f" {np.median(widths[name]):6.3g}  over the efficient one {ratio}"
        )
    print(f"(Student's factor of six left-overs over the normal one: {coverage_factor(6) / 1.96:.2f})")


def judge(result: RollResult, blank: Blank, least: tuple[float, float, float], put) -> None:  # type: ignore[no-untyped-def]
    """Hold one result against the truth."""
    assert result.anisotropy is not None
    assert result.bow is not None
    if result.stiff_plane is not None:
        off = math.degrees(difference(result.stiff_plane.value, blank.plane, math.pi))
        put("plane", off, math.degrees(result.stiff_plane.ci95), least[0])
    off = 100.0 * (result.anisotropy.value - blank.anisotropy)
    put("anisotropy", off, 100.0 * result.anisotropy.ci95, least[1])
    put("bow", 1e3 * (result.bow.value - blank.bow), 1e3 * result.bow.ci95, least[2])
    if result.mark.angle is not None:
        there = [result.mark.angle.value, *([] if result.mark.tie is None else [result.mark.tie])]
        off = min(abs(difference(one, blank.mark())) for one in there)
        put("mark", math.degrees(off), math.degrees(result.mark.angle.ci95))


def batches(count: int, seed: int, calibrated: bool) -> None:
    """Five identical blanks, each marked at another angle, on a chuck of its own rig."""
    rng = np.random.default_rng(seed)
    verdicts: Counter[str] = Counter()
    done = 0
    while done < count:
        rig = Rig(rng)
        if calibrated:
            chuck = rig.calibrated()
        else:  # a chuck as the shipped shares say they are
            chuck = guessed()
            rig.runout = 0.002 / 1.96 * complex(*rng.standard_normal(2))
            rig.support = 0.0025 / 1.96 * complex(*rng.standard_normal(2))
            rig.seating, rig.index, rig.soft = 0.001 / 1.96, math.radians(2.0) / 1.96, False
        for _ in range(4):  # batches on one calibration
            blank = Blank(rng, rng.uniform(6.0, 24.0), rng.uniform(0.005, 0.05), rng.uniform(0.001, 0.012))
            values: dict[str, dict[str, object]] = {"bow": {}, "anisotropy": {}, "stiffness": {}}
            for name in "ABCDE":
                away = rng.uniform(0.0, TURN)  # where the mark happens to stand on the same blank
                blank.plane, blank.toward = (blank.plane + away) % math.pi, (blank.toward + away) % TURN
                blank.force *= np.exp(1j * away)
                result = fit_roll(rig.roll(blank, rng.uniform(0.0, TURN)), chuck=chuck)
                assert result.anisotropy is not None
                values["bow"][name] = result.bow
                values["anisotropy"][name] = result.anisotropy.scaled(100.0)
                values["stiffness"][name] = result.stiffness
            # The tightest tolerance: identical blanks are within any.
            tight = {"bow": 1e-4, "anisotropy": 0.01, "stiffness": 0.1}
            verdicts[compare_batch(values, tight).verdict] += 1  # type: ignore[arg-type]
            done += 1
    kind = "calibrated" if calibrated else "never measured"
    wrong = verdicts["not consistent"]
    print(f"{kind:15} {done} batches: not consistent {100 * wrong / done:.1f} %, {dict(verdicts)}")


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    coverage(given[0] if given else 100, 24, 1)
    number = given[1] if len(given) > 1 else 2000
    batches(number, 2, calibrated=True)
    batches(number, 3, calibrated=False)
