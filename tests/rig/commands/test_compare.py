"""`compare`: two shipments whose true means are known, and what must not be compared."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from command_line import Run, assert_one_line


def shipment(folder: Path, prefix: str, count: int, stiffness: float, *, scatter: float = 0.01, seed: int = 1,
             model: str = "example model", length: float = 1.8) -> list[str]:  # fmt: skip
    """Write a roll run a blank; true stiffnesses scatter about the given one."""
    rng = np.random.default_rng(seed)
    folder.mkdir(exist_ok=True)
    paths = []
    for number in range(count):
        k = stiffness * (1.0 + scatter * rng.standard_normal())
        roll = np.linspace(0.0, 720.0, 600)
        load = 0.45 * k * (1.0 + 0.01 * np.cos(np.radians(2.0 * roll))) + 0.003 * rng.standard_normal(600)
        readings = enumerate(zip(load, roll, strict=True))
        rows = "".join(f"{n / 40},{F:.5f},{a % 360:.2f}\n" for n, (F, a) in readings)
        path = folder / f"{prefix}-{number}.csv"
        path.write_text(
            f'# blankbench-run = 1\n# kind = "roll"\n# blank = "{prefix}-{number}"\n# model = "{model}"\n'
            f"# free_length_m = {length}\n# held_travel_m = 0.45\ntime_s,load_N,roll_deg\n{rows}",
            encoding="utf-8",
        )
        paths.append(str(path))
    return paths


def test_a_stiffer_production_has_changed_and_the_change_holds_the_truth(run: Run, tmp_path: Path) -> None:
    shipment(tmp_path, "A", 8, 4.0)
    later = shipment(tmp_path, "C", 8, 4.5, seed=2)
    document = run("compare", *later, "--before", tmp_path / "A-*.csv", "--json").document
    assert document["verdict"] == "changed"
    stiffness = document["metrics"]["stiffness"]
    assert abs(stiffness["change"] - 0.5) <= stiffness["change_ci95"]
    assert document["metrics"]["anisotropy"]["verdict"] == "same"
    shown = run("compare", *later, "--before", tmp_path / "A-*.csv").out
    assert "has changed" in shown
    assert "stiffness" in shown


def test_the_same_production_is_the_same(run: Run, tmp_path: Path) -> None:
    shipment(tmp_path, "A", 8, 4.0)
    later = shipment(tmp_path, "C", 8, 4.0, seed=3)
    document = run("compare", *later, "--before", tmp_path / "A-*", "--json").document
    assert document["metrics"]["stiffness"]["verdict"] == "same"
    assert document["verdict"] == "same"


def test_too_few_blanks_that_scatter_cannot_tell(run: Run, tmp_path: Path) -> None:
    shipment(tmp_path, "A", 3, 4.0, scatter=0.06)
    later = shipment(tmp_path, "C", 3, 4.2, scatter=0.06, seed=2)
    document = run("compare", *later, "--before", tmp_path / "A-*", "--json").document
    assert document["metrics"]["stiffness"]["verdict"] == "undecided"
    assert "Cannot tell" in run("compare", *later, "--before", tmp_path / "A-*").out


def test_what_does_not_compare_is_refused(run: Run, tmp_path: Path) -> None:
    earlier = shipment(tmp_path / "a", "A", 3, 4.0)
    other = shipment(tmp_path / "b", "B", 3, 4.0, model="another model")
    longer = shipment(tmp_path / "c", "C", 3, 4.0, length=2.0)
    assert_one_line(run("compare", *other, "--before", earlier[0], "--before", earlier[1]), "models")
    assert_one_line(run("compare", *longer, "--before", earlier[0], "--before", earlier[1]), "lengths")
    assert_one_line(run("compare", *earlier, "--before", earlier[0]), "both")
    assert_one_line(run("compare", *earlier), "--before")
