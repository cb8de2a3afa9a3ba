"""A check blank's chart speaks up where the rig moved, and seldom where it did not."""

import numpy as np
import pytest

from analysis.decide.control import control_chart
from analysis.errors import ReadingsError

STEADY = (5.00, 5.02, 4.99, 5.01, 5.00, 4.98, 5.01, 5.00, 5.02, 4.99)


def signals(values, baseline=None):
    return {alarm.signal for alarm in control_chart(values, baseline).alarms}


def test_a_steady_rig_is_in_control():
    chart = control_chart(STEADY)
    assert not chart.alarms
    assert chart.holds_now


def test_a_value_far_off_is_named_where_it_is():
    chart = control_chart((*STEADY, 5.3), baseline=10)
    assert {(alarm.signal, alarm.index) for alarm in chart.alarms} >= {("beyond limits", 10), ("jump", 10)}
    assert not chart.holds_now


def test_a_single_bad_day_that_passed_does_not_bar_today():
    assert control_chart((*STEADY, 5.3, *STEADY), baseline=10).holds_now


def test_a_small_lasting_step_shows_as_one_side():
    values = (*STEADY, *(np.array(STEADY[:8]) + 0.025))
    assert "one side" in signals(values, 10)


def test_a_slow_drift_is_seen_before_it_passes_a_limit():
    rng = np.random.default_rng(1)
    assert "drift" in signals(5.0 + 0.002 * np.arange(30) + 0.01 * rng.standard_normal(30))


def test_false_alarms_are_few_with_known_limits():
    # Independent count: P(|z| > 3) is 0.0027 a value; limits estimated from 100 values are near that.
    rng = np.random.default_rng(2)
    beyond = [
        alarm.signal == "beyond limits"
        for _ in range(300)
        for alarm in control_chart(rng.standard_normal(100)).alarms
    ]
    assert 0.001 < sum(beyond) / (300 * 100) < 0.005


def test_drift_is_alarmed_once_in_a_hundred_by_chance():
    rng = np.random.default_rng(3)
    drift = [
        any(alarm.signal == "drift" for alarm in control_chart(rng.standard_normal(20)).alarms)
        for _ in range(3000)
    ]
    assert 0.005 < np.mean(drift) < 0.016


def test_equal_values_are_in_control():
    assert not control_chart([5.0] * 9).alarms


def test_too_few_or_missing_values_are_refused():
    with pytest.raises(ReadingsError, match="too few"):
        control_chart([5.0, 5.0, 5.0])
    with pytest.raises(ReadingsError, match="missing"):
        control_chart([5.0, 5.0, float("nan"), 5.0, 5.0])


@pytest.mark.slow
@pytest.mark.parametrize("times", [6, 20, 40])
def test_a_rig_that_holds_is_said_to_have_moved_in_about_two_looks_of_a_hundred(times: int) -> None:
    rng = np.random.default_rng(times)
    looks = [control_chart(rng.standard_normal(times)).holds_now for _ in range(3000)]
    assert 0.01 < 1.0 - float(np.mean(looks)) < 0.035
