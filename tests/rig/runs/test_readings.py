"""From runs to fits: units, contact, what is stated about the rig, and other kinds refused."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.readings import Guide
from rig.calibration import AngleScale, Calibration, LoadScale, TravelScale
from rig.errors import FileError, ReadingsError
from rig.runs import (
    Header,
    RunWriter,
    flex_readings,
    naming_lines,
    read_run,
    recompute,
    rig_errors,
    roll_readings,
)
from rig.settings import Rig, Settings

SHIPPED = Settings()


@pytest.fixture
def record(tmp_path):
    def _record(columns, rows, **header):
        full = Header(**({"blank": "A-03", "free_length_m": 1.8} | header))
        with RunWriter(tmp_path / "run.csv", full, columns) as writer:
            writer.extend(rows)
        return read_run(writer.path)

    return _record


ROLL = ("time_s", "load_N", "roll_deg")
FLEX = ("time_s", "load_N", "travel_m")


def test_a_held_roll_run(record):
    run = record(
        ROLL, [(0, 4.5, 0), (0.1, 4.6, 90), (0.2, 4.5, 360)], kind="roll", held_travel_m=0.45, mount_deg=90
    )
    readings = roll_readings(run, SHIPPED)
    np.testing.assert_allclose(readings.roll, [0, math.pi / 2, 2 * math.pi])
    assert readings.mount == pytest.approx(math.pi / 2)
    np.testing.assert_array_equal(readings.load_N, [4.5, 4.6, 4.5])
    assert readings.travel_m is None
    assert (readings.held_travel_m, readings.held_load_N) == (0.45, None)
    assert (readings.contact, readings.blank, readings.free_length_m) == ("held", "A-03", 1.8)
    assert not readings.rig.states_calibration


def test_a_travel_column_goes_with_the_run(record):
    run = record((*ROLL, "travel_m"), [(0, 4.5, 0, 0.44)], kind="roll", held_travel_m=0.45, contact="free")
    readings = roll_readings(run, SHIPPED)
    assert readings.travel_m.tolist() == [0.44]
    assert readings.contact == "free"


WINCH = {
    "zero_counts": 0,
    "geometry": {"kind": "winch", "drum_radius_m": 0.02, "guide_x_m": 1.6, "guide_y_m": 0.9},
}


def test_a_roll_on_a_string_is_told_square_to_the_axis(record):
    """With the guide over the tip's place when bent, the string pulls straight across: hardly any change."""

    def read(x, y):
        winch = {**WINCH, "geometry": {**WINCH["geometry"], "guide_x_m": x, "guide_y_m": y}}
        tables = {
            "calibration": {
                "travel": winch,
                "load": {"zero_counts": 0, "N_per_count": 1, "scale_ci95": 0.001},
            }
        }
        columns = [(0.1 * n, 4.5, 30.0 * n, 0.45) for n in range(20)]
        run = record((*ROLL, "travel_m"), columns, kind="roll", held_travel_m=0.45, tables=tables)
        return roll_readings(run, SHIPPED)

    over = read(1.70, 2.5)
    assert over.load_N[0] == pytest.approx(4.5, rel=2e-3)
    assert over.held_travel_m == pytest.approx(0.45, rel=6e-3)
    aside = read(1.3, 1.1)  # the string runs back toward the chuck
    assert 0.5 < aside.load_N[0] / 4.5 < 0.9
    assert aside.held_travel_m > 0.455
    assert aside.travel_m[0] == pytest.approx(aside.held_travel_m)
    assert aside.rig.load_scale_ci95 > 0.001
    with pytest.raises(FileError, match=r"does not reach the travel of 450 mm"):
        read(1.75, 0.2)


def test_a_flex_run_carries_what_turned_its_pull_and_what_rode_on_its_tip(record):
    rows = [(0, 0, 0), (1, 1, 0.1)]
    plain = flex_readings(record(FLEX, rows, kind="flex"), Settings(rig=Rig(clip_g=4.0)))
    assert plain.pulled_by is None
    assert plain.clip_kg == pytest.approx(0.004)
    tables = {"calibration": {"travel": WINCH}, "rig": {"clip_g": 6.0}}
    run = record(FLEX, rows, kind="flex", tables=tables)
    steered = flex_readings(run, Settings(rig=Rig(clip_g=4.0)))
    assert steered.pulled_by == Guide(1.6, 0.9)
    assert steered.clip_kg == pytest.approx(0.006)
    bad = record(FLEX, rows, kind="flex", tables={"rig": {"clip_g": "six"}})
    with pytest.raises(FileError, match="clip_g"):
        flex_readings(bad, SHIPPED)


