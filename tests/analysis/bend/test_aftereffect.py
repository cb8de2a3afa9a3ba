"""What stays after unloading and what creeps while held, from runs made by another solver."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from bent_blanks import flexed, truth

from analysis.bend import fit_flex
from analysis.readings import FlexReadings

RATE = 20.0


def held(
    seconds: float = 60.0,
    creep: float = 0.01,
    *,
    still: Literal["load", "travel"] = "travel",
    stays: float = 0.0,
    drift_N: float = 0.0,
    seed: int = 1,
) -> FlexReadings:
    """A run that holds at the top, where `creep` of load or travel goes per decade of time; then a set."""
    run = flexed(seed=seed, hysteresis=0.01)
    assert run.tip is not None
    rng = np.random.default_rng(seed + 100)
    half, count = run.load_N.size // 2, int(seconds * RATE)
    gone = creep * np.log10(1.0 + (np.arange(count) + 0.5) / RATE / 0.05)
    load, travel, tip = (float(np.mean(x[half - 3 : half + 3])) for x in (run.load_N, run.travel_m, run.tip))
    pause = (
        load * (1.0 - gone if still == "travel" else np.ones(count)) + 0.012 * rng.standard_normal(count),
        travel * (1.0 + gone if still == "load" else np.ones(count)) + 0.8e-3 * rng.standard_normal(count),
        tip + math.radians(0.25) * rng.standard_normal(count),
    )
    loads, travels, tips = (
        np.concatenate([x[:half], mid, x[half:]])
        for x, mid in zip((run.load_N, run.travel_m, run.tip), pause, strict=True)
    )
    n = loads.size
    after = np.arange(n) >= half + count
    if still == "load" and count:  # unloading starts from where it crept to
        travels[after] *= 1.0 + gone[-1]
    return replace(
        run,
        time_s=np.arange(n) / RATE,
        load_N=loads + drift_N * np.linspace(0.0, 1.0, n),
        travel_m=travels + stays * after,
        tip=tips,
    )


@pytest.mark.parametrize("still", ["travel", "load"])
def test_creep_per_decade_is_found_and_what_creeps_is_named(still: Literal["load", "travel"]) -> None:
    found = [fit_flex(held(creep=0.012, still=still, seed=seed)).creep for seed in range(6)]
    for creep in found:
        assert creep is not None
        assert creep.of == ("load" if still == "travel" else "travel")
        assert abs(creep.per_decade.value - 0.012) <= creep.per_decade.ci95
        assert creep.held_s == pytest.approx(60.0, abs=2.0)
    mean = float(np.mean([creep.per_decade.value for creep in found if creep is not None]))
    assert mean == pytest.approx(0.012, rel=0.08)


def test_a_blank_that_does_not_creep_shows_none_within_its_half_width() -> None:
    creeps = [fit_flex(held(creep=0.0, seed=seed)).creep for seed in range(12)]
    inside = [abs(each.per_decade.value) <= each.per_decade.noise_ci95 for each in creeps if each is not None]
    assert len(inside) == 12
    assert sum(inside) >= 10


def test_a_load_zero_that_drifts_moves_the_creep_by_its_share() -> None:
    """That much drift, and none, on the same readings: their difference is free of noise and holds for every
    draw. A cell's zero drifts by 0.4 % of the largest load in 13 runs of 100, by 1.2 % in 7 (our choice).
    """
    sigma = math.sqrt(0.13 * 0.004**2 + 0.07 * 0.012**2)
    for seed in range(4):
        plain = held(creep=0.012, seed=seed)
        drift = 1.959964 * sigma * float(np.max(plain.load_N))
        still, drifts = fit_flex(plain).creep, fit_flex(held(creep=0.012, drift_N=drift, seed=seed)).creep
        assert still is not None
        assert drifts is not None
        (share,) = still.per_decade.shares
        assert share.cause == "load zero drift"
        moved = abs(drifts.per_decade.value - still.per_decade.value)
        assert share.ci95 == pytest.approx(moved, rel=0.05)


@pytest.mark.parametrize("seconds", [0.0, 4.0])
def test_a_run_that_turns_back_at_once_shows_no_creep(seconds: float) -> None:
    assert fit_flex(held(seconds)).creep is None


def test_a_hold_does_not_move_the_reference_load() -> None:
    """Over eight draws: six or more inside (binomial at 95 %: 99.4 %), and the mean well inside."""
    load, _ = truth()
    away = []
    for seed in range(8):
        found = fit_flex(held(seed=seed)).reference_load
        assert found is not None
        away.append((found.value - load) / found.ci95)
    assert np.sum(np.abs(away) <= 1.0) >= 6
    assert abs(float(np.mean(away))) <= 0.6


def test_travel_that_stays_is_found_and_the_noise_is_right() -> None:
    found = [fit_flex(held(0.0, stays=0.012, seed=seed)).set_after for seed in range(16)]
    value = np.array([each.value for each in found if each is not None])
    noise = np.array([each.noise for each in found if each is not None])
    assert np.mean(value) == pytest.approx(0.012, abs=3.0 * float(np.mean(noise)) / math.sqrt(16))
    assert np.std(value) == pytest.approx(float(np.mean(noise)), rel=0.5)


@pytest.mark.parametrize("off_m", [-0.004, 0.010])
def test_a_travel_zero_that_stands_off_is_no_set(off_m: float) -> None:
    """It stands off before and after alike: on the same readings the set stays what it was."""
    for seed in range(3):
        run = held(0.0, stays=0.012, seed=seed)
        here, there = (fit_flex(each) for each in (run, replace(run, travel_m=run.travel_m + off_m)))
        assert here.set_after is not None
        assert there.set_after is not None
        assert there.set_after.value == pytest.approx(here.set_after.value, abs=0.0005)


def test_a_set_and_a_drifting_zero_look_the_same_and_a_reading_of_the_free_tip_tells_them_apart() -> None:
    stays, drifts = held(0.0, stays=0.012), held(0.0, drift_N=-0.05)
    for run in (stays, drifts):
        result = fit_flex(run)
        assert any("look the same" in warning for warning in result.warnings)
        assert result.set_after is not None
        assert {share.cause for share in result.set_after.shares} == {"load zero drift"}
    told = fit_flex(replace(stays, load_after_N=0.0))
    assert told.set_after is not None
    assert abs(told.set_after.value - 0.012) <= told.set_after.ci95 < 0.008
    assert any("took a set" in warning for warning in told.warnings)
    drifted = fit_flex(replace(drifts, load_after_N=-0.05))
    assert drifted.set_after is not None
    assert abs(drifted.set_after.value) <= drifted.set_after.ci95
    assert not any("took a set" in warning for warning in drifted.warnings)


def test_one_direction_shows_no_set() -> None:
    assert fit_flex(flexed(both_ways=False)).set_after is None
