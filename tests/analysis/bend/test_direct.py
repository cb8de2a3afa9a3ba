"""Power and action as read from the readings, beside the model's, from runs made by another solver."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from bent_blanks import BLANKS, flexed, truth
from scipy.integrate import quad

from analysis.bend import fit_flex
from analysis.bend.result import Direct
from analysis.readings import FlexReadings, RigErrors


def read(run: FlexReadings) -> Direct:
    """What a run says without the model."""
    direct = fit_flex(run).direct
    assert direct is not None
    return direct


def small_load_truth(name: str, length: float = 1.8) -> float:
    """Travel over slope of small bending (Castigliano), over the length, by SciPy's quadrature."""
    rigidity = BLANKS[name](length)
    travel, _ = quad(lambda s: (length - s) ** 2 / rigidity(s), 0.0, length, limit=200)
    turn, _ = quad(lambda s: (length - s) / rigidity(s), 0.0, length, limit=200)
    return travel / (turn * length)


@pytest.mark.parametrize("name", list(BLANKS))
def test_without_noise_the_load_and_the_small_bend_centre_are_read_as_they_are(name: str) -> None:
    direct = read(flexed(name, noise=(1e-6, 1e-7, 1e-6), hysteresis=0.02))
    assert direct.load is not None
    assert direct.small_centre is not None
    assert direct.load.value == pytest.approx(truth(name)[0], rel=1e-4)
    assert direct.small_centre.value == pytest.approx(small_load_truth(name), rel=6e-4)


@pytest.mark.parametrize("name", list(BLANKS))
def test_what_is_read_holds_the_truth_and_agrees_with_the_model(name: str) -> None:
    by_hand, by_model_load = [], []
    for seed in range(5):
        direct = read(flexed(name, seed=seed))
        assert direct.load is not None
        assert direct.small_centre is not None
        assert abs(direct.load.value - truth(name)[0]) <= 1.4 * direct.load.ci95
        assert abs(direct.small_centre.value - small_load_truth(name)) <= 1.4 * direct.small_centre.ci95
        by_model = direct.small_centre_by_model
        assert abs(by_model.value - small_load_truth(name)) <= 1.4 * by_model.ci95
        assert direct.load_agrees
        assert direct.small_centre_agrees
        by_hand.append(direct.load.ci95)
        by_model_load.append(direct.load_by_model.ci95)
    assert np.mean(by_hand) > 1.2 * np.mean(by_model_load)


def test_a_run_short_of_the_bend_or_without_slope_is_not_read() -> None:
    short, blind = read(flexed(furthest=0.24)), read(flexed(tip=False))
    assert short.load is None
    assert short.load_agrees is None
    assert blind.small_centre is None
    assert blind.small_centre_agrees is None
    assert fit_flex(flexed(station=1.44)).direct is None


def test_readings_that_leave_the_curve_at_the_bend_are_warned_of() -> None:
    run = flexed()
    bump = 1.0 + 0.03 * np.exp(-(((run.travel_m - 0.45) / 0.05) ** 2))
    result = fit_flex(replace(run, load_N=run.load_N * bump))
    assert result.direct is not None
    assert result.direct.load_agrees is False
    assert any("above the model's" in warning for warning in result.warnings)
    assert not any("model's" in warning for warning in fit_flex(run).warnings)


def test_a_slope_that_no_blank_has_is_warned_of() -> None:
    """Large slopes read too small, as from a clip that reaches its end: small ones are right."""
    run = flexed(noise=(0.006, 0.4e-3, math.radians(0.1)))
    assert run.tip is not None
    result = fit_flex(replace(run, tip=run.tip * (1.0 - 0.12 * np.clip(run.tip, 0.0, None) ** 2)))
    assert any("At small loads" in warning for warning in result.warnings)


def test_one_direction_and_calibration_widen_what_is_read() -> None:
    plain, one_way = read(flexed()).load, read(flexed(both_ways=False)).load
    stated = read(replace(flexed(), rig=RigErrors(load_scale_ci95=0.01))).load
    assert plain is not None
    assert one_way is not None
    assert stated is not None
    assert {share.cause for share in one_way.shares} == {"one direction"}
    assert stated.ci95 == pytest.approx(math.hypot(plain.ci95, 0.01 * plain.value), rel=0.02)