def test_counts_of_a_drum_are_turned_into_travel_by_the_run_s_own_geometry(record):
    tables = {"calibration": {"travel": {**WINCH, "wraps_at": 4096}}}
    counts = [0, 1500, 3000, 404, 1904]
    rows = [(0.1 * n, 0.2 * n, at) for n, at in enumerate(counts)]
    run = record(("time_s", "load_N", "travel_counts"), rows, kind="flex", tables=tables)
    turns = np.array([0.0, 1500.0, 3000.0, 4500.0, 6000.0]) / 4096.0
    expected = 2.0 * math.pi * 0.02 * turns
    assert flex_readings(run, SHIPPED).travel_m == pytest.approx(expected)
    again = recompute(run, Calibration(travel=TravelScale(0.0, 1e-4)))
    assert flex_readings(again, SHIPPED).pulled_by is None


def test_a_hanging_weight_is_free_and_its_load_column_ignored(record):
    columns = ("time_s", "travel_m", "roll_deg", "load_N")
    readings = roll_readings(record(columns, [(0, 0.4, 10, 99)], kind="roll", held_load_N=2.5), SHIPPED)
    assert readings.load_N is None
    assert readings.held_travel_m is None
    assert readings.held_load_N == 2.5
    assert readings.contact == "free"
    assert readings.travel_m.tolist() == [0.4]


def test_a_flex_run(record):
    run = record(
        (*FLEX, "tip_deg"),
        [(0, 0, 0, 0), (1, 2, 0.3, 45)],
        kind="flex",
        roll_deg=180,
        pull="down",
        mass_g=62,
        length_m=1.9,
        station_m=1.7,
    )
    readings = flex_readings(run, SHIPPED)
    np.testing.assert_allclose(readings.tip, [0, math.pi / 4])
    assert readings.roll == pytest.approx(math.pi)
    assert (readings.pull, readings.mass_kg, readings.length_m, readings.station_m) == (
        "down",
        0.062,
        1.9,
        1.7,
    )


def test_a_flex_run_without_tip_or_side(record):
    readings = flex_readings(record(FLEX, [(0, 1, 0.1)], kind="flex"), SHIPPED)
    assert readings.tip is None
    assert readings.roll is None
    assert (
        flex_readings(record((*FLEX, "tip_deg"), [(0, 1, 0.1, math.nan)], kind="flex"), SHIPPED).tip is None
    )


def test_a_run_of_another_kind_is_refused_with_the_line_that_says_so(record):
    roll = record(ROLL, [(0, 4.5, 0)], kind="roll", held_travel_m=0.45)
    flex = record(FLEX, [(0, 1, 0.1)], kind="flex")
    for work, run in ((flex_readings, roll), (roll_readings, flex)):
        with pytest.raises(FileError) as caught:
            work(run, SHIPPED)
        assert caught.value.line == 2
        assert "kind" in str(caught.value)
        assert f"this is a {run.header.kind} run" in str(caught.value)


def test_what_the_run_states_about_the_rig(record):
    tables = {
        "rig": {"friction_N": 0.02, "free_length_ci95_m": 0.002, "index_ci95_deg": 3.0},
        "calibration": Calibration(
            load=LoadScale(0.0, 1e-5, 0.004, 0.001),
            travel=TravelScale(0.0, 5e-5, 0.002),
            angle=AngleScale(zero_ci95_deg=4.0),
        ).to_tables(),
    }
    run = record(ROLL, [(0, 4.5, 0)], kind="roll", held_travel_m=0.45, tables=tables)
    errors = roll_readings(run, Settings(rig=Rig(friction_N=9.0))).rig
    assert (errors.load_scale_ci95, errors.travel_scale_ci95, errors.load_zero_ci95_N) == (
        0.004,
        0.002,
        0.001,
    )
    assert (errors.friction_N, errors.free_length_ci95_m) == (0.02, 0.002)
    assert errors.angle_ci95_rad == pytest.approx(math.radians(4.0))
    assert errors.index_ci95_rad == pytest.approx(math.radians(3.0))
    assert errors.states_calibration


