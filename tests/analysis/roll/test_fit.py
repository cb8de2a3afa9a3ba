"""A whole roll fit on blanks of known tensor and bow (models in `analysis_roll_truth`, by matrices)."""

import math
from dataclasses import replace

import numpy as np
import pytest
from analysis_roll_truth import (
    TURN,
    apart,
    free,
    hanging,
    held,
    minima,
    run,
    stiffness_matrix,
    there_and_back,
    vector,
)

from analysis.errors import ReadingsError
from analysis.estimate import Estimate
from analysis.readings import RigErrors, RollReadings
from analysis.roll import fit_roll

K, DELTA, PLANE = 4.0, 0.05, math.radians(35.0)
MATRIX = stiffness_matrix(K, DELTA, PLANE)
BOW = vector(0.006, math.radians(100.0))
ROLL = there_and_back(1200, start=0.3)


def noisy(load, seed=0, sigma=0.005):
    return load + sigma * np.random.default_rng(seed).normal(size=load.size)


def assert_blank_is_told(result, plane_deg=1e-4, relative=1e-6):
    assert result.plane_found
    assert apart(result.stiff_plane.value, PLANE, math.pi) < math.radians(plane_deg)
    assert result.anisotropy.value == pytest.approx(2 * DELTA / K, rel=relative)
    assert result.stiffness.value == pytest.approx(K, rel=relative)
    assert result.bow.value == pytest.approx(0.006, rel=relative)
    assert apart(result.bow_direction.value, math.radians(100.0)) < math.radians(plane_deg)


def test_held_tip_gives_the_blank_back():
    assert_blank_is_told(fit_roll(run(ROLL, held(ROLL, 0.45, MATRIX, BOW))))


def test_free_tip_gives_the_blank_back():
    result = fit_roll(run(ROLL, free(ROLL, 0.45, MATRIX, BOW), contact="free"))
    assert_blank_is_told(result, relative=1e-5)


def test_free_tip_on_a_part_of_a_turn_needs_the_exact_relation():
    roll = np.linspace(0, math.radians(250), 600)
    result = fit_roll(run(roll, free(roll, 0.45, MATRIX, BOW), contact="free"))
    assert_blank_is_told(result, relative=1e-5)


def test_hanging_weight_gives_the_blank_back():
    travel = hanging(ROLL, 1.8, MATRIX, BOW)
    readings = RollReadings(np.arange(ROLL.size) / 80, ROLL % TURN, None, travel, None, 1.8, 1.8)
    result = fit_roll(readings)
    assert_blank_is_told(result)
    assert result.hanging
    assert result.travel_m == pytest.approx(np.trace(np.linalg.inv(MATRIX)) / 2 * 1.8)


def test_travel_read_with_the_load_overrides_the_held_one():
    travel = 0.45 + 0.02 * np.sin(np.linspace(0, 40, ROLL.size))
    readings = run(ROLL, held(ROLL, travel, MATRIX, BOW), travel=0.9)
    assert_blank_is_told(fit_roll(replace(readings, travel_m=travel)))


@pytest.mark.parametrize("turned_deg", [17.0, 123.0, 311.0])
def test_turning_the_index_mark_turns_every_answer(turned_deg):
    load = noisy(held(ROLL, 0.45, MATRIX, BOW))
    turn = math.radians(turned_deg)
    here, there = fit_roll(run(ROLL, load)), fit_roll(run(ROLL + turn, load))
    assert apart(there.stiff_plane.value, here.stiff_plane.value + turn, math.pi) < 1e-7
    assert apart(there.bow_direction.value, here.bow_direction.value + turn) < 1e-7
    assert apart(there.snaps[0].angle.value, here.snaps[0].angle.value + turn) < 1e-6
    assert there.stiff_plane.ci95 == pytest.approx(here.stiff_plane.ci95, rel=1e-5)


