"""`calibrate load` from a table, `calibrate lag` from runs: what is kept, what is named, what is refused."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from command_line import Run, assert_one_line

from rig.calibration import latest_calibration

WEIGHTS = (0, 100, 200, 500, 1000, 500, 200, 100, 0)


def table(folder: Path, text: str) -> Path:
    path = folder / "weights.csv"
    path.write_text(text, encoding="utf-8")
    return path


def rows(wrong: int | None = None) -> str:
    rng = np.random.default_rng(5)
    lines = []
    for grams in WEIGHTS:
        true = grams * (1.05 if grams == wrong else 1.0)
        lines += [f"{grams},{84_213 + 203.0 * (true + 0.1 * rng.standard_normal()):.0f}" for _ in range(3)]
    return "grams,counts\n" + "\n".join(lines) + "\n"


def test_a_table_of_weights_is_kept_as_a_calibration(run: Run, tmp_path: Path) -> None:
    found = run(
        "calibrate", "load", "--from", table(tmp_path, rows()), "--into", tmp_path / "c", "--json"
    ).document
    assert list(found)[:9] == [
        "N_per_count", "N_per_count_ci95", "zero_counts", "zero_ci95_counts", "curved", "residuals",
        "hysteresis_pct", "file", "warnings",
    ]  # fmt: skip
    assert abs(found["N_per_count"] - 9.80665e-3 / 203.0) <= found["N_per_count_ci95"]
    assert abs(found["zero_counts"] - 84_213.0) <= found["zero_ci95_counts"]
    assert [one["grams"] for one in found["residuals"]] == [0, 100, 200, 500, 1000]
    kept = latest_calibration(tmp_path / "c")
    assert kept is not None
    assert kept.load is not None
    assert kept.load.heaviest_N == pytest.approx(9.80665)
    assert kept.load.apply(84_213 + 203.0 * 300) == pytest.approx(0.3 * 9.80665, rel=1e-3)


def test_a_suspect_weight_is_named_and_nothing_saved_until_it_is_left_out(run: Run, tmp_path: Path) -> None:
    path, into = table(tmp_path, rows(wrong=500)), tmp_path / "c"
    outcome = run("calibrate", "load", "--from", path, "--into", into, "--json")
    assert outcome.status == 1
    assert outcome.document["file"] is None
    assert [one["grams"] for one in outcome.document["residuals"] if one["suspect"]] == [500]
    assert "--without 500" in outcome.document["warnings"][0]
    assert not into.exists()
    again = run("calibrate", "load", "--from", path, "--without", "500", "--into", into, "--json")
    assert again.status == 0
    assert Path(again.document["file"]).exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("grams,counts\n0,5\n100,80\n", ("weights.csv", "three")),
        ("grams,counts\n0,5\n100,x\n200,9\n", ("weights.csv:3", "no number")),
        ("grams,counts\n0,5\n100\n200,9\n", ("weights.csv:3", "cells")),
        ("mass,counts\n0,5\n", ("weights.csv:1", "grams")),
        ("", ("weights.csv", "empty")),
        ("grams,counts\n0,900\n100,100\n200,700\n500,300\n", ("weights.csv", "order")),
    ],
)
def test_a_table_that_is_no_calibration_is_told_in_one_line(
    run: Run, tmp_path: Path, text: str, words: tuple[str, ...]
) -> None:
    path = table(tmp_path, text)
    assert_one_line(run("calibrate", "load", "--from", path, "--into", tmp_path / "c", "--json"), *words)
    assert not (tmp_path / "c").exists()


def test_weights_are_given_in_one_way(run: Run, tmp_path: Path) -> None:
    assert_one_line(run("calibrate", "load", "--json"), "--weights")
    assert_one_line(run("calibrate", "load", "--weight", "100", "--weights", "0,1,2", "--json"), "together")
    words = ("--from", table(tmp_path, rows()), "--without", "300", "--json")
    assert_one_line(run("calibrate", "load", *words), "300", "100, 200")


def write_roll(
    folder: Path,
    name: str,
    *,
    lag: float,
    backlash_deg: float,
    speed: float,
    both: bool = True,
    seed: int = 1,
) -> Path:
    """A turn (and back) of a blank with a bow, the load late and the angle with play, at 80 Hz."""
    rng = np.random.default_rng(seed)
    end = 360.0 / speed
    time = np.arange(int((2 if both else 1) * end * 80)) / 80.0

    def angle(at: np.ndarray) -> np.ndarray:
        return np.where(at < end, speed * np.maximum(at, 0.0), 2.0 * speed * end - speed * at)

    late = time - lag
    way = np.where(late < end, 1.0, -1.0)
    true = np.radians(angle(late) - backlash_deg * way)
    load = 0.45 * 12.0 * (1.0 + 0.01 * np.cos(2.0 * (true - 0.6))) - 12.0 * 0.006 * np.cos(true - 1.7)
    load += 0.02 * way + 0.006 * rng.standard_normal(time.size)
    path = folder / f"{name}.csv"
    lines = "".join(
        f"{t:.4f},{F:.5f},{a % 360.0:.3f}\n" for t, F, a in zip(time, load, angle(time), strict=True)
    )
    path.write_text(
        f'# blankbench-run = 1\n# kind = "roll"\n# blank = "{name}"\n# free_length_m = 1.8\n'
        f"# held_travel_m = 0.45\ntime_s,load_N,roll_deg\n{lines}",
        encoding="utf-8",
    )
    return path


def test_two_rates_tell_lag_from_backlash(run: Run, tmp_path: Path) -> None:
    runs = [
        write_roll(tmp_path, f"R{speed}", lag=0.2, backlash_deg=1.5, speed=speed, seed=speed)
        for speed in (15, 45)
    ]
    found = run("calibrate", "lag", *runs, "--into", tmp_path / "c", "--json").document
    assert list(found)[:8] == [
        "lag_s", "lag_ci95_s", "backlash_deg", "backlash_ci95_deg", "friction_N", "friction_ci95_N", "file",
        "warnings",
    ]  # fmt: skip
    assert abs(found["lag_s"] - 0.2) <= found["lag_ci95_s"] < 0.05
    assert abs(found["backlash_deg"] - 1.5) <= found["backlash_ci95_deg"] < 1.0
    assert abs(found["friction_N"] - 0.02) <= found["friction_ci95_N"]
    one = run("calibrate", "lag", runs[0], "--into", tmp_path / "c", "--json").document
    assert one["backlash_deg"] is None
    assert any("backlash" in said for said in one["warnings"])


def test_a_one_way_run_holds_the_lag_it_cannot_show_and_uses_what_was_learnt(
    run: Run, tmp_path: Path
) -> None:
    """0.2 s at 30°/s are 6°: an amplifier of 10 readings a second may lag 0.25 s, which is 7.5°."""
    path = write_roll(tmp_path, "W", lag=0.2, backlash_deg=0.0, speed=30, both=False)
    true, none = math.degrees(0.6), ("--chuck", "none", "--json")
    text = path.read_text("utf-8")
    path.write_text(
        text.replace("# held", "# [rig]\n# rate_hz = 10\n# held", 1).replace(
            "# [rig]\n# rate_hz = 10\n# held_travel_m = 0.45\n",
            "# held_travel_m = 0.45\n# [rig]\n# rate_hz = 10\n",
        ),
        "utf-8",
    )
    (slow,) = run("spine", path, *none).document
    off = abs(slow["stiff_plane_deg"] - true)
    assert 5.0 < off <= slow["stiff_plane_ci95_deg"] < 9.0
    assert slow["lag_s"] is None
    path.write_text(
        path.read_text("utf-8").replace("# rate_hz = 10\n", "# lag_s = 0.2\n# lag_ci95_s = 0.02\n"), "utf-8"
    )
    (learnt,) = run("spine", path, *none).document
    assert abs(learnt["stiff_plane_deg"] - true) <= learnt["stiff_plane_ci95_deg"] < 2.0
    both = write_roll(tmp_path, "B", lag=0.4, backlash_deg=0.0, speed=30, seed=2)
    (told,) = run("spine", both, *none).document
    assert abs(told["lag_s"] - 0.4) <= told["lag_ci95_s"] < 0.05
    assert abs(told["stiff_plane_deg"] - true) <= told["stiff_plane_ci95_deg"] < 1.0
    assert_one_line(run("calibrate", "lag", path, "--into", tmp_path / "c", "--json"), "both ways")
