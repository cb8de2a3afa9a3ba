"""What a batch says about blanks that are alike, different, or not measured well enough."""

import math

import numpy as np
import pytest

from analysis.decide import DEFAULT_TOLERANCES, compare_batch
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, Share

NAMES = ("A-01", "A-02", "A-03", "A-04", "A-05")


def column(values, noise=0.01, shares=(), dof=math.inf):
    noises = np.broadcast_to(noise, len(values))
    return {
        name: Estimate(float(value), float(one), dof, tuple(shares))
        for name, value, one in zip(NAMES, values, noises, strict=False)
    }


def test_alike_blanks_measured_well_are_consistent():
    result = compare_batch({"reference_load": column([5.0, 5.02, 4.99, 5.01, 5.0])})
    metric = result.metrics[0]
    assert (result.verdict, metric.verdict, result.odd_one_out) == ("consistent", "consistent", None)
    assert metric.spread == pytest.approx(100 * 0.03 / 5.0)
    assert (metric.unit, metric.tolerance_unit, metric.tolerance) == ("N", "pct_of_median", 5.0)
    assert metric.probability_within > 0.99
    assert metric.advice == ""


def test_a_stiffer_blank_is_found_and_the_rest_are_consistent():
    result = compare_batch(
        {
            "reference_load": column([5.0, 5.02, 5.6, 5.01, 5.0]),
            "bend_centre": column([0.400, 0.401, 0.402, 0.400, 0.399], 0.001),
        }
    )
    assert (result.verdict, result.odd_one_out) == ("not consistent", "A-03")
    assert "A-03" in result.odd_why
    assert "reference load" in result.odd_why
    assert [metric.verdict for metric in result.metrics] == ["not consistent", "consistent"]


def test_two_blanks_far_from_the_rest_leave_no_odd_one_out():
    result = compare_batch({"reference_load": column([5.0, 5.02, 5.6, 5.61, 5.0])})
    assert (result.verdict, result.odd_one_out) == ("not consistent", None)


def test_a_blank_that_was_only_measured_badly_is_not_called_odd():
    noise = [0.01, 0.01, 0.4, 0.01, 0.01]
    result = compare_batch({"reference_load": column([5.0, 5.02, 5.6, 5.01, 5.0], noise)})
    assert (result.verdict, result.odd_one_out) == ("undecided", None)
    assert "A-03" in result.metrics[0].advice


def test_a_batch_spread_evenly_over_too_much_has_no_odd_one_out():
    result = compare_batch({"mass": column([0.050, 0.052, 0.054, 0.056, 0.058], 1e-4)})
    assert (result.verdict, result.odd_one_out) == ("not consistent", None)


def test_a_shared_error_cancels_and_an_own_error_counts():
    values = [5.0, 5.02, 4.99, 5.01, 5.0]
    shared = compare_batch({"stiffness": column(values, 0.01, [Share("calibration", 0.5, shared=True)])})
    own = compare_batch({"stiffness": column(values, 0.01, [Share("bow", 0.5)])})
    assert (shared.verdict, own.verdict) == ("consistent", "undecided")


def test_percent_of_the_median_is_free_of_the_scale():
    values = np.array([5.0, 5.1, 4.9, 5.15, 5.0])
    one = compare_batch({"stiffness": column(values, 0.05)}).metrics[0]
    other = compare_batch({"stiffness": column(17.0 * values, 17.0 * 0.05)}).metrics[0]
    assert other.spread == pytest.approx(one.spread)
    assert other.p_consistent == pytest.approx(one.p_consistent, abs=1e-6)


def test_the_noise_alone_does_not_condemn_identical_blanks():
    rng = np.random.default_rng(4)
    verdicts = [
        compare_batch({"bow": column(0.01 + 0.02 * rng.standard_normal(5), 0.02)}).verdict for _ in range(100)
    ]
    assert verdicts.count("not consistent") <= 10


@pytest.mark.parametrize(
    ("true", "tolerance", "false"),
    [
        ((0.0, 4.0, 4.0, 4.0, 8.0), 8.0, "consistent"),
        ((0.0, 0.0, 8.0, 8.0, 8.0), 8.0, "not consistent"),
        ((0.0, 0.0, 0.0, 0.0, 6.0), 6.0, "not consistent"),
        ((0.0, 0.0, 0.0, 0.0, 0.0), 1.0, "not consistent"),
    ],
)
def test_a_false_verdict_comes_at_most_once_in_twenty_at_the_tolerance(true, tolerance, false):
    rng = np.random.default_rng(8)
    draws = np.array(true) + rng.standard_normal((400, 5))
    wrong = [compare_batch({"grip": column(x, 1.0)}, {"grip": tolerance}).verdict == false for x in draws]
    assert np.mean(wrong) < 0.05 + 3 * math.sqrt(0.05 * 0.95 / 400)


