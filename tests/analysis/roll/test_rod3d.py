"""Against a separate solver with richer physics (three-dimensional rod; see tests/data/rod3d/README.md)."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.estimate import Estimate
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


def stiffness_at_small_travel(name):
    """Closed form of a tapered cantilever, EI = EI0·(1 − (1 − r)·s/L)^n with n = 3 or 4 (Castigliano)."""
    text = TRUTH[name]["EI"]
    n = 4 if "**4" in text else 3
    r = {4: 0.01**0.25, 3: 0.1 ** (1 / 3)}[n]
    k = 1 - r
    delta = 1 / (3 * r) if n == 4 else (-math.log(r) - 1.5 + 2 * r - r * r / 2) / k**3
    return 20 / (delta * TRUTH[name]["free_length_m"] ** 3)


@pytest.mark.parametrize("name", [n for n in sorted(TRUTH) if n.endswith("-25.csv")])
def test_barriers_at_a_quarter_of_the_length_are_right_when_corrected(name):
    truth = TRUTH[name]
    initial = Estimate(stiffness_at_small_travel(name), 0.0)
    corrected, plain = fit_roll(readings(name), initial_stiffness=initial), fit_roll(readings(name))
    assert corrected.barrier_corrected
    for snap, raw, barrier in zip(corrected.snaps, plain.snaps, truth["barrier_J"], strict=True):
        assert snap.barrier.value == pytest.approx(barrier, rel=0.02)
        assert abs(raw.barrier.value - barrier) <= raw.barrier.ci95


def test_whole_half_widths_hold_the_rod_under_noise_drift_and_friction():
    """At least 95 % of planes, bows, snaps and barriers, over all tables and a few noisy copies of each."""
    rng = np.random.default_rng(11)
    held = []
    for name, truth in TRUTH.items():
        exact = readings(name)
        angle = np.concatenate([np.linspace(0, 2 * math.pi, 600), np.linspace(2 * math.pi, 0, 600)])
        wave = np.fft.rfft(exact.load_N) / 36
        clean = wave[0].real / 2 + sum((wave[m] * np.exp(1j * m * angle)).real for m in range(1, 13))
        sense = np.repeat([1.0, -1.0], 600)
        for _ in range(3):
            load = clean + 0.002 * rng.normal(size=1200) + 0.01 * sense
            load += 0.01 * rng.normal() * np.linspace(0, 1, 1200)
            noisy = replace(exact, time_s=np.arange(1200) / 80, roll=np.mod(angle, 2 * math.pi), load_N=load)
            result = fit_roll(noisy)
            if result.stiff_plane is not None and truth["section_anisotropy_pct"] > 0:
                plane = math.degrees(result.stiff_plane.value)
                gap = apart(plane, truth["plane_of_load_deg"], 180)
                held.append(gap <= math.degrees(result.stiff_plane.ci95))
                if truth["plane_turn_deg"] == 0:
                    gap = apart(plane, truth["section_plane_deg"], 180)
                    held.append(gap <= math.degrees(result.stiff_plane.ci95))
            held.append(abs(result.bow.value - truth["bow_m"]) <= result.bow.ci95)
            if result.bow_direction is not None and truth["bow_m"] > 0:
                gap = apart(math.degrees(result.bow_direction.value), truth["bow_deg"], 360)
                held.append(gap <= math.degrees(result.bow_direction.ci95))
            for snap in result.snaps:
                gaps = [apart(math.degrees(snap.angle.value), at, 360) for at in truth["snap_deg"]]
                nearest = gaps.index(min(gaps))
                held.append(min(gaps) <= math.degrees(snap.angle.ci95))
                held.append(abs(snap.barrier.value - truth["barrier_J"][nearest]) <= snap.barrier.ci95)
    assert len(held) > 250
    assert np.mean(held) >= 0.95


@pytest.mark.parametrize("name", sorted(TRUTH))
def test_a_linear_elastic_rod_never_has_a_third_snap(name):
    assert fit_roll(readings(name)).third_snap is None
