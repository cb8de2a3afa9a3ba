"""The shipped recordings: whole, small, and true to the file of truth beside them."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from analysis.angles import difference
from analysis.roll import fit_roll
from rig.calibration import Calibration
from rig.runs import read_run, roll_readings
from rig.settings import Settings
from rig.virtual.blanks import load_blanks
from rig.virtual.truth import true_values

FOLDER = Path(__file__).parents[3] / "sample_runs"
RUNS = sorted(FOLDER.glob("*.csv"))
TRUTH = {
    blank["blank"]: blank for blank in tomllib.loads((FOLDER / "truth.toml").read_text("utf-8"))["blank"]
}


def runs(kind):
    return [run for run in map(read_run, RUNS) if run.header.kind == kind]


def test_every_blank_has_a_roll_and_a_flex_and_all_fit_into_the_repository():
    for kind in ("roll", "flex"):
        assert [run.header.blank for run in runs(kind)] == list(TRUTH)
    assert sum(path.stat().st_size for path in RUNS) < 3_000_000


@pytest.mark.parametrize("path", RUNS, ids=lambda path: path.stem[:8])
def test_a_run_is_whole_and_its_columns_come_from_its_counts(path):
    run = read_run(path)
    assert not run.warnings
    assert np.all(np.diff(run.columns["seq"]) % 65_536 == 1)
    assert np.diff(run.columns["time_s"]) == pytest.approx(1 / 80, abs=2e-6)
    calibration = Calibration.from_tables(run.header.tables["calibration"], path)
    again = calibration.apply(run.columns, run.header.mount_deg)
    for name in set(again) & set(run.columns):
        assert run.columns[name] == pytest.approx(again[name], abs=6e-5)


def test_the_truth_is_that_of_the_shipped_blanks_file():
    for blank in load_blanks():
        true, told = true_values(blank, 0.525), TRUTH[blank.name]
        assert told["reference_load_N"] == pytest.approx(true.reference_load, rel=1e-7)
        assert told["bend_centre"] == pytest.approx(true.bend_centre, rel=1e-7)
        assert told["snap_deg"] == pytest.approx([math.degrees(s.angle) for s in true.snaps], abs=1e-3)
        assert told["snap_barrier_J"] == pytest.approx([s.barrier for s in true.snaps], rel=1e-5)
        assert told["stiff_plane_deg"] == pytest.approx(math.degrees(blank.stiff_plane))


def test_one_blank_is_off_in_power_and_the_others_are_alike():
    loads = {name: blank["reference_load_N"] for name, blank in TRUTH.items()}
    middle = float(np.median(list(loads.values())))
    off = {name: load / middle - 1.0 for name, load in loads.items()}
    assert off.pop("P-2") > 0.10
    assert max(map(abs, off.values())) < 0.02


def test_one_bow_beats_its_stiffness_and_snaps_far_from_the_soft_plane():
    # one minimum outside the astroid |h·cos ψ|^⅔ + |h·sin ψ|^⅔ = 1 (Stoner & Wohlfarth 1948)
    blank = TRUTH["P-3"]
    h = blank["bow_m"] / (blank["travel_m"] * blank["anisotropy_pct"] / 100.0)
    psi = math.radians(blank["bow_deg"] - blank["stiff_plane_deg"])
    assert abs(h * math.cos(psi)) ** (2 / 3) + abs(h * math.sin(psi)) ** (2 / 3) > 1.0
    assert len(blank["snap_deg"]) == 1
    assert abs(difference(blank["snap_deg"][0], blank["stiff_plane_deg"] + 90.0, 180.0)) >= 30.0


@pytest.mark.parametrize("run", runs("roll"), ids=lambda run: run.header.blank)
def test_a_plain_least_squares_of_two_waves_and_friction_finds_what_is_true(run):
    """Nothing of the program's own fit: mean, drift, friction by the sign of the turning, and two waves."""
    true = TRUTH[run.header.blank]
    time, load = run.columns["time_s"], run.columns["load_N"]
    roll = np.unwrap(np.radians(run.columns["roll_deg"]))
    way = np.where(np.arange(roll.size) < np.argmax(roll), 1.0, -1.0)
    waves = [f(k * roll) for k in (1, 2) for f in (np.cos, np.sin)]
    design = np.column_stack([np.ones_like(roll), time, time**2, way, *waves])
    fit = np.linalg.lstsq(design, load, rcond=None)[0]
    mean, stiff, bow = fit[0], complex(*fit[6:8]), -complex(*fit[4:6])
    size = 0.5 * true["anisotropy_pct"] / 100.0 * true["stiffness_N_per_m"] * true["travel_m"]
    plane = size * np.exp(2j * math.radians(true["stiff_plane_deg"]))
    # both waves within four standard errors of about 0.6 mN each way
    assert abs(stiff - plane) < 0.0035
    assert mean == pytest.approx(true["stiffness_N_per_m"] * true["travel_m"], rel=0.02)  # the zero drifts
    assert fit[3] == pytest.approx(0.025, abs=0.004)
    pull = true["bow_m"] * true["stiffness_N_per_m"] * np.exp(1j * math.radians(true["bow_deg"]))
    assert abs(bow - pull) < 0.0035 + 0.02 * abs(pull)


@pytest.mark.parametrize("run", runs("flex"), ids=lambda run: run.header.blank)
def test_loading_and_unloading_at_the_reference_bend_give_the_reference_load(run):
    """A straight line through the readings near a quarter of the length, up and down, and their mean."""
    true = TRUTH[run.header.blank]
    travel, load = run.columns["travel_m"], run.columns["load_N"]
    up = np.arange(travel.size) < np.argmax(travel)
    quarter = 0.25 * true["free_length_m"]
    near = np.abs(travel - quarter) < 0.05
    both = [np.polyfit(travel[near & way] - quarter, load[near & way], 2)[-1] for way in (up, ~up)]
    facing = 2.0 * math.radians(run.header.roll_deg - true["stiff_plane_deg"])
    side = 1.0 + 0.005 * true["anisotropy_pct"] * math.cos(facing)
    assert np.mean(both) == pytest.approx(true["reference_load_N"] * side, rel=0.015)
    assert 100.0 * (both[0] - both[1]) / np.mean(both) == pytest.approx(true["hysteresis_pct"], abs=0.7)


def test_the_roll_fit_agrees_with_the_truth_and_claims_no_plane_where_none_can_be_seen():
    inside = []
    for run in runs("roll"):
        true, found = TRUTH[run.header.blank], fit_roll(roll_readings(run, Settings()))
        assert found.plane_found == (run.header.blank != "P-4")
        assert len(found.snaps) == len(true["snap_deg"])
        read = [
            (found.anisotropy, true["anisotropy_pct"] / 100.0, None),
            (found.stiffness, true["stiffness_N_per_m"], None),
            (found.bow, true["bow_m"], None),
            (found.bow_direction, math.radians(true["bow_deg"]), 2.0 * math.pi),
            (found.stiff_plane, math.radians(true["stiff_plane_deg"]), math.pi),
        ]
        for snap in found.snaps:
            off = [abs(difference(snap.angle.value, math.radians(deg))) for deg in true["snap_deg"]]
            nearest = int(np.argmin(off))
            read += [
                (snap.angle, math.radians(true["snap_deg"][nearest]), 2.0 * math.pi),
                (snap.barrier, true["snap_barrier_J"][nearest], None),
            ]
        for estimate, value, period in read:
            if estimate is not None:
                off = estimate.value - value if period is None else difference(estimate.value, value, period)
                inside.append(abs(off) <= estimate.ci95)
    assert np.mean(inside) >= 0.9
