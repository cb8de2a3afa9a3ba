"""Control-chart and range constants, and a handbook chart."""

import pytest

from analysis.decide.control import control_chart, range_constants

# Tippett 1925, Biometrika 17:364 (integrals, six digits from an independent quadrature); ISO 7870-2 and ASTM
# tables print three decimals.
CONSTANTS = {
    2: (1.128379, 0.852502, 3.266532, 0.797885),
    3: (1.692569, 0.888368, 2.574591, 0.886227),
    4: (2.058751, 0.879808, 2.282052, 0.921318),
    5: (2.325929, 0.864082, 2.114499, 0.939986),
}

# NIST/SEMATECH e-Handbook 6.3.2.2: flow rate (from memory, its limits reproduced).
FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


@pytest.mark.parametrize("n", CONSTANTS)
def test_range_constants_are_the_published_ones(n):
    found = range_constants(n)
    assert (found.d2, found.d3, found.upper, found.c4) == pytest.approx(CONSTANTS[n], abs=1.5e-6)


def test_factors_of_the_average_and_range_form():
    # AIAG: K1 = 0.5908 for three trials, K2 = 0.5231 for three appraisers, K3 = 0.3146 for ten parts.
    assert 1 / range_constants(3).d2 == pytest.approx(0.5908, abs=5e-5)
    assert 1 / range_constants(3).single == pytest.approx(0.5231, abs=5e-5)
    assert 1 / range_constants(10).single == pytest.approx(0.3146, abs=5e-5)


def test_limits_of_the_handbook_chart():
    chart = control_chart(FLOW)
    assert chart.centre == pytest.approx(50.81)
    assert chart.ranges.mean() == pytest.approx(1.8778, abs=5e-5)
    # The handbook divides by 1.128, the exact constant is 1.128379.
    assert (chart.upper, chart.lower) == pytest.approx((55.8041, 45.8159), abs=2e-3)
    assert not [alarm for alarm in chart.alarms if alarm.signal in ("beyond limits", "jump")]


def test_the_range_of_one_value_is_refused():
    with pytest.raises(ValueError, match="two values"):
        range_constants(1)
