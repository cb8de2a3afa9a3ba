"""The dictionaries behind ``--json``: the keys every reader relies on, units, ranges, and no nan."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from json_keys import FLEX_KEYS, ROLL_KEYS
from show_examples import batch_result, degrees, flex_result, metric, roll_result, sure, unknown_roll

from analysis.bend.result import Station
from analysis.estimate import Estimate, Share
from analysis.roll.result import Mark, Snap
from analysis.show.records import batch_record, flex_record, roll_record, to_json

BATCH_KEYS = ["verdict", "metrics", "odd_one_out", "warnings"]
METRIC_KEYS = ["unit", "values", "values_ci95", "spread", "tolerance", "probability_within", "verdict"]


def roll(result=None, **changes):
    return roll_record(result or roll_result(**changes), blank="A-01", model="example", run="a.csv")


def flex(**changes):
    return flex_record(flex_result(**changes), blank="A-01", model=None, run="b.csv")


@pytest.mark.parametrize(
    ("record", "keys"),
    [
        (roll(), ROLL_KEYS),
        (roll(unknown_roll()), ROLL_KEYS),
        (flex(), FLEX_KEYS),
        (batch_record(batch_result()), BATCH_KEYS),
    ],
)
def test_required_keys_come_first_and_in_order(record, keys):
    assert list(record)[: len(keys)] == keys


def test_every_metric_has_the_required_keys():
    metrics = batch_record(batch_result())["metrics"]
    assert list(metrics) == ["reference_load", "bend_centre", "bow"]
    for made in metrics.values():
        assert list(made)[: len(METRIC_KEYS)] == METRIC_KEYS


def test_half_width_is_root_of_noise_and_systematic_squares():
    record = roll(stiffness=Estimate(10.0, 0.0, shares=(Share("calibration", 0.3), Share("zero", 0.4))))
    assert record["stiffness_ci95_N_per_m"] == pytest.approx(0.5)
    assert record["half_width_parts"]["stiffness_N_per_m"] == pytest.approx(
        {"noise": 0.0, "calibration": 0.3, "zero": 0.4}
    )


def test_angles_are_degrees_and_anisotropy_is_percent():
    record = roll(
        stiff_plane=degrees(34.0, 0.4), anisotropy=sure(0.0271, 0.0009), bow_direction=degrees(100.0, 5.0)
    )
    assert record["stiff_plane_deg"] == pytest.approx(34.0)
    assert record["stiff_plane_ci95_deg"] == pytest.approx(0.4)
    assert record["soft_plane_deg"] == pytest.approx(124.0)
    assert record["anisotropy_pct"] == pytest.approx(2.71)
    assert record["anisotropy_ci95_pct"] == pytest.approx(0.09)
    assert record["bow_deg"] == pytest.approx(100.0)


@given(st.floats(-50.0, 50.0))
def test_planes_lie_below_180_and_other_angles_below_360(angle):
    one = Estimate(angle, 0.01)
    record = roll(
        stiff_plane=one,
        bow_direction=one,
        snaps=(Snap(one, sure(1.0, 0.1), "both"),),
        mark=Mark(one, "snap", angle, ""),
    )
    assert 0.0 <= record["stiff_plane_deg"] < 180.0
    assert 0.0 <= record["soft_plane_deg"] < 180.0
    for value in (record["bow_deg"], record["snap_deg"][0], record["mark_deg"], record["mark_tie"]):
        assert 0.0 <= value < 360.0
        assert math.cos(math.radians(value) - angle) == pytest.approx(1.0)


def test_no_plane_is_given_where_none_was_found():
    record = roll(unknown_roll())
    assert record["plane_found"] is False
    assert record["stiff_plane_deg"] is None
    assert record["stiff_plane_ci95_deg"] is None
    assert record["soft_plane_deg"] is None


def test_unknown_half_width_is_null_beside_its_value():
    record = roll(unknown_roll())
    assert record["stiffness_N_per_m"] == 10.0
    assert record["stiffness_ci95_N_per_m"] is None


def test_a_mark_that_cannot_be_made_has_no_tie():
    record = roll(mark=Mark(None, "stiff", 1.0, "no plane"))
    assert (record["mark_deg"], record["mark_ci95_deg"], record["mark_tie"]) == (None, None, None)
    assert record["mark_rule"] == "stiff"


def test_snaps_are_parallel_arrays():
    record = roll()
    lengths = {len(record[key]) for key in ROLL_KEYS if key.startswith("snap_")}
    assert lengths == {2}
    assert record["snap_cause"] == ["both", "stiffness"]
    assert roll(snaps=())["snap_deg"] == []


def test_joint_run_is_an_array():
    assert roll_record(roll_result(), blank="A", model=None, run=("a.csv", "b.csv"))["run"] == [
        "a.csv",
        "b.csv",
    ]


def test_rigidity_stations_are_objects():
    record = flex(rigidity=(Station(0.0, 1.8, sure(11.0, 0.5)),))
    assert record["rigidity"] == [
        {"s_m": 0.0, "from_tip_m": 1.8, "EI_Nm2": 11.0, "EI_ci95_Nm2": pytest.approx(0.5)}
    ]


def test_unreachable_reference_bend_is_null():
    record = flex(
        reference_load=None,
        even_blank_rigidity=None,
        bend_centre=None,
        hysteresis=None,
        power_class=None,
        action_class=None,
    )
    for key in (
        "reference_load_N",
        "reference_load_ci95_N",
        "even_blank_rigidity_Nm2",
        "bend_centre",
        "power_class",
    ):
        assert record[key] is None


def test_not_a_number_and_infinity_become_null_everywhere():
    bad = Estimate(math.nan, math.inf, shares=(Share("bow", math.inf),))
    hostile = replace(
        roll_result(),
        travel_m=math.inf,
        stiff_plane=bad,
        anisotropy=bad,
        stiffness=bad,
        bow=bad,
        bow_direction=bad,
        snaps=(Snap(bad, bad, "bow"),),
        mark=Mark(bad, "snap", math.nan, ""),
        coverage=math.nan,
        turns=-math.inf,
    )
    records = [
        roll_record(hostile, blank="x", model=None, run="x"),
        flex(
            reference_load=bad, rigidity=(Station(math.nan, math.inf, bad),), label_power_probability=math.nan
        ),
        batch_record(
            batch_result(metrics=(metric(values={"x": bad}, spread=math.nan, probability_within=math.inf),))
        ),
    ]
    text = to_json(records)
    assert "NaN" not in text
    assert "Infinity" not in text
    assert json.loads(text)[0]["snap_deg"] == [None]


def test_numpy_scalars_become_plain_numbers():
    record = roll(plane_found=np.bool_(True), harmonics=np.int64(3), travel_m=np.float64(0.45))
    assert json.loads(to_json(record))["harmonics"] == 3


def test_document_is_ascii_whatever_the_labels():
    record = roll_record(roll_result(), blank="ñ\u202e\udc80", model="<script>", run="ü.csv")
    text = to_json(record)
    assert text.isascii()
    assert json.loads(text)["model"] == "<script>"


def test_nan_is_refused_rather_than_written():
    with pytest.raises(ValueError, match="JSON"):
        to_json({"x": math.nan})
