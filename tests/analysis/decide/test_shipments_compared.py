"""Two shipments compared: whose calibration counts, and how many properties were asked."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from analysis.decide.shipments import compare_shipments, shipment_shift
from analysis.estimate import Estimate, Share


def blanks(values: np.ndarray, shared: float = 0.0) -> list[Estimate]:
    shares = (Share("load calibration", shared, shared=True),) if shared else ()
    return [Estimate(float(value), 0.01, 50.0, shares) for value in values]


@pytest.mark.parametrize(("before", "after"), [(0.3, 0.0), (0.0, 0.4), (0.3, 0.4)])
def test_each_shipment_brings_the_error_of_its_own_calibration(before: float, after: float) -> None:
    """Closed form: u² = s₁²/n₁ + s₂²/n₂ + (U₁² + U₂²)/1.96², U the calibrations' 95 % half-widths."""
    rng = np.random.default_rng(3)
    old, new = rng.normal(5.0, 0.1, 9), rng.normal(5.0, 0.2, 14)
    found = shipment_shift(blanks(old, before), blanks(new, after), 0.1)
    expected = old.var(ddof=1) / 9 + new.var(ddof=1) / 14
    expected += (before**2 + after**2) / stats.norm.ppf(0.975) ** 2
    assert found.change.noise == pytest.approx(math.sqrt(expected))


def by_closed_testing(p_values: list[float]) -> list[bool]:
    """Holm's procedure by its definition as a closed test (Marcus, Peritz & Gabriel 1976, Biometrika 63:655).

    A hypothesis falls at 5 % if every set of hypotheses that holds it falls by Bonferroni.
    """
    everyone = range(len(p_values))
    sets = [s for size in range(1, len(p_values) + 1) for s in itertools.combinations(everyone, size)]
    falls = {s: min(p_values[i] for i in s) <= 0.05 / len(s) for s in sets}
    return [all(falls[s] for s in sets if i in s) for i in everyone]


def test_changed_is_said_as_the_closed_test_of_all_properties_says_it() -> None:
    names = ("stiffness", "bend_centre", "bow", "length")
    tolerances = {"stiffness": 0.1, "bend_centre": 0.001, "bow": 0.001, "length": 0.001}
    rng = np.random.default_rng(11)
    beyond_bonferroni = withheld = 0
    for _ in range(150):
        earlier, later = {}, {}
        for name in names:
            size = 1.0 + 0.02 * rng.standard_normal((2, 8))
            size[1] += 0.02 * rng.choice([0.0, 1.0, 1.5, 2.0])
            for values, shipment in zip(size, (earlier, later), strict=True):
                shipment[name] = {str(i): item for i, item in enumerate(blanks(values))}
        found = compare_shipments(earlier, later, tolerances, same_calibration=True).properties
        p_values = [one.shift.p_changed for one in found if one.shift is not None]
        assert len(p_values) == len(names)
        expected = by_closed_testing(p_values)
        assert [one.verdict == "changed" for one in found] == expected
        beyond_bonferroni += any(e and p > 0.05 / 4 for e, p in zip(expected, p_values, strict=True))
        withheld += any(p <= 0.05 and not e for e, p in zip(expected, p_values, strict=True))
    assert beyond_bonferroni >= 10  # else plain Bonferroni would pass as well
    assert withheld >= 10  # else no correction at all would
