"""Reading run files: what is read, what is left out and said, what is refused and at which line."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rig.errors import FileError
from rig.runs import read_header, read_run
from rig.runs.body import parse_body

HEADER = [
    "# blankbench-run = 1",
    '# kind = "roll"',
    '# blank = "A-03"',
    '# model = "example model"',
    "# free_length_m = 1.80",
    "# held_travel_m = 0.45",
    '# started = "2026-05-04T09:30:00Z"',
    "time_s,load_N,roll_deg",
]
ROWS = ["0.0000,4.512,0.00", "0.0125,4.498,0.35", "0.0250,4.505,0.70"]
FIRST = len(HEADER) + 1  # line of the first reading


def text(header=HEADER, rows=ROWS, end="\n") -> str:
    return end.join([*header, *rows]) + end


@pytest.fixture
def write(tmp_path):
    def _write(content: str | bytes, name: str = "run.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return _write


def refused(path, line, *words) -> FileError:
    with pytest.raises(FileError) as caught:
        read_run(path)
    error = caught.value
    assert error.line == line
    message = str(error)
    assert message.startswith(f"{path}:{line}: " if line else f"{path}: ")
    assert "\n" not in message
    for word in words:
        assert word in message
    return error


def swap(old: str, new: str, source: list[str] | None = None) -> list[str]:
    lines = source if source is not None else HEADER
    assert old in lines
    return [new if line == old else line for line in lines]


# --- what is read ---------------------------------------------------------------------------------


def test_the_page_example_is_read(write):
    path = write(text())
    run = read_run(path)
    assert run.path == str(path)
    assert (run.header.kind, run.header.blank, run.header.model) == ("roll", "A-03", "example model")
    assert (run.header.free_length_m, run.header.held_travel_m, run.header.mount_deg) == (1.8, 0.45, 0.0)
    assert run.header.when.isoformat() == "2026-05-04T09:30:00+00:00"
    assert list(run.columns) == ["time_s", "load_N", "roll_deg"]
    assert run.columns["load_N"].tolist() == [4.512, 4.498, 4.505]
    assert [run.line_of(row) for row in range(3)] == [FIRST, FIRST + 1, FIRST + 2]
    assert run.warnings == ()
    assert len(run) == 3


def test_the_same_file_opens_as_a_general_csv_with_the_same_numbers(write):
    rows = [ROWS[0], '# event = {name = "load limit passed", load_N = 9.1}', "0.0125,,0.35", *ROWS[2:]]
    path = write(text(rows=rows))
    peer = pd.read_csv(path, comment="#")
    run = read_run(path)
    assert list(peer.columns) == list(run.columns)
    for name, column in run.columns.items():
        np.testing.assert_array_equal(column, peer[name].to_numpy())


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("blank_lines", ["", "\n", "\r\n\r\n", "  \n\t\n", "\n   "])
def test_line_ends_byte_order_mark_and_blank_lines_at_the_end(write, end, mark, blank_lines):
    run = read_run(write(mark + (text(end=end) + blank_lines).encode()))
    assert run.columns["roll_deg"].tolist() == [0.0, 0.35, 0.70]
    assert run.warnings == ()


@pytest.mark.parametrize("cell", ["", "nan", "NaN", "NAN", "nAn"])
def test_an_empty_cell_and_nan_are_missing_readings(write, cell):
    run = read_run(write(text(rows=[ROWS[0], f"0.0125,{cell},0.35", f"0.0250,4.5,{cell}"])))
    assert np.isnan(run.columns["load_N"]).tolist() == [False, True, False]
    assert np.isnan(run.columns["roll_deg"]).tolist() == [False, False, True]


def test_the_order_of_columns_is_free_and_unknown_ones_are_kept(write):
    header = swap("time_s,load_N,roll_deg", "roll_deg,humidity_pct,load_N,time_s")
    run = read_run(write(text(header, ["0.5,41,4.5,0.0", "1.0,42,4.6,0.1"])))
    assert run.columns["humidity_pct"].tolist() == [41.0, 42.0]
    assert run.columns["time_s"].tolist() == [0.0, 0.1]


def test_unknown_keys_and_tables_are_kept(write):
    header = [
        *HEADER[:7],
        "# ferrule = 'spigot'",
        "#",
        "# [rig]",
        "# friction_N = 0.025",
        "# [calibration.load]",
        "# dated = 2026-05-04T09:30:00",
        "# N_per_count = 1.2e-5",
        HEADER[7],
    ]
    run = read_run(write(text(header)))
    assert run.header.extra == {"ferrule": "spigot"}
    assert run.header.tables["rig"] == {"friction_N": 0.025}
    assert run.header.tables["calibration"]["load"]["N_per_count"] == 1.2e-5
    assert run.line_of(0) == len(header) + 1


def test_a_header_value_may_run_over_lines_and_started_may_be_a_date(write):
    header = [*HEADER[:6], "# started = 2026-05-04T09:30:00Z", '# notes = """one', '# two"""', HEADER[7]]
    run = read_run(write(text(header)))
    assert run.header.notes == "one\ntwo"
    assert run.header.when.hour == 9


