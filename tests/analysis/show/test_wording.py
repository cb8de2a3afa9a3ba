"""The sentences: hostile names, classes near an edge, labels, verdicts."""

from __future__ import annotations

import math
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from show_examples import batch_result, degrees, metric, roll_result

from analysis.bend.result import ClassCall
from analysis.roll.result import Mark, ThirdSnap
from analysis.show.wording import (
    chance,
    class_words,
    feel_words,
    label,
    label_words,
    mark_words,
    metric_words,
    sentence,
    spread_words,
    verdict_words,
)


@given(st.text(max_size=300), st.integers(5, 80))
def test_a_name_is_one_short_line_without_control_signs(text, limit):
    shown = label(text, limit)
    assert len(shown) <= limit
    assert not any(unicodedata.category(sign).startswith("C") for sign in shown)


@pytest.mark.parametrize("sign", ["\x1b", "\n", "\r", "\u202e", "\u2066", "\x00", "\u2028"])
def test_signs_that_move_the_cursor_or_turn_the_writing_are_taken_out(sign):
    assert label(f"A{sign}B") == "A B"


def test_a_long_name_is_cut_and_says_so():
    assert label("x" * 10_000, 20) == "x" * 19 + "…"
    assert label("x" * 20, 20) == "x" * 20


def test_a_class_near_an_edge_names_both():
    edge = ClassCall("fast", (("fast", 0.62), ("moderate-fast", 0.38)))
    assert class_words(edge) == "fast (62 %) or moderate-fast (38 %)"
    clear = ClassCall("fast", (("fast", 0.97), ("moderate-fast", 0.03)))
    assert class_words(clear) == "fast"
    assert class_words(None) == "cannot tell"


def test_no_measurement_is_ever_sure():
    assert chance(1.0) == "over 99 %"
    assert chance(0.0) == "under 1 %"
    assert chance(math.nan) == "cannot tell"


@pytest.mark.parametrize(
    ("probability", "start"),
    [
        (None, ""),
        (0.96, "the label holds"),
        (0.5, "the label is in doubt"),
        (0.02, "the label does not hold"),
        (math.nan, "cannot tell"),
    ],
)
def test_label_is_believed_only_from_19_in_20(probability, start):
    assert label_words(probability).startswith(start)


def test_a_mark_says_where_and_why_or_why_not():
    assert mark_words(Mark(degrees(12.0, 1.0), "stiff", None, "")).startswith(
        "The tape goes on the stiff plane"
    )
    tied = Mark(degrees(3.2, 0.8), "snap", math.radians(183.3), "two snaps equally firm")
    assert mark_words(tied) == "Two snaps equally firm. 183.30° serves as well."
    assert mark_words(Mark(None, "stiff", None, "No mark: no plane was found.")) == "No plane was found."
    assert (
        mark_words(Mark(None, "snap", None, ""))
        == "The rule asks for the firmest snap, which cannot be told."
    )


def test_what_a_hand_feels_follows_the_number_of_snaps():
    snap = roll_result().snaps[0]
    words = [feel_words(roll_result(snaps=(snap,) * count)) for count in range(3)]
    assert words[1:] == ["a hand will feel one snap", "a hand will feel two snaps"]
    assert "cannot tell" in words[0]


@pytest.mark.parametrize(
    ("cause", "three"), [("section", True), ("unknown", True), ("rig", False), ("hand", False)]
)
def test_a_third_snap_is_spoken_of_where_a_hand_may_feel_it(cause, three):
    third = ThirdSnap((0.1, 2.2, 4.3), True, 0.05, cause)
    snap = roll_result().snaps[0]
    assert ("three" in feel_words(roll_result(snaps=(snap,), third_snap=third))) is three


def test_verdict_names_the_properties_that_decide_it():
    assert verdict_words(batch_result()) == (
        "Not consistent: these 5 blanks differ by more than the tolerance in power (reference load)."
    )
    assert "natural bow" in verdict_words(batch_result(verdict="undecided"))
    assert verdict_words(batch_result(verdict="consistent")).startswith(
        "Consistent: these 5 blanks are alike"
    )
    empty = batch_result(verdict="undecided", metrics=())
    assert verdict_words(empty) == "Undecided: the readings cannot tell yet about every property."


def test_spreads_are_shown_in_their_own_unit():
    assert spread_words(11.5, metric()) == "11.5 %"
    assert spread_words(0.004, metric(tolerance_unit="m", name="bow")) == "4 mm"
    assert spread_words(0.004, metric(tolerance_unit="m", name="length")) == "0.004 m"
    assert spread_words(0.0254, metric(tolerance_unit="m", name="bow"), "imperial") == "1 in"
    assert spread_words(1e-5, metric(tolerance_unit="1")) == "0.00001"
    assert spread_words(math.nan, metric()) == "cannot tell"


def test_a_property_of_the_shops_own_keeps_its_name():
    assert metric_words("wall_thickness") == "wall thickness"
    assert sentence("roll A again") == "Roll A again."
    assert sentence("") == ""
