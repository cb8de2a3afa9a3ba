"""The folder of runs: legal names for any blank, and lists made from headers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.runs import Header, RunFolder, RunWriter, safe_name

WHEN = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)
# Names and characters that Windows refuses (Microsoft, "Naming Files, Paths, and Namespaces"); from memory.
WINDOWS_NAMES = ["CON", "PRN", "AUX", "NUL", *(f"{p}{n}" for p in ("COM", "LPT") for n in range(1, 10))]
WINDOWS_CHARACTERS = set('<>:"/\\|?*') | {chr(n) for n in range(32)} | {"\x7f"}


def record(folder, blank, kind, minutes):
    when = WHEN + timedelta(minutes=minutes)
    held = {"held_travel_m": 0.4} if kind == "roll" else {}
    header = Header(kind=kind, blank=blank, free_length_m=1.8, started=when.isoformat(), **held)
    columns = ("time_s", "load_N", "roll_deg" if kind == "roll" else "travel_m")
    with RunWriter(folder.new_path(blank, kind, when), header, columns) as writer:
        writer.append([0.0, 1.0, 2.0])
    return writer.path


HOSTILE = [
    "../../x",
    "..\\..\\x",
    "/etc/passwd",
    "C:\\x",
    "a" * 10_000,
    "\u05d0\u05d1" * 5000,
    "\u202eevil\u202c",
    "<script>alert(1)</script>",
    "",
    " ",
    ".",
    "...",
    "\0",
    "a\nb",
    "\ud800",
    "nul.txt",
    *WINDOWS_NAMES,
]


def assert_legal(name: str) -> None:
    assert name
    assert len(name.encode("utf-8")) <= 120
    assert not set(name) & WINDOWS_CHARACTERS
    assert name.partition(".")[0].upper() not in WINDOWS_NAMES
    assert name[0] not in " ."
    assert name[-1] not in " ."
    assert all(c.isprintable() for c in name)


@given(st.one_of(st.text(), st.sampled_from(HOSTILE)))
def test_any_text_becomes_a_legal_name(text):
    assert_legal(safe_name(text))


@pytest.mark.parametrize("blank", HOSTILE)
def test_a_run_of_any_blank_lands_in_the_folder_and_is_found_by_its_own_name(tmp_path, blank):
    folder = RunFolder(tmp_path / "runs")
    path = folder.new_path(blank, "roll", WHEN)
    assert path.parent == folder.path
    assert_legal(path.name)
    if blank.strip() and "\ud800" not in blank:
        record(folder, blank, "roll", 0)
        assert [entry.header.blank for entry in folder.runs(blank)] == [blank]
    assert {p.name for p in tmp_path.iterdir()} <= {"runs"}


def test_runs_are_listed_by_their_time_and_by_blank(tmp_path):
    folder = RunFolder(tmp_path)
    late = record(folder, "A-02", "roll", 20)
    early = record(folder, "A-01", "roll", 0)
    middle = record(folder, "A-01", "flex", 10)
    assert [entry.path for entry in folder.runs()] == [early, middle, late]
    assert [entry.path for entry in folder.runs(kind="roll")] == [early, late]
    assert folder.latest().path == late
    assert folder.latest("A-01").path == middle
    assert folder.latest("A-01", "roll").path == early
    assert folder.latest("A-09") is None
    assert {blank: len(runs) for blank, runs in folder.by_blank().items()} == {"A-01": 2, "A-02": 1}


def test_two_blanks_with_the_same_safe_name_do_not_meet(tmp_path):
    folder = RunFolder(tmp_path)
    first, second = record(folder, "a/b", "roll", 0), record(folder, "a?b", "roll", 0)
    assert first != second
    assert [entry.path for entry in folder.runs("a?b")] == [second]


def test_an_unreadable_file_is_reported_and_hides_no_run(tmp_path):
    folder = RunFolder(tmp_path)
    record(folder, "A-01", "roll", 0)
    (tmp_path / "broken.csv").write_text("hello")
    entries, faults = folder.scan()
    assert len(entries) == 1
    assert [fault.path for fault in faults] == [str(tmp_path / "broken.csv")]


def test_a_folder_that_is_not_there_has_no_runs(tmp_path):
    assert RunFolder(tmp_path / "none").runs() == []
    assert RunFolder(tmp_path / "none").latest() is None