@pytest.mark.parametrize(
    ("lines", "line"),
    [
        (["# [rig]", "# x = 1", "# [rig]"], 10),  # a table twice
        (["# rig = 5", "# [rig]", "# x = 1"], 9),  # a key and a table of one name
        (["# [rig]", "# x = "], 9),
    ],
)
def test_tables_are_checked_together_with_the_keys_above_them(write, lines, line):
    refused(write(text([*HEADER[:7], *lines, HEADER[7]])), line)


def test_a_line_that_begins_with_a_bracket_need_not_be_a_table(write):
    lines = ["# pairs = [", "# [1, 2],", "# [3, 4]]", "# [rig]", '# note = """', "# [not a table]", '# """']
    header = read_run(write(text([*HEADER[:7], *lines, HEADER[7]]))).header
    assert header.extra == {"pairs": [[1, 2], [3, 4]]}
    assert header.tables == {"rig": {"note": "[not a table]\n"}}


def test_marks_of_the_recorder_are_events_with_their_place(write):
    rows = [
        ROWS[0],
        '# event = {name = "load limit passed", load_N = 9.1}',
        *ROWS[1:],
        '# event = {name = "ended"}',
    ]
    run = read_run(write(text(rows=rows)))
    assert [(event.name, event.row, event.line) for event in run.events] == [
        ("load limit passed", 1, FIRST + 1),
        ("ended", 3, FIRST + 4),
    ]
    assert run.events[0].detail == {"load_N": 9.1}
    assert run.line_of(1) == FIRST + 2
    refused(write(text(rows=[*rows, "0.03,x,1.0"])), FIRST + 5, "'x'", "load_N")


def test_many_marks_and_blank_lines_around_them_keep_every_line_right(write):
    mark = '# event = {name = "m"}'
    rows = [mark, ROWS[0], mark, "# a remark", ROWS[1], ROWS[2], "", "", mark, "", mark]
    run = read_run(write(text(rows=rows)))
    assert run.columns["roll_deg"].tolist() == [0.0, 0.35, 0.7]
    assert [run.line_of(row) for row in range(3)] == [FIRST + 1, FIRST + 4, FIRST + 5]
    assert [(event.row, event.line - FIRST) for event in run.events] == [(0, 0), (1, 2), (3, 8), (3, 10)]
    refused(write(text(rows=[mark, ROWS[0], "1,2 # no,3", mark, ROWS[1]])), FIRST + 2, "# no")
    refused(write(text(rows=[ROWS[0], "", mark, ROWS[1]])), FIRST + 1, "nothing")


def test_an_unreadable_mark_is_said_and_the_readings_are_kept(write):
    run = read_run(write(text(rows=[*ROWS, "# event = {broken"])))
    assert len(run) == 3
    assert "line 12" in run.warnings[0]


@pytest.mark.parametrize("tail", ["0.0375,4.5", "0.0375,4.500,1.05", "0", "# event = {na"])
def test_a_last_line_without_its_line_end_is_left_out_and_said(write, tail):
    run = read_run(write(text() + tail))
    assert len(run) == 3
    assert "line 12" in run.warnings[0]


