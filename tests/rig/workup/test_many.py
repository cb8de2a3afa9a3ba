"""Many blanks over all processors: the same results as one by one, kept, resumed, and faults told."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from command_line import SAMPLES

from analysis.estimate import Estimate, Share
from rig.errors import FileError
from rig.runs import read_run
from rig.settings import Settings
from rig.workup import many
from rig.workup.kept import FILE_NAME, Kept, decode, encode
from rig.workup.many import SMALL, Worked, work_files
from rig.workup.one_run import work_blanks

BLANKS = SMALL + 4


@pytest.fixture
def shipment(tmp_path: Path) -> list[str]:
    """A roll run each of more blanks than are worked up in one go."""
    rng = np.random.default_rng(3)
    paths = []
    for number in range(BLANKS):
        roll = np.linspace(0.0, 720.0, 300)
        load = 1.8 + 0.03 * np.cos(np.radians(2.0 * (roll - 5.0 * number))) + 0.004 * rng.standard_normal(300)
        path = tmp_path / f"run-{number:02d}.csv"
        rows = "".join(
            f"{n / 40},{F:.5f},{a % 360:.2f}\n" for n, (F, a) in enumerate(zip(load, roll, strict=True))
        )
        path.write_text(
            f'# blankbench-run = 1\n# kind = "roll"\n# blank = "B{number}"\n# free_length_m = 1.8\n'
            f"# held_travel_m = 0.45\ntime_s,load_N,roll_deg\n{rows}",
            encoding="utf-8",
        )
        paths.append(str(path))
    return paths


def test_flex_results_travel_and_are_kept_whole(tmp_path: Path) -> None:
    """The sample runs under other names, so that there are more than are worked up in one go."""
    paths = []
    for copy in range(3):
        for sample in sorted(SAMPLES.glob("P-*.csv")):
            text = sample.read_text(encoding="utf-8").replace('blank = "P-', f'blank = "P{copy}-')
            path = tmp_path / f"{copy}-{sample.name}"
            path.write_text(text, encoding="utf-8")
            paths.append(str(path))
    assert len(paths) > SMALL
    first, again = work_files(paths, Settings()), work_files(paths, Settings())
    _, plain = work_blanks([read_run(path) for path in paths if Path(path).name.startswith("0")], Settings())
    for worked in (first, again):
        for blank, (expected,) in plain.items():
            (found,) = worked.flexes[blank]
            assert repr(found.result) == repr(replace(expected.result, profile=None))


def marks(worked: Worked) -> dict[str, tuple[float, float, float]]:
    found = {}
    for blank, (work,) in worked.rolls.items():
        angle = work.result.mark.angle
        assert angle is not None
        found[blank] = (angle.value, angle.ci95, work.result.plane_p_value)
    return found


def test_workers_and_kept_results_say_the_same_as_one_process(shipment: list[str]) -> None:
    rolls, _ = work_blanks([read_run(path) for path in shipment], Settings())
    plain = marks(Worked(rolls, {}))
    first = work_files(shipment, Settings())
    again = work_files(shipment, Settings())
    assert list(first.rolls) == list(again.rolls) == [f"B{n}" for n in range(BLANKS)]
    assert marks(first) == marks(again) == plain
    assert [work.result for (work,) in first.rolls.values()] == [w.result for (w,) in again.rolls.values()]
    assert again.rolls["B3"][0].run.header == rolls["B3"][0].run.header


def test_nothing_unchanged_is_worked_up_twice(shipment: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    work_files(shipment, Settings())
    asked: list[int] = []
    monkeypatch.setattr(many, "_worked", lambda jobs: asked.append(len(jobs)) or iter(()))
    assert len(work_files(shipment, Settings()).rolls) == BLANKS
    text = Path(shipment[4]).read_text(encoding="utf-8")
    Path(shipment[4]).write_text(
        text.replace("held_travel_m = 0.45", "held_travel_m = 0.40"), encoding="utf-8"
    )
    work_files(shipment, Settings())
    work_files(shipment, Settings(tolerances={"bow": 0.5}))
    work_files(shipment, Settings(), rule="stiff")
    assert asked == [0, 1, BLANKS, BLANKS]


def test_a_work_that_was_stopped_goes_on_where_it_stood(
    shipment: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(done: int, _: int) -> None:
        if done == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        work_files(shipment, Settings(), progress=stop)
    asked: list[int] = []
    real = many._worked
    monkeypatch.setattr(many, "_worked", lambda jobs: (asked.append(len(jobs)), real(jobs))[1])
    steps: list[tuple[int, int]] = []
    assert len(work_files(shipment, Settings(), progress=lambda *step: steps.append(step)).rolls) == BLANKS
    assert asked == [BLANKS - 5]
    assert steps[-1] == (BLANKS, BLANKS)


def test_a_damaged_file_of_kept_results_costs_time_and_nothing_else(shipment: list[str]) -> None:
    expected = marks(work_files(shipment, Settings()))
    kept = Path(shipment[0]).with_name(FILE_NAME)
    lines = kept.read_text(encoding="ascii").splitlines()
    lines[0] = lines[0][:200]
    lines[1] = " ".join([*lines[1].split(" ")[:2], '{"record":"Path","of":["/"]}'])
    lines[2] = " ".join([*lines[2].split(" ")[:2], "[]"])
    lines[3] = "\x00\xff"
    kept.write_bytes("\n".join(lines).encode("latin-1") + b"\nhalf a li")
    assert marks(work_files(shipment, Settings())) == expected


def test_a_run_that_cannot_be_used_is_named_or_left_out_with_its_reason(shipment: list[str]) -> None:
    Path(shipment[7]).write_text("# nothing of the kind\n1,2\n", encoding="utf-8")
    still = Path(shipment[9]).read_text(encoding="utf-8").split("roll_deg\n")[0] + "roll_deg\n"
    Path(shipment[9]).write_text(still + "".join(f"{n},1.8,40\n" for n in range(50)), encoding="utf-8")
    with pytest.raises(FileError) as fault:
        work_files(shipment, Settings())
    assert fault.value.path == shipment[7]
    worked = work_files(shipment, Settings(), skip_unreadable=True)
    assert len(worked.rolls) == BLANKS - 2
    assert [each.path for each in worked.skipped] == [shipment[7], shipment[9]]
    assert "angle" in worked.skipped[1].what
    few = work_files(shipment[5:10], Settings(), skip_unreadable=True)
    assert [each.path for each in few.skipped] == [shipment[7], shipment[9]]


def test_a_folder_that_cannot_be_written_keeps_nothing_and_goes_on(
    shipment: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = Path.open

    def refuse(self: Path, mode: str = "r", *more: object, **named: object):  # type: ignore[no-untyped-def]
        if self.name == FILE_NAME and "a" in mode:
            raise PermissionError(13, "read-only")
        return real(self, mode, *more, **named)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", refuse)
    assert len(work_files(shipment, Settings()).rolls) == BLANKS
    assert not Path(shipment[0]).with_name(FILE_NAME).exists()


def test_a_small_batch_leaves_no_file_behind(shipment: list[str]) -> None:
    work_files(shipment[:SMALL], Settings())
    assert not Path(shipment[0]).with_name(FILE_NAME).exists()


def test_results_that_nobody_asks_for_any_more_are_swept_out(tmp_path: Path) -> None:
    kept = Kept(tmp_path)
    for number in range(200):
        kept.add(f"key{number}", encode(number))
    later = Kept(tmp_path)
    assert later.find("key7") == 7
    later.tidy()
    last = Kept(tmp_path)
    assert len(last) == 1
    assert last.find("key7") == 7
    assert last.find("key8") is None


def test_what_is_written_is_what_is_read() -> None:
    value = (
        Estimate(1.5, math.nan, math.inf, (Share("bow", 0.1, True),), "why"),
        [1, 2.5, None, True, "ü\n"],
        {"a": datetime(2026, 5, 4, 9, 30), "b": (np.float64(2.0), np.int64(3))},
        np.arange(6.0).reshape(2, 3),
    )
    found = decode(encode(value))
    assert repr(found[0]) == repr(value[0])
    assert found[1:3] == value[1:3]
    assert np.array_equal(found[3], value[3])
    assert "\n" not in encode(value)


@pytest.mark.parametrize("text", ["", "{}", '{"record":"Popen","of":[]}', '{"moment":"eval","of":"1"}', "[1"])
def test_what_is_no_result_is_refused(text: str) -> None:
    with pytest.raises((ValueError, TypeError, KeyError, json.JSONDecodeError)):
        decode(text)
    with pytest.raises(TypeError):
        encode(object())


def test_a_bad_run_costs_its_own_blank_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten good runs of five blanks beside two that cannot be used: the good ones are fitted once each."""
    good = sorted(str(path) for path in SAMPLES.glob("P-*.csv"))
    bad = []
    for number in (7, 8):
        path = tmp_path / f"bad-{number}.csv"
        path.write_text(
            f'# blankbench-run = 1\n# kind = "roll"\n# blank = "B-{number}"\n# free_length_m = 1.8\n'
            "# held_travel_m = 0.45\ntime_s,load_N,roll_deg\n0.0,1.0,0.0\n0.1,1.0,1.0\n0.2,1.0,2.0\n",
            encoding="utf-8",
        )
        bad.append(str(path))
    fitted: list[str] = []
    whole = many.work_blanks

    def counted(runs, *args, **options):
        fitted.extend(run.path for run in runs)
        return whole(runs, *args, **options)

    monkeypatch.setattr(many, "work_blanks", counted)
    told: list[tuple[int, int]] = []
    worked = work_files(
        [*good, *bad],
        Settings(),
        skip_unreadable=True,
        progress=lambda done, total: told.append((done, total)),
    )
    assert sorted(fault.path for fault in worked.skipped) == bad
    assert len(worked.rolls) == len(worked.flexes) == 5
    assert sorted(path for path in fitted if path in good) == good
    assert max(done for done, _ in told) <= len(good) + len(bad)
