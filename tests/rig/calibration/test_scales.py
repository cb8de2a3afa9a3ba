"""Calibration: counts to units, made from known values, kept as dated files, honest about its half-width."""

from __future__ import annotations

import math
import statistics
from datetime import datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants, stats

from rig.calibration import (
    AngleScale,
    Calibration,
    LoadScale,
    TipScale,
    TravelScale,
    latest_calibration,
    load_calibration,
    save_calibration,
    signed,
    unwrapped,
)
from rig.calibration.points import KnownWeight, angle_scale, level, load_scale, tip_scale, travel_scale
from rig.errors import FileError, ReadingsError

WHOLE = Calibration(
    dated="2026-05-04T09:30:00+00:00",
    load=LoadScale(84_213.0, -9.81e-6, 0.004, 0.001, 0.0002),
    travel=TravelScale(412.0, 5e-5, 0.001, bits=16),
    angle=AngleScale(-1, 1234.0, 4096, 0.3),
    tip=TipScale(1, 2048.0),
)


@given(st.integers(-(2**23), 2**23 - 1))
def test_counts_of_24_bits_are_twos_complement_however_they_were_sent(value):
    """Oracle: Python's own reading of three bytes."""
    raw = value & 0xFFFFFF
    assert int.from_bytes(raw.to_bytes(3, "big"), "big", signed=True) == value
    assert signed(raw, 24) == value
    assert signed(value, 24) == value


@given(st.lists(st.integers(-2000, 2000), min_size=1, max_size=50), st.integers(0, 4095))
def test_a_12_bit_turn_is_unwrapped_over_any_number_of_turns(steps, start):
    true = start + np.cumsum([0, *steps])
    got = unwrapped(np.mod(true, 4096))
    np.testing.assert_allclose(got - got[0], true - true[0])


def test_a_missing_angle_does_not_break_the_unwrapping():
    np.testing.assert_array_equal(unwrapped([4000.0, math.nan, 100.0]), [4000.0, math.nan, 4196.0])


@given(
    st.floats(-20, 20),
    st.floats(0, 1.5),
    st.floats(0, 359.99),
    st.floats(-80, 80),
    st.sampled_from([-1, 1]),
    st.floats(-360, 720),
)
def test_counts_become_the_units_they_were_made_from(load, travel, chuck, tip, sign, mount):
    """Oracle: the rig's wiring written out forwards, with counts left whole only in their wrap."""
    calibration = Calibration(
        load=LoadScale(84_213.0, sign * 9.81e-6),
        travel=TravelScale(60_000.0, sign * 5e-5, bits=16),
        angle=AngleScale(sign, 1234.0),
        tip=TipScale(sign, 2048.0),
    )
    counts = {
        "load_counts": [np.mod(84_213 + load / (sign * 9.81e-6), 2**24)],
        "travel_counts": [np.mod(60_000 + travel / (sign * 5e-5), 2**16)],
        "angle_counts": [np.mod(1234 + sign * chuck / 360 * 4096, 4096)],
        "tip_counts": [np.mod(2048 + sign * tip / 360 * 4096, 4096)],
        "seq": [1],
    }
    columns = calibration.apply(counts, mount)
    assert list(columns) == ["load_N", "travel_m", "roll_deg", "tip_deg"]
    assert columns["load_N"][0] == pytest.approx(load, abs=1e-9)
    assert columns["travel_m"][0] == pytest.approx(travel, abs=1e-9)
    assert columns["tip_deg"][0] == pytest.approx(tip, abs=1e-9)
    assert 0 <= columns["roll_deg"][0] < 360
    assert math.cos(math.radians(columns["roll_deg"][0] - chuck - mount)) == pytest.approx(1, abs=1e-12)


def test_missing_counts_and_uncalibrated_channels_stay_missing():
    columns = Calibration(load=LoadScale(0, 1.0)).apply(
        {"load_counts": [1.0, math.nan], "tip_counts": [1.0, 2.0]}
    )
    assert list(columns) == ["load_N"]
    assert np.isnan(columns["load_N"]).tolist() == [False, True]


