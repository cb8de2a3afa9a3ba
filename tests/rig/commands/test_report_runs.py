"""Which runs a blank's sheet is made of: the surest, in whatever order they came."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from command_line import SAMPLES, Run

from rig.commands.report import surest_roll
from rig.settings import Settings
from rig.workup.many import work_files

ROLL = next(SAMPLES.glob("P-1_roll*.csv"))


def botched(folder: Path) -> Path:
    """A roll run of the same blank in which the load cell read nothing but noise."""
    rng = np.random.default_rng(1)
    head = [line for line in ROLL.read_text(encoding="utf-8").splitlines() if line.startswith("#")]
    wanted = ("blankbench-run", "kind", "blank", "model", "free_length_m", "held_travel_m", "mount_deg")
    keep = [line for line in head if line.split("=")[0].strip("# ") in wanted]
    rows = [
        f"{n / 40:.3f},{2.0 + 0.2 * rng.standard_normal():.4f},{roll % 360:.2f}"
        for n, roll in enumerate(np.linspace(0.0, 720.0, 240))
    ]
    path = folder / "botched.csv"
    path.write_text("\n".join([*keep, "time_s,load_N,roll_deg", *rows, ""]), encoding="utf-8")
    return path


def test_a_botched_run_does_not_decide_the_sheet_in_any_order(tmp_path: Path) -> None:
    bad = str(botched(tmp_path))
    good = str(ROLL)
    alone = work_files([good], Settings()).rolls["P-1"][0].result
    assert alone.mark.angle is not None
    for order in ([bad, good], [good, bad]):
        shown = surest_roll(work_files(order, Settings()).rolls["P-1"])
        assert shown is not None
        assert shown.mark.angle == alone.mark.angle


def test_the_sheet_says_how_many_runs_there_were(run: Run, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    outcome = run("report", str(botched(tmp_path)), str(ROLL), "--into", str(page))
    assert outcome.status == 0, outcome.err
    assert "Measured by 2 roll runs; this sheet shows the surest." in page.read_text(encoding="utf-8")
