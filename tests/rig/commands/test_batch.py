"""`batch` on many files: copies, files that cannot be used, calibrations, the shop's own numbers."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from command_line import Run, assert_one_line
from shipment_runs import write_flex, write_roll

COMMANDS = ("batch", "report", "grade", "match")
"""Those that take many runs and may pass over what they cannot use."""


def broken(folder: Path) -> Path:
    """A run with a word among its readings."""
    path = write_flex(folder, "bad")
    path.write_text(path.read_text(encoding="utf-8") + "oops,1,2,3\n", encoding="utf-8")
    return path


def no_answer(folder: Path) -> Path:
    """A run that reads well and whose readings allow no answer: the blank was hardly rolled."""
    path = write_roll(folder, "still")
    lines = path.read_text(encoding="utf-8").splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith("time_s")) + 1
    path.write_text("\n".join(lines[: start + 3]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("spoil", [broken, no_answer, lambda folder: folder / "not-there.csv"])
def test_one_unusable_file_stops_the_call_unless_it_may_be_skipped(run: Run, tmp_path, command, spoil):
    good = [write_flex(tmp_path, name, seed=seed) for seed, name in enumerate("AB")]
    bad = spoil(tmp_path)
    spec = tmp_path / "spec.toml"
    spec.write_text("[limits]\nreference_load = { lower = 1.0 }\n", encoding="utf-8")
    into = {
        "report": ("--into", tmp_path / "r.html"), "grade": ("--spec", spec), "match": ("--size", "2")
    }.get(command, ())  # fmt: skip
    assert_one_line(run(command, good[0], bad, good[1], "--json", *into), bad.name)
    outcome = run(command, good[0], bad, good[1], "--json", "--skip-unreadable", *into)
    assert outcome.status == 0
    (left,) = outcome.document["left_out"]
    assert left["run"] == str(bad)
    assert bad.name in left["why"]
    assert "\n" not in left["why"]


def test_the_table_says_what_was_left_out(run: Run, tmp_path):
    good = [write_flex(tmp_path, name, seed=seed) for seed, name in enumerate("AB")]
    said = " ".join(run("batch", *good, broken(tmp_path), "--skip-unreadable").out.split())
    assert "left out:" in said
    assert "oops" in said


def test_if_every_file_is_unusable_there_is_no_batch(run: Run, tmp_path):
    assert_one_line(run("batch", broken(tmp_path), "--skip-unreadable"), "none of the 1 files", "oops")


def test_the_same_recording_counts_once_whatever_it_is_called(run: Run, tmp_path):
    first, second = write_flex(tmp_path, "A", 1.0), write_flex(tmp_path, "B", 1.01, seed=2)
    alone = run("batch", first, second, "--json").document
    copy = tmp_path / "copy of A.csv"
    shutil.copy(first, copy)
    twice = run("batch", first, second, first, copy, "--json").document
    assert twice["metrics"] == alone["metrics"]
    assert any("is given twice" in warning for warning in twice["warnings"])
    assert any("copy of A.csv is the same recording" in warning for warning in twice["warnings"])


def test_another_recording_of_a_blank_halves_its_noise(run: Run, tmp_path):
    paths = [write_flex(tmp_path, "A", seed=seed, name=f"A{seed}") for seed in range(4)]
    other = write_flex(tmp_path, "B", seed=9)
    once = run("batch", paths[0], other, "--json").document["metrics"]["reference_load"]["values_ci95"]
    four = run("batch", *paths, other, "--json").document["metrics"]["reference_load"]["values_ci95"]
    assert 0.35 < four["A"] / once["A"] < 0.8
    assert four["B"] == pytest.approx(once["B"])


def calibrated(folder: Path, name: str, dated: str, seed: int) -> Path:
    return write_flex(folder, name, seed=seed, calibration={"dated": dated, "load_scale_ci95": 0.01})


def test_under_two_calibrations_their_error_counts_between_the_blanks(run: Run, tmp_path):
    def verdicts(*dates: str) -> tuple[dict, list[str]]:
        paths = [calibrated(tmp_path, f"B{n}", dated, n) for n, dated in enumerate(dates)]
        found = run("batch", *paths, "--json", "--tolerance", "reference_load=2").document
        return found["metrics"]["reference_load"], found["warnings"]

    one, silent = verdicts("2026-05-01", "2026-05-01")
    two, warned = verdicts("2026-05-01", "2026-05-08")
    assert two["values"] == pytest.approx(one["values"])
    assert two["p_consistent"] > 3.0 * one["p_consistent"]
    assert not any("calibration" in warning for warning in silent)
    assert any("2 calibrations (2026-05-01, 2026-05-08)" in warning for warning in warned)


def test_a_number_of_the_shop_s_own_is_compared_where_it_has_a_tolerance(run: Run, tmp_path):
    for name, wall in (("A", 0.80), ("B", 0.81), ("C", 0.95)):
        write_flex(tmp_path, name, wall_mm=wall, wall_ci95_mm=0.02)
    runs = sorted(tmp_path.glob("*.csv"))
    assert "wall_mm" not in run("batch", *runs, "--json").document["metrics"]
    found = run("batch", *runs, "--tolerance", "wall_mm=0.05", "--json").document["metrics"]["wall_mm"]
    assert (found["unit"], found["tolerance_unit"], found["verdict"]) == ("mm", "mm", "not consistent")
    assert found["values_ci95"]["A"] == pytest.approx(0.02)
    assert found["spread"] == pytest.approx(0.15)
    settings = tmp_path / "shop.toml"
    settings.write_text("[tolerance]\nwall_mm = 0.3\n", encoding="utf-8")
    said = run("batch", *runs, "--settings", settings)
    assert "wall" in said.out
    assert "0.15 mm" in said.out
    assert_one_line(run("batch", *runs, "--tolerance", "wal_mm=0.05"), "wal_mm", "reference_load")


def test_a_blank_of_two_lengths_is_asked_about(run: Run, tmp_path):
    paths = [
        write_flex(tmp_path, "A", length_m=2.0),
        write_roll(tmp_path, "A", length_m=1.9),
        write_flex(tmp_path, "B", seed=2),
    ]
    warnings = run("batch", *paths, "--json").document["warnings"]
    assert any("two blanks of one name" in warning for warning in warnings)
    assert any("B has no roll run" in warning for warning in warnings)
