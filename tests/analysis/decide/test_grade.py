"""A shipment against limits: pass, fail, or too close to call, with a reason for each blank."""

import math

import numpy as np
import pytest
from scipy.stats import binomtest

from analysis.decide.conformity import SIMPLE, Limits, decide, runs_to_settle
from analysis.decide.grade import Grade, grade_blanks
from analysis.decide.tolerance import one_sided_factor, share_bounds
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, Share

FIRST = Grade("first", (Limits("reference_load", 4.9, 5.1), Limits("bow", upper=0.005)))
SECOND = Grade("second", (Limits("reference_load", 4.7, 5.3), Limits("bow", upper=0.012)))


def shipment(**blanks):
    """Load and bow of each blank, as two columns with small errors."""
    return {
        "reference_load": {name: Estimate(load, 0.01) for name, (load, _) in blanks.items()},
        "bow": {name: Estimate(bow, 0.0005) for name, (_, bow) in blanks.items() if bow is not None},
    }


def graded(grades=(FIRST, SECOND), **blanks):
    return {blank.blank: blank for blank in grade_blanks(shipment(**blanks), grades).blanks}


def test_each_blank_gets_the_best_grade_it_passes():
    found = graded(A=(5.0, 0.002), B=(5.2, 0.002), C=(5.0, 0.010), D=(5.6, 0.002), E=(5.0, 0.030))
    assert {name: blank.grade for name, blank in found.items()} == {
        "A": "first", "B": "second", "C": "second", "D": None, "E": None,
    }  # fmt: skip
    assert (found["D"].outcome, found["E"].outcome) == ("fail", "fail")
    assert "reference load" in found["D"].reason
    assert "bow" in found["E"].reason
    assert "not first" in found["C"].reason


def test_a_value_within_its_guard_band_is_too_close_to_call():
    found = graded((SECOND,), A=(5.295, 0.002), B=(5.305, 0.002))
    assert [blank.outcome for blank in found.values()] == ["too close to call"] * 2
    assert found["A"].builder_risk == pytest.approx(0.5 * math.erfc(0.5 / math.sqrt(2)), abs=1e-9)
    assert found["B"].maker_risk == pytest.approx(0.5 * math.erfc(0.5 / math.sqrt(2)), abs=1e-9)


def test_a_failing_property_fails_the_blank_even_where_another_is_doubtful():
    found = graded((SECOND,), A=(5.305, 0.030))
    assert found["A"].outcome == "fail"
    assert "bow" in found["A"].reason


def test_a_property_not_measured_is_said_and_never_passed():
    found = graded((SECOND,), A=(5.0, None), B=(5.0, 0.002))
    assert found["A"].outcome == "too close to call"
    assert found["A"].reason == "bow was not measured"


def test_the_calibration_counts_against_limits():
    values = {"reference_load": {"A": Estimate(5.2, 0.01, shares=(Share("calibration", 0.2, shared=True),))}}
    grade = Grade("pass", (Limits("reference_load", 4.7, 5.3),))
    assert grade_blanks(values, [grade]).blanks[0].outcome == "too close to call"
    assert grade_blanks(values, [grade], SIMPLE).blanks[0].outcome == "pass"


def test_false_passes_stay_below_5_percent_at_the_limit():
    rng = np.random.default_rng(2)
    reads = 5.3 + 0.1 * rng.standard_normal(3000)
    values = {"reference_load": {str(i): Estimate(float(x), 0.1) for i, x in enumerate(reads)}}
    result = grade_blanks(values, [Grade("pass", (Limits("reference_load", upper=5.3),))])
    assert abs(result.count("pass") / 3000 - 0.05) < 4 * math.sqrt(0.05 * 0.95 / 3000)
    assert abs(result.count("fail") / 3000 - 0.05) < 4 * math.sqrt(0.05 * 0.95 / 3000)


def test_the_production_is_described_without_the_noise_of_the_rig():
    rng = np.random.default_rng(5)
    reads = 5.0 + 0.1 * rng.standard_normal(200) + 0.1 * rng.standard_normal(200)
    values = {"reference_load": {str(i): Estimate(float(x), 0.1) for i, x in enumerate(reads)}}
    found = grade_blanks(values, [Grade("pass", (Limits("reference_load", 4.8, 5.2),))]).production[0]
    true = math.erf(2 / math.sqrt(2))
    assert found.passing.at_least < true < found.passing.at_most
    assert found.interval.upper - found.interval.lower > 2 * 1.96 * 0.141
    assert found.risks is not None
    assert found.risks.nonconforming == pytest.approx(1 - true, abs=0.05)


