"""What a shipment says of the production, where the whole rig reads high or low by the same error."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from analysis.decide.conformity import Limits
from analysis.decide.grade import Grade, grade_blanks
from analysis.estimate import Estimate, Share

Z = float(stats.norm.ppf(0.975))


def measured(values: np.ndarray, shared: float) -> dict[str, dict[str, Estimate]]:
    share = (Share("load calibration", Z * shared, shared=True),)
    return {"reference_load": {str(i): Estimate(float(x), 0.0, shares=share) for i, x in enumerate(values)}}


@pytest.mark.parametrize("shared", [0.25, 0.5, 1.0])
def test_a_shared_error_moves_the_production_under_its_limit(shared: float) -> None:
    """Closed form for very many blanks: x̄ and s are known, only the shift of all by the rig is not.

    The passing share is Φ(U − x̄ − z·σ_shared) for s = 1; its 95 % bounds are at z = ±1.645.
    """
    values = stats.norm.ppf((np.arange(4000) + 0.5) / 4000)
    grade = Grade("pass", (Limits("reference_load", upper=2.0),))
    passing = grade_blanks(measured(values, shared), [grade]).production[0].passing
    assert stats.norm.ppf(passing.at_least) == pytest.approx(2.0 - 1.645 * shared, abs=0.05)
    assert stats.norm.ppf(passing.at_most) == pytest.approx(2.0 + 1.645 * shared, abs=0.05)


def test_the_bound_holds_nineteen_times_in_twenty_over_calibrations() -> None:
    """Thirty blanks, each rig with an error as large as the blanks' scatter: at least 95 % less chance."""
    rng = np.random.default_rng(5)
    grade = Grade("pass", (Limits("reference_load", upper=2.0),))
    true = stats.norm.cdf(2.0)
    held = [
        grade_blanks(measured(rng.standard_normal(30) + rng.standard_normal(), 1.0), [grade])
        .production[0].passing.at_least <= true
        for _ in range(150)
    ]  # fmt: skip
    # Binomial: 0.95 ± 3·0.018. Without the rig's error three in four would hold.
    assert np.mean(held) >= 0.95 - 3.0 * np.sqrt(0.95 * 0.05 / 150)
