"""Against a separate solver with richer physics (three-dimensional rod; see tests/data/rod3d/README.md)."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from analysis.readings import RollReadings
from analysis.roll import fit_roll

DATA = Path(__file__).parents[2] / "data" / "rod3d"
TRUTH = json.loads((DATA / "truth.json").read_text(encoding="utf-8"))


def readings(name):
    truth = TRUTH[name]
    table = np.genfromtxt(DATA / name, delimiter=",", names=True)
    return RollReadings(
        time_s=np.arange(table.size) * 0.1,
        roll=np.radians(table["roll_deg"]),
        load_N=table["load_N"],
        travel_m=None,
        held_travel_m=truth["travel_m"],
        held_load_N=None,
        free_length_m=truth["free_length_m"],
        contact=truth["contact"],
    )


def apart(a, b, period):
    return abs((a - b + period / 2) % period - period / 2)


@pytest.mark.parametrize("name", sorted(TRUTH))
def test_plane_and_anisotropy_of_the_load_are_read(name):
    result = fit_roll(readings(name))
    assert result.stiff_plane is not None
    # files without bow: the plane to the table's rounding; with bow: the fit's own columns
    assert apart(math.degrees(result.stiff_plane.value), TRUTH[name]["plane_of_load_deg"], 180) < 0.02
    assert abs(100 * result.anisotropy.value - TRUTH[name]["anisotropy_of_load_pct"]) < 0.002
    assert result.stiffness.value == pytest.approx(TRUTH[name]["stiffness_N_per_m"], rel=2e-3)


@pytest.mark.parametrize("name", [n for n in sorted(TRUTH) if TRUTH[n]["bow_m"] > 0])
def test_bow_is_read_within_what_its_shape_allows(name):
    truth, result = TRUTH[name], fit_roll(readings(name))
    limit = 0.1 if truth["bow_turn_deg"] == 0 else math.degrees(result.bow_direction.ci95)
    assert apart(math.degrees(result.bow_direction.value), truth["bow_deg"], 360) < limit
    assert abs(result.bow.value / truth["bow_m"] - 1) < 0.04


@pytest.mark.parametrize("name", sorted(TRUTH))
def test_snaps_are_those_of_the_full_energy(name):
    truth, result = TRUTH[name], fit_roll(readings(name))
    found = sorted(math.degrees(snap.angle.value) for snap in result.snaps)
    expected = sorted(truth["snap_deg"])
    assert len(found) == len(expected)
    assert all(apart(a, b, 360) < 0.5 for a, b in zip(found, expected, strict=True))


@pytest.mark.parametrize("name", [n for n in sorted(TRUTH) if n.endswith("-10.csv")])
def test_barriers_at_a_tenth_of_the_length_need_no_correction(name):
    truth, result = TRUTH[name], fit_roll(readings(name))
    for snap, barrier in zip(result.snaps, truth["barrier_J"], strict=True):
        assert snap.barrier.value == pytest.approx(barrier, rel=0.02)
