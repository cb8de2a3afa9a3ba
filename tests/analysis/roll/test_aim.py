"""Guiding a hand to an angle."""

from __future__ import annotations

import math

import pytest

from analysis.roll.mark import Aim


@pytest.mark.parametrize(
    ("now", "target", "turn", "away"),
    [
        (0.0, 30.0, "anticlockwise", 30.0),
        (30.0, 0.0, "clockwise", -30.0),
        (350.0, 10.0, "anticlockwise", 20.0),
        (10.0, 350.0, "clockwise", -20.0),
        (100.0, 100.3, "hold", 0.3),
    ],
)
def test_the_shorter_way_is_named_as_seen_from_the_butt(
    now: float, target: float, turn: str, away: float
) -> None:
    guidance = Aim(math.radians(target)).see(math.radians(now), 0.0)
    assert guidance.turn == turn
    assert math.degrees(guidance.away) == pytest.approx(away)
    assert not guidance.steady


def test_it_is_steady_only_after_standing_there_without_leaving() -> None:
    aim = Aim(0.0, hold_s=1.0)
    assert not aim.see(math.radians(0.4), 0.0).steady
    assert not aim.see(math.radians(0.6), 0.9).steady  # left the target
    assert not aim.see(math.radians(359.8), 1.5).steady
    assert aim.see(math.radians(0.1), 2.5).steady


def test_a_missing_angle_changes_nothing() -> None:
    aim = Aim(0.0)
    before = aim.see(math.radians(40.0), 0.0)
    assert aim.see(math.nan, 1.0) == before


def test_past_the_load_limit_nothing_is_steady_until_the_blank_is_released() -> None:
    aim = Aim(0.0, hold_s=1.0, limit_N=10.0)
    assert not aim.see(0.0, 0.0, 9.0).over_limit
    over = aim.see(0.0, 2.0, 10.5)
    assert over.over_limit
    assert not over.steady
    assert aim.see(math.nan, 2.1).over_limit  # no load read: still not released
    assert aim.see(0.0, 2.2, 9.0).over_limit  # lower, but not released
    assert not aim.see(0.0, 2.3, 1.0).over_limit
    assert not aim.see(0.0, 3.0, 1.0).steady  # stood there for 0.7 s since
    assert aim.see(0.0, 3.4, 1.0).steady


def test_a_load_past_the_limit_is_seen_without_an_angle() -> None:
    aim = Aim(0.0, limit_N=10.0)
    assert aim.see(math.nan, 0.0, 11.0).over_limit
