"""Writing runs: what is written comes back, nothing is overwritten, what was flushed survives."""

from __future__ import annotations

import errno
import math
import os
import string

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rig.errors import FileError
from rig.runs import Header, RunWriter, read_run
from rig.runs.writer import COUNTS, DECIMALS

COLUMNS = ("time_s", "load_N", "roll_deg")
HEADER = Header(kind="roll", blank="A-03", free_length_m=1.8, held_travel_m=0.45)

TEXT = st.text(max_size=40)
LENGTH = st.floats(1.0, 10.0)
VALUE = st.one_of(st.floats(-1e4, 1e4), st.just(math.nan))
COUNT = st.one_of(st.integers(-(2**31), 2**32).map(float), st.just(math.nan))
PLAIN = st.one_of(
    st.integers(-(10**9), 10**9), st.booleans(), TEXT, st.floats(allow_nan=False), st.datetimes()
)
KEY = st.text(string.ascii_letters + string.digits + "_- ä.", min_size=1, max_size=12).map(lambda k: "x" + k)
HEADERS = st.builds(
    Header,
    kind=st.just("roll"),
    blank=TEXT.filter(lambda t: t.strip()),
    free_length_m=LENGTH,
    model=TEXT,
    held_travel_m=st.floats(0.01, 0.99),
    mount_deg=st.floats(-360, 720),
    operator=TEXT,
    started=st.datetimes().map(lambda t: t.isoformat()),
    contact=st.sampled_from(["held", "free"]),
    pull=st.sampled_from([None, "down", "up", "sideways"]),
    station_m=st.one_of(st.none(), st.floats(0.1, 0.9)),
    mass_g=st.one_of(st.none(), st.floats(1, 1e4)),
    label_power=st.sampled_from([None, "medium", "medium-light"]),
    notes=TEXT,
    extra=st.dictionaries(KEY, st.one_of(PLAIN, st.lists(st.integers(), max_size=3)), max_size=3),
    tables=st.dictionaries(KEY.map(lambda k: "t" + k), st.dictionaries(KEY, PLAIN, max_size=3), max_size=2),
)


def no_surrogates(header: Header) -> bool:
    return not any("\ud800" <= c <= "\udfff" for c in repr(header))


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    HEADERS, st.lists(st.tuples(VALUE, VALUE, VALUE, VALUE, COUNT, COUNT), min_size=1, max_size=8), st.data()
)
def test_what_is_written_is_read_again(tmp_path, header, rows, data):
    columns = ("time_s", "load_N", "roll_deg", "room_degC", "load_counts", "tick")
    batch = data.draw(st.integers(1, 5))
    rows = [tuple(v if i else k * 0.0125 for i, v in enumerate(row)) for k, row in enumerate(rows)]
    rows.append((1e3, 1.0, 2.0, 3.0, 4.0, 5.0))  # a column must hold something
    with RunWriter(tmp_path / "run.csv", header, columns, batch_rows=batch) as writer:
        for row in rows:
            writer.append(row)
    run = read_run(writer.path)
    assert run.header == header
    assert run.warnings == () or "time" in run.warnings[0] or "free length" in run.warnings[0]
    for at, name in enumerate(columns):
        wrote = np.array([row[at] for row in rows])
        if name in COUNTS:
            np.testing.assert_array_equal(run.columns[name], wrote)
        elif name in DECIMALS:
            np.testing.assert_allclose(
                run.columns[name], wrote, rtol=0, atol=0.5001 * 10.0 ** -DECIMALS[name]
            )
        else:
            np.testing.assert_allclose(run.columns[name], wrote, rtol=1e-9)


def test_a_general_reader_opens_what_is_written(tmp_path):
    with RunWriter(tmp_path / "run.csv", HEADER, COLUMNS) as writer:
        writer.extend(np.array([[0.0, 4.5, 1.0], [0.0125, math.nan, 2.0]]))
        writer.event("load limit passed", load_N=9.1)
        writer.append([0.025, 4.6, 3.0])
    peer = pd.read_csv(writer.path, comment="#")
    assert list(peer.columns) == list(COLUMNS)
    np.testing.assert_array_equal(peer["load_N"], [4.5, math.nan, 4.6])


