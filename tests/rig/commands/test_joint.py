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


def test_a_kept_signature_is_taken_off_a_later_single_mount(run: Run, tmp_path: Path) -> None:
    paths = [str(write_mount(tmp_path, mount)) for mount in (0.0, 90.0, 180.0)]
    kept = tmp_path / "chuck.toml"
    assert run("spine", *paths, "--joint", "--save-signature", kept, "--json").status == 0
    later = write_mount(tmp_path, 137.0)
    (plain,) = run("spine", later, "--json").document
    (mended,) = run("spine", later, "--signature", kept, "--json").document
    assert abs(plain["stiff_plane_deg"] - 35.0) > plain["stiff_plane_ci95_deg"]
    assert abs(mended["stiff_plane_deg"] - 35.0) <= mended["stiff_plane_ci95_deg"]


def test_a_file_that_is_no_signature_is_told(run: Run, tmp_path: Path) -> None:
    mount = write_mount(tmp_path, 0.0)
    assert_one_line(run("spine", mount, "--signature", mount, "--json"), "no signature")
    assert_one_line(run("spine", mount, "--signature", tmp_path / "none.toml", "--json"), "none.toml")
    assert_one_line(run("spine", mount, "--save-signature", tmp_path / "x.toml", "--json"), "--joint")
