"""One run rolled at two travels: stiffness without a travel zero; loads made by matrices in this test."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.angles import difference
from analysis.readings import RollReadings
from analysis.roll import RollResult, fit_roll

K, PLANE, BOW, TOWARD = 4.0, math.radians(35.0), 0.003, math.radians(110.0)


def rolled(zero_m: float, seed: int = 1, levels: tuple[float, ...] = (0.30, 0.45)) -> RollResult:
    """A turn on and one back at each travel; the rig reads travels that are short by `zero_m`."""
    rng = np.random.default_rng(seed)
    n = 1200
    way = np.concatenate([np.linspace(0.0, 2.0 * math.pi, n // 2), np.linspace(2.0 * math.pi, 0.0, n // 2)])
    roll = np.tile(way, len(levels))
    travel = np.repeat(levels, n)
    axes = np.array([[math.cos(PLANE), -math.sin(PLANE)], [math.sin(PLANE), math.cos(PLANE)]])
    tensor = axes @ np.diag([K * 1.01, K * 0.99]) @ axes.T
    force = tensor @ (BOW * np.array([math.cos(TOWARD), math.sin(TOWARD)]))
    pull = np.stack([np.cos(roll), np.sin(roll)])
    load = travel * np.einsum("an,ab,bn->n", pull, tensor, pull) - force @ pull
    load += 0.006 * rng.standard_normal(load.size)
    readings = RollReadings(
        np.arange(load.size) / 40.0, roll, load, travel - zero_m, float(levels[-1]), None, 1.8
    )
    return fit_roll(readings)


@pytest.mark.parametrize("zero_m", [0.0, 0.02, -0.02])
def test_stiffness_does_not_depend_on_the_travels_zero(zero_m: float) -> None:
    result = rolled(zero_m)
    assert result.stiffness is not None
    assert result.stiff_plane is not None
    assert abs(result.stiffness.value - K) <= result.stiffness.ci95
    assert result.stiffness.ci95 < 0.02 * K
    assert abs(difference(result.stiff_plane.value, PLANE, math.pi)) <= result.stiff_plane.ci95
    assert any("two travels" in warning for warning in result.warnings)
    assert any("mm too" in warning for warning in result.warnings) == (zero_m != 0.0)


def test_with_one_travel_a_wrong_zero_goes_into_the_stiffness() -> None:
    result = rolled(0.02, levels=(0.45,))
    assert result.stiffness is not None
    assert result.stiffness.value == pytest.approx(K * 0.45 / 0.43, rel=2e-3)


def test_half_widths_hold_the_truth_nineteen_times_in_twenty() -> None:
    hits = []
    for seed in range(100):
        stiffness = rolled(0.01, seed).stiffness
        assert stiffness is not None
        hits.append(abs(stiffness.value - K) <= stiffness.noise_ci95)
    assert 88 <= sum(hits) <= 99