def test_a_mark_stands_where_it_was_left(tmp_path):
    with RunWriter(tmp_path / "run.csv", HEADER, COLUMNS) as writer:
        writer.append([0.0, 4.5, 1.0])
        writer.event("load limit passed", load_N=9.1, why='a "quoted"\nreason # with a hash', where=None)
        writer.append([0.1, 4.6, 2.0])
        writer.event("ended by Ctrl-C")
    run = read_run(writer.path)
    assert [(event.name, event.row) for event in run.events] == [
        ("load limit passed", 1),
        ("ended by Ctrl-C", 2),
    ]
    assert run.events[0].detail == {"load_N": 9.1, "why": 'a "quoted"\nreason # with a hash'}
    assert writer.rows == 2


def test_an_existing_file_is_never_touched(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text("precious")
    for expected in ("run-2.csv", "run-3.csv"):
        with RunWriter(path, HEADER, COLUMNS) as writer:
            writer.append([0.0, 4.5, 1.0])
        assert writer.path.name == expected
    assert path.read_text() == "precious"


def test_what_was_flushed_is_there_without_a_close(tmp_path):
    writer = RunWriter(tmp_path / "run.csv", HEADER, COLUMNS, batch_rows=10)
    for k in range(25):
        writer.append([k * 0.1, 4.5, 1.0])
    assert len(read_run(writer.path)) == 20
    writer.flush(to_disk=True)
    assert len(read_run(writer.path)) == 25
    writer.close()
    writer.close()
    with pytest.raises(ValueError, match="closed"):
        writer.event("late")


def test_each_batch_is_one_call_of_the_system_and_whole_lines(tmp_path, monkeypatch):
    written = []
    real = os.write
    with RunWriter(tmp_path / "run.csv", HEADER, COLUMNS, batch_rows=100) as writer:
        monkeypatch.setattr(os, "write", lambda fd, data: written.append(bytes(data)) or real(fd, data))
        for k in range(1000):
            writer.append([k * 0.1, 4.5, 1.0])
    assert len(written) == 10
    assert all(block.endswith(b"\n") and block.count(b"\n") == 100 for block in written)


def test_a_full_disk_is_one_plain_error_and_the_rest_follows_when_there_is_room(tmp_path, monkeypatch):
    """The system takes half a batch, then reports a full disk, then has room again."""
    real = os.write
    answers = iter(["half", "full"])

    def write(fd, data):
        answer = next(answers, "all")
        if answer == "full":
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(fd, data[: len(data) // 2] if answer == "half" else data)

    writer = RunWriter(tmp_path / "run.csv", HEADER, COLUMNS)
    for k in range(50):
        writer.append([k * 0.1, 4.5, 1.0])
    monkeypatch.setattr(os, "write", write)
    with pytest.raises(FileError, match="disk is full"):
        writer.flush()
    assert 0 < len(read_run(writer.path)) < 50
    writer.append([5.0, 4.5, 1.0])
    writer.close()
    run = read_run(writer.path)
    assert run.columns["time_s"].tolist() == pytest.approx([k * 0.1 for k in range(51)])
    assert run.warnings == ()


def test_a_value_that_is_none_or_infinite_is_a_missing_reading(tmp_path):
    with RunWriter(tmp_path / "run.csv", HEADER, COLUMNS) as writer:
        writer.append([0.0, 4.5, 1.0])
        writer.append([0.1, None, math.inf])
        writer.append([0.2, -math.inf, 2.0])
    run = read_run(writer.path)
    assert np.isnan(run.columns["load_N"]).tolist() == [False, True, True]
    assert np.isnan(run.columns["roll_deg"]).tolist() == [False, True, False]


@pytest.mark.parametrize(
    "columns", [("a",), ("a", "a"), ("a", ""), ("a", "b,c"), ("a", "b;c"), ("a", "#b"), ("a", "b\n")]
)
def test_column_names_that_cannot_stand_in_a_file_are_a_programming_mistake(tmp_path, columns):
    with pytest.raises(ValueError, match="column"):
        RunWriter(tmp_path / "run.csv", HEADER, columns)
    assert list(tmp_path.iterdir()) == []


def test_a_reading_of_the_wrong_width_is_a_programming_mistake(tmp_path):
    with (
        RunWriter(tmp_path / "run.csv", HEADER, COLUMNS) as writer,
        pytest.raises(ValueError, match="3 values"),
    ):
        writer.append([0.0, 1.0])


def test_a_place_that_cannot_be_written_is_refused(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="cannot be made"):
        RunWriter(tmp_path / "file" / "run.csv", HEADER, COLUMNS)
