"""Scales from several weights: wrong weights, curves, hysteresis; the counts are made in this test."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.calibrate import SUSPECT_PART, Scaled, fit_scale, hangings
from analysis.errors import ReadingsError

SIX = (0.0, 200.0, 400.0, 600.0, 800.0, 1000.0, 1200.0)
PER_GRAM, ZERO = 203.0, 52_000.0


def hung(
    rng: np.random.Generator, order: tuple[float, ...], *, noise_g: float = 0.4, wrong: float | None = None,
    by: float = 0.0, bend: float = 0.0,
) -> Scaled:  # fmt: skip
    """Counts of weights, one of them not what it says, on a cell with a bend (part of the span)."""
    true = [value * (1.0 + by * (value == wrong)) for value in order]
    top = max(order)
    read = [
        ZERO + PER_GRAM * (g + bend * top * (g / top) ** 2 + noise_g * rng.standard_normal()) for g in true
    ]
    return fit_scale(hangings(order, read))


@pytest.mark.parametrize("order", [SIX, (*SIX, *SIX[-2::-1])], ids=["up", "up and down"])
def test_a_wrong_weight_of_three_percent_is_named_and_no_right_one(order: tuple[float, ...]) -> None:
    """Named in 95 of 100, a right one in 1 of 100 (300 calibrations each)."""
    rng = np.random.default_rng(1)
    named = right = 0
    for _ in range(300):
        wrong = float(rng.choice(SIX[2:]))  # 3 % of the lightest is 0.5 % of the span: see the next test
        found = hung(rng, order, wrong=wrong, by=0.03 * rng.choice([-1.0, 1.0])).suspects
        named += wrong in found
        right += sum(value != wrong for value in found)
    assert named >= 0.95 * 300
    assert right <= 0.01 * 300 * 6
    sound = sum(len(hung(rng, order).suspects) > 0 for _ in range(300))
    assert sound <= 3


def test_what_lies_within_the_cells_own_bend_is_no_suspect() -> None:
    rng = np.random.default_rng(2)
    off = 0.9 * SUSPECT_PART * 1200.0 / 1200.0
    assert hung(rng, SIX, noise_g=0.01, wrong=1200.0, by=off).suspects == ()
    assert hung(rng, SIX, noise_g=0.01, wrong=600.0, by=4.0 * SUSPECT_PART).suspects == (600.0,)


def test_real_recordings_of_eight_weights_name_what_only_other_weights_tell() -> None:
    """Public recordings of a hobby rig: four of eight agree to 1.3 g, three read light, the zero is off."""
    weights = np.array([0.0, 500.0, 818.0, 1134.0, 1318.0, 1952.0, 2452.0, 2752.0])
    off = np.array([58.0, -84.0, -100.0, 0.5, -104.0, -0.8, 1.3, 0.2])
    found = fit_scale(hangings(weights.tolist(), (ZERO + PER_GRAM * (weights + off)).tolist()))
    assert found.suspects == (0.0, 500.0, 818.0, 1318.0)
    assert 1.0 / found.per_count == pytest.approx(PER_GRAM, rel=2e-3)
    reported = {one.value: one.off for one in found.residuals}
    assert reported[1318.0] == pytest.approx(-104.0, abs=2.0)


def test_a_curve_is_taken_where_the_data_ask_for_it_and_else_a_line() -> None:
    rng = np.random.default_rng(3)
    straight = [hung(rng, (*SIX, *SIX[-2::-1]), noise_g=0.3).curved for _ in range(300)]
    assert sum(straight) <= 9  # 1 % of 300, and its scatter
    bent = [hung(rng, (*SIX, *SIX[-2::-1]), noise_g=0.3, bend=0.005) for _ in range(100)]
    assert sum(one.curved for one in bent) >= 95
    assert all(not one.suspects for one in bent)


def test_zero_slope_and_half_widths_are_those_of_least_squares() -> None:
    rng = np.random.default_rng(4)
    hits = zeros = 0
    for _ in range(300):
        found = hung(rng, SIX)
        hits += abs(found.per_count * PER_GRAM - 1.0) <= found.per_count_ci95 * PER_GRAM
        zeros += abs(found.zero_counts - ZERO) <= found.zero_ci95_counts
    assert 275 <= hits <= 296
    assert 275 <= zeros <= 296


def test_hysteresis_zero_return_and_creep() -> None:
    order = [*SIX, *SIX[-2::-1]]
    rising = [ZERO + PER_GRAM * value for value in SIX]
    falling = [ZERO + PER_GRAM * (value + 0.01 * 1200.0) for value in SIX[-2::-1]]
    falling[-1] = ZERO + PER_GRAM * 3.0
    found = fit_scale(hangings(order, rising + falling))
    assert found.hysteresis == pytest.approx(0.01, rel=0.06)
    assert found.zero_return == pytest.approx(3.0, rel=0.03)
    assert found.creep is None
    repeated = [value for value in SIX for _ in range(4)]
    creeping = [ZERO + PER_GRAM * (value + 0.5 * at * (value > 0)) for value in SIX for at in range(4)]
    assert fit_scale(hangings(repeated, creeping)).creep == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize(
    ("values", "counts", "words"),
    [
        ((0.0, 100.0, 0.0), (1.0, 2.0, 1.0), "three are needed"),
        ((0.0, 100.0, 200.0, 500.0), (900.0, 100.0, 700.0, 300.0), "do not go with the weights"),
        ((0.0, 100.0, 200.0), (5.0, 5.0, 5.0), "do not go with the weights"),
    ],
)
def test_what_is_no_calibration_is_refused(
    values: tuple[float, ...], counts: tuple[float, ...], words: str
) -> None:
    with pytest.raises(ReadingsError, match=words):
        fit_scale(hangings(values, counts))
