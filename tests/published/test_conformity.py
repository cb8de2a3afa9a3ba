"""Guard bands and risks against the examples of JCGM 106:2012, ILAC-G8:09/2019 and ISO 14253-1:2017."""

import numpy as np
import pytest

from analysis.decide.conformity import (
    DEFAULT_RULE,
    EXPANDED,
    SIMPLE,
    DecisionRule,
    Limits,
    conforming,
    decide,
    global_risks,
    guard_band,
    guarded,
)
from analysis.estimate import Estimate

RESISTOR = Limits("resistance", 1499.80, 1500.20)


def test_resistor_example_of_the_guide():
    # JCGM 106:2012 (= OIML G 1-106), resistors of 1500 Ω: production N(1500, 0.12), u 0.04, acceptance
    # limits 1499.82 and 1500.18. Printed 1 % and 7 % (from memory); digits by independent quadrature.
    risks = global_risks(1500.0, 0.12, 0.04, RESISTOR, DecisionRule("example", 0.5))
    assert risks.nonconforming == pytest.approx(0.0955807, abs=1e-7)
    assert risks.builder == pytest.approx(0.009878, abs=1e-6)
    assert risks.maker == pytest.approx(0.069027, abs=1e-6)
    plain = global_risks(1500.0, 0.12, 0.04, RESISTOR, SIMPLE)
    assert (plain.builder, plain.maker) == pytest.approx((0.018942, 0.037208), abs=1e-6)


def test_one_sided_examples_of_the_guide():
    # JCGM 106:2012: burst pressure and breakdown voltage (inputs from memory, probabilities by closed form).
    burst = conforming(Estimate(507.0, 8.6), Limits("burst pressure", lower=490.0))
    breakdown = conforming(Estimate(-5.47, 0.05), Limits("breakdown voltage", upper=-5.40))
    assert burst == pytest.approx(0.975965, abs=1e-6)
    assert breakdown == pytest.approx(0.919243, abs=1e-6)


def test_guard_band_of_the_whole_expanded_uncertainty_leaves_2_3_percent():
    # ILAC-G8:09/2019: w = U (k = 2) leaves a risk of 2.275 % at the acceptance limit.
    value = Estimate(10.0, 0.1)
    w = guard_band(value, EXPANDED)
    assert w == pytest.approx(0.2)
    assert conforming(value, Limits("x", lower=10.0 - w)) == pytest.approx(0.977250, abs=1e-6)


def test_default_rule_is_95_percent_conformance():
    # ISO 14253-1:2017: 95 % conformance probability, one-sided: 1.644854 u = 0.822427 U (k = 2).
    value = Estimate(10.0, 0.1)
    assert guard_band(value, DEFAULT_RULE) == pytest.approx(0.1644854, abs=1e-7)
    assert guard_band(value, DEFAULT_RULE) / 0.2 == pytest.approx(0.822427, abs=1e-6)


def test_rule_decides_at_its_guard_band():
    limits, value = Limits("x", 9.0, 11.0), 0.1
    w = 0.1644854
    assert decide(Estimate(9.0 + w + 1e-6, value), limits) == "pass"
    assert decide(Estimate(9.0 + w - 1e-6, value), limits) == "too close to call"
    assert decide(Estimate(11.0 + w - 1e-6, value), limits) == "too close to call"
    assert decide(Estimate(11.0 + w + 1e-6, value), limits) == "fail"
    assert decide(Estimate(11.0 - 1e-9, value), limits, SIMPLE) == "pass"
    assert decide(Estimate(11.0 + 1e-9, value), limits, SIMPLE) == "fail"


def test_few_degrees_of_freedom_widen_the_guard_band_as_student_does():
    # t table: upper 5 % point for 5 degrees of freedom is 2.015.
    assert guard_band(Estimate(1.0, 1.0, 5.0), guarded(0.95)) == pytest.approx(2.015, abs=5e-4)


def test_risks_agree_with_a_drawn_production():
    rng = np.random.default_rng(0)
    true = 10.0 + 0.5 * rng.standard_normal(400_000)
    read = true + 0.2 * rng.standard_normal(true.size)
    taken = read >= 9.5 + 1.644854 * 0.2
    risks = global_risks(10.0, 0.5, 0.2, Limits("x", lower=9.5))
    assert risks.builder == pytest.approx(np.mean(taken & (true < 9.5)), abs=5e-4)
    assert risks.maker == pytest.approx(np.mean(~taken & (true >= 9.5)), abs=3e-3)


def test_an_exact_value_on_its_limit_conforms():
    assert conforming(Estimate(2.0, 0.0), Limits("x", 2.0, 3.0)) == 1.0
    assert conforming(Estimate(3.0, 0.0), Limits("x", 2.0, 3.0)) == 1.0
    assert conforming(Estimate(3.1, 0.0), Limits("x", 2.0, 3.0)) == 0.0
    assert decide(Estimate(2.0, 0.0), Limits("x", 2.0, 3.0)) == "pass"


@pytest.mark.parametrize("ends", [(None, None), (2.0, 1.0), (1.0, 1.0)])
def test_limits_that_hold_nothing_are_refused(ends):
    with pytest.raises(ValueError, match="limit"):
        Limits("x", *ends)
