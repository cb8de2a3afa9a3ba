"""The solver's own error estimate, against shapes from very fine grids and from elliptic integrals."""

from __future__ import annotations

import numpy as np
import pytest
from bent_blanks import bend

from analysis.bend import Profile, Surroundings, Taper, load_for_travel, solve

BLANKS = [
    Taper(1.8, 20.0, 0.25, 3.0),
    Taper(2.1, 60.0, 0.12, 4.0),
    Taper(1.5, 5.0, 0.6, 2.0),
    Taper(2.4, 30.0, 0.9, 3.0),
]


@pytest.mark.parametrize("tolerance", [1e-5, 1e-8, 1e-10])
@pytest.mark.parametrize("part", [0.1, 0.25, 0.5, 0.7])
@pytest.mark.parametrize("blank", BLANKS, ids=lambda blank: f"{blank.ratio:g}^{blank.exponent:g}")
def test_a_shape_is_as_near_as_its_error_estimate_says(blank: Taper, part: float, tolerance: float) -> None:
    load = load_for_travel(blank, part * blank.length_m).load_N
    exact = solve(blank, load, elements=200)
    shape = solve(blank, load, tolerance=tolerance)
    rounding = 1e-12  # of sums over some hundred quadrature points
    assert abs(shape.travel_m - exact.travel_m) <= shape.error_m + rounding
    assert abs(shape.tip - exact.tip) <= shape.error_rad + rounding
    assert shape.error_m <= tolerance * blank.length_m
    assert shape.error_rad <= tolerance


@pytest.mark.parametrize("elements", [3, 5, 8, 12])
def test_the_estimate_is_no_larger_than_it_must_be(elements: int) -> None:
    blank = Taper(2.1, 60.0, 0.12, 4.0)
    exact, coarse = solve(blank, 4.0, elements=200), solve(blank, 4.0, elements=elements)
    assert 1.0 < coarse.error_m / abs(coarse.travel_m - exact.travel_m) < 4.0
    assert 1.0 < coarse.error_rad / abs(coarse.tip - exact.tip) < 4.0


def test_a_profile_of_stations_is_bent_to_the_tolerance_in_spite_of_its_knots() -> None:
    """Runge-Kutta from station to station, so that the peer too meets each knot at the end of a step."""
    s = np.linspace(0.0, 1.6, 9)
    profile = Profile(s, 9.0 * (1.0 - 0.4 * s) ** 3 * np.array([1.0, 0.9, 1.1, 1.0, 0.8, 0.8, 1.2, 1.0, 0.9]))
    shape = solve(profile, 1.5)
    peer = bend(lambda at: float(profile.EI(at)), 1.6, 1.5)
    assert shape.travel_m == pytest.approx(peer[0], abs=3e-8)  # the peer's own tolerance
    assert shape.tip == pytest.approx(peer[1], abs=3e-8)
    finer = solve(profile, 1.5, elements=300)
    assert abs(shape.travel_m - finer.travel_m) <= shape.error_m + 1e-12 < 2e-8
    assert abs(shape.tip - finer.tip) <= shape.error_rad + 1e-12 < 2e-8


def test_the_load_at_a_travel_is_as_near_as_its_estimate_says() -> None:
    blank = Taper(1.8, 20.0, 0.15, 4.0)
    exact, shape = load_for_travel(blank, 0.45, elements=200), load_for_travel(blank, 0.45, tolerance=1e-6)
    assert abs(shape.load_N / exact.load_N - 1.0) <= shape.error_rad
    assert abs(shape.tip - exact.tip) <= shape.error_rad


def test_a_load_at_a_station_and_own_weight_keep_the_estimate_honest() -> None:
    around = Surroundings(station_m=1.1, weight=0.3, tip_weight_N=0.2)
    blank = Taper(1.8, 20.0, 0.25, 3.0)
    exact, shape = solve(blank, 3.0, around, elements=200), solve(blank, 3.0, around, elements=6)
    assert abs(shape.travel_m - exact.travel_m) <= shape.error_m < 1e-4
    assert abs(shape.tip - exact.tip) <= shape.error_rad < 1e-3
