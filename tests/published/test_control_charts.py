"""Control-chart and range constants, a handbook chart, and an average and range study from its manual."""

import numpy as np
import pytest

from analysis.decide.control import control_chart, range_constants, range_study

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

# AIAG, Measurement Systems Analysis, 4th ed. 2010: 3 appraisers x 3 trials x 10 parts.
APPRAISERS = """
.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36 .41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
.64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31 .08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
.25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62 .07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49 -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
-.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""


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


def test_average_and_range_study_of_the_manual():
    # Printed: EV .2019, AV .2297, GRR .3058, PV 1.1046, TV 1.1461.
    table = np.array(APPRAISERS.split(), dtype=float).reshape(3, 3, 10).transpose(2, 0, 1)
    found = range_study(table)
    assert (found.repeatability, found.reproducibility) == pytest.approx((0.2019, 0.2297), abs=1e-4)
    assert (found.rig, found.between_blanks, found.total) == pytest.approx((0.3058, 1.1046, 1.1461), abs=2e-4)


def test_studies_and_ranges_of_single_things_are_refused():
    with pytest.raises(ValueError, match="two values"):
        range_constants(1)
    with pytest.raises(ValueError, match="two of each"):
        range_study(np.zeros((10, 1, 3)))
