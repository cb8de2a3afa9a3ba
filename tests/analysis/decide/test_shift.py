"""Two shipments of one model: changed, same, or not enough blanks to tell."""

import math

import numpy as np
import pytest
from scipy import stats

from analysis.decide.shipments import shipment_shift
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, Share


def blanks(values, shares=()):
    return [Estimate(float(value), 0.01, 50.0, tuple(shares)) for value in values]


def test_difference_is_tested_as_welch_does():
    rng = np.random.default_rng(0)
    old, new = rng.normal(5.0, 0.1, 8), rng.normal(5.1, 0.2, 12)
    found = shipment_shift(blanks(old), blanks(new), 0.05)
    reference = stats.ttest_ind(new, old, equal_var=False)
    assert found.p_none == pytest.approx(reference.pvalue)
    assert found.change.dof == pytest.approx(reference.df)
    low, high = reference.confidence_interval(0.95)
    assert found.change.ci95 == pytest.approx(0.5 * (high - low))


def test_a_large_change_a_small_one_and_too_few_blanks():
    steps = np.linspace(-0.1, 0.1, 20)
    assert shipment_shift(blanks(5 + steps), blanks(5.4 + steps), 0.1).verdict == "changed"
    assert shipment_shift(blanks(5 + steps), blanks(5.01 + steps), 0.1).verdict == "same"
    assert shipment_shift(blanks([4.9, 5.1]), blanks([5.0, 5.3]), 0.1).verdict == "undecided"


@pytest.mark.parametrize(("true", "false"), [(0.1, "same"), (0.1, "changed"), (-0.1, "changed")])
def test_false_verdicts_at_the_tolerance_stay_below_5_percent(true, false):
    rng = np.random.default_rng(4)
    wrong = [
        shipment_shift(blanks(rng.normal(5, 0.08, 10)), blanks(rng.normal(5 + true, 0.12, 7)), 0.1).verdict
        == false
        for _ in range(1500)
    ]
    assert np.mean(wrong) < 0.05 + 3 * math.sqrt(0.05 * 0.95 / 1500)


def test_another_calibration_adds_its_error_and_the_same_one_cancels():
    steps = np.linspace(-0.1, 0.1, 20)
    share = [Share("calibration", 0.4, shared=True)]
    old, new = blanks(5 + steps, share), blanks(5.4 + steps, share)
    assert shipment_shift(old, new, 0.1, same_calibration=True).verdict == "changed"
    assert shipment_shift(old, new, 0.1).verdict == "undecided"


def test_scatter_ratio_has_the_f_interval():
    rng = np.random.default_rng(5)
    old, new = rng.normal(5, 1, 9), rng.normal(5, 2, 12)
    found = shipment_shift(blanks(old), blanks(new), 1.0)
    ratio = np.var(new, ddof=1) / np.var(old, ddof=1)
    assert found.scatter_low == pytest.approx(math.sqrt(ratio / stats.f.ppf(0.975, 11, 8)))
    assert found.scatter_high == pytest.approx(math.sqrt(ratio / stats.f.ppf(0.025, 11, 8)))


def test_one_blank_or_no_tolerance_are_refused():
    with pytest.raises(ReadingsError, match="fewer than two"):
        shipment_shift(blanks([5.0]), blanks([5.0, 5.1]), 0.1)
    with pytest.raises(ValueError, match="positive"):
        shipment_shift(blanks([5.0, 5.1]), blanks([5.0, 5.1]), 0.0)
