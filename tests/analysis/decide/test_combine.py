"""Repeats of one blank become one value with an honest half-width."""

import math

import numpy as np
import pytest

from analysis.decide import combine
from analysis.estimate import Estimate, Share


def test_noise_averages_down_and_a_shared_error_stays():
    shared = (Share("calibration", 0.3, shared=True),)
    one = [Estimate(value, 0.2, math.inf, shared) for value in (4.9, 5.1, 5.0, 5.0)]
    both = combine(one)
    assert both.value == pytest.approx(5.0)
    assert both.noise == pytest.approx(0.1)
    assert both.shared_ci95 == pytest.approx(0.3)
    assert both.shares[0].shared


def test_the_better_run_weighs_more():
    both = combine([Estimate(1.0, 0.1), Estimate(1.2, 0.2)])
    assert both.value == pytest.approx((1.0 * 4 + 1.2) / 5)
    assert both.noise == pytest.approx(1 / math.sqrt(100 + 25))


def test_runs_that_disagree_more_than_their_noise_are_averaged_as_their_scatter_says():
    values = np.array([1.0, 2.0, 3.0, 2.5, 1.5])
    both = combine([Estimate(float(value), 1e-6) for value in values])
    assert both.value == pytest.approx(values.mean())
    assert both.noise == pytest.approx(values.std(ddof=1) / math.sqrt(5), rel=1e-6)
    assert both.dof == pytest.approx(4.0)


def test_paule_mandel_equation_holds_at_the_solution():
    values, noise = np.array([9.8, 10.4, 10.1, 11.0]), np.array([0.1, 0.2, 0.15, 0.3])
    both = combine([Estimate(float(x), float(s)) for x, s in zip(values, noise, strict=True)])
    # The scatter that explains the weights: noise of the mean is 1/sqrt(sum 1/(s²+τ²)); solve for τ² here.
    low, high = 0.0, 10.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if (1 / (noise**2 + middle)).sum() ** -0.5 < both.noise:
            low = middle
        else:
            high = middle
    weights = 1 / (noise**2 + low)
    mean = weights @ values / weights.sum()
    assert (weights * (values - mean) ** 2).sum() == pytest.approx(3.0, rel=1e-6)
    assert both.value == pytest.approx(mean)


def test_half_width_covers_the_truth_nineteen_times_in_twenty():
    rng = np.random.default_rng(6)
    hits = 0
    for _ in range(1500):
        values = 5.0 + 0.3 * rng.standard_normal(4) + 0.1 * rng.standard_normal(4)
        both = combine([Estimate(float(value), 0.1, 50.0) for value in values])
        hits += abs(both.value - 5.0) <= both.ci95
    # Three degrees of freedom and a scatter that is cut off at zero: 94 % is what this estimator reaches.
    assert 0.925 < hits / 1500 < 0.975


def test_planes_are_averaged_across_the_fold():
    both = combine([Estimate(math.radians(178.0), 0.01), Estimate(math.radians(4.0), 0.01)], period=math.pi)
    assert math.degrees(both.value) == pytest.approx(1.0, abs=1e-6)


def test_runs_without_noise_use_their_scatter():
    both = combine([Estimate(1.0, math.nan), Estimate(1.2, 0.1)])
    assert both.noise == pytest.approx(0.1)
    assert both.dof == 1.0


def test_one_run_is_itself_and_none_is_refused():
    one = Estimate(1.0, 0.1, 7.0)
    assert combine([one]) is one
    with pytest.raises(ValueError, match="nothing"):
        combine([])


def test_exact_and_equal_values_stay_exact():
    assert combine([Estimate(2.0, 0.0), Estimate(2.0, 0.0)]) == Estimate(2.0, 0.0)
