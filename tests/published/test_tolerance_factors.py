"""Normal tolerance factors against published tables."""

import math

import numpy as np
import pytest

from analysis.decide.tolerance import (
    one_sided_factor,
    passing_share,
    tolerance_interval,
    two_sided_factor,
)

# Meeker, Hahn & Escobar (2017), Statistical Intervals, table J.5b (three decimals; a fourth from the exact
# equation with an independent quadrature). Columns are coverage/confidence.
COLUMNS = ((0.90, 0.95), (0.95, 0.90), (0.95, 0.95), (0.99, 0.95), (0.90, 0.99), (0.95, 0.99))
EXACT = {
    3: (8.3059, 6.8233, 9.7888, 12.6471, 18.7824, 22.1308),
    5: (4.2906, 4.1425, 5.0769, 6.5980, 6.6549, 7.8697),
    10: (2.8563, 3.0257, 3.3934, 4.4369, 3.6166, 4.2942),
    20: (2.3188, 2.5696, 2.7603, 3.6210, 2.6752, 3.1838),
}
ONE_SIDED = {3: 7.6559, 5: 4.2027, 10: 2.9110, 20: 2.3960}


@pytest.mark.parametrize("n", EXACT)
def test_two_sided_factors_are_the_exact_ones(n):
    assert [two_sided_factor(n, p, c) for p, c in COLUMNS] == pytest.approx(EXACT[n], abs=5.1e-5)


@pytest.mark.parametrize("n", ONE_SIDED)
def test_one_sided_factors_are_the_exact_ones(n):
    assert one_sided_factor(n) == pytest.approx(ONE_SIDED[n], abs=5.1e-5)


def test_factors_of_the_international_standard():
    # ISO 16269-6:2014, Annex F, which rounds up.
    assert math.ceil(1e4 * two_sided_factor(3, 0.95, 0.90)) == 68233
    assert math.ceil(1e4 * two_sided_factor(8, 0.90, 0.90)) == 27542
    assert math.ceil(1e4 * two_sided_factor(30, 0.95, 0.90)) == 24166


def test_factors_of_the_statistics_handbook():
    # NIST/SEMATECH e-Handbook 7.2.6.3, n = 43, 90 % coverage at 99 %: prints 2.217 by an approximation and
    # 1.8752 for one side; the exact values are 2.2228 and 1.8740.
    assert two_sided_factor(43, 0.90, 0.99) == pytest.approx(2.2228, abs=5.1e-5)
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=5.1e-5)


def test_the_howe_approximation_is_not_what_is_computed():
    # Howe's values for 95/95 (check by its closed form): 5.0935, 3.3819, 2.7523.
    for n, howe in ((5, 5.0935), (10, 3.3819), (20, 2.7523)):
        assert abs(two_sided_factor(n) - howe) > 5e-3


def test_intervals_hold_their_share_as_often_as_they_say():
    rng = np.random.default_rng(1)
    held = 0
    for _ in range(1000):
        found = tolerance_interval(rng.standard_normal(5), 0.90, 0.95)
        inside = 0.5 * (math.erf(found.upper / math.sqrt(2)) - math.erf(found.lower / math.sqrt(2)))
        held += inside >= 0.90
    assert abs(held / 1000 - 0.95) < 4 * math.sqrt(0.05 * 0.95 / 1000)


@pytest.mark.parametrize("n", [3, 5, 10])
def test_passing_share_with_one_limit_is_the_inverse_of_the_one_sided_factor(n):
    # mean + k·s is the limit below which 95 % lie with 95 % confidence, so the bound there must be 0.95.
    values = np.linspace(-1.0, 1.0, n)
    limit = values.mean() + ONE_SIDED.get(n, one_sided_factor(n)) * values.std(ddof=1)
    assert passing_share(values, None, limit).at_least == pytest.approx(0.95, abs=2e-3)


@pytest.mark.parametrize(("lower", "upper", "most"), [(None, 2.0, 0.93), (-1.5, 2.0, 0.88)])
def test_passing_share_bounds_hold_as_often_as_they_say_with_noise_taken_out(lower, upper, most):
    # With two limits the upper bound is known to be too sure (91 %), the lower one too careful (97 %).
    rng = np.random.default_rng(3)
    true = 0.5 * (1 + math.erf(2.0 / math.sqrt(2)))
    true -= 0.0 if lower is None else 0.5 * (1 - math.erf(1.5 / math.sqrt(2)))
    low = high = 0
    for _ in range(500):
        values = rng.standard_normal(12) + 0.4 * rng.standard_normal(12)
        found = passing_share(values, lower, upper, noise=0.4)
        low += found.at_least <= true
        high += found.at_most >= true
    assert low / 500 > 0.93
    assert high / 500 > most


def test_one_value_is_refused():
    with pytest.raises(ValueError, match="two values"):
        two_sided_factor(1)
