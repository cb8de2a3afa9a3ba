"""A value's parts: noise and systematic half-widths join in quadrature, shared ones apart."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from analysis.estimate import Estimate, Share

PARTS = (Share("calibration", 3.0, shared=True), Share("bow", 4.0), Share("free length", 12.0))


def test_independent_parts_join_in_quadrature() -> None:
    """JCGM 100:2008, 5.1.2: variances add. 3, 4 and 12 make 13; with a noise of 84 they make 85."""
    value = Estimate(100.0, 84.0 / float(stats.norm.ppf(0.975)), shares=PARTS)
    assert value.systematic_ci95 == pytest.approx(13.0)
    assert value.ci95 == pytest.approx(85.0)
    assert value.shared_ci95 == pytest.approx(3.0)
    assert value.own_ci95 == pytest.approx(math.sqrt(84.0**2 + 4.0**2 + 12.0**2))


@pytest.mark.parametrize("dof", [1.0, 3.0, 10.0, 57.5])
def test_the_noise_counts_by_students_t_at_95_percent(dof: float) -> None:
    assert Estimate(0.0, 2.0, dof).ci95 == pytest.approx(2.0 * stats.t.ppf(0.975, dof))


def test_a_change_of_unit_and_a_further_part_keep_what_is_shared() -> None:
    value = Estimate(1.0, 0.5, 7.0, PARTS[:1]).with_shares(PARTS[1:]).scaled(-2.0)
    assert (value.value, value.noise, value.dof) == (-2.0, 1.0, 7.0)
    assert value.shared_ci95 == pytest.approx(6.0)
    assert value.systematic_ci95 == pytest.approx(26.0)