def test_a_calibration_comes_back_from_tables_and_from_its_file(tmp_path):
    assert Calibration.from_tables(WHOLE.to_tables(), "x") == WHOLE
    path = save_calibration(WHOLE, tmp_path / "calibrations")
    assert path.name == "2026-05-04T0930.toml"
    assert load_calibration(path) == WHOLE


def test_no_calibration_is_overwritten_and_the_latest_is_used(tmp_path):
    from dataclasses import replace

    assert latest_calibration(tmp_path / "none") is None
    first = save_calibration(WHOLE, tmp_path)
    later = replace(WHOLE, load=LoadScale(1.0, 2.0))
    names = [save_calibration(later, tmp_path).name for _ in range(11)]
    assert names[0] == "2026-05-04T0930-2.toml"
    last = replace(WHOLE, load=LoadScale(3.0, 4.0))
    save_calibration(last, tmp_path)  # -13: sorts behind -2 as a number
    assert latest_calibration(tmp_path) == last
    newest = replace(WHOLE, dated="2026-06-01T08:00:00")
    save_calibration(newest, tmp_path)
    assert latest_calibration(tmp_path) == newest
    assert latest_calibration(tmp_path, before=datetime(2026, 5, 31)) == last
    assert latest_calibration(tmp_path, before=datetime(2026, 5, 4, 9, 30)) == last
    assert latest_calibration(tmp_path, before=datetime(2026, 1, 1)) is None
    assert load_calibration(first) == WHOLE


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[load]\nzero_counts = 5\n", ("load", "N_per_count")),
        ("[load]\nN_per_count = 'x'\nzero_counts = 5\n", ("load", "N_per_count", "no number")),
        ("[load]\nN_per_count = 0\nzero_counts = 5\n", ("impossible N_per_count",)),
        ("[travel]\nzero_counts = nan\nm_per_count = 1\n", ("travel", "zero_counts")),
        ("[angle]\nsign = 0\n", ("impossible sign",)),
        ("[load]\nN_per_count = 1\nzero_counts = 5\nscale_ci95 = -1\n", ("scale_ci95",)),
        ("load = 5\n", ("no table",)),
        ("[load\n", ("no calibration",)),
    ],
)
def test_a_broken_calibration_is_refused_and_an_older_one_not_taken(tmp_path, text, words):
    save_calibration(WHOLE, tmp_path)
    path = tmp_path / "2026-07-01T0800.toml"
    path.write_text(text)
    with pytest.raises(FileError) as caught:
        latest_calibration(tmp_path)
    assert str(caught.value).startswith(str(path))
    for word in words:
        assert word in str(caught.value)


# --- making one -----------------------------------------------------------------------------------


def reading(rng, mean, noise=38.0, n=400):
    return np.round(rng.normal(mean, noise, n))


def test_one_known_weight_gives_the_scale():
    rng = np.random.default_rng(1)
    scale = load_scale(reading(rng, 84_000), [KnownWeight(0.5, reading(rng, 584_000), 1e-4)])
    assert scale.N_per_count == pytest.approx(0.5 * constants.g / 500_000, rel=3e-5)
    assert scale.zero_counts == pytest.approx(84_000, abs=8)
    # the weight's tolerance (0.02 %) outweighs the noise (38 counts over √400 in 500,000)
    assert scale.scale_ci95 == pytest.approx(2e-4, rel=0.02)
    assert scale.residual_N is None


def test_a_cell_built_in_the_other_way_round_has_a_negative_scale():
    rng = np.random.default_rng(2)
    scale = load_scale(reading(rng, -84_000), [KnownWeight(0.5, reading(rng, -584_000))], gravity_m_s2=9.81)
    assert scale.N_per_count == pytest.approx(-0.5 * 9.81 / 500_000, rel=1e-4)
    assert scale.apply([-584_000.0])[0] == pytest.approx(0.5 * 9.81, rel=1e-4)


def test_counts_without_sign_give_the_same_scale():
    rng = np.random.default_rng(3)
    zero, hung = reading(rng, -84_000), reading(rng, 200_000)
    plain = load_scale(zero, [KnownWeight(0.5, hung)])
    assert load_scale(np.mod(zero, 2**24), [KnownWeight(0.5, hung)]) == plain