def test_zero_bytes_after_a_power_loss_are_part_of_the_cut_line(write):
    run = read_run(write(text().encode() + b"0.03" + b"\0" * 512))
    assert len(run) == 3
    assert len(run.warnings) == 1


def test_semicolons_with_decimal_commas_are_read_right(write):
    header = swap(HEADER[7], HEADER[7].replace(",", ";"))
    run = read_run(write(text(header, [row.replace(",", ";").replace(".", ",") for row in ROWS])))
    assert run.columns["load_N"].tolist() == [4.512, 4.498, 4.505]


def test_semicolons_with_decimal_points_are_read_right(write):
    header = swap(HEADER[7], HEADER[7].replace(",", ";"))
    run = read_run(write(text(header, [row.replace(",", ";") for row in ROWS])))
    assert run.columns["load_N"].tolist() == [4.512, 4.498, 4.505]


def test_a_hanging_weight_run_needs_no_load_column(write):
    header = swap("# held_travel_m = 0.45", "# held_load_N = 2.5")
    header = swap("time_s,load_N,roll_deg", "time_s,travel_m,roll_deg", header)
    assert read_run(write(text(header))).header.held_load_N == 2.5


def test_raw_counts_stand_in_for_a_column_not_yet_calibrated(write):
    header = swap("time_s,load_N,roll_deg", "time_s,load_counts,roll_deg")
    assert read_run(write(text(header))).columns["load_counts"][0] == 4.512


def test_a_time_that_runs_backwards_is_said_with_its_line(write):
    run = read_run(write(text(rows=[*ROWS, "0.0100,4.5,1.0", "0.0300,4.5,1.1"])))
    assert len(run) == 5
    assert run.warnings[0].startswith(f"line {FIRST + 3}: the time runs backwards")


def test_numbers_may_stand_between_blanks(write):
    run = read_run(write(text(rows=[" 0.0, 4.5 ,\t1e0 ", "+1.,.5,-2E-1"])))
    assert run.columns["roll_deg"].tolist() == [1.0, -0.2]


def test_the_header_alone_is_read_without_the_readings(write):
    assert read_header(write(text(rows=["0,x,1"]))).blank == "A-03"
    long = [*HEADER[:7], f'# notes = "{"n" * 70_000}"', HEADER[7]]
    assert len(read_header(write(text(long))).notes) == 70_000


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("0.0125,4.5x,0.35", ("'4.5x'", "load_N")),
        ("0.0125,4.498", ("2 cells", "3")),
        ("0.0125,4.498,0.35,1", ("4 cells", "3")),
        ("0.0125,4.498,0.35,", ("4 cells", "3")),
        ("", ("nothing",)),
        ("0.0125,inf,0.35", ("infinite", "load_N")),
        ("0.0125,-Infinity,0.35", ("infinite", "load_N")),
        ("0.0125,1e999,0.35", ("infinite", "load_N")),
        ('0.0125,"4.5",0.35', ("load_N",)),
        ("0.0125,4 5,0.35", ("'4 5'",)),
        ("0.0125,1e,0.35", ("'1e'",)),
        ("0.0125,e5,0.35", ("'e5'",)),
        ("0.0125,.,0.35", ("'.'",)),
        ("0.0125,-,0.35", ("'-'",)),
        ("0.0125,-nan,0.35", ("'-nan'",)),
        ("0.0125,1_000,0.35", ("'1_000'",)),
        ("0.0125,0x1F,0.35", ("'0x1F'",)),
        ("0.0125,NA,0.35", ("'NA'",)),
        ("0.0125,null,0.35", ("'null'",)),
        ("0.0125,True,0.35", ("'True'",)),
        ("0.0125,4.5 # note,0.35", ("note",)),
        ("0.0125,\u0664,0.35", ("\u0664",)),
        ("0.0125,1\r2,0.35", ("load_N",)),
    ],
)
@pytest.mark.parametrize("place", [0, 1, 3])
def test_a_bad_row_is_refused_with_its_line(write, row, words, place):
    if row == "" and place == 3:
        pytest.skip("a blank line at the end is read")
    rows = [*ROWS[:place], row, *ROWS[place:]]
    refused(write(text(rows=rows)), FIRST + place, *words)


