"""Half-widths to two significant figures, values to the same place, angles that wrap."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from show_examples import degrees, sure

from analysis.estimate import Estimate
from analysis.show.rounding import (
    CANNOT_TELL,
    plain_quantity,
    round_pair,
    show,
    show_direction,
    show_plane,
    show_quantity,
)


@pytest.mark.parametrize(
    ("value", "ci95", "shown"),
    [
        (10.05762, 0.0272, ("10.058", "0.027")),  # the example of JCGM 100:2008, 7.2.6 (from memory)
        (4.5, 0.0996, ("4.50", "0.10")),  # rounds up to one place fewer
        (1234.0, 119.6, ("1230", "120")),
        (123456.0, 99999.0, ("120000", "100000")),
        (0.4031, 0.0021, ("0.4031", "0.0021")),
        (-0.0001, 0.52, ("0.00", "0.52")),
        (5.0, 0.0, ("5.000", "")),
        (5.0, math.nan, ("5.000", "")),
        (5.0, math.inf, ("5.000", "")),
    ],
)
def test_pair_is_rounded_to_the_same_place(value, ci95, shown):
    assert round_pair(value, ci95) == shown


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e5))
def test_rounding_moves_neither_number_by_more_than_a_twentieth_of_the_half_width(value, ci95):
    number, half = round_pair(value, ci95)
    assert abs(float(number) - value) <= 0.0501 * ci95 + 1e-9
    assert abs(float(half) - ci95) <= 0.0501 * ci95 + 1e-12
    if ci95 < 1.0:
        assert Decimal(number).as_tuple().exponent == Decimal(half).as_tuple().exponent


@given(st.floats(-720.0, 720.0), st.floats(1e-3, 20.0))
def test_shown_angles_stay_inside_their_turn(angle, ci95):
    assert 0.0 <= float(show_direction(degrees(angle, ci95)).number) < 360.0
    assert 0.0 <= float(show_plane(degrees(angle, ci95)).number) < 180.0


def test_a_direction_just_below_the_turn_is_shown_as_zero():
    assert show_direction(degrees(359.98, 0.8)).text == "359.98° ± 0.80°"
    assert show_direction(degrees(359.98, 8.0)).text == "0.0° ± 8.0°"
    assert show_plane(degrees(179.98, 8.0)).text == "0.0° ± 8.0°"


def test_soft_plane_is_a_quarter_turn_from_the_stiff_one():
    assert show_plane(degrees(134.0, 0.5), 0.5 * math.pi).text == "44.00° ± 0.50°"


def test_unknown_value_and_unknown_half_width_are_said():
    assert show(None).text == CANNOT_TELL
    assert show(Estimate(math.nan, 0.1)).text == CANNOT_TELL
    lonely = show_quantity(Estimate(2.0, math.nan, reason="one reading"), "load")
    assert lonely.text == "2.000 N"
    assert lonely.note == "half-width not known"


def test_a_number_without_an_error_is_shown_without_one():
    length = show_quantity(Estimate(2.286, 0.0), "length")
    assert (length.text, length.note) == ("2.286 m", "")


def test_units_are_the_builders_choice():
    # One pound-force is 16 ounces-force and 4.4482216152605 N exactly (NIST SP 811, appendix B.8).
    pound = sure(4.4482216152605, 0.04448)
    assert show_quantity(pound, "load", "imperial").text == "16.00 ± 0.16 ozf"
    assert show_quantity(pound, "load", "metric").text == "4.448 ± 0.044 N"
    assert plain_quantity(0.0254, "length", "imperial") == "1 in"