def test_snaps_are_those_of_brute_force():
    result = fit_roll(run(ROLL, held(ROLL, 0.45, MATRIX, BOW)))
    angles, barriers = minima(0.45, MATRIX, BOW)
    assert len(result.snaps) == len(angles)
    for snap, angle, barrier in zip(result.snaps, angles, barriers, strict=True):
        assert apart(snap.angle.value, angle) < math.radians(0.02)
        assert snap.barrier.value == pytest.approx(barrier, rel=1e-4)


def test_without_bow_the_snaps_lie_across_the_stiff_plane_and_the_mark_is_a_tie():
    load = noisy(held(ROLL, 0.45, MATRIX, np.zeros(2)), seed=1)
    result = fit_roll(run(ROLL, load))
    assert [snap.cause for snap in result.snaps] == ["stiffness", "stiffness"]
    for snap in result.snaps:
        assert apart(snap.angle.value, PLANE + math.pi / 2, math.pi) < math.radians(1.0)
    assert result.mark.tie is not None
    assert apart(result.mark.angle.value, 0.0) <= apart(result.mark.tie, 0.0)


def test_a_bow_that_beats_the_stiffness_leaves_one_snap_near_its_own_direction():
    bow = vector(0.06, math.radians(100.0))
    result = fit_roll(run(ROLL, noisy(held(ROLL, 0.45, MATRIX, bow))))
    (snap,) = result.snaps
    assert snap.cause == "bow"
    angles, barriers = minima(0.45, MATRIX, bow)
    assert apart(snap.angle.value, angles[0]) <= snap.angle.ci95
    assert abs(snap.barrier.value - barriers[0]) <= snap.barrier.ci95
    assert result.mark.tie is None


def test_no_anisotropy_is_no_plane_but_the_bow_still_gives_the_mark():
    load = noisy(held(ROLL, 0.45, K * np.eye(2), BOW), seed=2)
    result = fit_roll(run(ROLL, load))
    assert not result.plane_found
    assert result.stiff_plane is None
    assert result.plane_p_value > 0.05
    assert apart(result.snaps[0].angle.value, math.radians(100.0)) <= result.snaps[0].angle.ci95
    assert apart(result.mark.angle.value, math.radians(100.0)) <= result.mark.angle.ci95
    assert any("No stiff plane" in warning for warning in result.warnings)
    stiff = fit_roll(run(ROLL, load), mark_rule="stiff")
    assert stiff.mark.angle is None
    assert "plane" in stiff.mark.why


def test_a_blank_that_does_not_care_gets_no_mark():
    load = noisy(held(ROLL, 0.45, K * np.eye(2), np.zeros(2)), seed=4)
    result = fit_roll(run(ROLL, load))
    assert not result.plane_found
    assert result.snaps == ()
    assert result.mark.angle is None
    assert result.stiffness.value == pytest.approx(K, rel=1e-2)


