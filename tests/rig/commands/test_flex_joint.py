"""`flex --joint`: runs of one blank, written as files, fitted together."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from bent_blanks import flexed, truth
from command_line import SAMPLES, Run, assert_one_line


def write_run(folder: Path, name: str, *, blank: str = "J", header: str = "", **made: float) -> Path:
    """Write a flex run made by another solver."""
    run = flexed(**made)  # type: ignore[arg-type]
    assert run.tip is not None
    station = "" if run.station_m is None else f"# station_m = {run.station_m}\n"
    table = np.column_stack([run.time_s, run.load_N, run.travel_m, np.degrees(run.tip)])
    rows = "".join(f"{t:.3f},{F:.5f},{y:.6f},{a:.4f}\n" for t, F, y, a in table)
    path = folder / f"{name}.csv"
    path.write_text(
        f'# blankbench-run = 1\n# kind = "flex"\n# blank = "{blank}"\n# free_length_m = {run.free_length_m}\n'
        f"# roll_deg = 0\n{station}{header}time_s,load_N,travel_m,tip_deg\n{rows}",
        encoding="utf-8",
    )
    return path


def test_two_stations_give_one_object_with_the_truth_inside(run: Run, tmp_path: Path) -> None:
    paths = [str(write_run(tmp_path, "tip")), str(write_run(tmp_path, "near", station=1.17, seed=3))]
    (joint,) = run("flex", *paths, "--joint", "--json").document
    assert joint["run"] == paths
    load, centre = truth()
    assert abs(joint["reference_load_N"] - load) <= joint["reference_load_ci95_N"]
    assert abs(joint["bend_centre"] - centre) <= joint["bend_centre_ci95"]
    assert len(run("flex", *paths, "--json").document) == 2
    said = run("flex", *paths, "--joint").out
    assert "2 runs" in said
    assert "hook at 1.8 m and 1.17 m" in said


def test_the_joint_profile_and_figures_are_written(run: Run, tmp_path: Path) -> None:
    paths = [str(write_run(tmp_path, "tip")), str(write_run(tmp_path, "near", station=1.17, seed=3))]
    kept = tmp_path / "kept.csv"
    outcome = run("flex", *paths, "--joint", "--profile", kept, "--figures", tmp_path / "drawn", "--json")
    assert outcome.status == 0
    assert "log_cov_1" in kept.read_text(encoding="utf-8")
    assert list((tmp_path / "drawn").glob("*rigidity.svg"))
    assert_one_line(run("flex", *paths, "--profile", kept, "--json"), "--joint")


def test_a_blank_with_one_run_only_and_mixed_blanks_are_refused(run: Run, tmp_path: Path) -> None:
    tip = write_run(tmp_path, "tip", header='# model = "one"\n')
    again = write_run(tmp_path, "again", header='# model = "two"\n', seed=2)
    assert_one_line(run("flex", tip, again, "--joint", "--json"), "again.csv:6: model is two here and one")
    other = next(SAMPLES.glob("P-1_flex*"))
    assert_one_line(run("flex", tip, other, "--joint", "--json"), "only run of blank J")


def test_the_run_that_cannot_be_used_is_named(run: Run, tmp_path: Path) -> None:
    tip = write_run(tmp_path, "tip")
    bad = write_run(tmp_path, "bad", seed=2)
    text = bad.read_text(encoding="utf-8").splitlines(keepends=True)
    head, rows = text[:6], text[6:]
    turned = [
        ",".join([row.split(",")[0], str(-float(row.split(",")[1])), *row.split(",")[2:]]) for row in rows
    ]
    bad.write_text("".join(head + turned), encoding="utf-8")
    assert_one_line(run("flex", tip, bad, "--joint", "--json"), "bad.csv:", "opposite signs")


def test_joint_ratings_lie_between_those_of_the_single_runs(run: Run, tmp_path: Path) -> None:
    paths = [str(write_run(tmp_path, f"r{seed}", seed=seed)) for seed in (1, 2, 3)]
    singles = [each["reference_load_N"] for each in run("flex", *paths, "--json").document]
    (joint,) = run("flex", *paths, "--joint", "--json").document
    assert min(singles) - 1e-3 <= joint["reference_load_N"] <= max(singles) + 1e-3
    assert math.isfinite(joint["hysteresis_pct"])
