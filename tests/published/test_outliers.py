"""Grubbs and Dixon against published critical values."""

import numpy as np
import pytest

from analysis.decide.outliers import dixon, dixon_critical, grubbs, grubbs_critical

# Grubbs 1950; ASTM E178 (one side) and ISO 5725-2 (two sides: 5 % stragglers, 1 % outliers), which print
# three decimals.
GRUBBS = {
    3: (1.1531, 1.1546, 1.1543, 1.1547),
    4: (1.4625, 1.4925, 1.4813, 1.4962),
    5: (1.6714, 1.7489, 1.7150, 1.7637),
    6: (1.8221, 1.9442, 1.8871, 1.9728),
    7: (1.9381, 2.0973, 2.0200, 2.1391),
    8: (2.0317, 2.2208, 2.1266, 2.2744),
    9: (2.1096, 2.3231, 2.2150, 2.3868),
    10: (2.1761, 2.4097, 2.2900, 2.4821),
}

# Rorabacher 1991, Anal. Chem. 63:139-146, two-tailed r10, with the exact value beside each printed one.
DIXON = {
    3: ((0.941, 0.9413), (0.970, 0.9702), (0.994, 0.9940)),
    4: ((0.765, 0.7655), (0.829, 0.8298), (0.926, 0.9207)),
    5: ((0.642, 0.6424), (0.710, 0.7102), (0.821, 0.8232)),
    6: ((0.560, 0.5624), (0.625, 0.6275), (0.740, 0.7427)),
    7: ((0.507, 0.5073), (0.568, 0.5690), (0.680, 0.6811)),
    8: ((0.468, 0.4671), (0.526, 0.5256), (0.634, 0.6336)),
    9: ((0.437, 0.4363), (0.493, 0.4922), (0.598, 0.5963)),
    10: ((0.412, 0.4119), (0.466, 0.4656), (0.568, 0.5661)),
}

# NIST/SEMATECH e-Handbook 1.3.5.17.1: uranium data of Tietjen & Moore.
URANIUM = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)


@pytest.mark.parametrize("n", GRUBBS)
def test_grubbs_critical_values_are_the_tabulated_ones(n):
    found = [grubbs_critical(n, level, sides=sides) for sides in (1, 2) for level in (0.05, 0.01)]
    assert found == pytest.approx(GRUBBS[n], abs=5.1e-5)


@pytest.mark.parametrize("n", DIXON)
def test_dixon_critical_values_are_exact_and_near_the_printed_table(n):
    for level, (printed, exact) in zip((0.10, 0.05, 0.01), DIXON[n], strict=True):
        critical = dixon_critical(n, level)
        assert critical == pytest.approx(exact, abs=6e-5)
        assert critical == pytest.approx(printed, abs=0.006)


def test_grubbs_reproduces_the_worked_example_of_the_handbook():
    test = grubbs(URANIUM, sides=1)
    assert test.statistic == pytest.approx(2.468765, abs=5e-7)
    assert test.critical == pytest.approx(2.032, abs=5e-4)
    assert (test.index, test.named) == (7, True)


@pytest.mark.parametrize("run", [grubbs, dixon])
def test_p_value_is_the_level_exactly_at_the_critical_value(run):
    # Put the last of five values where the statistic meets its critical value, by bisection.
    low, high = 2.0, 50.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if run([0.0, 0.4, 1.0, 1.1, middle]).named:
            high = middle
        else:
            low = middle
    assert run([0.0, 0.4, 1.0, 1.1, high]).p_value == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize("run", [grubbs, dixon])
def test_false_alarms_among_normal_values_are_one_in_twenty(run):
    rng = np.random.default_rng(7)
    alarms = np.mean([run(rng.standard_normal(5)).named for _ in range(2000)])
    assert abs(alarms - 0.05) < 4 * np.sqrt(0.05 * 0.95 / 2000)


@pytest.mark.parametrize("run", [grubbs, dixon])
def test_equal_values_have_no_outlier(run):
    test = run([3.3, 3.3, 3.3, 3.3])
    assert (test.statistic, test.p_value, test.named) == (0.0, 1.0, False)


@pytest.mark.parametrize("run", [grubbs, dixon])
def test_two_values_are_refused(run):
    with pytest.raises(ValueError, match="at least 3"):
        run([1.0, 2.0])
