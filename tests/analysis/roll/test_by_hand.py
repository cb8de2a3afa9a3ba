"""Small roll tables by hand: answered from eight positions on, with half-widths that hold."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from analysis_roll_truth import hanging, stiffness_matrix
from scipy.stats import f as f_distribution
from scipy.stats import t as student

from analysis.readings import RollReadings, Steps
from analysis.roll import fit_roll
from analysis.roll.by_hand import positions
from analysis.roll.tensor import Blank

RULER_M = 1e-3
BLANK = Blank.of(np.array([10.0, 0.03, 0.04, 0.2 * math.cos(1.0), 0.2 * math.sin(1.0)]))
PHI = 0.5
WEIGHT_N = 4.5


def travels(blank: Blank, roll: np.ndarray) -> np.ndarray:
    """Travel under the weight, m."""
    plane, half = blank.stiff_plane, blank.k * blank.anisotropy / 2.0
    return hanging(roll, WEIGHT_N, stiffness_matrix(blank.k, half, plane), np.array(blank.bow))


def table(rng: np.random.Generator, count: int, blank: Blank = BLANK, noise: float = 0.4) -> RollReadings:
    """Clock positions under a hanging weight, a ruler's noise in its steps."""
    roll = np.linspace(0.0, 2.0 * math.pi, count, endpoint=False)
    read = travels(blank, roll) + noise * RULER_M * rng.standard_normal(count)
    return RollReadings(
        time_s=np.arange(count, dtype=float), roll=roll, load_N=None, travel_m=read, held_travel_m=None,
        held_load_N=WEIGHT_N, free_length_m=1.8, contact="free", at_rest=True,
    )  # fmt: skip


def least_squares(readings: RollReadings) -> tuple[float, float, float]:
    """Stiff plane, its half-width (Fieller, Student's t) and the plane's p by plain least squares."""
    roll, read = readings.roll, readings.travel_m
    assert read is not None
    waves = [np.cos(roll), np.sin(roll), np.cos(2 * roll), np.sin(2 * roll)]
    design = np.column_stack([np.ones_like(roll), *waves])
    values, *_ = np.linalg.lstsq(design, read, rcond=None)
    dof = roll.size - 5
    cov = np.sum((read - design @ values) ** 2) / dof * np.linalg.inv(design.T @ design)
    pair = -values[3:]
    length = float(np.hypot(*pair))
    across = np.array([-pair[1], pair[0]]) / length
    sine = float(student.ppf(0.975, dof)) * math.sqrt(across @ cov[3:, 3:] @ across) / length
    p = float(f_distribution.sf(0.5 * pair @ np.linalg.solve(cov[3:, 3:], pair), 2, dof))
    plane = 0.5 * math.atan2(pair[1], pair[0]) % math.pi
    return plane, 0.5 * math.asin(min(1.0, sine)), p


def off(a: float, b: float) -> float:
    return (a - b + math.pi / 2) % math.pi - math.pi / 2


@pytest.mark.parametrize("count", [8, 12, 16, 24])
def test_half_widths_of_small_tables_hold_and_are_no_wider_than_they_must_be(count: int) -> None:
    rng = np.random.default_rng(count)
    inside, ratios, mine, peers = 0, [], [], []
    tables = 300
    for _ in range(tables):
        readings = table(rng, count)
        result = fit_roll(readings)
        plane, half, _ = least_squares(readings)
        assert result.stiff_plane is not None
        error = off(result.stiff_plane.value, PHI)
        inside += abs(error) <= result.stiff_plane.noise_ci95
        ratios.append(result.stiff_plane.noise_ci95 / half)
        mine.append(error)
        peers.append(off(plane, PHI))
    # Three standard errors of a share of 95 % over 300 tables are 3.8 %.
    assert 0.912 <= inside / tables <= 0.995
    assert np.median(ratios) < 1.2
    assert np.sqrt(np.mean(np.square(mine))) <= 1.2 * np.sqrt(np.mean(np.square(peers)))


def test_a_round_blank_gets_a_plane_one_time_in_twenty() -> None:
    rng = np.random.default_rng(3)
    round_blank = replace(BLANK, d_cos=0.0, d_sin=0.0)
    found = [
        fit_roll(table(rng, count, round_blank)).plane_found for count in (8, 12, 16) for _ in range(250)
    ]
    assert 0.026 <= np.mean(found) <= 0.074  # three standard errors of 5 % over 750 tables