def test_friction_is_told_from_two_directions_and_shared_out_from_one():
    sense = np.where(np.arange(ROLL.size) < ROLL.size // 2, 1.0, -1.0)
    both = fit_roll(run(ROLL, noisy(held(ROLL, 0.45, MATRIX, BOW) + 0.03 * sense)))
    assert abs(both.friction.value - 0.03) <= both.friction.ci95
    assert abs(both.stiffness.value - K) <= both.stiffness.ci95
    roll = np.linspace(0, 2 * TURN, 1200)
    load = noisy(held(roll, 0.45, MATRIX, BOW) + 0.025)
    one = fit_roll(run(roll, load, rig=RigErrors(friction_N=0.03)))
    assert one.friction is None
    assert abs(one.stiffness.value - K) <= one.stiffness.ci95
    assert [s.ci95 for s in one.stiffness.shares if s.cause == "friction"] == pytest.approx([0.03 / 0.45])
    assert not any("one direction" in warning for warning in one.warnings)
    assert any("one direction" in warning for warning in fit_roll(run(roll, load)).warnings)


def test_calibration_enters_the_systematic_part_and_is_shared():
    rig = RigErrors(load_scale_ci95=0.01, travel_scale_ci95=0.02, angle_ci95_rad=math.radians(2.0))
    result = fit_roll(run(ROLL, noisy(held(ROLL, 0.45, MATRIX, BOW)), rig=rig))
    assert result.stiffness.shared_ci95 == pytest.approx(result.stiffness.value * math.hypot(0.01, 0.02))
    assert result.stiff_plane.systematic_ci95 >= math.radians(2.0)
    assert result.stiff_plane.noise_ci95 < math.radians(2.0)
    assert not any("calibration" in warning for warning in result.warnings)


def test_bow_that_may_explain_the_anisotropy_is_said_to():
    matrix = stiffness_matrix(K, 0.5 * 0.002 * K, PLANE)
    bow = vector(0.05, PLANE)
    result = fit_roll(run(ROLL, noisy(held(ROLL, 0.45, matrix, bow), sigma=5e-4)))
    assert result.plane_found
    assert any("bow alone may explain" in warning for warning in result.warnings)
    share = [part.ci95 for part in result.stiff_plane.shares if part.cause == "bow"]
    ratio = (result.bow.value / 1.8) ** 2
    expected = 0.5 * math.atan2(1.5 * ratio, result.anisotropy.value / 2)
    assert share == pytest.approx([expected], rel=1e-3)


def test_drift_counts_from_the_first_reading():
    drift = 0.08 * np.linspace(0, 1, ROLL.size)
    result = fit_roll(run(ROLL, noisy(held(ROLL, 0.45, MATRIX, BOW) + drift)))
    assert abs(result.stiffness.value - K) <= result.stiffness.ci95
    assert abs(result.bow.value - 0.006) <= result.bow.ci95


def test_missing_readings_and_spikes_change_nothing_that_matters():
    load = noisy(held(ROLL, 0.45, MATRIX, BOW))
    clean = fit_roll(run(ROLL, load))
    spoilt = load.copy()
    spoilt[::37] += 3.0
    spoilt[5::91] = math.nan
    result = fit_roll(run(ROLL, spoilt))
    assert apart(result.stiff_plane.value, clean.stiff_plane.value, math.pi) < 0.3 * clean.stiff_plane.ci95
    assert result.stiff_plane.ci95 < 1.1 * clean.stiff_plane.ci95
    assert any("spikes" in warning for warning in result.warnings)


def test_further_waves_are_found_and_said():
    load = held(ROLL, 0.45, MATRIX, BOW) + 0.02 * np.cos(4 * ROLL + 1)
    result = fit_roll(run(ROLL, noisy(load, seed=1)))
    assert result.harmonics == 4
    assert apart(result.stiff_plane.value, PLANE, math.pi) <= result.stiff_plane.ci95


def test_flex_run_corrects_the_barriers_and_narrows_them():
    load = noisy(held(ROLL, 0.45, MATRIX, 0.3 * BOW))
    plain = fit_roll(run(ROLL, load))
    corrected = fit_roll(run(ROLL, load), initial_stiffness=Estimate(3.5, 0.02))
    assert corrected.barrier_corrected
    assert not plain.barrier_corrected
    for before, after in zip(plain.snaps, corrected.snaps, strict=True):
        assert 0.88 < after.barrier.value / before.barrier.value < 1.0
        assert after.barrier.ci95 < before.barrier.ci95


def test_curve_for_the_figure_is_the_load_without_drift_and_friction():
    sense = np.where(np.arange(ROLL.size) < ROLL.size // 2, 1.0, -1.0)
    clean = held(ROLL, 0.45, MATRIX, BOW)
    load = clean + 0.03 * sense + 0.05 * np.linspace(0, 1, ROLL.size)
    curve = fit_roll(run(ROLL, noisy(load, sigma=1e-4)), curve=True).curve
    np.testing.assert_allclose(curve.reading, clean, atol=1e-3)
    np.testing.assert_allclose(curve.model, held(curve.grid, 0.45, MATRIX, BOW), atol=1e-3)
    assert curve.energy.min() == 0.0
    assert np.all(curve.model_ci95 > 0)
    assert fit_roll(run(ROLL, load)).curve is None


# Bad input -------------------------------------------------------------------------------------------------


def test_less_than_120_degrees_claims_nothing():
    roll = np.linspace(0, math.radians(115), 500)
    result = fit_roll(run(roll, noisy(held(roll, 0.45, MATRIX, BOW))))
    assert not result.plane_found
    assert result.stiff_plane is None
    assert result.stiffness is None
    assert result.snaps == ()
    assert result.mark.angle is None
    assert "120°" in result.warnings[0]


def test_140_degrees_give_a_plane_with_a_wide_half_width_that_holds():
    roll = np.linspace(0, math.radians(140), 1500)
    result = fit_roll(run(roll, noisy(held(roll, 0.45, MATRIX, BOW), sigma=5e-4)))
    assert result.coverage == pytest.approx(140 / 360, abs=0.01)
    if result.plane_found:
        assert apart(result.stiff_plane.value, PLANE, math.pi) <= result.stiff_plane.ci95
    assert any("of the turn" in warning for warning in result.warnings)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda r: replace(r, roll=np.full(r.roll.size, 0.4)), "angle never changes"),
        (lambda r: replace(r, load_N=np.full(r.roll.size, 1.8)), "load never changes"),
        (lambda r: replace(r, load_N=np.minimum(r.load_N, np.quantile(r.load_N, 0.8))), "saturated"),
        (lambda r: replace(r, load_N=np.full(r.roll.size, math.nan)), "complete"),
        (lambda r: replace(r, time_s=r.time_s[::-1].copy()), "time runs backwards"),
        (lambda r: replace(r, held_travel_m=None), "complete"),
        (lambda r: replace(r, load_N=-r.load_N), "mean load is not above zero"),
        (lambda r: replace(r, load_N=None), "no load readings"),
    ],
)
def test_readings_that_cannot_be_used_are_refused_in_plain_words(spoil, words):
    readings = spoil(run(ROLL, noisy(held(ROLL, 0.45, MATRIX, BOW))))
    with pytest.raises(ReadingsError, match=words) as caught:
        fit_roll(readings)
    assert caught.value.do


