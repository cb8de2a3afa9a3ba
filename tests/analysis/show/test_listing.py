"""Long lists as text: aligned, cut to the width, harmless, quick."""

from __future__ import annotations

import time

from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from analysis.show.listing import Column, list_text

COLUMNS = (Column("blank", True), Column("model", True), Column("runs", right=True))


def test_columns_stand_below_each_other_numbers_to_the_right() -> None:
    text = list_text(COLUMNS, [["A-01", "Petrel", "2"], ["B-1", "Heron", "11"]], 80)
    assert text.splitlines() == [
        "blank  model   runs",
        "-----  ------  ----",
        "A-01   Petrel     2",
        "B-1    Heron     11",
    ]


@given(
    st.lists(st.tuples(st.text(max_size=60), st.text(max_size=60), st.integers(0, 99)), max_size=5),
    st.integers(24, 120),
)
def test_no_line_is_wider_than_the_page_whatever_a_name_holds(rows, width: int) -> None:
    text = list_text(COLUMNS, [(a, b, str(n)) for a, b, n in rows], width)
    lines = text.split("\n")
    assert len(lines) == len(rows) + 3
    assert max(map(cell_len, lines)) <= width
    assert all(line.isprintable() for line in lines)


def test_a_column_that_must_stay_whole_is_never_cut() -> None:
    text = list_text((Column("by", True), Column("file")), [["R. Example", "x" * 70]], 40)
    assert "x" * 70 in text
    assert "R. Ex…" in text


def test_ten_thousand_lines_take_a_fraction_of_a_second() -> None:
    rows = [[f"A-{number}", "Example Petrel 7'6\"", str(number % 7)] for number in range(10_000)]
    start = time.process_time()
    text = list_text(COLUMNS, rows, 80)
    assert time.process_time() - start < 0.5
    assert text.count("\n") == 10_002
