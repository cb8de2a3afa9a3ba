"""Flex runs that cannot be used are named with the reading."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bent_blanks import flexed

from analysis.bend.screen import scatter, screen
from analysis.errors import ReadingsError
from analysis.readings import FlexReadings


def cut(run: FlexReadings, rows: slice) -> FlexReadings:
    tip = None if run.tip is None else run.tip[rows]
    return replace(
        run, time_s=run.time_s[rows], load_N=run.load_N[rows], travel_m=run.travel_m[rows], tip=tip
    )


def refusal(run: FlexReadings) -> ReadingsError:
    with pytest.raises(ReadingsError) as caught:
        screen(run)
    return caught.value


def test_opposite_signs() -> None:
    assert "opposite signs" in refusal(replace(flexed(), load_N=-flexed().load_N)).what


def test_both_signs_turned() -> None:
    run = flexed()
    assert "both negative" in refusal(replace(run, load_N=-run.load_N, travel_m=-run.travel_m)).what


def test_a_slope_of_the_wrong_sign() -> None:
    run = flexed()
    assert run.tip is not None
    assert "tip's slope" in refusal(replace(run, tip=-run.tip)).what


def test_a_zero_that_moved_is_named_with_a_reading_at_its_end() -> None:
    run = flexed()
    moved = run.load_N + 0.5 * (np.arange(run.load_N.size) > 250)
    error = refusal(replace(run, load_N=moved))
    assert "zero moved" in error.what
    assert error.row is not None
    assert error.row > 250


def test_a_hook_that_slips_is_named_with_its_reading() -> None:
    run = flexed()
    slipped = run.travel_m + 0.06 * (np.arange(run.travel_m.size) >= 120)
    error = refusal(replace(run, travel_m=slipped))
    assert "slipped" in error.what
    assert error.row is not None
    assert abs(error.row - 120) <= 2


def test_too_few_readings() -> None:
    assert "only 5 readings" in refusal(cut(flexed(), slice(0, 5))).what


def test_a_run_that_hardly_bends() -> None:
    assert "less than a tenth" in refusal(flexed(furthest=0.02)).what


def test_a_travel_in_millimetres() -> None:
    run = flexed()
    assert "free length is 1800 mm" in refusal(replace(run, travel_m=1e3 * run.travel_m)).what


def test_a_travel_that_turns_back_in_the_middle() -> None:
    run = flexed()
    wavy = run.travel_m + 0.1 * np.sin(np.arange(run.travel_m.size) / 12.0)
    assert "turns back" in refusal(replace(run, travel_m=wavy)).what


def test_no_load_at_all() -> None:
    run = flexed()
    assert "no load" in refusal(replace(run, load_N=0.0 * run.load_N)).what


def test_the_scatter_of_a_smooth_curve_with_noise_is_its_noise() -> None:
    rng = np.random.default_rng(1)
    x = np.linspace(0.0, 1.0, 2000)
    assert scatter(np.sin(3.0 * x) + 0.01 * rng.standard_normal(x.size)) == pytest.approx(0.01, rel=0.1)


def test_loading_and_unloading_are_told_apart_and_the_turn_is_left_out() -> None:
    sweep = screen(flexed())
    assert sweep.both_ways
    assert set(np.unique(sweep.side)) == {-1.0, 1.0}
    assert sweep.load_N.size < 400
    assert not screen(flexed(both_ways=False)).both_ways
