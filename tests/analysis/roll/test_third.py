"""A third snap is named with its cause, and only where three waves a turn are strong enough to make one.

The runs are made here: load of a held tip from a stiffness matrix plus a part of three waves that turns with
the blank, with the chuck, or with what the hand does.
"""

import math

import numpy as np
import pytest
from analysis_roll_truth import held, run, stiffness_matrix, there_and_back, vector

from analysis.roll import fit_mounts, fit_roll
from analysis.roll.more_snaps import ThirdWave, third_snap
from analysis.roll.snaps import shelf
from analysis.roll.tensor import RollEnergy

K, DELTA, PLANE, TRAVEL = 9.0, 0.09, math.radians(40.0), 0.45
TWO = TRAVEL * DELTA
"""Amplitude of the load's 2-per-turn part, N; its energy is TRAVEL/2 times it."""


def load(rng, three, *, mount=0.0, bow=0.0005, two_way=None):
    roll = there_and_back(2400, 2.0)
    matrix = stiffness_matrix(K, DELTA, PLANE)
    clean = held(roll, TRAVEL, matrix, vector(bow, 1.0)) + three(roll)
    return run(roll, clean + 0.004 * rng.standard_normal(roll.size))


def waves(size, shift=0.3):
    return lambda roll: size * np.cos(3.0 * (roll - shift))


@pytest.mark.parametrize("part", [0.0, 0.1])
def test_small_waves_make_no_third_snap(part: float) -> None:
    result = fit_roll(load(np.random.default_rng(1), waves(part * TWO)))
    assert result.third_snap is None
    assert not any("third" in warning for warning in result.warnings)


def test_waves_as_large_as_the_stiffness_part_are_named_with_their_possible_causes() -> None:
    # Energy of three waves over that of two: (d·F3/n)/(d·F2/2) = 1.4·2/n for n = 1, 2, 3: all above 0.67.
    result = fit_roll(load(np.random.default_rng(2), waves(1.4 * TWO)))
    assert result.third_snap is not None
    assert result.third_snap.cause == "unknown"
    assert result.third_snap.sure
    assert len(result.third_snap.angles) == 3
    told = next(w for w in result.warnings if "three waves" in w)
    for word in ("rig", "hand", "section", "--joint"):
        assert word in told


def test_waves_that_turn_round_with_the_direction_are_the_hands() -> None:
    roll = there_and_back(2400, 2.0)
    way = np.where(np.arange(roll.size) < roll.size // 2, 1.0, -1.0)
    result = fit_roll(
        load(np.random.default_rng(3), lambda r: TWO * (1.2 + 1.6 * way) * np.cos(3.0 * (r - 0.3)))
    )
    assert result.third_snap is not None
    assert result.third_snap.cause == "hand"


@pytest.mark.parametrize(("turns_with", "cause"), [("blank", "section"), ("chuck", "rig")])
def test_several_mounts_tell_the_blanks_waves_from_the_chucks(turns_with: str, cause: str) -> None:
    rng = np.random.default_rng(4)
    runs = []
    for mount in (0.0, math.radians(90.0)):
        shift = 0.3 + (mount if turns_with == "chuck" else 0.0)
        one = load(rng, waves(1.4 * TWO, shift))
        runs.append(one.__class__(**{**{k: getattr(one, k) for k in one.__slots__}, "mount": mount}))
    result = fit_mounts(runs).result
    assert result.third_snap is not None
    assert result.third_snap.cause == cause


def test_the_number_of_minima_turns_three_between_0_45_and_0_67_of_the_stiffness_energy() -> None:
    # Without bow: U = p·cos 2θ + u·cos 3(θ − s); brute force on a fine grid, apart from the package.
    grid = np.linspace(0.0, 2.0 * math.pi, 20_000, endpoint=False)

    def lows(u: float, s: float) -> int:
        level = np.cos(2.0 * grid) + u * np.cos(3.0 * (grid - s))
        return int(np.sum((level < np.roll(level, 1)) & (level <= np.roll(level, -1))))

    for s in np.linspace(0.0, 2.0 * math.pi / 3.0, 25):
        assert lows(0.43, s) == 2
        assert lows(0.80, s) == 3
        for u in (0.3, 1.0):
            pair = u * np.array([math.cos(3.0 * s), math.sin(3.0 * s)])
            wave = ThirdWave(2.0 * pair, np.eye(2) * 1e-6, 100.0, "unknown")  # growth 2 is half of it
            third = third_snap(wave, RollEnergy(1.0, 0.0, 0.0, 0.0), 1.0)
            if u == 1.0:
                assert third is not None
                assert len(third.angles) == 3
            else:
                assert third is None or not third.sure


def test_a_shelf_is_where_the_second_minimum_was_and_needs_the_friction_that_it_says() -> None:
    # Just outside the astroid between its cusps: at 45° its edge is q = 2p (h = ½), here 5 % more.
    energy = RollEnergy(1.0, 0.0, 2.1 * math.sqrt(0.5), 2.1 * math.sqrt(0.5))
    found = shelf(energy)
    assert found is not None
    grid = np.linspace(0.0, 2.0 * math.pi, 200_000, endpoint=False)
    torque = np.gradient(energy(grid), grid)
    away = np.abs((grid - found.angle + math.pi) % (2.0 * math.pi) - math.pi) < 0.02
    assert np.all(np.sign(torque[away]) == np.sign(torque[away][0]))
    assert found.torque == pytest.approx(np.abs(torque[away]).min() / np.abs(torque).max(), abs=2e-3)


def test_two_snaps_or_a_bow_alone_have_no_shelf() -> None:
    assert shelf(RollEnergy(1.0, 0.0, 0.1, 0.1)) is None
    assert shelf(RollEnergy(0.0, 0.0, 1.0, 0.0)) is None
    assert shelf(RollEnergy(0.01, 0.0, 1.0, 0.0)) is None
