"""`spine --joint`: mounts of one blank, written as files, taken together."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from command_line import SAMPLES, Run, assert_one_line


def write_mount(folder: Path, mount_deg: float) -> Path:
    """Write a blank of 2 %, plane at 35°, in a chuck that shows 2 % at 80° of its own."""
    rng = np.random.default_rng(int(mount_deg))
    chuck = np.concatenate([np.linspace(0.0, 720.0, 900), np.linspace(720.0, 0.0, 900)])
    roll = chuck + mount_deg
    load = 1.8 + 0.018 * np.cos(np.radians(2.0 * (roll - 35.0))) - 0.012 * np.cos(np.radians(roll - 100.0))
    load += 0.018 * np.cos(np.radians(2.0 * (chuck - 80.0))) - 0.016 * np.cos(np.radians(chuck - 200.0))
    load += 0.008 * rng.standard_normal(chuck.size)
    path = folder / f"mount-{mount_deg:.0f}.csv"
    rows = "".join(
        f"{n / 40:.4f},{F:.5f},{a % 360.0:.3f}\n" for n, (F, a) in enumerate(zip(load, roll, strict=True))
    )
    path.write_text(
        '# blankbench-run = 1\n# kind = "roll"\n# blank = "J"\n'
        "# free_length_m = 1.8\n# held_travel_m = 0.45\n"
        f"# mount_deg = {mount_deg}\ntime_s,load_N,roll_deg\n{rows}",
        encoding="utf-8",
    )
    return path


def test_mounts_a_quarter_turn_apart_give_one_object_without_the_chucks_part(
    run: Run, tmp_path: Path
) -> None:
    paths = [str(write_mount(tmp_path, mount)) for mount in (0.0, 90.0)]
    (single, _) = run("spine", *paths, "--json").document
    assert abs(single["stiff_plane_deg"] - 35.0) > 10.0
    (joint,) = run("spine", *paths, "--joint", "--json").document
    assert joint["run"] == paths
    assert abs(joint["stiff_plane_deg"] - 35.0) <= joint["stiff_plane_ci95_deg"] < 2.0
    assert math.isclose(joint["support_pct"], 2.0, rel_tol=0.1)
    assert "chuck" in run("spine", *paths, "--joint").out


def test_mounts_half_a_turn_apart_warn_of_the_two_per_turn_part(run: Run, tmp_path: Path) -> None:
    paths = [str(write_mount(tmp_path, mount)) for mount in (0.0, 180.0)]
    (joint,) = run("spine", *paths, "--joint", "--json").document
    assert any("2-per-turn" in warning for warning in joint["warnings"])
    assert joint["support_pct"] is None


def test_a_blank_with_one_mount_only_is_refused_by_name(run: Run, tmp_path: Path) -> None:
    paths = [str(write_mount(tmp_path, mount)) for mount in (0.0, 90.0)]
    other = str(next(SAMPLES.glob("P-1_roll*")))
    assert_one_line(run("spine", *paths, other, "--joint", "--json"), "P-1", "mount")


def test_a_measured_chuck_is_taken_off_a_later_single_mount(run: Run, tmp_path: Path) -> None:
    paths = [str(write_mount(tmp_path, mount)) for mount in (0.0, 72.0, 144.0, 216.0, 288.0)]
    found = run("calibrate", "chuck", *paths, "--into", tmp_path / "kept", "--json").document
    assert list(found)[:13] == [
        "blank", "runs", "mounts_deg", "runout_m", "runout_ci95_m", "runout_deg", "support_pct",
        "support_ci95_pct", "support_deg", "seating_m", "seating_degrees_of_freedom", "file", "warnings",
    ]  # fmt: skip
    assert found["runs"] == paths
    assert abs(found["support_pct"] - 2.0) <= found["support_ci95_pct"]
    later = write_mount(tmp_path, 137.0)
    (plain,) = run("spine", later, "--chuck", "none", "--json").document
    (mended,) = run("spine", later, "--chuck", found["file"], "--json").document
    assert abs(plain["stiff_plane_deg"] - 35.0) > plain["stiff_plane_ci95_deg"]
    assert abs(mended["stiff_plane_deg"] - 35.0) <= mended["stiff_plane_ci95_deg"] < 6.0
    assert any("left out, as asked" in said for said in plain["warnings"])


def test_an_older_signature_is_read_as_a_chuck(run: Run, tmp_path: Path) -> None:
    """Support of 2 % at 80° and 4 mm of run-out at 200° on a blank of 4 N/m, as the older file kept them."""
    part, plane = 0.04, math.radians(160.0)
    values = [4.0 * 0.004 * math.cos(math.radians(200.0)), 4.0 * 0.004 * math.sin(math.radians(200.0))]
    values += [part * math.cos(plane), part * math.sin(plane)]
    rows = ", ".join(str([1e-8 if a == b else 0.0 for a in range(4)]) for b in range(4))
    old = tmp_path / "old.toml"
    old.write_text(
        f'blankbench-signature = 1\ndated = "2026-05-04T09:30"\ntravel_m = 0.45\nstiffness_N_per_m = 4.0\n'
        f"values = {values}\ncovariance = [{rows}]\n",
        encoding="utf-8",
    )
    (mended,) = run("spine", write_mount(tmp_path, 137.0), "--chuck", old, "--json").document
    assert abs(mended["stiff_plane_deg"] - 35.0) <= mended["stiff_plane_ci95_deg"] < 6.0


def test_what_is_no_chuck_and_mounts_that_tell_none_are_told_in_one_line(run: Run, tmp_path: Path) -> None:
    mount = write_mount(tmp_path, 0.0)
    assert_one_line(run("spine", mount, "--chuck", mount, "--json"), "no chuck")
    assert_one_line(run("spine", mount, "--chuck", tmp_path / "none.toml", "--json"), "none.toml")
    assert_one_line(run("calibrate", "chuck", mount, "--into", tmp_path / "c", "--json"), "three mounts")
    halves = [str(write_mount(tmp_path, m)) for m in (0.0, 180.0)] * 2
    assert_one_line(
        run("calibrate", "chuck", *halves, "--into", tmp_path / "c", "--json"), "half a turn apart"
    )
    other = str(next(SAMPLES.glob("P-1_roll*")))
    mixed = [str(write_mount(tmp_path, m)) for m in (0.0, 90.0, 180.0)]
    assert_one_line(
        run("calibrate", "chuck", *mixed, other, "--into", tmp_path / "c", "--json"), "P-1", "blank"
    )
    assert not (tmp_path / "c").exists()