@pytest.mark.parametrize("wander", [0.0, 0.9])
def test_the_half_width_of_the_scale_covers_the_truth_19_times_in_20(wander):
    """Simulated, also with noise that hangs together over neighbouring readings (first-order, 0.9)."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(4)
    true, n, trials = 0.3 * constants.g / 300_000, 400, 1000
    hits = zero_hits = 0
    for _ in range(trials):
        noise = 30.0 * rng.standard_normal((3, n + 200))
        noise = lfilter([math.sqrt(1 - wander**2)], [1, -wander], noise)[:, 200:]
        mass = 0.3 + 2e-5 * rng.standard_normal() / 1.96
        counts = [84_000.0, 84_000.0 + mass * constants.g / true]
        scale = load_scale(counts[0] + noise[0], [KnownWeight(0.3, counts[1] + noise[1], 2e-5)])
        hits += abs(scale.N_per_count - true) <= scale.scale_ci95 * true
        zero_hits += abs(scale.zero_counts - counts[0]) * true <= scale.zero_ci95_N
    # white noise: 95 %; the batches of ten see most, not all, of the slow noise
    low = 0.93 if wander == 0 else 0.88
    assert low <= hits / trials <= 0.985
    assert low <= zero_hits / trials <= 0.985


def test_several_weights_show_a_cell_that_is_not_straight():
    """A cell with 1 % of curvature over its range: line and residual by an independent least squares."""
    rng = np.random.default_rng(5)
    masses = np.array([0.2, 0.4, 0.6, 0.8, 1.0])
    changes = 500_000 * masses * (1 - 0.01 * masses)
    weights = [KnownWeight(m, reading(rng, 10_000 + c, 5.0)) for m, c in zip(masses, changes, strict=True)]
    scale = load_scale(reading(rng, 10_000, 5.0), weights)
    loads = masses * constants.g
    slope = np.linalg.lstsq(changes[:, None], loads, rcond=None)[0][0]
    assert scale.N_per_count == pytest.approx(slope, rel=1e-5)
    assert scale.residual_N == pytest.approx(np.max(np.abs(loads - slope * changes)), rel=0.01)
    scatter = math.sqrt(np.sum((loads - slope * changes) ** 2) / 4 / np.sum(changes**2))
    assert scale.scale_ci95 == pytest.approx(stats.t.ppf(0.975, 4) * scatter / slope, rel=0.01)


def test_twelve_weights_scatter_by_root_twelve_less_and_their_half_widths_say_so():
    """Twelve readings of one weight: the true scatter of the scale falls by √12 (a mean of independent ones).

    Over 150 calibrations the ratio of two standard deviations is known to 8 %. In the mean the stated
    half-width falls as well, but less: of the zero's own noise, and of the larger of two ways to see it.
    """
    rng = np.random.default_rng(6)
    few, many = [], []
    for _ in range(150):
        zero = reading(rng, 0, 30)
        hung = [KnownWeight(0.5, reading(rng, 500_000, 3000)) for _ in range(12)]
        few.append(load_scale(zero, hung[:1]))
        many.append(load_scale(zero, hung))
    true = 0.5 * constants.g / 500_000
    scatter = [np.std([scale.N_per_count / true for scale in each]) for each in (few, many)]
    assert scatter[0] / scatter[1] == pytest.approx(math.sqrt(12.0), rel=0.25)
    for each in (few, many):
        inside = np.mean([abs(scale.N_per_count / true - 1.0) <= scale.scale_ci95 for scale in each])
        assert inside >= 0.90  # 95 % less three standard errors of 150
    stated = [np.mean([scale.scale_ci95 for scale in each]) for each in (few, many)]
    assert stated[1] < 0.5 * stated[0]


@pytest.mark.parametrize(
    ("zero", "weights", "words"),
    [
        (0, [(0.5, 20)], ("500 g", "too little")),
        (0, [(0.5, 500_000), (0.3, -300_000)], ("opposite",)),
        (0, [(0.5, 2**23 - 1)], ("amplifier", "end")),
    ],
)
def test_weights_that_cannot_carry_a_scale_are_refused(zero, weights, words):
    rng = np.random.default_rng(7)
    hung = [KnownWeight(m, np.full(50, float(c)) if c == 2**23 - 1 else reading(rng, c)) for m, c in weights]
    with pytest.raises(ReadingsError) as caught:
        load_scale(reading(rng, zero), hung)
    for word in words:
        assert word in str(caught.value)


def test_too_few_readings_and_impossible_masses():
    with pytest.raises(ReadingsError, match="needs 10"):
        load_scale([1.0] * 5, [KnownWeight(0.5, [1.0] * 50)])
    with pytest.raises(ValueError, match="positive"):
        load_scale([1.0] * 50, [KnownWeight(0.0, [1.0] * 50)])
    with pytest.raises(ValueError, match="one or more"):
        load_scale([1.0] * 50, [])


def test_the_error_of_a_mean_is_that_of_ten_stretches():
    """JCGM 100:2008, 4.2.3: s/√n of ten means, s by `statistics.stdev` (n − 1); 9 degrees of freedom."""
    steps = [412.0, 420.0, 399.0, 431.0, 407.0, 415.0, 402.0, 428.0, 411.0, 418.0]
    found = level(np.repeat(steps, 24), "it")
    assert found.error == pytest.approx(statistics.stdev(steps) / math.sqrt(10.0))
    assert (found.dof, found.counts) == pytest.approx((9.0, statistics.fmean(steps)))


def test_a_channel_that_reads_perfectly_still_is_as_sure_as_its_rounding():
    """A rectangular distribution one count wide has σ = 1/√12 (JCGM 100:2008, 4.3.7)."""
    assert level([7.0] * 100, "it").error == pytest.approx(1 / math.sqrt(12) / 10)


@pytest.mark.parametrize("known_counts", [12_412, -11_588, 412 + 12_000 - 2**16])
def test_two_known_positions_give_the_travel(known_counts):
    rng = np.random.default_rng(8)
    wrapped = known_counts == 412 + 12_000 - 2**16
    bits = 16 if wrapped else None
    scale = travel_scale(
        reading(rng, 412, 2), reading(rng, known_counts, 2), 0.6, known_ci95_m=0.0005, bits=bits
    )
    assert abs(scale.m_per_count) == pytest.approx(5e-5, rel=1e-4)
    assert scale.apply([known_counts])[0] == pytest.approx(0.6, abs=1e-4)
    assert scale.scale_ci95 == pytest.approx(0.0005 / 0.6, rel=0.05)


def test_a_travel_that_does_not_move_is_refused():
    rng = np.random.default_rng(9)
    with pytest.raises(ReadingsError, match="too little"):
        travel_scale(reading(rng, 412, 20), reading(rng, 415, 20), 0.6)
    with pytest.raises(ValueError, match="along the pull"):
        travel_scale([1.0] * 50, [2.0] * 50, -0.6)


@pytest.mark.parametrize("zero", [0, 1234, 4090])
@pytest.mark.parametrize("sign", [1, -1])
def test_the_chuck_sign_and_zero_come_from_a_quarter_turn(zero, sign):
    rng = np.random.default_rng(10)
    at_zero = np.mod(reading(rng, zero, 1), 4096)
    scale = angle_scale(at_zero, np.mod(reading(rng, zero + sign * 900, 1), 4096))
    assert scale.sign == sign
    assert (scale.zero_counts - zero + 2048) % 4096 - 2048 == pytest.approx(0, abs=0.5)
    tip = tip_scale(at_zero, np.mod(reading(rng, zero + sign * 900, 1), 4096))
    assert tip.sign == sign
    assert tip.apply([zero + sign * 300])[0] == pytest.approx(300 / 4096 * 360, abs=0.1)


@pytest.mark.parametrize(
    ("turned", "word"),
    [
        ([1300.0] * 50, "not sure"),
        ([1234.0 + 2048] * 50, "not sure"),
        (np.linspace(2000, 2200, 50), "moved"),
        ([], "no reading"),
    ],
)
def test_a_turn_that_cannot_tell_the_sense_is_refused(turned, word):
    with pytest.raises(ReadingsError, match=word):
        angle_scale([1234.0] * 50, turned)
