"""Small flex tables by hand: power from three weights up and down on, with half-widths that hold."""

from __future__ import annotations

import numpy as np
import pytest
from bent_blanks import bend

from analysis.bend import Taper, fit_flex, rate
from analysis.errors import ReadingsError
from analysis.readings import FlexReadings

LENGTH_M = 1.8
GRAM_N = 9.80665e-3


def blank(power_N: float) -> tuple[Taper, float]:
    unit = Taper(LENGTH_M, 1.0, 0.28, 3.3)
    return Taper(LENGTH_M, power_N / rate(unit).reference_load_N, 0.28, 3.3), power_N


def table(power_N: float, weights: int, rng: np.random.Generator, *, loop: float = 0.02) -> FlexReadings:
    """Weights up and down; travels by an independent integration of the bent blank (`bent_blanks`)."""
    rigidity, _ = blank(power_N)
    up = np.linspace(0.0, power_N, weights + 1)[1:]
    loads = np.concatenate([[0.0], up, up[-2::-1], [0.0]])
    side = np.concatenate([np.ones(weights), [0.0], -np.ones(weights)])
    true = loads * (1.0 - 0.5 * loop * side)
    travel = np.array([bend(rigidity.EI, LENGTH_M, load)[0] if load else 0.0 for load in true])
    step = 5.0 * GRAM_N
    return FlexReadings(
        time_s=np.arange(loads.size, dtype=float),
        load_N=np.round(loads / step) * step,
        travel_m=np.round((travel + 2.5e-4 * rng.standard_normal(travel.size)) * 1e3) * 1e-3,
        tip=None,
        free_length_m=LENGTH_M,
        at_rest=True,
    )


@pytest.mark.parametrize(("weights", "widest"), [(3, 0.06), (4, 0.03), (6, 0.03)])
def test_power_from_a_few_weights_is_right_and_sure_enough(weights: int, widest: float) -> None:
    rng = np.random.default_rng(weights)
    widths = []
    for power in (3.0, 5.0, 8.0):
        result = fit_flex(table(power, weights, rng))
        load = result.reference_load
        assert abs(load.value - power) <= load.ci95
        widths.append(load.ci95 / power)
        assert result.hysteresis is not None
    assert np.median(widths) <= widest


@pytest.mark.slow
def test_half_widths_of_small_flex_tables_hold() -> None:
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(40):
        for weights in (3, 4, 6):
            power = rng.uniform(2.0, 9.0)
            load = fit_flex(table(power, weights, rng, loop=rng.uniform(0.0, 0.03))).reference_load
            inside.append(abs(load.value - power) <= load.ci95)
    assert np.mean(inside) >= 0.89  # three standard errors of 95 % over 120 tables


@pytest.mark.parametrize("weights", [1, 2])
def test_fewer_weights_cannot_tell_and_say_how_many_more(weights: int) -> None:
    with pytest.raises(ReadingsError) as refused:
        fit_flex(table(5.0, weights, np.random.default_rng(1)))
    assert f"hang {3 - weights} more" in refused.value.do


def test_a_misread_travel_is_refused_with_its_row() -> None:
    readings = table(5.0, 4, np.random.default_rng(2))
    readings.travel_m[2] *= 10.0
    with pytest.raises(ReadingsError) as refused:
        fit_flex(readings)
    assert refused.value.row is not None


def test_one_way_is_answered_and_says_what_it_costs() -> None:
    both = table(5.0, 5, np.random.default_rng(3), loop=0.0)
    keep = slice(0, 6)
    from dataclasses import replace

    one = replace(both, time_s=both.time_s[keep], load_N=both.load_N[keep], travel_m=both.travel_m[keep])
    result = fit_flex(one)
    assert abs(result.reference_load.value - 5.0) <= result.reference_load.ci95
    assert any("one way" in words for words in result.warnings)