def test_limits_narrower_than_the_uncertainty_are_named():
    values = {"bow": {"A": Estimate(0.005, 0.01)}}
    result = grade_blanks(values, [Grade("pass", (Limits("bow", 0.0, 0.01),))])
    assert any("can never pass" in warning for warning in result.warnings)


def test_limits_on_something_nobody_measured_are_refused():
    with pytest.raises(ReadingsError, match="no blank has a mass"):
        grade_blanks(shipment(A=(5.0, 0.001)), [Grade("pass", (Limits("mass", 0.05, 0.06),))])


def test_an_empty_shipment_or_no_limits_are_refused():
    with pytest.raises(ReadingsError, match="no blank"):
        grade_blanks({}, [FIRST])
    with pytest.raises(ReadingsError, match="no limits"):
        grade_blanks(shipment(A=(5.0, 0.001)), [])


@pytest.mark.parametrize(("passed", "n"), [(0, 5), (3, 5), (5, 5), (37, 40)])
def test_the_share_that_passes_is_bounded_as_by_an_exact_binomial_test(passed, n):
    low, high = share_bounds(passed, n)
    # SciPy's two-sided 90 % interval has the two one-sided 95 % bounds as its ends.
    wanted = binomtest(passed, n).proportion_ci(0.90, method="exact")
    assert (low, high) == pytest.approx((wanted.low, wanted.high), abs=1e-9)


def test_blanks_too_close_to_call_count_against_the_lower_bound_only():
    result = grade_blanks(shipment(A=(5.0, 0.002), B=(5.3, 0.002), C=(5.0, 0.002)), [SECOND])
    assert result.count("too close to call") == 1
    assert result.share_at_least == pytest.approx(share_bounds(2, 3)[0])
    assert result.share_at_most == 1.0


@pytest.mark.parametrize("value", [5.29, 5.2, 5.31, 5.4])
def test_so_many_runs_settle_it_and_one_less_does_not(value):
    limits = Limits("reference_load", upper=5.3)
    runs = runs_to_settle(Estimate(value, 0.05), limits)
    assert runs is not None

    def after(n):
        return decide(Estimate(value, 0.05 / math.sqrt(n)), limits)

    assert after(runs) != "too close to call"
    assert runs == 1 or after(runs - 1) == "too close to call"


def test_no_number_of_runs_beats_a_systematic_part_that_fills_the_room():
    value = Estimate(5.25, 0.01, shares=(Share("load scale", 0.2, shared=True),))
    assert runs_to_settle(value, Limits("reference_load", upper=5.3)) is None


def test_one_limit_gets_a_one_sided_interval():
    reads = {"A": 0.002, "B": 0.004, "C": 0.003, "D": 0.005}
    values = {"bow": {name: Estimate(bow, 1e-4) for name, bow in reads.items()}}
    (one,) = grade_blanks(values, [Grade("pass", (Limits("bow", upper=0.01),))]).production
    spread = float(np.std(list(reads.values()), ddof=1))
    assert one.interval.lower == -math.inf
    assert one.interval.upper == pytest.approx(0.0035 + one_sided_factor(4) * spread)


def test_a_blank_without_any_value_is_still_in_the_shipment():
    result = grade_blanks(shipment(A=(5.0, 0.002)), [SECOND], blanks=["Z", "A"])
    assert [blank.blank for blank in result.blanks] == ["Z", "A"]
    assert result.blanks[0].outcome == "too close to call"
    assert result.blanks[0].runs_to_settle is None


def test_what_decided_and_what_kept_it_from_the_better_grade_are_given():
    (blank,) = grade_blanks(shipment(C=(5.0, 0.010)), (FIRST, SECOND)).blanks
    assert blank.deciding.limits.metric == "bow"
    assert blank.missed is not None
    name, check = blank.missed
    assert (name, check.limits, check.outcome) == ("first", FIRST.limits[1], "fail")