def test_a_short_and_a_long_row_do_not_cancel(write):
    refused(write(text(rows=["0,1", "0,1,2,3", *ROWS])), FIRST, "2 cells")
    refused(write(text(rows=[*ROWS, "0,1,2,3", "0,1"])), FIRST + 3, "4 cells")


def test_text_in_an_unknown_column_is_refused_too(write):
    header = swap("time_s,load_N,roll_deg", "time_s,load_N,roll_deg,remark")
    refused(write(text(header, ["0,1,2,3", "0,1,2,knock"])), FIRST + 1, "'knock'", "remark")


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        (HEADER[0], "# blankbench-run = 2", 1, ("version 2",)),
        (HEADER[0], '# blankbench-run = "1"', 1, ("version '1'",)),
        (HEADER[0], "# blankbench-run = true", 1, ("version true",)),
        (HEADER[1], '# kind = "spin"', 2, ("'spin'", "roll")),
        (HEADER[1], "# kind = 7", 2, ("7",)),
        (HEADER[1], '# kind = ["roll"]', 2, ("kind",)),
        (HEADER[2], "# blank = 3", 3, ("blank", "quotes")),
        (HEADER[2], "# blank = A-03", 3, ("blank", "quotes")),
        (HEADER[2], '# blank = ""', 3, ("blank",)),
        (HEADER[4], '# free_length_m = "1.80"', 5, ("free_length_m", "without quotes")),
        (HEADER[4], "# free_length_m = 1,80", 5, ("free_length_m", "point")),
        (HEADER[4], "# free_length_m = 0", 5, ("free_length_m", "above zero")),
        (HEADER[4], "# free_length_m = -1.8", 5, ("free_length_m", "above zero")),
        (HEADER[4], "# free_length_m = inf", 5, ("free_length_m",)),
        (HEADER[4], "# free_length_m = nan", 5, ("free_length_m",)),
        (HEADER[4], "# free_length_m = true", 5, ("free_length_m", "true")),
        (HEADER[4], "# free_length_m 1.80", 5, ("key = value",)),
        (HEADER[4], "# free_length_m = 1.80,,", 5, ("spreadsheet",)),
        (HEADER[5], "# held_travel_m = 0.0", 6, ("held_travel_m", "above zero")),
        (HEADER[5], "# held_load_N = -2", 6, ("held_load_N", "above zero")),
        (HEADER[5], "# held_travel_m = 450", 6, ("held_travel_m", "free length")),
        (HEADER[3], "# mass_g = 0", 4, ("mass_g", "above zero")),
        (HEADER[3], '# contact = "loose"', 4, ("contact", "held")),
        (HEADER[3], '# pull = "left"', 4, ("pull", "down")),
        (HEADER[3], '# piece = "middle"', 4, ("piece", "whole")),
        (HEADER[3], '# mount_deg = "90"', 4, ("mount_deg",)),
        (HEADER[3], "# label_power = 5", 4, ("label_power",)),
        (HEADER[3], '# kind = "roll"', 4, ("twice",)),
        (HEADER[6], "# started = 5", 7, ("started",)),
        (HEADER[6], "just words", 7, ("column", "just words")),
    ],
)
def test_a_wrong_header_is_refused_with_its_line(write, old, new, line, words):
    refused(write(text(swap(old, new))), line, *words)


@pytest.mark.parametrize("gone", [1, 2, 4])
def test_a_missing_required_key_is_named(write, gone):
    key = HEADER[gone].split()[1]
    refused(write(text([line for line in HEADER if line != HEADER[gone]])), 1, key)


def test_a_roll_run_holds_either_travel_or_load(write):
    refused(write(text([line for line in HEADER if "held" not in line])), 2, "held_travel_m", "held_load_N")
    refused(write(text([*HEADER[:6], "# held_load_N = 2", *HEADER[6:]])), 7, "both")


