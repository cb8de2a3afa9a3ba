"""The rigidity as a result of its own, and what is left of a blank when it is cut."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from command_line import SAMPLES, Run, assert_one_line

from analysis.bend import Profile, load_for_travel
from rig.runs.profile import read_profile

ROLL = str(next(SAMPLES.glob("P-1_roll*")))
FLEX = str(next(SAMPLES.glob("P-1_flex*")))


def true_EI(from_tip: np.ndarray) -> np.ndarray:
    """P-1's taper: EI = 43.1·(0.2 + 0.8·t/2.1)³ at t from the tip."""
    return 43.1 * (0.2 + 0.8 * from_tip / 2.1) ** 3


@pytest.fixture
def profile(run: Run, tmp_path: Path) -> Path:
    path = tmp_path / "P-1.csv"
    assert run("flex", FLEX, "--roll", ROLL, "--profile", path, "--json").status == 0
    return path


def test_a_profile_comes_back_with_its_covariance(profile: Path) -> None:
    found = read_profile(profile)
    assert found.blank == "P-1"
    assert found.length_m == pytest.approx(2.1)
    s = np.linspace(0.1, 1.9, 10)
    half = np.array([found.estimate(float(x)).ci95 for x in s])
    assert np.mean(np.abs(found.EI(s) - true_EI(2.1 - s)) <= half) >= 0.9
    # bent by the solver it gives the load that the truth gives
    truth = Profile.of(lambda x: true_EI(2.1 - x), 2.1)
    assert load_for_travel(found, 0.525).load_N == pytest.approx(
        load_for_travel(truth, 0.525).load_N, rel=5e-3
    )


def test_a_profile_corrects_the_barriers_as_its_run_does(run: Run, profile: Path) -> None:
    (by_run,) = run("spine", ROLL, "--flex", FLEX, "--json").document
    (by_profile,) = run("spine", ROLL, "--profile", profile, "--json").document
    assert by_profile["barrier_corrected"] is True
    assert by_profile["snap_barrier_J"] == pytest.approx(by_run["snap_barrier_J"], rel=0.01)


def test_the_stiffness_of_a_profile_is_castiglianos(profile: Path, run: Run) -> None:
    (record,) = run("flex", FLEX, "--roll", ROLL, "--json").document
    from analysis.bend import initial_stiffness

    assert initial_stiffness(read_profile(profile)).value == pytest.approx(
        record["initial_stiffness_N_per_m"], rel=2e-3
    )


@pytest.mark.parametrize(
    ("words", "tip", "length"), [(("--cut-tip", "15cm"), 0.15, 1.95), (("--cut-butt", "150mm"), 0.0, 1.95)]
)
def test_a_cut_blank_rates_as_the_same_taper_cut(
    run: Run, words: tuple[str, str], tip: float, length: float
) -> None:
    (record,) = run("flex", FLEX, "--roll", ROLL, *words, "--json").document
    rest = Profile.of(lambda s: true_EI(tip + length - s), length)
    shape = load_for_travel(rest, 0.25 * length)
    assert record["rated_length_m"] == pytest.approx(length)
    assert abs(record["reference_load_N"] - shape.load_N) <= record["reference_load_ci95_N"]
    assert abs(record["bend_centre"] - shape.bend_centre) <= record["bend_centre_ci95"]


def test_what_is_no_profile_and_what_leaves_nothing_is_told(run: Run, profile: Path, tmp_path: Path) -> None:
    other = str(next(SAMPLES.glob("P-2_roll*")))
    assert_one_line(run("spine", other, "--profile", profile, "--json"), "P-1")
    assert_one_line(run("spine", ROLL, "--profile", FLEX, "--json"), "no profile")
    assert_one_line(run("spine", ROLL, "--profile", tmp_path / "none.csv", "--json"), "none.csv")
    broken = tmp_path / "broken.csv"
    broken.write_text(profile.read_text(encoding="utf-8").replace("0.0525,", "oops,", 1), encoding="utf-8")
    assert_one_line(run("spine", ROLL, "--profile", broken, "--json"), "broken.csv:")
    assert_one_line(run("flex", FLEX, "--cut-tip", "3m", "--json"), "nothing would be left")
