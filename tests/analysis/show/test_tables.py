"""Tables in 80 columns without colour: what comes first, what is told apart, what is never shown."""

from __future__ import annotations

import io
import math
import re

import pytest
from rich.console import Console
from show_examples import batch_result, degrees, flex_result, metric, roll_result, sure, unknown_roll

from analysis.roll.result import Mark
from analysis.show.tables import (
    TruthRow,
    batch_table,
    flex_summary,
    flex_table,
    roll_summary,
    roll_table,
    truth_table,
)


def plain(renderable, width=80, encoding="utf-8"):
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding, newline="\n")
    Console(file=stream, width=width, no_color=True, legacy_windows=False).print(renderable)
    stream.flush()
    return stream.buffer.getvalue().decode(encoding)


def line_of(text, start):
    return next(line for line in text.splitlines() if line.strip().startswith(start))


EVERYTHING = [
    roll_table(roll_result(warnings=("word " * 60,)), blank="A-03", model="example model"),
    roll_table(unknown_roll(), blank="A-03"),
    roll_summary([("A-01", roll_result()), ("A-05", unknown_roll())]),
    flex_table(flex_result(), blank="A-03", model="example model"),
    flex_summary([("A-01", flex_result())]),
    batch_table(batch_result()),
    truth_table([TruthRow("A-01", "mark", degrees(119.6, 0.8), math.radians(120.0), "angle")]),
]


@pytest.mark.parametrize("renderable", EVERYTHING)
@pytest.mark.parametrize("width", [60, 80, 120])
def test_no_line_is_wider_than_the_terminal(renderable, width):
    assert max(len(line) for line in plain(renderable, width).splitlines()) <= width


@pytest.mark.parametrize("renderable", EVERYTHING)
def test_a_western_code_page_can_print_every_table(renderable):
    assert "?" not in plain(renderable, encoding="cp1252").replace("inside ±?", "")


def test_the_mark_comes_first_and_planes_and_snaps_are_told_apart():
    text = plain(roll_table(roll_result(), blank="A-03"))
    order = [
        text.index(word)
        for word in ("mark", "snap, firmest", "snap 2", "stiff plane", "soft plane", "natural bow")
    ]
    assert order == sorted(order)
    assert "119.60° ± 0.80°" in line_of(text, "mark")
    assert "34.00° and 214.00°" in line_of(text, "stiff plane")
    assert "124.00° and 304.00°" in line_of(text, "soft plane")
    assert "spine" not in text


def test_no_plane_is_shown_where_none_was_found():
    text = plain(roll_table(unknown_roll(), blank="A-03"))
    assert "cannot tell" in line_of(text, "stiff plane")
    assert "cannot tell" in line_of(text, "soft plane")
    assert "12" not in line_of(text, "stiff plane")


def test_uncorrected_barriers_say_so():
    assert "3 to 11 %" not in plain(roll_table(roll_result(), blank="A"))
    assert "3 to 11 %" in plain(roll_table(roll_result(barrier_corrected=False), blank="A"), 200)


def test_a_tie_names_the_other_angle():
    tied = Mark(degrees(3.2, 0.8), "snap", math.radians(183.3), "two snaps equally firm")
    assert "183.30° serves as well" in plain(roll_table(roll_result(mark=tied), blank="A"), 200)


def test_power_without_the_length_stands_first():
    text = plain(flex_table(flex_result(), blank="A-03"))
    assert text.index("even-blank rigidity") < text.index("reference load") < text.index("bend centre")


def test_extrapolated_power_is_marked():
    assert "carried past the readings" in plain(flex_table(flex_result(extrapolated=True), blank="A"), 200)


def test_summaries_have_a_line_for_each_blank():
    text = plain(roll_summary([(f"A-0{i}", roll_result()) for i in range(1, 6)]))
    assert len(re.findall(r"^\s+A-0\d .*119\.60 ± 0\.80", text, re.MULTILINE)) == 5


def test_names_cannot_style_or_break_the_table():
    text = plain(roll_table(roll_result(), blank="[red]x[/red]\x1b[2J\n" + "y" * 10_000))
    assert "[red]x[/red]" in text
    assert "\x1b" not in text
    assert len(text.splitlines()) == len(plain(roll_table(roll_result(), blank="x")).splitlines())


def test_batch_says_the_verdict_the_odd_one_out_and_what_to_do():
    text = plain(batch_table(batch_result()), 100)
    assert text.startswith("Not consistent: these 5 blanks differ")
    assert "Odd one out: A-04." in text
    assert "roll A-01 and A-05 three more times each" in text
    assert "undecided" in line_of(text, "natural bow")


def test_many_properties_are_split_over_several_tables():
    many = batch_result(metrics=tuple(metric(f"property_{i}", "consistent") for i in range(7)))
    text = plain(batch_table(many))
    assert len(re.findall(r"^\s+A-05 ", text, re.MULTILINE)) == 2


def test_units_are_the_builders():
    text = plain(flex_table(flex_result(), blank="A", units="imperial"))
    assert "ozf" in line_of(text, "reference load")
    assert " N " not in line_of(text, "reference load")


@pytest.mark.parametrize(
    ("row", "inside"),
    [
        (TruthRow("A", "plane", degrees(179.9, 0.3), math.radians(0.1), "plane"), True),
        (TruthRow("A", "plane", degrees(179.9, 0.1), math.radians(0.1), "plane"), False),
        (TruthRow("A", "mark", degrees(179.9, 0.3), math.radians(0.1), "angle"), False),
        (TruthRow("A", "mark", degrees(180.1, 0.3), 0.0, "angle", also=math.pi), True),
        (TruthRow("A", "load", sure(4.5, 0.02), 4.53, "load"), False),
        (TruthRow("A", "plane", None, None, "plane"), True),
        (TruthRow("A", "plane", degrees(10.0, 50.0), None, "plane"), False),
        (TruthRow("A", "bow", None, 0.003, "small length"), False),
    ],
)
def test_inside_follows_the_half_width_and_the_wrap(row, inside):
    assert row.inside is inside
    assert f"{int(inside)} of 1" in plain(truth_table([row]))


def test_truth_is_shown_to_the_place_of_the_measured_value():
    text = plain(truth_table([TruthRow("A", "power", sure(4.52, 0.02), 4.49961, "load")]))
    assert re.search(r"4\.520 ± 0\.020 N +4\.500 N", text)