@pytest.mark.parametrize(
    ("names", "words"),
    [
        ("time_s,load_N,roll_deg,load_N", ("load_N", "twice")),
        ("time_s,load,roll_deg", ("load_N", "time_s, load, roll_deg")),
        ("time_s,load_N,", ("column 3",)),
        ("time_s\tload_N\troll_deg", ("tabs",)),
        ("0.0,4.512,0.0", ("column names",)),
    ],
)
def test_wrong_column_names_are_refused(write, names, words):
    width = len(names.split(","))
    rows = [",".join("1" * width)] * 3
    refused(write(text([*HEADER[:7], names], rows)), 8, *words)


def test_a_column_without_any_reading_is_refused(write):
    refused(write(text(rows=["0.0,,1.0", "0.1,nan,2.0"])), 8, "load_N", "no reading")


@pytest.mark.parametrize("lines", range(1, 8))
@pytest.mark.parametrize("cut", [0, 3])
def test_a_cut_header_is_refused(write, lines, cut):
    whole = "\n".join(HEADER[:lines]) + "\n" + HEADER[lines][:cut]
    error = refused(write(whole), lines + 1)
    assert "header" in str(error)


def test_a_header_cut_just_before_its_last_line_end_is_refused(write):
    refused(write("\n".join(HEADER)), 8, "header")


def test_a_run_without_readings_is_refused(write):
    refused(write(text(rows=[])), 8, "no readings")
    refused(write("\n".join(HEADER) + "\n\n\n"), 8, "no readings")
    refused(write("\n".join(HEADER) + "\n0.0,4.5,1.0"), 8, "no readings")
    refused(write(text(rows=['# event = {name = "ended"}'])), 8, "no readings")


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        (b"", None, ("empty",)),
        (b"\n\n", None, ("empty",)),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(range(256)), 3, ("text file",)),
        (bytes(range(250, 0, -1)), 1, ("not a run file",)),
        (b"time_s,load_N\n0,1\n", 1, ("not a run file",)),
        (b"hello", 1, ("not a run file",)),
        (b"# a comment\na,b\n1,2\n", 1, ("not a run file",)),
        (text().encode("utf-16"), 1, ("UTF-16",)),
        (text().encode("utf-16-le"), 1, ("UTF-16",)),
        (text().encode("utf-16-be"), 1, ("UTF-16",)),
        (text().replace("\n", "\r").encode(), 1, ("CR",)),
        (text().replace("example", "pi\u00e8ce").encode("latin-1"), 4, ("Latin-1", "0xE8")),
        (text()[:-4].encode() + b"\0\0\0\0\n", 11, ("text file",)),
    ],
)
def test_other_files_and_encodings_are_refused_by_name(write, content, line, words):
    refused(write(content), line, *words)


def test_mixed_decimal_commas_and_points_are_refused_by_name(write):
    header = swap(HEADER[7], HEADER[7].replace(",", ";"))
    refused(write(text(header, ["0,0;1.234;5,0"])), 8, "semicolons")


def test_missing_files_and_folders_are_refused(tmp_path):
    refused(tmp_path / "none.csv", None, "no such file")
    refused(tmp_path, None, "folder")
    with pytest.raises(FileError):
        read_run("a\0b")
    with pytest.raises(FileError):
        read_run(tmp_path / ("n" * 5000))


def test_a_hostile_cell_makes_one_short_line(write):
    error = refused(write(text(rows=["0,\x1b[31m" + "x" * 10_000 + ",1"])), FIRST)
    assert len(error.what) < 120
    assert "\x1b" not in str(error)


# --- fast and slow agree --------------------------------------------------------------------------

CELLS = st.one_of(
    st.sampled_from(["", "nan", "NaN", "1", "-2.5", "1e5", "1E-3", ".5", "5.", "+7"]),
    st.text(alphabet="0123456789+-.eEnNaAiIfF \"'\t_x", max_size=6),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
)


