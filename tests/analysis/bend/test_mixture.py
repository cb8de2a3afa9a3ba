"""A mixture of normal distributions and its half-widths, against drawing from it."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.bend.mixture import Mixture


def narrow_and_wide() -> Mixture:
    """Nearly all of it narrow, a small part wide and away."""
    covariances = np.array([np.diag([1.0, 4.0]), np.array([[400.0, 30.0], [30.0, 90.0]])])
    return Mixture(np.array([0.96, 0.04]), np.array([[0.0, 1.0], [2.0, -1.0]]), covariances)


def test_the_half_width_holds_95_percent_of_what_is_drawn_and_1_96_deviations_hold_more() -> None:
    mixture, rng = narrow_and_wide(), np.random.default_rng(4)
    which = rng.random(400_000) < 0.04
    drawn = np.empty((which.size, 2))
    for component, rows in enumerate((~which, which)):
        drawn[rows] = rng.multivariate_normal(
            mixture.means[component], mixture.covariances[component], int(rows.sum())
        )
    sums = np.array([[1.0, 0.0], [0.0, 1.0], [0.5, -1.0]]).T
    half = 1.959964 * mixture.noise(sums)
    away = np.abs((drawn - mixture.mean) @ sums)
    assert np.mean(away <= half, axis=0) == pytest.approx(0.95, abs=0.0015)
    assert np.cov(drawn.T) == pytest.approx(mixture.covariance, rel=0.03, abs=0.1)
    plain = 1.959964 * np.sqrt(np.diag(mixture.covariance))
    assert np.mean(away[:, 0] <= plain[0]) > 0.97


def test_one_component_is_a_normal_distribution_and_one_of_no_probability_changes_nothing() -> None:
    one = Mixture(np.array([1.0]), np.array([[3.0]]), np.array([[[0.25]]]))
    assert one.noise(np.array([2.0])) == pytest.approx([1.0])
    two = Mixture(np.array([1.0, 0.0]), np.array([[3.0], [9.0]]), np.array([[[0.25]], [[100.0]]]))
    assert two.noise(np.array([2.0])) == pytest.approx([1.0])
