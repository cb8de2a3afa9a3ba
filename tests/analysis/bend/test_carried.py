"""Rated past the measured length: how much of the half-width the unmeasured end makes, and that it holds."""

from __future__ import annotations

import numpy as np
import pytest
from bent_blanks import flexed

from analysis.bend import fit_flex
from analysis.bend.family import SIZE, TAPER_MEAN, Family
from analysis.bend.rating import carried_part


def carried(result) -> float:  # type: ignore[no-untyped-def]
    return sum(share.ci95 for share in result.reference_load.shares if share.cause == "carried length")


def test_the_share_of_the_carried_length_grows_with_it_and_is_said() -> None:
    run = flexed()
    as_measured = fit_flex(run)
    rated = [fit_flex(run, rated_length_m=run.free_length_m + more) for more in (0.02, 0.1, 0.25)]
    assert carried(as_measured) == 0.0
    sizes = [carried(result) for result in rated]
    assert 0.0 < sizes[0] < sizes[1] < sizes[2]
    for result, size in zip(rated, sizes, strict=True):
        assert size < result.reference_load.ci95
        assert any("carried on makes" in warning for warning in result.warnings)
    assert not any("carried on" in warning for warning in as_measured.warnings)


@pytest.mark.parametrize("seed", range(5))
def test_the_part_is_what_readings_of_the_carried_rigidity_would_take_away(seed: int) -> None:
    """Against the posterior after readings of log EI beyond the measured length, to one in a thousand."""
    rng = np.random.default_rng(seed)
    family = Family(2.3, TAPER_MEAN)
    root = rng.standard_normal((SIZE, SIZE)) * np.geomspace(1.0, 0.05, SIZE)
    covariance, gradient = root @ root.T, rng.standard_normal(SIZE)
    places = np.linspace(2.1, 2.3, 9)[1:]
    seen = family.linear(places)[1]
    known = np.linalg.inv(np.linalg.inv(covariance) + seen @ seen.T / 1e-6)
    expected = 1.0 - (gradient @ known @ gradient) / (gradient @ covariance @ gradient)
    assert carried_part(family, covariance, gradient, 2.1, 2.3) == pytest.approx(expected, abs=1e-6)
    assert 0.0 <= expected <= 1.0