def test_coarse_load_counts_are_not_taken_for_a_saturated_cell():
    load = np.round(noisy(held(ROLL, 0.45, MATRIX, BOW), sigma=0.002) / 0.01) * 0.01
    result = fit_roll(run(ROLL, load))
    assert apart(result.stiff_plane.value, PLANE, math.pi) <= result.stiff_plane.ci95


def test_an_angle_averaged_over_the_wrap_is_left_out_and_said():
    roll = np.linspace(0, 2 * TURN, 1600) + 0.2
    read = np.mod(roll, TURN)
    load = noisy(held(roll, 0.45, MATRIX, BOW))
    smeared = np.convolve(read, np.ones(4) / 4, mode="same")
    smeared[:4], smeared[-4:] = read[:4], read[-4:]
    result = fit_roll(replace(run(roll, load), roll=smeared))
    assert any("jumps back and forth" in warning for warning in result.warnings)
    assert apart(result.stiff_plane.value, PLANE, math.pi) < math.radians(1.5)


def test_a_stuck_angle_is_left_out_and_said():
    roll = np.linspace(0, 2 * TURN, 1600)
    read = roll.copy()
    read[500:640] = read[500]
    load = noisy(held(roll, 0.45, MATRIX, BOW))
    result = fit_roll(run(read, load))
    assert any("stood still" in warning for warning in result.warnings)
    assert apart(result.stiff_plane.value, PLANE, math.pi) <= result.stiff_plane.ci95
