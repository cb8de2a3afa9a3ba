"""`repeat`: blanks recorded again and again on the virtual rig, against the rig's known noise."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from command_line import SAMPLES, Run, assert_one_line


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
    # 15 degrees of freedom: the standard deviation is known to ±36 % (95 %)
    assert 0.6 < plane["repeatability_sd_deg"] < 1.6
    assert plane["smallest_difference_deg"] == pytest.approx(
        1.959964 * math.sqrt(2.0) * plane["repeatability_sd_deg"]
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


def test_one_blank_alone_is_not_enough(run: Run, repeats: list[str], tmp_path: Path) -> None:
    assert_one_line(run("repeat", *repeats[:6], "--json"), "two blanks")
