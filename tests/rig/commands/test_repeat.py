"""`repeat`: blanks recorded again and again on the virtual rig, against the rig's known noise."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from command_line import SAMPLES, Run, assert_one_line
from scipy import stats


@pytest.fixture(scope="module")
def repeats(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Three blanks, three mounts each by two people; another mount moves the plane by 1° (one σ)."""
    folder = tmp_path_factory.mktemp("repeats")
    rng = np.random.default_rng(5)
    paths = []
    for number, (stiffness, plane) in enumerate(((4.0, 1.0), (4.2, 90.0), (4.4, 178.5)), start=1):
        for person in ("Ada", "Bo"):
            for again in range(3):
                off = rng.normal(0.0, 1.0)
                roll = np.linspace(0.0, 720.0, 1200)
                load = 0.45 * stiffness * (1.0 + 0.015 * np.cos(np.radians(2.0 * (roll - plane - off))))
                load = load * (1.0 + rng.normal(0.0, 0.002)) + 0.004 * rng.standard_normal(roll.size)
                load -= 0.01 * np.cos(np.radians(roll - plane - 90.0))
                path = folder / f"B{number}-{person}-{again}.csv"
                rows = "".join(
                    f"{n / 40},{F:.5f},{a % 360:.2f}\n"
                    for n, (F, a) in enumerate(zip(load, roll, strict=True))
                )
                path.write_text(
                    f'# blankbench-run = 1\n# kind = "roll"\n# blank = "B{number}"\n# free_length_m = 1.8\n'
                    f'# held_travel_m = 0.45\n# operator = "{person}"\ntime_s,load_N,roll_deg\n{rows}',
                    encoding="utf-8",
                )
                paths.append(str(path))
    return paths


def test_scatter_between_mounts_is_found_also_for_planes_across_zero(run: Run, repeats: list[str]) -> None:
    document = run("repeat", *repeats, "--json").document
    plane = document["stiff_plane"]
    # 12 degrees of freedom: the standard deviation is known to ±40 % (95 %)
    assert 0.6 < plane["repeatability_sd_deg"] < 1.6
    assert plane["reproducibility_sd_deg"] < 1.0  # both people are the same random numbers
    rig = math.hypot(plane["repeatability_sd_deg"], plane["reproducibility_sd_deg"])
    assert plane["smallest_difference_deg"] == pytest.approx(
        float(stats.t.ppf(0.975, plane["degrees_of_freedom"])) * math.sqrt(2.0) * rig
    )
    stiffness = document["metrics"]["stiffness"]
    assert 0.004 < stiffness["repeatability_sd"] < 0.014  # 0.2 % of 4.2 N/m
    assert stiffness["between_blanks_sd"] == pytest.approx(0.2, rel=0.2)
    assert stiffness["classes"] > 10
    assert stiffness["reproducibility_sd"] is not None


def test_the_table_says_what_means_anything(run: Run, repeats: list[str]) -> None:
    outcome = run("repeat", *repeats)
    assert outcome.status == 0
    assert "smallest" in outcome.out
    assert "stiff plane" in outcome.out


def test_blanks_measured_once_are_no_repeat_study(run: Run) -> None:
    assert_one_line(run("repeat", str(SAMPLES / "*roll*"), "--json"), "twice")


def test_unequal_work_by_several_people_is_said(run: Run, repeats: list[str]) -> None:
    assert_one_line(run("repeat", *repeats[:-1], "--json"), "equally often")


def test_one_blank_alone_tells_the_rig_but_not_the_blanks(run: Run, repeats: list[str]) -> None:
    document = run("repeat", *repeats[:6], "--json").document
    assert document["stiff_plane"]["repeatability_sd_deg"] > 0.0
    assert document["metrics"]["stiffness"]["between_blanks_sd"] is None
    assert document["metrics"]["stiffness"]["classes"] is None
    assert "one only" in run("repeat", *repeats[:6]).out


def test_two_snaps_that_serve_alike_do_not_scatter_the_mark(run: Run, tmp_path: Path) -> None:
    """A blank without bow has two equal snaps half a turn apart: noise alone picks the one that is given."""
    rng = np.random.default_rng(8)
    paths = []
    for again in range(6):
        roll = np.linspace(0.0, 1440.0, 1600)
        load = 1.8 * (1.0 + 0.03 * np.cos(np.radians(2.0 * (roll + 0.5 * rng.standard_normal()))))
        load += 0.004 * rng.standard_normal(roll.size)
        rows = "".join(
            f"{n / 40},{F:.5f},{a % 360:.2f}\n" for n, (F, a) in enumerate(zip(load, roll, strict=True))
        )
        path = tmp_path / f"even-{again}.csv"
        path.write_text(
            '# blankbench-run = 1\n# kind = "roll"\n# blank = "E"\n# free_length_m = 1.8\n'
            f"# held_travel_m = 0.45\ntime_s,load_N,roll_deg\n{rows}",
            encoding="utf-8",
        )
        paths.append(str(path))
    marks = [each["mark_deg"] for each in run("spine", *paths, "--json").document]
    assert max(marks) - min(marks) > 90.0  # else the test tests nothing
    assert run("repeat", *paths, "--json").document["mark"]["widest_deg"] < 3.0
