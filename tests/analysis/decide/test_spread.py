"""The spread's p-values against simulation, closed forms, and a search for worse true values."""

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm, t

from analysis.decide.spread import (
    Errors,
    p_consistent,
    p_not_consistent,
    p_values,
    probability_within,
    student_cdf,
    window_probability,
)

EXACT = math.inf


def simulated(means, sizes, dof, w, draws=200_000):
    """P(W <= w) by drawing, straight from the definition over all pairs."""
    rng = np.random.default_rng(11)
    z = np.stack(
        [
            rng.standard_normal(draws) if math.isinf(d) else rng.standard_t(d, draws)
            for d in np.broadcast_to(dof, len(means))
        ],
        axis=1,
    )
    x = means + sizes * z
    return np.mean((x - w * sizes).max(axis=1) - (x + w * sizes).min(axis=1) <= 1.0)


@pytest.mark.parametrize("w", [-0.4, 0.0, 0.7, 2.0])
@pytest.mark.parametrize(
    ("sizes", "dof"),
    [((0.3, 0.3, 0.3, 0.3, 0.3), EXACT), ((0.1, 0.5, 0.2, 0.02, 1.0), (EXACT, 5.0, EXACT, 3.0, 10.0))],
)
def test_window_probability_agrees_with_drawing(sizes, dof, w):
    sizes = np.array(sizes)
    means = np.array([0.0, 1.0, 0.5, 0.3, 0.6])
    errors = Errors(sizes, np.broadcast_to(np.asarray(dof, dtype=float), 5))
    assert window_probability(means[None], errors, w)[0] == pytest.approx(
        simulated(means, sizes, dof, w), abs=5e-3
    )


@pytest.mark.parametrize(("n", "q"), [(2, 2.772), (3, 3.314), (5, 3.858), (10, 4.474)])
def test_range_of_equal_values_has_the_tabulated_5_percent_point(n, q):
    # Upper 5 % points of the range of n unit normals: studentized range table at infinite degrees of
    # freedom, e.g. Pearson & Hartley, Biometrika Tables vol. 1, table 22 (three decimals, from memory).
    size = 1e3  # tolerance so small against the error that W is the range alone
    errors = Errors(np.full(n, size), np.full(n, EXACT))
    w = 0.5 * (q - 1.0 / size)
    assert window_probability(np.zeros((1, n)), errors, w)[0] == pytest.approx(0.95, abs=2e-4)


def test_two_blanks_have_the_closed_form():
    p_within, p_beyond = p_values(np.array([1.0, 3.0]), np.array([0.6, 0.8]), np.full(2, EXACT), 4.0)
    assert p_within == pytest.approx(norm.cdf(-2.0) - norm.cdf(-6.0), abs=1e-6)
    assert p_beyond == pytest.approx(1.0 - p_within, abs=1e-6)


def test_two_blanks_with_few_degrees_of_freedom_are_a_convolution_of_two_t():
    density, _ = quad(lambda z: t.pdf(z, 4) * t.cdf((-2.0 + 0.6 * z) / 0.8, 6), -200, 200, epsabs=1e-10)
    lower, _ = quad(lambda z: t.pdf(z, 4) * t.cdf((-6.0 + 0.6 * z) / 0.8, 6), -200, 200, epsabs=1e-10)
    p_within, _ = p_values(np.array([1.0, 3.0]), np.array([0.6, 0.8]), np.array([4.0, 6.0]), 4.0)
    assert p_within == pytest.approx(density - lower, abs=2e-5)


@pytest.mark.parametrize("seed", range(6))
def test_no_true_values_are_worse_than_the_least_favourable_ones(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 6))
    sizes = np.exp(rng.normal(0.0, (0.0, 0.5, 1.5)[seed % 3], n)) * 0.25
    dof = np.full(n, EXACT) if seed % 2 else rng.choice([4.0, 12.0, EXACT], n)
    errors = Errors(sizes, dof)
    w = -rng.uniform(0.1, min(2.0, 0.5 / sizes.max()))
    beyond = rng.uniform(0.0, 1.0, (1500, n))
    for row in beyond:
        row[rng.choice(n, 2, replace=False)] = 0.0, 1.0
    beyond[:200] *= rng.uniform(1.0, 1.4, (200, 1))
    assert window_probability(beyond, errors, w).max() <= p_consistent(errors, w) + 1.5e-3
    within = rng.uniform(0.0, 1.0, (1500, n))
    within[::3] = np.round(within[::3])
    far = rng.uniform(0.2, 2.0)
    assert 1.0 - window_probability(within, errors, far).min() <= p_not_consistent(errors, far) + 1e-4