def test_power_is_there_well_within_and_well_outside():
    rng = np.random.default_rng(9)
    noise = rng.standard_normal((60, 5))
    near = [compare_batch({"grip": column(np.linspace(0, 1, 5) + e, 1.0)}, {"grip": 9.0}) for e in noise]
    far = [compare_batch({"grip": column(np.linspace(0, 20, 5) + e, 1.0)}, {"grip": 9.0}) for e in noise]
    assert np.mean([result.verdict == "consistent" for result in near]) > 0.9
    assert np.mean([result.verdict == "not consistent" for result in far]) > 0.9


def test_many_properties_do_not_condemn_a_batch_by_chance():
    # One property alone just past 5 %: too little among seven (Holm).
    middle = [0.0, 0.0, 0.0, 0.0, 5.4]
    columns = {f"extra_{i}": column([1.0, 1.0, 1.0, 1.0, 1.0], 0.1) for i in range(6)}
    tolerances = dict.fromkeys(columns, 5.0) | {"grip": 1.0}
    result = compare_batch(columns | {"grip": column(middle, 1.2)}, tolerances)
    grip = result.metrics[-1]
    assert 0.05 / 7 < grip.p_not_consistent < 0.05
    assert (grip.verdict, result.verdict) == ("not consistent", "undecided")
    assert any("chance" in warning for warning in result.warnings)


def test_following_the_advice_settles_the_question():
    values = [5.0, 5.04, 4.93, 5.03, 5.0]
    metric = compare_batch({"reference_load": column(values, 0.16)}).metrics[0]
    assert metric.verdict == "undecided"
    words = metric.advice.split()
    assert words[:3] == ["measure", "every", "blank"]
    times = int(words[3])
    again = compare_batch({"reference_load": column(values, 0.16 / math.sqrt(times))}).metrics[0]
    before = compare_batch({"reference_load": column(values, 0.16 / math.sqrt(times - 1))}).metrics[0]
    assert (again.verdict, before.verdict) == ("consistent", "undecided")


def test_advice_says_so_where_no_number_of_runs_helps():
    on_it = compare_batch({"reference_load": column([5.0, 5.0, 5.25, 5.1, 5.0], 0.05)}).metrics[0]
    rig = compare_batch(
        {"reference_load": column([5.0, 5.0, 5.1, 5.1, 5.0], 0.02, [Share("free length", 0.3)])}
    ).metrics[0]
    assert "sits on the tolerance" in on_it.advice
    assert "smaller error" in rig.advice


def test_missing_values_are_named_and_the_rest_judged():
    result = compare_batch(
        {"stiffness": column([5.0, 5.0, 5.0, 5.0, 5.0]), "bow": column([0.01, 0.01, 0.01], 1e-4)}
    )
    assert result.verdict == "consistent"
    assert any("A-04, A-05" in warning for warning in result.warnings)
    assert list(result.metrics[1].values) == ["A-01", "A-02", "A-03"]


def test_a_value_without_uncertainty_is_never_called_consistent_but_cannot_hide_a_difference():
    unsure = column([5.0, 5.0, 5.0, 5.0, 5.0], [0.01, 0.01, math.nan, 0.01, 0.01])
    apart = column([5.0, 6.0, 5.0, 5.0, 5.0], [0.01, 0.01, math.nan, 0.01, 0.01])
    assert compare_batch({"stiffness": unsure}).verdict == "undecided"
    assert compare_batch({"stiffness": apart}).verdict == "not consistent"


def test_a_property_of_the_shop_needs_a_tolerance():
    values = column([1.0, 1.0])
    with pytest.raises(ReadingsError, match="tolerance for wall thickness"):
        compare_batch({"wall_thickness": values})
    assert compare_batch({"wall_thickness": values}, {"wall_thickness": 0.5}).verdict == "consistent"


def test_one_blank_is_refused():
    with pytest.raises(ReadingsError, match="at least two blanks"):
        compare_batch({"stiffness": column([5.0])})


def test_a_median_that_is_not_positive_is_refused():
    with pytest.raises(ReadingsError, match="median"):
        compare_batch({"stiffness": column([-5.0, -5.0, -5.0])})


def test_every_shipped_tolerance_is_positive():
    assert all(value > 0 for value in DEFAULT_TOLERANCES.values())
