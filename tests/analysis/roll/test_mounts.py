"""What turns with the blank apart from what turns with the chuck; loads made by matrices in this test."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.angles import difference
from analysis.errors import ReadingsError
from analysis.readings import RollReadings
from analysis.roll import fit_mounts, fit_roll
from analysis.roll.fit import Measured, measure, without

K, D, TRAVEL, LENGTH = 4.0, 0.04, 0.45, 1.8
PLANE, BOW, TOWARD = math.radians(35.0), 0.003, math.radians(100.0)
CHUCK_D, CHUCK_PLANE = 0.04, math.radians(80.0)
RUNOUT, RUNOUT_TOWARD = 0.004, math.radians(200.0)


def roll(mount: float, seed: int, noise: float = 0.008, chuck: bool = True) -> RollReadings:
    """Two turns on and two back of a blank in a chuck that errs, through stiffness matrices."""
    rng = np.random.default_rng(seed)
    n = 2000
    way = np.concatenate([np.linspace(0.0, 4.0 * math.pi, n // 2), np.linspace(4.0 * math.pi, 0.0, n // 2)])
    angle = way + mount  # blank angle that faces the pull
    turned = lambda plane, soft: (  # noqa: E731
        np.array([[math.cos(plane), -math.sin(plane)], [math.sin(plane), math.cos(plane)]])
        @ np.diag([soft, -soft])
        @ np.array([[math.cos(plane), math.sin(plane)], [-math.sin(plane), math.cos(plane)]])
    )
    stiffness = K * np.eye(2) + turned(PLANE, D)
    force = stiffness @ (BOW * np.array([math.cos(TOWARD), math.sin(TOWARD)]))
    pull = np.stack([np.cos(angle), np.sin(angle)])
    load = TRAVEL * np.einsum("an,ab,bn->n", pull, stiffness, pull) - force @ pull
    if chuck:
        seen = np.stack([np.cos(way), np.sin(way)])
        load += TRAVEL * np.einsum("an,ab,bn->n", seen, turned(CHUCK_PLANE, CHUCK_D), seen)
        load -= K * RUNOUT * np.cos(way - RUNOUT_TOWARD)
    load += noise * rng.standard_normal(n)
    return RollReadings(
        np.arange(n) / 40.0, angle % (2.0 * math.pi), load, None, TRAVEL, None, LENGTH, mount=mount
    )


def test_two_mounts_a_quarter_turn_apart_take_off_a_chuck_error_as_large_as_the_plane() -> None:
    single = fit_roll(roll(0.0, 1))
    assert single.stiff_plane is not None
    assert abs(difference(single.stiff_plane.value, PLANE, math.pi)) > math.radians(10.0)
    joint = fit_mounts([roll(0.0, 1), roll(0.5 * math.pi, 2)])
    result = joint.result
    assert joint.separated == (True, True)
    assert result.stiff_plane is not None
    assert result.anisotropy is not None
    assert result.bow is not None
    assert result.bow_direction is not None
    # What is left of the chuck's error: the error of the 2-per-turn vector, at most 5 % of the chuck's part.
    angle = 2.0 * result.stiff_plane.value
    left = np.array([math.cos(angle), math.sin(angle)]) * 0.5 * result.anisotropy.value * K
    left -= D * np.array([math.cos(2.0 * PLANE), math.sin(2.0 * PLANE)])
    assert np.hypot(*left) <= 0.05 * CHUCK_D
    assert abs(difference(result.stiff_plane.value, PLANE, math.pi)) <= result.stiff_plane.ci95
    assert abs(difference(result.bow_direction.value, TOWARD)) <= result.bow_direction.ci95
    assert abs(result.bow.value - BOW) <= result.bow.ci95
    assert result.warnings is not None


def test_the_chucks_own_part_is_found_and_can_be_taken_off_a_later_single_mount() -> None:
    chuck = fit_mounts([roll(0.0, 1), roll(0.5 * math.pi, 2), roll(math.pi, 3)]).chuck
    assert chuck.runout_m == pytest.approx(RUNOUT, rel=0.1)
    assert 100.0 * chuck.support == pytest.approx(200.0 * CHUCK_D / K, rel=0.05)
    mount = 2.5
    later_roll = roll(mount, 9)
    later = measure(later_roll)
    assert isinstance(later, Measured)
    numbers = without(later, later_roll, chuck).numbers
    plane = 0.5 * math.atan2(numbers[4], numbers[3])
    assert abs(difference(plane, PLANE, math.pi)) < math.radians(2.0)


def test_mounts_half_a_turn_apart_say_that_they_cannot_tell_the_planes_apart() -> None:
    joint = fit_mounts([roll(0.0, 1), roll(math.pi, 2)])
    assert joint.separated == (True, False)
    assert any("2-per-turn" in warning for warning in joint.result.warnings)
    assert joint.result.bow is not None
    assert abs(joint.result.bow.value - BOW) <= joint.result.bow.ci95


def test_mounts_all_alike_separate_nothing_and_say_so() -> None:
    joint = fit_mounts([roll(1.0, 1), roll(1.0, 2)])
    assert joint.separated == (False, False)
    assert any("cannot be told apart" in warning for warning in joint.result.warnings)


def test_joint_half_widths_hold_the_truth_nineteen_times_in_twenty() -> None:
    hits = []
    for seed in range(100):
        joint = fit_mounts([roll(0.0, 10 + 3 * seed), roll(2.0, 11 + 3 * seed), roll(4.0, 12 + 3 * seed)])
        plane = joint.result.stiff_plane
        assert plane is not None
        hits.append(abs(difference(plane.value, PLANE, math.pi)) <= plane.noise_ci95)
    assert 88 <= sum(hits) <= 99


def test_one_mount_is_no_joint_fit() -> None:
    with pytest.raises(ReadingsError, match="two mounts"):
        fit_mounts([roll(0.0, 1)])