def test_the_planes_test_is_that_of_the_f_distribution() -> None:
    rng = np.random.default_rng(8)
    weak = replace(BLANK, d_cos=0.01, d_sin=0.02)
    for _ in range(5):
        readings = table(rng, 12, weak)
        assert fit_roll(readings).plane_p_value == pytest.approx(least_squares(readings)[2], rel=1e-6)


@pytest.mark.parametrize("count", [1, 3, 7])
def test_below_eight_positions_it_cannot_tell_and_says_how_many_more(count: int) -> None:
    result = fit_roll(table(np.random.default_rng(1), count))
    assert not result.plane_found
    assert result.stiffness is None
    assert result.mark.angle is None
    assert any(f"read {8 - count} more" in words for words in result.warnings)


def test_repeats_count_once_as_positions_and_all_as_readings() -> None:
    roll = np.radians([0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 270.0, 315.0, 1.0, 359.0, 46.0])
    assert positions(roll) == 8
    once = table(np.random.default_rng(2), 8)
    twice = replace(
        once,
        time_s=np.arange(16.0),
        roll=np.tile(once.roll, 2),
        travel_m=np.tile(once.travel_m, 2) + np.repeat([3e-4, -3e-4], 8),
    )
    assert fit_roll(twice).stiff_plane.value == pytest.approx(fit_roll(once).stiff_plane.value, abs=1e-6)  # type: ignore[union-attr]


def test_a_table_is_told_without_its_word_by_few_readings_far_apart() -> None:
    readings = replace(table(np.random.default_rng(4), 12), at_rest=False)
    result = fit_roll(readings)
    assert result.plane_found
    assert any("at rest" in words for words in result.warnings)


def test_stops_of_a_logger_are_a_table_too() -> None:
    rng = np.random.default_rng(5)
    once = table(rng, 16)
    each = 40
    logged = replace(
        once,
        time_s=np.arange(16 * each) / 10.0,
        roll=np.repeat(once.roll, each),
        travel_m=np.repeat(once.travel_m, each) + 1e-5 * rng.standard_normal(16 * each),
        at_rest=False,
    )
    result = fit_roll(logged)
    # Forty readings of one stop are one reading of it: the half-width is the table's, not √40 smaller.
    assert result.stiff_plane.noise_ci95 == pytest.approx(  # type: ignore[union-attr]
        fit_roll(once).stiff_plane.noise_ci95,  # type: ignore[union-attr]
        rel=0.05,
    )


def test_a_sensor_that_sticks_and_jumps_is_no_table() -> None:
    rng = np.random.default_rng(5)
    n = 1600
    roll = np.linspace(0.0, 2.0 * math.pi, n)
    stuck = replace(
        table(rng, 16),
        time_s=np.arange(n) / 80.0,
        roll=np.radians(15.0 * np.floor(np.degrees(roll) / 15.0)),
        travel_m=travels(BLANK, roll) + 1e-5 * rng.standard_normal(n),
        at_rest=False,
    )
    assert not any("at rest" in words for words in fit_roll(stuck).warnings)


def test_readings_in_any_order_and_with_gaps_give_the_same() -> None:
    rng = np.random.default_rng(6)
    readings = table(rng, 24)
    order = rng.permutation(24)
    mixed = replace(readings, roll=readings.roll[order], travel_m=readings.travel_m[order])  # type: ignore[index]
    assert fit_roll(mixed).stiff_plane.value == pytest.approx(fit_roll(readings).stiff_plane.value)  # type: ignore[union-attr]


def test_the_rulers_step_widens_a_table_whose_readings_agree_by_luck() -> None:
    exact = table(np.random.default_rng(7), 8, noise=0.0)
    fine = fit_roll(replace(exact, steps=Steps(ruler_m=1e-4, protractor_rad=0.0)))
    coarse = fit_roll(replace(exact, steps=Steps(ruler_m=2e-3, protractor_rad=0.0)))
    # Nothing but the prior is left: its half-width goes with the step.
    assert coarse.stiff_plane.noise_ci95 == pytest.approx(20.0 * fine.stiff_plane.noise_ci95, rel=0.05)  # type: ignore[union-attr]


def test_a_slip_of_the_ruler_is_named() -> None:
    readings = table(np.random.default_rng(9), 24)
    assert readings.travel_m is not None
    readings.travel_m[5] += 0.010
    assert any("75°" in words and "again" in words for words in fit_roll(readings).warnings)
