"""Blanks that carry one rig's errors in common: closed forms for two blanks, and levels over many batches."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis.decide import combine, compare_batch
from analysis.decide.common import common_p_values
from analysis.decide.shipments import shipment_shift
from analysis.decide.spread import p_values
from analysis.estimate import Estimate, Share

EXACT = np.full(2, math.inf)
Z = 1.959964


def blank(value: float, noise: float, along: tuple[float, ...], of: str = "rig") -> Estimate:
    share = Share("chuck", Z * math.hypot(*along), along=tuple(Z * one for one in along), of=of)
    return Estimate(value, noise).with_shares([share])


def test_without_a_common_part_it_is_the_plain_test() -> None:
    values, sizes = np.array([0.0, 1.3, 0.4]), np.array([0.2, 0.3, 0.25])
    plain = p_values(values, sizes, np.full(3, math.inf), 1.0)
    assert common_p_values(values, sizes, np.full(3, math.inf), 1.0, np.zeros((3, 0)), None) == plain


@pytest.mark.parametrize("gap", [0.2, 1.5, 2.6])
def test_two_blanks_have_the_error_of_their_difference(gap: float) -> None:
    """x₁ − x₂ is normal with s₁² + s₂² + |a₁ − a₂|²; a pair's tests have closed forms (normal tails)."""
    sizes, common = np.array([0.3, 0.3]), np.array([[0.5, 0.1], [-0.3, 0.2]])
    found = common_p_values(np.array([0.0, gap]), sizes, EXACT, 1.0, common, None)
    together = math.sqrt(0.18 + float(np.sum((common[0] - common[1]) ** 2)))
    beyond = stats.norm.sf((gap - 1.0) / together) + stats.norm.cdf((-gap - 1.0) / together)
    within = stats.norm.cdf((gap - 1.0) / together) - stats.norm.cdf((-gap - 1.0) / together)
    within = max(within, stats.norm.cdf(-1.0 / together))
    if gap > 1.0:
        assert found[1] == pytest.approx(beyond, abs=0.012)
    assert found[0] == pytest.approx(within, abs=0.012)


def test_what_all_blanks_carry_alike_cancels() -> None:
    values, sizes = np.array([0.0, 1.6, 0.4]), np.array([0.2, 0.2, 0.2])
    alike = np.repeat([[5.0, -3.0]], 3, axis=0)
    plain = p_values(values, sizes, np.full(3, math.inf), 1.0)
    assert common_p_values(values, sizes, np.full(3, math.inf), 1.0, alike, None) == plain


def test_identical_blanks_on_one_bad_chuck_are_seldom_called_unlike() -> None:
    """Each marked at another angle: 300 batches of five."""
    rng = np.random.default_rng(1)
    wrong = 0
    for _ in range(300):
        angles = rng.uniform(0.0, 2.0 * math.pi, 5)
        pattern = np.column_stack([np.cos(angles), np.sin(angles)])
        value = pattern @ rng.standard_normal(2) + 0.1 * rng.standard_normal(5)
        blanks = {f"B{i}": blank(value[i], 0.1, tuple(pattern[i])) for i in range(5)}
        wrong += compare_batch({"bow": blanks}, {"bow": 0.01}).verdict == "not consistent"
    assert wrong <= 0.05 * 300 + 8  # and two standard errors


def test_seating_learnt_from_few_left_overs_is_one_scale_for_all_blanks() -> None:
    """ŝ from 4 left-overs: 400 batches of five, each on its own calibration."""
    rng = np.random.default_rng(2)
    wrong = 0
    for _ in range(400):
        estimated = math.sqrt(rng.chisquare(4) / 4.0)
        value = rng.standard_normal(5)
        blanks = {
            f"B{i}": Estimate(value[i], estimated, 4.0).with_shares(
                [Share("chuck", 1e-3, along=(1e-3,), of="rig")]
            )
            for i in range(5)
        }
        wrong += compare_batch({"bow": blanks}, {"bow": 0.01}).verdict == "not consistent"
    assert wrong <= 0.05 * 400 + 9


def test_two_mounts_half_a_turn_apart_cancel_in_a_blanks_own_mean() -> None:
    joined = combine([blank(1.0, 0.1, (0.5, 0.0)), blank(1.1, 0.1, (-0.5, 0.0))])
    assert math.hypot(*(share.ci95 for share in joined.shares)) < 1e-12
    same = combine([blank(1.0, 0.1, (0.5, 0.0)), blank(1.1, 0.1, (0.5, 0.0))])
    assert same.systematic_ci95 == pytest.approx(Z * 0.5)


def test_between_shipments_it_cancels_where_the_marks_stand_alike() -> None:
    rng = np.random.default_rng(3)
    values = 1.0 + 0.1 * rng.standard_normal(12)
    alike = [blank(value, 0.01, (0.5, 0.0)) for value in values]
    apart = [blank(value, 0.01, (-0.5, 0.0)) for value in values[6:]]
    same = shipment_shift(alike[:6], alike[6:], 0.5, same_calibration=True).change
    other = shipment_shift(alike[:6], apart, 0.5, same_calibration=True).change
    assert other.noise == pytest.approx(math.hypot(same.noise, 1.0), rel=1e-6)
