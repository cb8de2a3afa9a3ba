"""What a roll result's half-widths are made of, each part against what it stands for."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from analysis_roll_truth import TURN, held, run, stiffness_matrix, there_and_back, vector
from scipy import stats

from analysis.estimate import Estimate
from analysis.readings import RigErrors, RollReadings
from analysis.roll import fit_mounts, fit_roll
from analysis.roll.fit import Measured, measure

K, TRAVEL, LENGTH = 4.0, 0.45, 1.8
BOTH_WAYS = there_and_back(800, turns=2)
ONE_WAY = np.linspace(0.0, 2.0 * TURN, 800)


def share(estimate: Estimate | None, cause: str) -> float:
    """Half-width from one cause, 0 where it has none."""
    assert estimate is not None
    return math.hypot(*(each.ci95 for each in estimate.shares if each.cause == cause))


def rolled(roll: np.ndarray, matrix: np.ndarray, bow: np.ndarray, noise: float = 1e-4, seed: int = 1,
           more_N: float = 0.0, rig: RigErrors | None = None) -> RollReadings:  # fmt: skip
    load = held(roll, TRAVEL, matrix, bow) + more_N
    load = load + noise * np.random.default_rng(seed).normal(size=roll.size)
    return run(roll, load, TRAVEL, length=LENGTH, rig=rig)


def test_the_bows_own_stiffening_counts_in_full_against_the_anisotropy() -> None:
    """Along the bow u₀ the blank is stiffer by up to k·3·(u₀/L)²: so large an anisotropy comes of it alone.

    On a round blank it is within the ±, and not by more than a tenth.
    """
    toward, size = 0.7, 0.07
    stiffer = 3.0 * (size / LENGTH) ** 2
    matrix = stiffness_matrix(K * (1.0 + 0.5 * stiffer), 0.5 * K * stiffer, toward)
    found = fit_roll(rolled(BOTH_WAYS, matrix, vector(size, toward))).anisotropy
    assert found is not None
    assert found.value == pytest.approx(stiffer, rel=0.02)
    assert share(found, "bow") == pytest.approx(found.value, rel=0.1)


def test_a_roll_in_one_direction_counts_20_millinewtons_of_friction_where_the_rig_states_none() -> None:
    """Friction lifts every load alike, so the stiffness by friction over travel; 20 mN is our own default."""
    matrix, bow = stiffness_matrix(K, 0.05, 0.6), vector(0.006, 1.7)
    alone = fit_roll(rolled(ONE_WAY, matrix, bow, more_N=0.02))
    assert share(alone.stiffness, "friction") == pytest.approx(0.02 / TRAVEL, rel=1e-6)
    assert alone.stiffness is not None
    assert abs(alone.stiffness.value - K) <= alone.stiffness.ci95
    assert alone.bow is not None
    assert share(alone.bow, "friction") == pytest.approx(alone.bow.value * 0.02 / (K * TRAVEL), rel=0.02)
    known = fit_roll(rolled(ONE_WAY, matrix, bow, rig=RigErrors(friction_N=0.05)))
    assert share(known.stiffness, "friction") == pytest.approx(0.05 / TRAVEL, rel=1e-6)
    assert share(fit_roll(rolled(BOTH_WAYS, matrix, bow)).stiffness, "friction") == 0.0


@pytest.mark.parametrize("zero", [-0.05, 0.05])
def test_a_load_zero_that_stands_off_by_its_half_width_moves_each_result_by_its_share(zero: float) -> None:
    matrix, bow = stiffness_matrix(K, 0.05, 0.6), vector(0.006, 1.7)
    rig = RigErrors(load_zero_ci95_N=abs(zero))
    right = fit_roll(rolled(BOTH_WAYS, matrix, bow, rig=rig))
    wrong = fit_roll(rolled(BOTH_WAYS, matrix, bow, rig=rig, more_N=zero))
    for name in ("stiffness", "bow", "anisotropy"):
        before, after = getattr(right, name), getattr(wrong, name)
        assert share(before, "load zero") == pytest.approx(abs(after.value - before.value), rel=0.05), name


def by_samples(readings: RollReadings, angle: float, seed: int) -> float:
    """95 % quantile of a snap's distance from `angle`, by drawing the five numbers, rad.

    Ordinary least squares with its own covariance, then for each draw the minima of the energy
    ½(T·p − u₀)·K·(T·p − u₀) on a grid over the roll.
    """
    roll, load = readings.roll, readings.load_N
    assert load is not None
    mean, waves = np.full(roll.size, TRAVEL), (-np.cos(roll), -np.sin(roll))
    columns = np.column_stack([mean, *waves, TRAVEL * np.cos(2 * roll), TRAVEL * np.sin(2 * roll)])
    numbers, (rss,), _, _ = np.linalg.lstsq(columns, load, rcond=None)
    spread = np.linalg.inv(columns.T @ columns) * rss / (roll.size - 5)
    draws = np.random.default_rng(seed).multivariate_normal(numbers, spread, size=3000)
    grid = np.linspace(0.0, TURN, 720, endpoint=False)
    one, two = np.stack([np.cos(grid), np.sin(grid)]), np.stack([np.cos(2 * grid), np.sin(2 * grid)])
    energy = 0.5 * TRAVEL**2 * draws[:, 3:] @ two - TRAVEL * draws[:, 1:3] @ one
    low = (energy < np.roll(energy, 1, axis=1)) & (energy <= np.roll(energy, -1, axis=1))
    away = np.abs((grid - angle + math.pi) % TURN - math.pi)
    return float(np.quantile(np.where(low, away, np.inf).min(axis=1), 0.95))


@pytest.mark.parametrize(
    ("delta", "bow", "noise"),
    [(0.01, 0.003, 0.02), (0.004, 0.008, 0.06)],
    ids=["well known, by its slope", "hardly known, by samples"],
)
def test_a_snaps_half_width_holds_95_percent_of_where_it_may_lie(
    delta: float, bow: float, noise: float
) -> None:
    """The mean ratio over 20 runs; its standard error is 0.01, and 90 % instead of 95 % would give 0.85."""
    matrix = stiffness_matrix(K, delta, 0.6)
    ratios = []
    for seed in range(20):
        readings = rolled(there_and_back(1200, turns=2), matrix, vector(bow, 1.7), noise, seed)
        angle = fit_roll(readings).snaps[0].angle
        ratios.append(angle.noise_ci95 / by_samples(readings, angle.value, seed))
    assert 0.94 <= float(np.mean(ratios)) <= 1.10


def stiffness_misfit(found: list[Measured]) -> tuple[float, float]:
    """χ² of the mounts' stiffnesses about their weighted mean, and the mean's variance."""
    k = np.array([measured.numbers[0] for measured in found])
    weight = 1.0 / np.array([measured.spread[0, 0] for measured in found])
    mean = float(weight @ k / weight.sum())
    return float(weight @ (k - mean) ** 2), 1.0 / float(weight.sum())


def test_mounts_that_disagree_are_told_and_widened_by_chi_square() -> None:
    """Three mounts of one blank have one stiffness: χ²₂ passes 1 % at 9.21 (SciPy).

    The load of one mount reads higher by more and more, until the misfit passes that.
    """
    mounts = (0.0, 2.0, 4.0)
    limit = float(stats.chi2.isf(0.01, 2))
    matrix = stiffness_matrix(K, 0.05, 0.6)

    def runs(more: float) -> list[RollReadings]:
        made = [
            replace(rolled(BOTH_WAYS + m, matrix, vector(0.006, 1.7), 0.005, seed), mount=m)
            for seed, m in enumerate(mounts)
        ]
        assert made[0].load_N is not None
        made[0] = replace(made[0], load_N=made[0].load_N * (1.0 + more))
        return made

    def misfit(more: float) -> tuple[float, float]:
        found = [measure(each) for each in runs(more)]
        return stiffness_misfit([each for each in found if isinstance(each, Measured)])

    low, high = 0.0, 0.02
    assert misfit(low)[0] < 0.9 * limit < 1.1 * limit < misfit(high)[0]
    for wanted, told in ((0.9 * limit, False), (1.1 * limit, True)):
        below, above = low, high
        for _ in range(12):
            middle = 0.5 * (below + above)
            below, above = (below, middle) if misfit(middle)[0] > wanted else (middle, above)
        chi2, variance = misfit(below)
        assert chi2 == pytest.approx(wanted, rel=0.02)
        joint = fit_mounts(runs(below)).result
        assert any("differ by more" in said for said in joint.warnings) is told
        assert joint.stiffness is not None
        widened = chi2 / 2.0 if told else 1.0
        assert joint.stiffness.noise == pytest.approx(math.sqrt(variance * widened), rel=0.03)


@pytest.mark.parametrize(
    ("mounts_deg", "left_over"),
    [
        ((0.0, 90.0, 180.0, 270.0), (4, 4)),
        ((0.0, 120.0, 240.0), (2, 2)),
        ((0.0, 72.0, 144.0, 216.0, 288.0), (6, 6)),
        ((0.0, 90.0), (0, 0)),
    ],
)
def test_what_is_left_over_for_the_scatter_of_mounts_is_counted(
    mounts_deg: tuple[float, ...], left_over: tuple[int, int]
) -> None:
    """Two numbers a mount and part, less two for the blank and two for the chuck (counting unknowns)."""
    matrix, bow = stiffness_matrix(K, 0.05, 0.6), vector(0.006, 1.7)
    runs = [
        replace(rolled(BOTH_WAYS, matrix, bow, seed=at), mount=math.radians(mount))
        for at, mount in enumerate(mounts_deg)
    ]
    assert fit_mounts(runs).left_over == left_over