def test_the_settings_serve_where_the_run_states_nothing_but_never_for_calibration(record):
    run = record(ROLL, [(0, 4.5, 0)], kind="roll", held_travel_m=0.45)
    shop = Settings(rig=Rig(friction_N=0.03, free_length_ci95_m=0.001, index_ci95_deg=2.0))
    errors = rig_errors(run, shop)
    assert (errors.friction_N, errors.free_length_ci95_m) == (0.03, 0.001)
    assert errors.index_ci95_rad == pytest.approx(math.radians(2.0))
    assert errors.load_scale_ci95 is None
    assert rig_errors(run, SHIPPED).friction_N is None


@pytest.mark.parametrize("value", ["much", -0.1, True, math.inf])
def test_a_stated_error_that_is_no_number_is_refused(record, value):
    run = record(ROLL, [(0, 4.5, 0)], kind="roll", held_travel_m=0.45, tables={"rig": {"friction_N": value}})
    with pytest.raises(FileError, match="friction_N") as caught:
        roll_readings(run, SHIPPED)
    lines = Path(run.path).read_text().split("\n")
    assert "friction_N" in lines[caught.value.line - 1]


def test_a_complaint_about_a_reading_gets_its_line(record):
    run = record(ROLL, [(k, 4.5, k) for k in range(5)], kind="roll", held_travel_m=0.45)

    def complain(row):
        raise ReadingsError("the angle is stuck", "check the sensor", row)

    for row in (3, None):
        with pytest.raises(FileError, match="stuck") as caught:
            naming_lines(run, lambda row=row: complain(row))
        assert caught.value.line == (None if row is None else run.line_of(row))
    assert naming_lines(run, lambda: 5) == 5
    text = Path(run.path).read_text().split("\n")
    assert text[run.line_of(3) - 1].startswith("3.000000,")


RAW = ("time_s", "load_counts", "angle_counts")


def test_a_better_calibration_is_applied_to_an_old_run(record):
    old = Calibration(load=LoadScale(100.0, 1e-3, 0.01), angle=AngleScale(1, 0.0))
    counts = np.array([[0, 1100, 0], [0.1, 2100, 1024]])
    columns = old.apply({"load_counts": counts[:, 1], "angle_counts": counts[:, 2]}, 10.0)
    rows = np.column_stack([counts, columns["load_N"], columns["roll_deg"]])
    run = record(
        (*RAW, "load_N", "roll_deg"),
        rows,
        kind="roll",
        held_travel_m=0.45,
        mount_deg=10.0,
        tables={"calibration": old.to_tables(), "rig": {"friction_N": 0.02}},
    )
    np.testing.assert_allclose(run.columns["load_N"], [1.0, 2.0])
    better = recompute(run, Calibration(load=LoadScale(100.0, 1.1e-3, 0.002)))
    np.testing.assert_allclose(better.columns["load_N"], [1.1, 2.2])
    np.testing.assert_allclose(better.columns["roll_deg"], [10.0, 100.0])
    np.testing.assert_array_equal(better.columns["load_counts"], run.columns["load_counts"])
    errors = roll_readings(better, SHIPPED).rig
    assert (errors.load_scale_ci95, errors.friction_N) == (0.002, 0.02)
    # the old run is as it was
    np.testing.assert_allclose(run.columns["load_N"], [1.0, 2.0])
    assert roll_readings(run, SHIPPED).rig.load_scale_ci95 == 0.01


def test_raw_counts_alone_are_worked_up_with_the_calibration_in_the_header(record):
    calibration = Calibration(load=LoadScale(100.0, 1e-3), angle=AngleScale(-1, 0.0))
    run = record(
        RAW,
        [(0, 1100, 1024)],
        kind="roll",
        held_travel_m=0.45,
        tables={"calibration": calibration.to_tables()},
    )
    readings = roll_readings(run, SHIPPED)
    np.testing.assert_allclose(readings.load_N, [1.0])
    np.testing.assert_allclose(readings.roll, [math.radians(270)])
    bare = replace(run, header=replace(run.header, tables={}))
    with pytest.raises(FileError, match="no calibration to make load_N"):
        roll_readings(bare, SHIPPED)
    assert roll_readings(recompute(bare, calibration), SHIPPED).load_N[0] == pytest.approx(1.0)
