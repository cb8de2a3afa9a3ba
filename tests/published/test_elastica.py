"""The bent shape against the published large-deflection cantilever and its elliptic integrals."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ellipe, ellipeinc, ellipk, ellipkinc

from analysis.bend import Taper, load_for_travel, solve

# Mattiasson (1981), Int. J. Numer. Methods Eng. 17:145-153, table 1: F·L²/EI, y/L, (L − x)/L, tip slope.
# These four rows as they are transcribed in public finite-element test suites.
PUBLISHED = [
    (1.0, 0.30172, 0.05643, 0.46135),
    (2.0, 0.49346, 0.16064, None),
    (5.0, 0.71379, 0.38763, None),
    (10.0, 0.81061, 0.55500, None),
]


@pytest.mark.parametrize(("load", "travel", "shortening", "slope"), PUBLISHED)
def test_uniform_cantilever_agrees_with_the_published_table_to_its_last_digit(
    load, travel, shortening, slope
):
    shape = solve(Taper(1.0, 1.0), load)
    assert round(shape.travel_m, 5) == travel
    assert round(1.0 - shape.x_m[-1], 5) == shortening
    if slope is not None:
        assert round(shape.tip, 5) == slope


def elliptic(load):
    """Bisshopp & Drucker (1945), Quart. Appl. Math. 3:272-275: √a = K(m) − F(φ|m) etc."""

    def root(slope):
        m = 0.5 * (1.0 + math.sin(slope))
        return ellipk(m) - ellipkinc(math.asin(1.0 / math.sqrt(2.0 * m)), m) - math.sqrt(load)

    slope = brentq(root, 1e-9, 0.5 * math.pi - 1e-12, xtol=1e-15, rtol=1e-15)
    m = 0.5 * (1.0 + math.sin(slope))
    phi = math.asin(1.0 / math.sqrt(2.0 * m))
    travel = 1.0 - 2.0 / math.sqrt(load) * (ellipe(m) - ellipeinc(phi, m))
    return travel, math.sqrt(2.0 * math.sin(slope) / load), slope


LOADS = "0.1 0.2 0.25 0.4 0.5 0.6 0.75 0.8 1 1.2 1.4 1.5 1.6 1.8 2 2.5 3 3.5 4 4.5 5 6 7 8 9 10 15 20"


@pytest.mark.parametrize("load", [float(load) for load in LOADS.split()])
def test_uniform_cantilever_agrees_with_the_elliptic_integrals(load):
    travel, x, slope = elliptic(load)
    shape = solve(Taper(1.0, 1.0), load, tolerance=1e-10)
    assert shape.travel_m == pytest.approx(travel, abs=1e-10)
    assert shape.x_m[-1] == pytest.approx(x, abs=1e-10)
    assert shape.tip == pytest.approx(slope, abs=1e-10)
    assert abs(shape.travel_m - travel) <= shape.error_m + 1e-13


def test_the_load_that_gives_a_travel_is_found_back():
    travel, _, _ = elliptic(2.0)
    assert load_for_travel(Taper(1.0, 1.0), travel).load_N == pytest.approx(2.0, abs=1e-9)


def test_the_bend_centre_of_the_uniform_blank_is_the_moment_of_its_curvature():
    """∫θ ds by a fine trapezoid over the shape, against the quadrature in the result."""
    shape = solve(Taper(2.0, 3.0), 1.2, elements=64)
    by_hand = np.sum(0.5 * (shape.theta[1:] + shape.theta[:-1]) * np.diff(shape.s_m)) / (2.0 * shape.tip)
    assert shape.bend_centre == pytest.approx(by_hand, rel=2e-5)
