"""The journal: append-only, one entry a line, whole whatever happens to it."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from command_line import REPOSITORY

from rig.errors import CallError, FileError
from rig.shop import JOURNAL_NAME, Journal, Keeper, read_book

WHEN = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)


def note(journal: Journal, text: str) -> None:
    journal.append("R. Example", lambda read: [{"what": "note", "blank": "A-01", "text": text}], lambda: WHEN)


def texts(journal: Journal) -> list[str]:
    return [entry.values["text"] for entry in journal.read().entries]


def test_an_entry_is_one_line_that_a_person_can_read_dated_and_by_whom(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "runs")
    note(journal, "Riß am Spitzenende")
    head, line = journal.path.read_text(encoding="utf-8").splitlines()
    assert json.loads(head)["blankbench-journal"] == 1
    assert '"by": "R. Example"' in line
    assert '"text": "Riß am Spitzenende"' in line
    moment = datetime.fromisoformat(json.loads(line)["at"])
    assert moment == WHEN
    assert moment.tzinfo is not None
    (entry,) = journal.read().entries
    assert (entry.number, entry.what, entry.by) == (2, "note", "R. Example")


def test_what_was_written_is_never_touched_again(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    note(journal, "first")
    before = journal.path.read_bytes()
    note(journal, "second")
    assert journal.path.read_bytes().startswith(before)
    assert texts(journal) == ["first", "second"]


@pytest.mark.parametrize("sign", ["\x1b[2J", "\u202e", "\n", "\0", "\u2028", "\ud800"])
def test_signs_that_do_not_print_stand_as_codes_and_come_back(tmp_path: Path, sign: str) -> None:
    journal = Journal(tmp_path)
    note(journal, f"a{sign}b")
    text = journal.path.read_text(encoding="utf-8")
    assert text.count("\n") == 2
    assert all(part.isprintable() for part in text.split("\n"))
    assert texts(journal) == [f"a{sign}b"]


def test_a_journal_cut_in_mid_line_keeps_all_whole_entries_and_takes_new_ones(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    for text in ("first", "second", "third"):
        note(journal, text)
    whole = journal.path.read_bytes()
    third = whole.rindex(b"{")
    for end in range(third + 1, len(whole) - 2):
        journal.path.write_bytes(whole[:end])
        assert texts(journal) == ["first", "second"]
        (warning,) = journal.read().warnings
        assert f"{JOURNAL_NAME}:4:" in warning
    note(journal, "fourth")
    assert texts(journal) == ["first", "second", "fourth"]
    assert journal.read().entries[-1].number == 5
    assert journal.path.read_bytes().startswith(whole[: len(whole) - 3])


def test_a_last_entry_that_lost_its_line_end_alone_is_whole(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    note(journal, "first")
    journal.path.write_bytes(journal.path.read_bytes().rstrip(b"\n"))
    note(journal, "second")
    assert texts(journal) == ["first", "second"]


def test_a_journal_cut_in_its_very_first_line_is_begun_again(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    note(journal, "first")
    top = journal.path.read_bytes().split(b"\n")[0]
    for end in range(len(top) + 1):
        journal.path.write_bytes(top[:end])
        note(journal, "again")
        assert texts(journal) == ["again"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"hello\n", "no journal"),
        (b'{"blankbench-journal": 2}\n{"at": ""}\n', "version 2"),
        (b"\xff\xfe\x00\n", "no journal"),
        (b"[" * 100_000 + b"\n", "no journal"),
    ],
)
def test_another_file_or_version_is_refused_and_left_as_it_is(
    tmp_path: Path, content: bytes, said: str
) -> None:
    journal = Journal(tmp_path)
    journal.path.write_bytes(content)
    with pytest.raises(FileError, match=said):
        journal.read()
    with pytest.raises(FileError, match=said):
        note(journal, "new")
    assert journal.path.read_bytes() == content


@pytest.mark.parametrize(
    "line",
    [
        "garbage",
        "[1, 2]",
        '{"at": 1, "by": "x", "what": "note"}',
        '{"at": "2026", "by": "x", "what": "dance"}',
        '{"at": "2026", "by": "x", "what": "note"}',
        '{"at": "2026", "by": "x", "what": "note", "blank": "A-01", "mass_g": "heavy"}',
        '{"at": "2026", "by": "x", "what": "note", "blank": "A-01", "mass_g": Infinity}',
        '{"at": "2026", "by": "x", "what": "note", "blank": "A-01", "mass_g": true}',
        '{"at": "2026", "by": "x", "what": "shipment", "shipment": "A", "date": "2026", "blanks": "all"}',
        '{"at": "2026", "by": "x", "what": "correction", "shipment": "Q", "model": "x"}',
        '{"at": "2026", "by": "x", "what": "correction", "blank": "A-01", "entry": 99, "text": "x"}',
        '{"at": "2026", "by": "x", "what": "set-aside", "run": 7}',
    ],
)
def test_a_spoilt_line_costs_that_line_alone_and_is_named(tmp_path: Path, line: str) -> None:
    journal = Journal(tmp_path)
    note(journal, "first")
    with journal.path.open("a", encoding="utf-8") as file:
        file.write(line + "\n")
    note(journal, "second")
    book = read_book(tmp_path)
    assert [remark.fact.value for remark in book.blanks["A-01"].remarks] == ["first", "second"]
    (warning,) = book.warnings
    assert f"{JOURNAL_NAME}:3:" in warning
    assert "left out" in warning


def test_a_refusal_leaves_the_journal_as_it_was(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path, "R. Example")
    keeper.add("2026-05-04", 2, {})
    before = (tmp_path / JOURNAL_NAME).read_bytes()
    with pytest.raises(CallError, match="A-09"):
        keeper.note(["A-01", "A-09"], {"mass_g": 96.2})
    assert (tmp_path / JOURNAL_NAME).read_bytes() == before


WRITER = """
import sys
from rig.shop import Keeper
keeper = Keeper(sys.argv[1], sys.argv[2])
for _ in range(int(sys.argv[3])):
    print(keeper.add("2026-05-04", 3, {"maker": "Example Maker"})[0])
"""


def test_two_programs_at_once_lose_nothing_and_never_give_one_name_twice(tmp_path: Path) -> None:
    each, writers = 20, 3
    programs = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path), f"writer {number}", str(each)],
            cwd=REPOSITORY, stdout=subprocess.PIPE, text=True,
        )
        for number in range(writers)
    ]  # fmt: skip
    letters = [letter for program in programs for letter in program.communicate(timeout=60)[0].split()]
    assert [program.returncode for program in programs] == [0] * writers
    assert len(letters) == len(set(letters)) == each * writers
    book = read_book(tmp_path)
    assert book.warnings == ()
    assert set(book.shipments) == set(letters)
    assert len(book.blanks) == 3 * each * writers


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="cannot be written"):
        Keeper(tmp_path / "file", "R. Example").add("2026-05-04", 1, {})