def test_many_blanks_find_a_worst_split_as_bad_as_the_best_of_many_tried():
    rng = np.random.default_rng(3)
    sizes = rng.uniform(0.1, 0.5, 12)
    errors = Errors(sizes, np.full(12, EXACT))
    tried = rng.integers(0, 2, (400, 12)).astype(float)
    for w in (1.5, 2.2):
        assert p_not_consistent(errors, w) >= 1.0 - window_probability(tried, errors, w).min() - 1e-6


def test_one_badly_measured_blank_does_not_hide_two_precise_ones_that_differ():
    values = np.array([0.0, 0.01, 2.0, 0.02, 1.0])
    sizes = np.array([0.02, 0.02, 0.02, 0.02, 3.0])
    assert p_values(values, sizes, np.full(5, EXACT), 1.0)[1] < 1e-6


def test_exactly_known_values_are_simply_compared():
    known = np.zeros(3)
    free = np.full(3, EXACT)
    within = p_values(np.array([1.0, 1.2, 1.4]), known, free, 0.5)
    beyond = p_values(np.array([1.0, 1.2, 1.6]), known, free, 0.5)
    assert (within, beyond) == (
        pytest.approx((0.0, 1.0), abs=1e-6),
        pytest.approx((1.0, 0.0), abs=1e-6),
    )


def test_p_values_do_not_depend_on_unit_order_or_zero():
    rng = np.random.default_rng(5)
    values, sizes, dof = rng.normal(0, 1, 5), rng.uniform(0.1, 0.6, 5), np.full(5, 20.0)
    plain = p_values(values, sizes, dof, 3.0)
    turned = p_values(-1e3 * values[::-1] + 7e4, 1e3 * sizes[::-1], dof, 3e3)
    assert turned == pytest.approx(plain, abs=1e-3)


def test_student_distribution_matches_scipy():
    z = np.linspace(-30.0, 30.0, 2001)[:, None]
    for dof, close in ((1.0, 1e-12), (2.5, 1e-12), (3.0, 2e-5), (5.0, 2e-7), (40.0, 1e-10)):
        assert np.abs(student_cdf(z, np.array([dof])) - t.cdf(z, dof)).max() < close


def test_probability_within_is_near_certain_where_it_must_be_and_falls_with_the_scatter():
    sizes = np.full(5, 0.1)
    chances = [
        probability_within(scale * np.array([-1.0, -0.4, 0.0, 0.5, 1.0]), sizes, 1.0)
        for scale in (0.1, 0.4, 0.5, 0.6, 1.0)
    ]
    assert chances[0] > 0.99
    assert chances[-1] < 0.01
    assert all(a > b for a, b in itertools.pairwise(chances))


def test_probability_within_matches_a_sampled_posterior():
    # Independent check: grid posterior of the scatter, then draws of the true values.
    x, sizes = np.array([-0.5, -0.1, 0.0, 0.2, 0.45]), np.full(5, 0.25)
    rng = np.random.default_rng(2)
    scatter = np.linspace(1e-4, 8.0, 4000)
    variance = scatter[:, None] ** 2 + sizes**2
    total = (1 / variance).sum(axis=1)
    mean = (x / variance).sum(axis=1) / total
    log = -0.5 * (np.log(variance).sum(axis=1) + np.log(total))
    log -= 0.5 * ((x - mean[:, None]) ** 2 / variance).sum(axis=1)
    weight = np.exp(log - log.max()) / (1.0 + scatter**2)
    rows = rng.choice(len(scatter), 60_000, p=weight / weight.sum())
    middle = mean[rows] + rng.standard_normal(len(rows)) / np.sqrt(total[rows])
    share = scatter[rows, None] ** 2 / variance[rows]
    true = share * x + (1 - share) * middle[:, None]
    true += np.sqrt(share) * sizes * rng.standard_normal(true.shape)
    assert probability_within(x, sizes, 1.0) == pytest.approx(np.mean(np.ptp(true, axis=1) <= 1.0), abs=0.02)


def test_a_rig_that_cannot_tell_two_blanks_one_tolerance_apart_never_accepts():
    equal = np.full(5, 7.0)
    assert p_values(equal, np.full(5, 0.5), np.full(5, EXACT), 1.0)[0] == pytest.approx(
        norm.cdf(-1.0 / math.hypot(0.5, 0.5))
    )
    assert p_values(equal, np.full(5, 0.2), np.full(5, EXACT), 1.0)[0] < 0.001


@pytest.mark.parametrize("tolerance", [0.0, -1.0, math.nan])
def test_a_tolerance_that_is_not_positive_is_refused(tolerance):
    with pytest.raises(ValueError, match="tolerance"):
        p_values(np.zeros(3), np.ones(3), np.full(3, EXACT), tolerance)
