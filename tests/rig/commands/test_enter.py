"""`blankbench enter` from a keyboard that is a pipe: the run file, the taking up, the bad calls."""

from __future__ import annotations

import io
import math
from pathlib import Path

import pytest
from command_line import Run, assert_one_line

from rig.commands.enter import enter
from rig.runs import read_run

CALL = ("enter", "roll", "--blank", "A-03", "--free-length", "1.80", "--hanging", "300")


def keys(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(text))


def readings(count: int) -> str:
    travel = (400.0 - 12.0 * math.cos(2.0 * math.radians(30.0 * at - 40.0)) for at in range(count))
    return "".join(f"{value:.0f}\n" for value in travel)


def test_what_is_entered_becomes_a_run_that_spine_answers(
    run: Run, in_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keys(monkeypatch, readings(12) + "done\n")
    done = run(*CALL, "--resolution", "1mm", "--json")
    assert done.status == 0, done.err
    made = read_run(done.document["run"])
    assert made.header.extra["taken"] == "at rest"
    assert made.header.tables["resolution"]["travel_m"] == 0.001
    assert made.header.held_load_N == pytest.approx(0.3 * 9.80665)
    (found,) = run("spine", done.document["run"], "--json").document
    assert found["plane_found"]
    assert abs((found["stiff_plane_deg"] - 40.0 + 90.0) % 180.0 - 90.0) <= found["stiff_plane_ci95_deg"]
    assert not list(Path("runs").glob(".*entering*"))


def test_an_entry_that_was_broken_off_is_taken_up_again(
    run: Run, in_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.commands.enter._write", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    keys(monkeypatch, readings(5))
    with pytest.raises(KeyboardInterrupt):
        enter("roll", blank="A-03", free_length=1.8, hanging=300.0)
    monkeypatch.undo()
    monkeypatch.setenv("XDG_CONFIG_HOME", "/nonexistent-for-tests")
    keys(monkeypatch, "6 410\n")
    done = run(*CALL, "--json")
    assert done.document["readings"] == 6
    assert "taken up again" in done.err


def test_few_positions_are_kept_and_spine_says_how_many_more(
    run: Run, in_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keys(monkeypatch, readings(5))
    done = run(*CALL, "--json")
    (found,) = run("spine", done.document["run"], "--json").document
    assert found["plane_found"] is False
    assert found["mark_deg"] is None
    assert any("3 more" in words for words in found["warnings"])


def test_nothing_entered_is_refused(run: Run, in_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keys(monkeypatch, "")
    assert_one_line_at_the_end(run(*CALL))


def assert_one_line_at_the_end(outcome) -> None:  # type: ignore[no-untyped-def]
    """The table's own words stand on stderr before it."""
    assert outcome.status == 2
    assert outcome.out == ""
    assert outcome.err.splitlines()[-1].startswith("blankbench: ")


@pytest.mark.parametrize("words", [("--free-length", "long"), ("--positions", "5"), ("--resolution", "fine")])
def test_bad_calls_are_one_line(run: Run, in_folder: Path, words: tuple[str, str]) -> None:
    assert_one_line(run(*CALL, *words))


@pytest.mark.parametrize(
    ("held_in", "guessed", "least", "most"), [("v-blocks", False, 2.0, 3.0), ("chuck", True, 3.5, 9.0)]
)
def test_v_blocks_have_no_chuck_of_their_own(
    run: Run, tmp_path: Path, held_in: str, guessed: bool, least: float, most: float
) -> None:
    """Compliance that varies by 4 % under a hung weight; V-blocks leave the index mark's 2° and the noise."""
    roll = [15.0 * k for k in range(24)]
    travel = [
        0.55 * (1.0 + 0.02 * math.cos(2.0 * math.radians(at) - 1.2)) + 3e-4 * math.sin(7.3 * k)
        for k, at in enumerate(roll)
    ]
    header = {
        "blankbench-run": 1, "kind": '"roll"', "blank": '"A"', "free_length_m": 1.8, "held_load_N": 2.0,
        "contact": '"free"', "taken": '"at rest"', "held_in": f'"{held_in}"',
    }  # fmt: skip
    path = tmp_path / "table.csv"
    path.write_text(
        "".join(f"# {key} = {value}\n" for key, value in header.items())
        + "time_s,travel_m,roll_deg\n"
        + "".join(f"{k},{y:.4f},{at}\n" for k, (y, at) in enumerate(zip(travel, roll, strict=True))),
        encoding="utf-8",
    )
    outcome = run("spine", str(path), "--json")
    assert outcome.status == 0, outcome.err
    (record,) = outcome.document
    assert least <= record["stiff_plane_ci95_deg"] <= most
    assert any("never measured" in warning for warning in record["warnings"]) == guessed
