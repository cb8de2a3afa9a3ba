"""The index: quick, never the truth, and made anew whatever is wrong with it."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shop_runs import write_run

from rig.errors import FileError
from rig.runs import RunFolder
from rig.shop import INDEX_NAME, list_runs


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_run(tmp_path, "a.csv", "A-01", operator="R. Example", model="Petrel")
    write_run(tmp_path, "deep/b.csv", "A-02", "flex", started="2026-05-03T09:30:00Z")
    write_run(tmp_path, "c.csv", "A-03", started="2026-05-05T09:30:00Z")
    return tmp_path


def named(folder: Path) -> list[tuple[str, str]]:
    return [(run.path, run.blank) for run in list_runs(folder).runs]


TRUTH = [("deep/b.csv", "A-02"), ("a.csv", "A-01"), ("c.csv", "A-03")]


def test_the_list_says_what_the_headers_say_oldest_first(folder: Path) -> None:
    assert named(folder) == TRUTH
    assert [entry.header.blank for entry in RunFolder(folder).runs()] == [blank for _, blank in TRUTH]
    first = list_runs(folder).runs[1]
    assert (first.kind, first.operator, first.model) == ("roll", "R. Example", "Petrel")
    assert (first.calibration, first.day, first.free_length_m) == ("2026-05-01T08:00", "2026-05-04", 1.8)


def test_headers_are_read_once_and_again_only_where_a_file_changed(folder: Path) -> None:
    assert list_runs(folder).read_again == 3
    assert list_runs(folder).read_again == 0
    path = write_run(folder, "a.csv", "A-99-longer")
    assert list_runs(folder).read_again == 1
    assert ("a.csv", "A-99-longer") in named(folder)
    os.utime(path, (1.7e9, 1.7e9))
    assert list_runs(folder).read_again == 1
    assert list_runs(folder, rebuild=True).read_again == 3


def test_a_file_just_written_is_not_trusted_by_its_time(folder: Path) -> None:
    """Within the clock's step a file can change again at the same size and time."""
    write_run(folder, "new.csv", "B-01", settled=False)
    list_runs(folder)
    path = folder / "new.csv"
    stamp = path.stat()
    path.write_text(path.read_text(encoding="utf-8").replace("B-01", "B-02"), encoding="utf-8")
    os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert ("new.csv", "B-02") in named(folder)


SPOILT = [
    b"",
    b"{",
    b"garbage \xff\x00",
    b"[]",
    b"null",
    b'{"blankbench-index": 2, "fields": [], "files": {}}',
    b'{"blankbench-index": 1, "fields": ["kind"], "files": {"a.csv": [1, 2, ["roll"], false]}}',
    b'{"blankbench-index": 1}',
    b"[" * 100_000,
]


@pytest.mark.parametrize("content", SPOILT, ids=range(len(SPOILT)))
def test_an_index_that_is_no_use_is_made_anew(folder: Path, content: bytes) -> None:
    list_runs(folder)
    good = (folder / INDEX_NAME).read_bytes()
    (folder / INDEX_NAME).write_bytes(content)
    assert named(folder) == TRUTH
    assert (folder / INDEX_NAME).read_bytes() == good
    (folder / INDEX_NAME).unlink()
    assert named(folder) == TRUTH


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(cut=st.floats(0.0, 1.0))
def test_an_index_cut_anywhere_tells_no_lie(folder: Path, cut: float) -> None:
    list_runs(folder, rebuild=True)
    data = (folder / INDEX_NAME).read_bytes()
    (folder / INDEX_NAME).write_bytes(data[: int(cut * len(data))])
    assert named(folder) == TRUTH


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(place=st.integers(0, 3), junk=JUNK)
def test_a_row_of_another_shape_is_read_again(folder: Path, place: int, junk: object) -> None:
    """Where a stamp or a row was replaced by anything at all, the list never fails."""
    list_runs(folder, rebuild=True)
    document = json.loads((folder / INDEX_NAME).read_bytes())
    document["files"]["a.csv"][place] = junk
    (folder / INDEX_NAME).write_text(json.dumps(document), encoding="utf-8")
    listing = list_runs(folder)
    assert len(listing.runs) + len(listing.faults) == 3
    assert ("c.csv", "A-03") in [(run.path, run.blank) for run in listing.runs]


def test_a_run_that_vanished_leaves_the_list_and_is_named_once(folder: Path) -> None:
    list_runs(folder)
    (folder / "a.csv").unlink()
    listing = list_runs(folder)
    assert listing.gone == ("a.csv",)
    assert [run.path for run in listing.runs] == ["deep/b.csv", "c.csv"]
    assert list_runs(folder).gone == ()


def test_an_unreadable_file_among_many_is_named_and_hides_none_of_the_rest(folder: Path) -> None:
    for number in range(40):
        write_run(folder, f"more/{number}.csv", f"B-{number:02d}")
    bad = folder / "more" / "7.csv"
    bad.write_text("# blankbench-run = 1\n# kind = roll\ntime_s,load_N\n", encoding="utf-8")
    os.utime(bad, (1.7e9, 1.7e9))
    (folder / "notes.csv").write_bytes(b"\xff\xfe\x00")
    for _ in range(2):
        listing = list_runs(folder)
        assert len(listing.runs) == 42
        assert [(Path(fault.path).name, fault.line) for fault in listing.faults] == [
            ("7.csv", 2),
            ("notes.csv", 1),
        ]


def test_a_folder_that_cannot_be_written_is_listed_all_the_same(folder: Path) -> None:
    (folder / INDEX_NAME).mkdir()  # stands in the index's place, so that none can be written
    assert named(folder) == TRUTH
    assert not list(folder.glob("*.new"))


def test_a_file_that_may_not_be_read_is_looked_at_again(folder: Path, monkeypatch) -> None:
    """A right that is given changes no time of the file."""

    def denied(name):
        raise FileError(name, None, "the file cannot be read (Permission denied)", "check its permissions")

    with monkeypatch.context() as blocked:
        blocked.setattr("rig.shop.index.read_header", denied)
        assert len(list_runs(folder).faults) == 3
    assert named(folder) == TRUTH


def test_links_to_other_folders_are_not_followed(folder: Path, tmp_path_factory) -> None:
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    write_run(elsewhere, "x.csv", "X-01")
    (folder / "link").symlink_to(elsewhere, target_is_directory=True)
    assert named(folder) == TRUTH


def test_a_folder_that_is_not_there_has_no_runs_and_is_not_made(tmp_path: Path) -> None:
    assert list_runs(tmp_path / "none").runs == ()
    assert not (tmp_path / "none").exists()
