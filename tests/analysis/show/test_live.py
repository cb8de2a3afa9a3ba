"""The screen while recording: covered parts, pointer, alarms, and a panel that does not jump."""

from __future__ import annotations

import io
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from show_examples import degrees

from analysis.show.live import LiveSnapshot, TurnBar, live_panel, resample


def plain(renderable, width=80, encoding="utf-8"):
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding, newline="\n")
    Console(file=stream, width=width, no_color=True, legacy_windows=False).print(renderable)
    stream.flush()
    return stream.buffer.getvalue().decode(encoding)


def rolling(**changes):
    half = tuple(index < 36 for index in range(72))
    return LiveSnapshot(
        **{
            "blank": "A-03", "kind": "roll", "status": "roll slowly, both ways", "time_s": 12.0,
            "readings": 960, "rate_hz": 80.2, "load_N": 4.512, "load_limit_N": 6.0,
            "roll": math.radians(123.4), "covered": half, "turns": 0.5, **changes,
        }
    )  # fmt: skip


def test_load_angle_rate_and_coverage_are_shown():
    text = plain(live_panel(rolling()))
    for word in (
        "4.512 N",
        "123.4°",
        "80 /s",
        "960, none lost",
        "covered 50 % of the turn",
        "max 6 N",
        "A-03",
    ):
        assert word in text


def test_a_plane_is_shown_once_it_can_be_told_and_enough_once_it_is():
    assert "stiff plane cannot tell, mark cannot tell" in plain(live_panel(rolling()))
    known = rolling(plane=degrees(34.0, 1.4), mark=degrees(119.6, 2.0))
    assert "stiff plane 34.0° ± 1.4°, mark 119.6° ± 2.0°  (enough at ± 1°)" in plain(live_panel(known), 100)
    done = rolling(plane=degrees(34.0, 0.9), mark=degrees(119.6, 0.9), enough=True)
    assert "ENOUGH" in plain(live_panel(done))


def test_a_load_past_its_limit_takes_over_the_first_line():
    text = plain(live_panel(rolling(load_N=6.1, alarm="something else")))
    assert "RELEASE THE LOAD: it is past the limit of 6 N" in text
    assert "RELEASE" in plain(live_panel(rolling(load_N=-6.1)))
    assert "RELEASE" not in plain(live_panel(rolling(load_N=6.0)))
    assert "RELEASE" not in plain(live_panel(rolling(load_N=math.nan)))


def test_an_alarm_is_shown_in_place_of_the_status():
    text = plain(live_panel(rolling(alarm="the angle stands still")))
    assert "the angle stands still" in text
    assert "roll slowly" not in text


@pytest.mark.parametrize("kind", ["roll", "flex"])
def test_the_panel_keeps_its_size_whatever_is_known(kind):
    many = [
        LiveSnapshot("A", kind, "wait"),
        rolling(kind=kind),
        rolling(kind=kind, load_N=None, rate_hz=None, roll=None, covered=()),
        rolling(kind=kind, load_N=12.3456, roll=6.28, travel_m=0.45, lost=3, readings=123456),
        rolling(kind=kind, plane=degrees(34.0, 1.4), mark=degrees(119.6, 2.0), enough=True),
        rolling(kind=kind, load_N=7.0),
        rolling(kind=kind, load_N=math.nan, roll=math.inf, rate_hz=math.nan),
    ]
    shapes = {tuple(map(len, plain(live_panel(one)).splitlines())) for one in many}
    assert len(shapes) == 1


def test_flexing_shows_travel_and_no_turn():
    text = plain(live_panel(rolling(kind="flex", travel_m=0.123)))
    assert "123.0 mm" in text
    assert "covered" not in text
    assert "in" in plain(live_panel(rolling(kind="flex", travel_m=0.0254)), 80)
    assert "1.00 in" in plain(live_panel(rolling(kind="flex", travel_m=0.0254), units="imperial"))


def test_lost_readings_are_said():
    assert "960, 12 lost" in plain(live_panel(rolling(lost=12)))


@given(st.lists(st.booleans(), min_size=1, max_size=200), st.integers(1, 150))
def test_no_gap_is_painted_over_and_a_whole_turn_is_whole(covered, width):
    cells = resample(covered, width)
    assert len(cells) == width
    assert all(cells) == all(covered)
    for part, there in enumerate(covered):
        if not there:
            assert not cells[part * width // len(covered)]


@pytest.mark.parametrize(
    ("angle", "column"), [(0.0, 0), (90.0, 15), (180.0, 30), (359.999, 59), (-90.0, 45), (450.0, 15)]
)
def test_pointer_stands_under_the_angle(angle, column):
    pointer = plain(TurnBar([True], math.radians(angle)), 60).splitlines()[1]
    assert pointer.rstrip().index("▲") == column


def test_a_terminal_without_block_signs_gets_plain_ones():
    text = plain(live_panel(rolling()), encoding="cp1252")
    assert "#" in text
    assert "^" in text


@pytest.mark.parametrize("width", [40, 80, 200])
def test_the_panel_fits_the_terminal(width):
    assert {len(line) for line in plain(live_panel(rolling()), width).splitlines()} == {width}
