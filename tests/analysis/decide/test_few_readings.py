"""Few degrees of freedom: how a batch, its odd blank and a drift are judged, against closed forms."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from analysis.decide import compare_batch
from analysis.decide.control import control_chart
from analysis.estimate import Estimate, Share

Z = float(stats.norm.ppf(0.975))


@pytest.mark.parametrize("dof", [2.0, 5.0])
@pytest.mark.parametrize("own", [0.0, 0.5, 2.0])
@pytest.mark.parametrize("apart", [2.0, 4.0])
def test_a_blanks_own_systematic_part_has_no_scatter_of_its_own(dof: float, own: float, apart: float) -> None:
    """One exact blank, one with noise of few degrees of freedom and a systematic part.

    Welch–Satterthwaite (JCGM 100:2008, G.4.1): ν = ν₁·(u²/u₁²)². The distance of the two is then u·t_ν, and
    p against "at the tolerance T or beyond" is the chance of so short a distance if the blanks are T apart.
    """
    tolerance, noise = 3.0, 1.0
    size = math.hypot(noise, own / Z)
    nu = dof * (size / noise) ** 4
    pair = {
        "A": Estimate(0.0, 0.0),
        "B": Estimate(apart, noise, dof, (Share("bow", own),) if own else ()),
    }
    (metric,) = compare_batch({"grip": pair}, {"grip": tolerance}).metrics
    within = stats.t.cdf((apart - tolerance) / size, nu) - stats.t.cdf((-apart - tolerance) / size, nu)
    assert metric.p_not_consistent == pytest.approx(1.0 - within, rel=1e-3, abs=1e-6)
    if apart < tolerance:
        wrong_way_round = stats.t.cdf(-tolerance / size, nu)
        assert metric.p_consistent == pytest.approx(max(within, wrong_way_round), rel=1e-3)


@pytest.mark.parametrize("properties", [1, 2, 4])
def test_the_odd_blank_stands_out_beyond_what_its_errors_make_of_the_farthest_of_all(properties: int) -> None:
    """Nobody said beforehand which blank or which property: two-sided 5 % over n·m (Bonferroni)."""
    limit = float(stats.norm.isf(0.5 * 0.05 / (5 * properties)))
    others = {f"extra_{i}": {name: Estimate(1.0, 0.01) for name in "ABCDE"} for i in range(1, properties)}

    def odd(distance: float) -> str | None:
        noise = 1.0 / distance  # C stands 1 above the rest: so many of its standard errors
        values = {"A": 0.0, "B": 0.001, "C": 1.0, "D": -0.001, "E": 0.0}
        grip = {name: Estimate(x, noise if name == "C" else 1e-6) for name, x in values.items()}
        tolerances = dict.fromkeys(others, 5.0) | {"grip": 0.05}
        return compare_batch(others | {"grip": grip}, tolerances).odd_one_out

    assert odd(0.98 * limit) is None
    assert odd(1.02 * limit) == "C"


def at_p(p_value: float, of: Callable[[float], float]) -> float:
    """Slope at which `of` gives this p-value."""
    return float(brentq(lambda slope: math.log(of(slope) / p_value), 1e-3, 1e2))


@pytest.mark.parametrize("count", [5, 6, 9, 30])
def test_a_drift_is_alarmed_where_linear_regression_gives_1_percent(count: int) -> None:
    """Oracle: SciPy's `linregress` (n − 2 degrees of freedom)."""
    time = np.arange(count)
    scatter = np.where(time % 2, 1.0, -1.0) * (1.0 + 0.1 * time)

    def chance(slope: float) -> float:
        return float(stats.linregress(time, scatter + slope * time).pvalue)

    def alarmed(slope: float) -> bool:
        alarms = control_chart(100.0 + scatter + slope * time).alarms
        return any(alarm.signal == "drift" for alarm in alarms)

    assert not alarmed(at_p(0.0102, chance))
    assert alarmed(at_p(0.0098, chance))
