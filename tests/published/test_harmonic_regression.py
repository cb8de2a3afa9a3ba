"""Harmonic least squares against certified values, a published example and closed forms."""

import math
from pathlib import Path

import numpy as np
import pytest

from analysis.roll.regression import least_squares


def harmonic_columns(angle, first, last):
    """Cos and sin of `first` to `last` waves a turn."""
    waves = np.outer(angle, np.arange(first, last + 1))
    return np.stack([np.cos(waves), np.sin(waves)], axis=2).reshape(len(angle), -1)


ENSO = Path(__file__).parents[1] / "data" / "nist_enso.dat"


def test_nist_enso_with_its_periods_fixed():
    """NIST StRD, ENSO (Kahaner, Moler & Nash 1989, Numerical Methods and Software, pp. 441–445).

    The certified fit has two free periods; with these held at their certified values the rest is linear, and
    the certified coefficients and sum of squares must come back.
    """
    y, month = np.loadtxt(ENSO, skiprows=60, unpack=True)
    assert y.size == 168
    certified = {
        12.0: (3.0762128085, 0.53280138227),
        44.311088700: (-1.6231428586, 0.52554493756),
        26.887614440: (0.21232288488, 1.4966870418),
    }
    waves = [harmonic_columns(2 * math.pi * month / period, 1, 1) for period in certified]
    fit = least_squares(np.column_stack([np.ones(y.size), *waves]), y)
    expected = [10.510749193] + [value for pair in certified.values() for value in pair]
    np.testing.assert_allclose(fit.values, expected, rtol=0, atol=1e-8)
    assert fit.rss == pytest.approx(788.53978668, abs=1e-6)


@pytest.mark.parametrize("base", [1.0, 10.0])
def test_wampler_polynomials_have_their_exact_coefficients(base):
    """Wampler RH (1970), J. Am. Stat. Assoc. 65:549: y = Σ (x/base)^k, k = 0 … 5, x = 0 … 20; no residual."""
    x = np.arange(21.0)
    columns = np.column_stack([x**k for k in range(6)])
    fit = least_squares(columns, columns @ base ** -np.arange(6.0))
    np.testing.assert_allclose(fit.values, base ** -np.arange(6.0), rtol=1e-8)


def test_cosinor_example():
    """Nine readings over a turn; MESOR, cosine and sine as printed by a public routine after Nelson, Tong,
    Lee & Halberg (1979), Chronobiologia 6:305–323; standard errors and F computed from the normal equations.
    """
    angle = np.radians([97, 130, 167.5, 187.5, 218, 247.5, 285, 315, 337.5])
    y = np.array([102, 96.8, 97, 92.5, 95, 93, 99.4, 99.8, 105.5])
    fit = least_squares(np.column_stack([np.ones(9), harmonic_columns(angle, 1, 1)]), y)
    np.testing.assert_allclose(fit.values, [99.7269745887, 5.67587299832, 2.92194951534], atol=1e-10)
    variance = fit.rss / 6
    assert fit.rss == pytest.approx(21.658844479247, abs=1e-9)
    np.testing.assert_allclose(
        np.sqrt(variance * np.diag(fit.unscaled_covariance)), [0.71837636, 0.99354711, 0.99286808], atol=1e-8
    )
    pair = fit.values[1:]
    statistic = pair @ np.linalg.solve(fit.unscaled_covariance[1:, 1:], pair) / 2 / variance
    assert statistic == pytest.approx(16.94966385, abs=1e-7)


def test_even_angles_give_the_discrete_fourier_transform():
    """Closed form: over N even angles coefficients are 2/N times the DFT's, with variance 2σ²/N."""
    rng = np.random.default_rng(0)
    n = 60
    angle = 2 * math.pi * np.arange(n) / n
    y = rng.normal(size=n)
    fit = least_squares(np.column_stack([np.ones(n), harmonic_columns(angle, 1, 4)]), y)
    transform = np.fft.rfft(y)[1:5] * 2 / n
    np.testing.assert_allclose(fit.values[1::2], transform.real, atol=1e-13)
    np.testing.assert_allclose(fit.values[2::2], -transform.imag, atol=1e-13)
    np.testing.assert_allclose(np.diag(fit.unscaled_covariance)[1:], 2 / n, rtol=1e-12)


def test_harmonics_agree_with_a_general_statistics_package():
    """statsmodels' ordinary least squares on the same columns: values, standard errors, residual sum."""
    statsmodels = pytest.importorskip("statsmodels.api", reason="needs statsmodels (development group)")
    rng = np.random.default_rng(3)
    angle = np.sort(rng.uniform(0.0, 4.0 * math.pi, 300))
    columns = np.column_stack([np.ones(300), harmonic_columns(angle, 1, 4)])
    y = (
        2.0
        + 0.02 * np.cos(2.0 * (angle - 0.6))
        - 0.05 * np.cos(angle - 1.0)
        + 0.01 * rng.standard_normal(300)
    )
    ours, theirs = least_squares(columns, y), statsmodels.OLS(y, columns).fit()
    np.testing.assert_allclose(ours.values, theirs.params, rtol=1e-10, atol=1e-13)
    sigma = math.sqrt(ours.rss / theirs.df_resid)
    np.testing.assert_allclose(sigma * np.sqrt(np.diag(ours.unscaled_covariance)), theirs.bse, rtol=1e-10)
    assert ours.rss == pytest.approx(theirs.ssr, rel=1e-12)
