"""From a drum's or an arm's turn to travel and back; reading, refusing and calibrating a geometry."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.calibration import Calibration, TurnScale, load_calibration, save_calibration
from rig.calibration.geometry import SwingArm, Winch, from_table, to_table
from rig.calibration.turning_points import turn_scale
from rig.errors import FileError, ReadingsError
from rig.line import Channel, Hello
from rig.recording.channels import converter, with_fresh_zero

LENGTHS = st.floats(0.001, 0.2)
WINCHES = st.builds(
    lambda radius, string, turns, on: Winch(radius, string * radius, turns * string * radius, on),
    st.floats(0.005, 0.1),
    st.floats(0.005, 0.3),
    st.floats(1.0, 20.0),
    st.floats(0.0, 30.0),
)
ARMS = st.builds(
    lambda arm, x, low, roller, points: SwingArm(arm, x, low * arm, roller * arm, points),
    st.floats(0.2, 2.0),
    st.floats(-1.0, 3.0),
    st.floats(-0.5, 0.3),
    st.floats(0.0, 0.1),
    st.sampled_from(["outward", "inward"]),
)


def test_a_thin_string_winds_the_drum_s_circumference_each_turn():
    assert Winch(0.02).travel(2.0 * math.pi) == pytest.approx(2.0 * math.pi * 0.02)
    thick = Winch(0.02, 0.001)  # the string's middle lies half of its thickness further out
    assert thick.travel(4.0 * math.pi) == pytest.approx(4.0 * math.pi * 0.0205)


def test_layers_add_up_turn_by_turn():
    """By hand: three turns a layer, radii 20.5, 21.5, 22.5 mm."""
    winch = Winch(0.020, 0.001, 0.0032)
    per_turn = [20.5e-3] * 3 + [21.5e-3] * 3 + [22.5e-3]
    for turns in range(1, 8):
        expected = 2.0 * math.pi * sum(per_turn[:turns])
        assert winch.travel(2.0 * math.pi * turns) == pytest.approx(expected, rel=1e-14)
    half = winch.travel(2.0 * math.pi * 3.5) - winch.travel(2.0 * math.pi * 3.0)
    assert half == pytest.approx(math.pi * 21.5e-3, rel=1e-12)
    later = replace(winch, turns_on_drum=3.0)
    assert later.travel(2.0 * math.pi) == pytest.approx(2.0 * math.pi * 21.5e-3, rel=1e-12)


@given(WINCHES, st.lists(st.floats(0.0, 3.0), min_size=1, max_size=8))
def test_a_winch_s_travel_and_turn_are_each_other_s_inverse(winch, travels):
    travel = np.array(travels)
    assert winch.travel(winch.turn(travel)) == pytest.approx(travel, abs=1e-12, rel=1e-11)
    turn = travel * 20.0
    assert winch.turn(winch.travel(turn)) == pytest.approx(turn, abs=1e-9, rel=1e-9)
    assert np.all(np.diff(winch.travel(np.linspace(0.0, 100.0, 500))) > 0.0)


@given(ARMS, st.floats(0.0, 0.8))
def test_an_arm_s_rise_and_turn_are_each_other_s_inverse(arm, part):
    turn = part * (0.5 * math.pi - arm.touch)
    assert arm.turn_of_rise(arm.rise(turn)) == pytest.approx(turn, abs=1e-7)
    assert arm.turn(arm.travel(turn)) == pytest.approx(turn, abs=1e-14)
    # the roller's way is longer than its rise, and at the start of its rise by 1/cos
    assert arm.travel(turn) >= arm.rise(turn) - 1e-12
    small = 1e-6
    assert arm.rise(small) / arm.travel(small) == pytest.approx(math.cos(arm.touch), abs=1e-5)


def test_an_arm_s_roller_touches_the_blank_from_below():
    """3-4-5: pivot 0.29 m below the axis, roller of 10 mm less, arm 0.5 m → 0.3913 m along."""
    arm = SwingArm(0.5, 1.0, -0.31, 0.01)
    assert arm.touch_x_m == pytest.approx(1.4)
    assert replace(arm, points="inward").touch_x_m == pytest.approx(0.6)
    assert math.sin(arm.touch) == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("work", "what"),
    [
        (lambda: Winch(0.02).turn(-0.3), "cannot let out"),
        (lambda: SwingArm(0.5, 1.0, -0.3).turn(0.6), "stands upright"),
        (lambda: SwingArm(0.5, 1.0, -0.3).turn_of_rise(0.9), "does not reach"),
        (lambda: Winch(0.02).calibrated(1.0, 50.0), "no drum"),
        (lambda: SwingArm(0.5, 1.0, -0.3).calibrated(0.1, 0.4), "no arm"),
    ],
)
def test_what_cannot_be_reached_is_refused(work, what):
    with pytest.raises(ReadingsError, match=what):
        work()


@pytest.mark.parametrize(
    ("table", "what"),
    [
        ({}, "kind must be"),
        ({"kind": "crane"}, "kind must be"),
        ({"kind": "winch"}, "needs drum_radius_m"),
        ({"kind": "winch", "drum_radius_m": 0.0}, "above zero"),
        ({"kind": "winch", "drum_radius_m": "20 mm"}, "above zero"),
        ({"kind": "winch", "drum_radius_m": True}, "above zero"),
        ({"kind": "winch", "drum_radius_m": float("nan")}, "above zero"),
        ({"kind": "winch", "drum_radius_m": 0.02, "strin_m": 0.001}, "'strin_m' is no measure"),
        ({"kind": "winch", "drum_radius_m": 0.02, "string_m": -1e-3}, "zero or more"),
        ({"kind": "winch", "drum_radius_m": 0.02, "guide_x_m": 1.0}, "both"),
        ({"kind": "winch", "drum_radius_m": 0.02, "drum_width_m": 0.01}, "needs string_m"),
        ({"kind": "arm", "arm_m": 0.5, "pivot_x_m": 1.0}, "needs pivot_y_m"),
        ({"kind": "arm", "arm_m": 0.1, "pivot_x_m": 1.0, "pivot_y_m": -0.3}, "too short"),
        ({"kind": "arm", "arm_m": 0.5, "pivot_x_m": 1.0, "pivot_y_m": 0.0, "points": "up"}, "outward"),
    ],
)
def test_a_geometry_that_says_nothing_possible_is_refused(table, what):
    with pytest.raises(LookupError, match=what):
        from_table(table, lambda key, what, do: LookupError(f"{what}; {do}"))


@given(st.one_of(WINCHES, ARMS))
def test_a_geometry_comes_back_from_its_table(geometry):
    assert from_table(to_table(geometry), lambda *words: AssertionError(words)) == geometry


def test_a_calibration_with_a_geometry_comes_back_from_its_file(tmp_path):
    scale = TurnScale(1000.0, Winch(0.02, 0.0006, 0.006, guide_x_m=1.8, guide_y_m=1.2), -1, 8192, 4096, 0.001)
    kept = Calibration("2026-05-04T09:30", travel=scale)
    assert load_calibration(save_calibration(kept, tmp_path)) == kept
    path = tmp_path / "bad.toml"
    path.write_text("[travel]\nzero_counts = 0\n[travel.geometry]\nkind = 'winch'\n", "utf-8")
    with pytest.raises(FileError, match="needs drum_radius_m"):
        load_calibration(path)


@pytest.mark.parametrize("sign", [1, -1])
def test_counts_that_begin_again_are_followed_over_turns_and_from_stretch_to_stretch(sign):
    scale = TurnScale(4000.0, Winch(0.02), sign, 4096, 4096)
    travel = np.concatenate([np.linspace(0.0, 0.7, 300), np.linspace(0.7, 0.0, 300)])
    counts = np.mod(np.rint(scale.counts(travel)), 4096)
    counts[[7, 100]] = np.nan
    there = ~np.isnan(counts)
    assert scale.apply(counts)[there] == pytest.approx(travel[there], abs=2e-5)
    hello = Hello("winch", (Channel("travel", bits=12, coding="turn"),), 80.0)
    convert = converter(hello, Calibration(travel=scale))
    parts = [convert({"travel": part})["travel_m"] for part in np.array_split(counts, 37)]
    assert np.concatenate(parts)[there] == pytest.approx(travel[there], abs=2e-5)


def test_a_fresh_zero_near_the_place_where_the_counts_begin_again():
    scale = TurnScale(10.0, Winch(0.02), wraps_at=4096)
    counts = np.mod(np.array([4094.0, 4095.0, 0.0, 1.0] * 10) - 1.0, 4096.0)
    fresh = with_fresh_zero(Calibration(travel=scale), {"travel": counts})
    assert np.mod(fresh.travel.zero_counts, 4096.0) == pytest.approx(4094.5)
    assert fresh.travel.apply([4094.5]) == pytest.approx(0.0, abs=1e-12)


def read(scale, travel, rng):
    counts = scale.counts(np.full(200, travel)) + 0.3 * rng.standard_normal(200)
    return np.mod(np.rint(counts), scale.wraps_at) if scale.wraps_at else np.rint(counts)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("wraps_at", [4096, None])
def test_a_drum_s_radius_and_sense_are_calibrated_from_a_known_length(sign, wraps_at):
    true = TurnScale(3900.0, Winch(0.0204, 0.0006, 0.006, turns_on_drum=1.0), sign, 4096, wraps_at)
    rng = np.random.default_rng(2)
    found = turn_scale(
        read(true, 0.0, rng),
        read(true, 0.4, rng),
        0.4,
        replace(true.geometry, drum_radius_m=0.020),
        a_little=read(true, 0.03, rng),
        wraps_at=wraps_at,
        known_ci95_m=0.0005,
    )
    assert found.sign == sign
    assert found.geometry.drum_radius_m == pytest.approx(0.0204, rel=1e-4)
    assert found.geometry.drum_ci95_m == pytest.approx(0.0207 * 0.0005 / 0.4, rel=0.05)
    assert found.scale_ci95 == pytest.approx(0.0005 / 0.4, rel=0.02)


def test_an_arm_s_length_is_calibrated_from_a_known_rise():
    arm = SwingArm(1.37, 0.6, -0.15, 0.012)
    true = TurnScale(100.0, arm, 1, 4096, 4096)
    rng = np.random.default_rng(3)
    rise = float(arm.travel(arm.turn_of_rise(0.5)))
    found = turn_scale(
        read(true, 0.0, rng),
        read(true, rise, rng),
        0.5,
        replace(arm, arm_m=1.35),
        wraps_at=4096,
        known_ci95_m=0.001,
    )
    assert found.geometry.arm_m == pytest.approx(1.37, rel=3e-4)
    assert found.geometry.arm_ci95_m == pytest.approx(1.37 * 0.002, rel=0.05)


@pytest.mark.parametrize(
    ("little", "known", "what"), [(0.001, 0.4, "sense is not sure"), (0.03, 0.00002, "too little")]
)
def test_a_move_that_tells_nothing_is_refused(little, known, what):
    true = TurnScale(0.0, Winch(0.02), 1, 4096, 4096)
    rng = np.random.default_rng(4)
    with pytest.raises(ReadingsError, match=what):
        turn_scale(
            read(true, 0.0, rng), read(true, known, rng), known, true.geometry,
            a_little=read(true, little, rng), wraps_at=4096,
        )  # fmt: skip