@settings(deadline=None, max_examples=400)
@given(st.lists(st.lists(CELLS, min_size=2, max_size=4), min_size=1, max_size=5))
def test_the_fast_reader_takes_just_what_a_plain_walk_with_float_takes(rows):
    """Oracle: split, strip and Python's own float(), with its extras (inf, underscores) taken out."""
    body = "".join(",".join(row) + "\n" for row in rows).encode()

    def plain(cell: str) -> float:
        cell = cell.strip(" \t")
        if cell.lower() in ("", "nan"):
            return float("nan")
        if "_" in cell or "n" in cell.lower():
            raise ValueError
        return float(cell)

    fault = None
    values: list[list[float]] = []
    for index, row in enumerate(rows):
        try:
            values.append([plain(cell) for cell in row])
            if len(row) != 3 or any(np.isinf(values[-1])):
                raise ValueError
        except ValueError:
            fault = index
            break
    if fault is None:
        columns = parse_body(body, 0, ["a", "b", "c"], "run.csv", lambda row: row)
        got = np.array([columns[name] for name in "abc"]).T
        np.testing.assert_allclose(got, np.array(values), rtol=1e-15, equal_nan=True)
    else:
        with pytest.raises(FileError) as caught:
            parse_body(body, 0, ["a", "b", "c"], "run.csv", lambda row: row)
        assert caught.value.line == fault


def test_a_body_from_a_general_writer_comes_back(write):
    """Peer: pandas.to_csv writes the body."""
    rng = np.random.default_rng(7)
    frame = pd.DataFrame(rng.normal(size=(200, 3)), columns=["time_s", "load_N", "roll_deg"])
    frame["time_s"] = np.sort(frame["time_s"])
    frame.iloc[5, 1] = np.nan
    buffer = io.StringIO()
    frame.to_csv(buffer, index=False)
    run = read_run(write("\n".join(HEADER[:7]) + "\n" + buffer.getvalue()))
    for name in frame.columns:
        np.testing.assert_allclose(run.columns[name], frame[name], rtol=1e-15)


PIECES = st.one_of(
    st.binary(max_size=6),
    st.sampled_from(
        [
            b"\n",
            b"\r",
            b"\n\n",
            b"\0",
            b"#",
            b"# event = {",
            b",",
            b";",
            b"nan",
            b"inf",
            b"1e",
            b'"',
            b"'",
            b"[",
            b"\xef\xbb\xbf",
        ]
    ),
)
WHOLE = text().encode()


@settings(deadline=None, max_examples=400, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, len(WHOLE)), st.integers(0, 12), PIECES), min_size=1, max_size=4))
def test_a_damaged_file_is_read_or_refused_in_one_line(tmp_path, damages):
    data = WHOLE
    for at, width, piece in damages:
        data = data[:at] + piece + data[at + width :]
    path = tmp_path / "run.csv"
    path.write_bytes(data)
    try:
        run = read_run(path)
    except FileError as error:
        assert str(error).startswith(str(path))  # noqa: PT017
        assert str(error).isprintable()  # noqa: PT017
        assert error.line is None or 1 <= error.line <= data.count(b"\n") + 1  # noqa: PT017
    else:
        lengths = {len(column) for column in run.columns.values()}
        assert lengths == {len(run)}
        assert not any(np.isinf(column).any() for column in run.columns.values())
        lines = data.replace(b"\r\n", b"\n").split(b"\n")
        for row in range(len(run)):
            cell = lines[run.line_of(row) - 1].replace(b";", b",").split(b",")[0].strip()
            value = run.columns[next(iter(run.columns))][row]
            assert value == float(cell) if cell and cell.lower() != b"nan" else np.isnan(value)


@given(st.integers(0, len(WHOLE)))
def test_a_file_cut_anywhere_is_read_up_to_its_last_whole_reading(tmp_path_factory, cut):
    path = tmp_path_factory.getbasetemp() / "cut.csv"
    path.write_bytes(WHOLE[:cut])
    whole_lines = WHOLE[:cut].count(b"\n")
    if whole_lines < FIRST:
        with pytest.raises(FileError):
            read_run(path)
    else:
        run = read_run(path)
        assert len(run) == whole_lines - len(HEADER)
        assert len(run.warnings) == (0 if WHOLE[cut - 1 : cut] == b"\n" else 1)
