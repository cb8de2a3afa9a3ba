"""`flex` on a run that was held at the top and whose load was read with the tip free afterwards."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from bent_blanks import flexed
from command_line import SAMPLES, Run, assert_one_line


def held_run(folder: Path, header: str = "") -> Path:
    """Write a run whose load fades by 1 % per decade over half a minute at the top."""
    run = flexed()
    assert run.tip is not None
    rng = np.random.default_rng(9)
    half, count = run.load_N.size // 2, 600
    fades = 1.0 - 0.01 * np.log10(1.0 + (np.arange(count) + 0.5))
    load = np.concatenate(
        [
            run.load_N[:half],
            run.load_N[half - 1] * fades + 0.012 * rng.standard_normal(count),
            run.load_N[half:],
        ]
    )
    travel = np.concatenate([run.travel_m[:half], np.full(count, 0.6), run.travel_m[half:]])
    rows = "".join(
        f"{n / 20:.2f},{F:.5f},{y:.6f}\n" for n, (F, y) in enumerate(zip(load, travel, strict=True))
    )
    path = folder / "held.csv"
    path.write_text(
        '# blankbench-run = 1\n# kind = "flex"\n# blank = "H"\n# free_length_m = 1.8\n'
        f"{header}time_s,load_N,travel_m\n{rows}",
        encoding="utf-8",
    )
    return path


def test_creep_and_set_stand_in_json_and_table(run: Run, tmp_path: Path) -> None:
    path = held_run(tmp_path, "# load_after_N = 0.002\n")
    (result,) = run("flex", path, "--json").document
    assert result["creep_of"] == "load"
    assert abs(result["creep_pct_per_decade"] - 1.0) <= result["creep_ci95_pct_per_decade"]
    assert 25.0 < result["held_s"] <= 30.0
    assert abs(result["set_after_unloading_m"]) <= result["set_after_unloading_ci95_m"]
    said = run("flex", path).out
    assert "creep while held" in said
    assert "set after unloading" in said


def test_what_a_run_does_not_show_is_null_and_has_no_row(run: Run, tmp_path: Path) -> None:
    path = held_run(tmp_path)
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join(lines[: 5 + 200]), encoding="utf-8")  # loading only
    (result,) = run("flex", path, "--json").document
    for key in ("creep_of", "creep_pct_per_decade", "held_s", "set_after_unloading_m"):
        assert result[key] is None
    said = run("flex", path).out
    assert "creep" not in said
    assert "set after" not in said


def test_a_load_after_that_is_no_number_is_refused_with_its_line(run: Run, tmp_path: Path) -> None:
    path = held_run(tmp_path, '# load_after_N = "little"\n')
    assert_one_line(run("flex", path, "--json"), "held.csv:5:", "load_after_N must be a number")


def test_power_as_read_stands_beside_the_models(run: Run, tmp_path: Path) -> None:
    path = held_run(tmp_path)
    (result,) = run("flex", path, "--json").document
    off = abs(result["reference_load_read_N"] - result["reference_load_at_free_length_N"])
    assert off <= result["reference_load_read_ci95_N"] + result["reference_load_ci95_N"]
    assert result["small_load_bend_centre_read"] is None
    assert 0.3 < result["small_load_bend_centre"] < 0.6
    assert "agrees with" in " ".join(run("flex", path).out.split())
    assert "at 1.8 m" in run("flex", path, "--rated-length", "1.7").out


def test_several_blanks_are_drawn_over_each_other(run: Run, tmp_path: Path) -> None:
    drawn = tmp_path / "drawn"
    assert run("flex", *SAMPLES.glob("P-[12]_flex*"), "--figures", drawn).status == 0
    for name in ("rigidities", "curves", "compared"):
        text = (drawn / f"{name}.svg").read_text(encoding="utf-8")
        assert "P-1" in text
        assert "P-2" in text
