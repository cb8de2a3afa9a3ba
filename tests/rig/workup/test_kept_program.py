"""Kept results belong to the program that made them: another state of it tells its own answers."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from command_line import REPOSITORY

RUNS = 30
"""More than are worked up in one go without being kept."""


@pytest.fixture
def program(tmp_path: Path) -> Path:
    """A copy of the program that may be changed."""
    for package in ("analysis", "rig"):
        shutil.copytree(
            REPOSITORY / package, tmp_path / "program" / package, ignore=shutil.ignore_patterns("__pycache__")
        )
    return tmp_path / "program"


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    """A roll run each in one direction, whose half-width holds the default friction."""
    folder = tmp_path / "runs"
    folder.mkdir()
    rng = np.random.default_rng(3)
    roll = np.linspace(0.0, 720.0, 240)
    for number in range(RUNS):
        load = 1.8 + 0.03 * np.cos(np.radians(2.0 * (roll - 5.0 * number))) + 0.004 * rng.standard_normal(240)
        rows = "".join(
            f"{n / 40},{F:.5f},{a % 360:.2f}\n" for n, (F, a) in enumerate(zip(load, roll, strict=True))
        )
        (folder / f"run-{number:02d}.csv").write_text(
            f'# blankbench-run = 1\n# kind = "roll"\n# blank = "B{number}"\n# free_length_m = 1.8\n'
            f"# held_travel_m = 0.45\ntime_s,load_N,roll_deg\n{rows}",
            encoding="utf-8",
        )
    return folder


def half_widths(program: Path, runs: Path, home: Path) -> list[float]:
    """Half-widths of the stiffness as `batch` gives them, in a process of its own with a home of its own."""
    own = {
        name: str(home) for name in ("HOME", "XDG_CACHE_HOME", "XDG_CONFIG_HOME", "LOCALAPPDATA", "APPDATA")
    }
    done = subprocess.run(
        [sys.executable, "-m", "rig", "batch", str(runs / "*.csv"), "--json"],
        cwd=program,
        env={**os.environ, **own, "PYTHONPATH": str(program)},
        capture_output=True,
        text=True,
        check=True,
    )
    return list(json.loads(done.stdout)["metrics"]["stiffness"]["values_ci95"].values())


def test_a_changed_program_tells_its_own_answers_and_not_those_kept(
    program: Path, runs: Path, tmp_path: Path
) -> None:
    """The default friction of 20 mN becomes 40: over 0.45 m of travel 0.044 and 0.089 N/m of half-width."""
    before = half_widths(program, runs, tmp_path / "home")
    assert len(before) == RUNS
    assert np.allclose(before, 0.02 / 0.45, atol=0.01)
    changed = 0
    for path in (program / "analysis").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        other = re.sub(r"^(DEFAULT_FRICTION_N\b.*=) 0\.02$", r"\1 0.04", text, flags=re.MULTILINE)
        if other != text:
            path.write_text(other, encoding="utf-8")
            changed += 1
    assert changed == 1
    after = half_widths(program, runs, tmp_path / "home")
    assert np.allclose(after, 0.04 / 0.45, atol=0.01)
