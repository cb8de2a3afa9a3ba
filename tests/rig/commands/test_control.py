"""`control`: a check blank over days on a rig whose load scale moves, and what grade and batch say of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from command_line import Run, assert_one_line


def write_day(folder: Path, day: int, *, scale: float = 1.0, blank: str = "CHECK", seed: int = 0) -> str:
    """Write a roll run of one day: stiffness 4 N/m, 2 % anisotropy at 40°; the rig's scale as it is."""
    rng = np.random.default_rng(100 * seed + day)
    roll = np.concatenate([np.linspace(0.0, 720.0, 400), np.linspace(720.0, 0.0, 400)])
    load = 1.8 * (1.0 + 0.01 * np.cos(np.radians(2.0 * (roll - 40.0)))) - 0.02 * np.cos(np.radians(roll))
    load = scale * load * (1.0 + 0.002 * rng.standard_normal()) + 0.004 * rng.standard_normal(roll.size)
    rows = "".join(
        f"{n / 40},{F:.5f},{a % 360:.2f}\n" for n, (F, a) in enumerate(zip(load, roll, strict=True))
    )
    folder.mkdir(exist_ok=True)
    path = folder / f"{blank}-{day:02d}.csv"
    path.write_text(
        f'# blankbench-run = 1\n# kind = "roll"\n# blank = "{blank}"\n# model = "example model"\n'
        f'# free_length_m = 1.8\n# held_travel_m = 0.45\n# started = "2026-05-{day:02d}T08:00:00Z"\n'
        f"time_s,load_N,roll_deg\n{rows}",
        encoding="utf-8",
    )
    return str(path)


@pytest.fixture
def steady(tmp_path: Path) -> list[str]:
    return [write_day(tmp_path / "runs", day) for day in range(1, 13)]


@pytest.fixture
def moved(tmp_path: Path) -> list[str]:
    """From 9 May on the load reads 3 % low."""
    return [write_day(tmp_path / "runs", day, scale=0.97 if day >= 9 else 1.0) for day in range(1, 13)]


def test_a_rig_that_holds_is_said_to_hold(run: Run, steady: list[str]) -> None:
    document = run("control", *steady, "--json").document
    assert document["holds"] is True
    stiffness = document["metrics"]["stiffness"]
    assert len(stiffness["values"]) == 12
    assert stiffness["lower"] < 4.0 < stiffness["upper"]
    assert stiffness["days"][0] == "2026-05-01"
    assert "holds" in run("control", *steady).out


def test_a_moved_scale_is_named_with_its_day_and_moves_no_angle(run: Run, moved: list[str]) -> None:
    document = run("control", *reversed(moved), "--baseline", "8", "--json").document
    assert document["holds"] is False
    stiffness = document["metrics"]["stiffness"]
    assert stiffness["moved_since"] == "2026-05-09"
    assert {"beyond limits", "jump"} <= {alarm["signal"] for alarm in stiffness["alarms"]}
    assert document["metrics"]["stiff_plane"]["moved_since"] is None
    shown = run("control", *moved, "--baseline", "8").out
    assert "has moved" in shown
    assert "2026-05-09" in shown


def test_too_few_days_cannot_tell(run: Run, steady: list[str]) -> None:
    document = run("control", *steady[:4], "--json").document
    assert document["holds"] is None
    assert document["metrics"]["stiffness"]["lower"] is None
    assert "Cannot tell" in run("control", *steady[:4]).out
    assert_one_line(run("control", *steady, "--baseline", "20", "--json"), "occasions")


def test_figures_are_drawn_and_a_day_can_be_the_first(run: Run, steady: list[str], tmp_path: Path) -> None:
    outcome = run("control", *steady, "--since", "2026-05-05", "--figures", tmp_path / "f", "--json")
    assert len(outcome.document["metrics"]["stiffness"]["values"]) == 8
    assert (tmp_path / "f" / "control_stiffness_values.svg").read_text(encoding="utf-8").startswith("<")
    assert_one_line(run("control", *steady, "--since", "2026-06-01"), "since 2026-06-01")
    assert_one_line(run("control", *steady, "--since", "yesterday"), "yesterday", "--since")


def test_several_blanks_need_a_name(run: Run, steady: list[str], tmp_path: Path) -> None:
    other = write_day(tmp_path / "runs", 3, blank="B-1")
    assert_one_line(run("control", *steady, other), "--blank")
    assert run("control", *steady, other, "--blank", "CHECK", "--json").document["blank"] == "CHECK"
    assert_one_line(run("control", other, "--blank", "CHECK"), "CHECK")


@pytest.mark.parametrize("given", [True, False])
def test_a_moved_rig_is_said_before_a_shipment_is_judged(
    run: Run, moved: list[str], in_folder: Path, given: bool
) -> None:
    """The check blank's runs are given with the rest, or found in the shop's folder of runs."""
    settings = in_folder / "shop.toml"
    settings.write_text(
        '[rig]\ncheck_blank = "CHECK"\n[models."example model".limits]\nstiffness = { lower = 3.0 }\n',
        encoding="utf-8",
    )
    blanks = [write_day(in_folder / "new", 12, blank=f"B-{n}", seed=n) for n in range(1, 4)]
    call = [*blanks, *(moved if given else []), "--settings", settings, "--json"]
    for command in ("batch", "grade"):
        document = run(command, *call).document
        assert any("rig has moved" in warning for warning in document["warnings"]), command
    assert "CHECK" not in run("batch", *call).document["metrics"]["stiffness"]["values"]
    matched = run("match", *call, "--size", "3").document
    assert any("rig has moved" in warning for warning in matched["warnings"])


def test_a_rig_that_holds_adds_no_warning_and_the_check_blank_is_no_part_of_the_batch(
    run: Run, steady: list[str], in_folder: Path
) -> None:
    settings = in_folder / "shop.toml"
    settings.write_text('[rig]\ncheck_blank = "CHECK"\n', encoding="utf-8")
    blanks = [write_day(in_folder / "new", 12, blank=f"B-{n}", seed=n) for n in range(1, 4)]
    document = run("batch", *blanks, *steady, "--settings", settings, "--json").document
    assert set(document["metrics"]["stiffness"]["values"]) == {"B-1", "B-2", "B-3"}
    assert not any("moved" in warning for warning in document["warnings"])
    assert_one_line(run("batch", *steady, "--settings", settings), "control")
