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


# F·L²/EI, y/L, (L − x)/L, tip slope: the elliptic integrals at 40 digits (mpmath), printed to 15. Where the
# published rows above were seen they are these, rounded.
TABLE = [
    (0.1, 0.0332953192681743, 0.000665399963047585, 0.0499542557547531),
    (0.2, 0.0663644821448305, 0.00264654834052277, 0.0996361630374019),
    (0.25, 0.0827459153544174, 0.00411781840997576, 0.124292442113637),
    (0.4, 0.130975242085214, 0.0103539215490376, 0.197154623703208),
    (0.5, 0.16214357565837, 0.0159189624708375, 0.244533647133218),
    (0.6, 0.192350279687449, 0.022487667979028, 0.290737766841165),
    (0.75, 0.235615231379036, 0.0339663150303494, 0.357526166923748),
    (0.8, 0.249451542028002, 0.0381656132404812, 0.379063007613222),
    (1.0, 0.301720773799814, 0.0564332362833769, 0.461351949711879),
    (1.2, 0.349010076194174, 0.0764003258571828, 0.537304083195607),
    (1.4, 0.391465722234924, 0.0973168133326421, 0.606975544527172),
    (1.5, 0.410978211248258, 0.107941500683559, 0.639539826150778),
    (1.6, 0.429412751702545, 0.118596080493257, 0.670653772650375),
    (1.8, 0.463263878768673, 0.139805452660613, 0.728754754780132),
    (2.0, 0.493457480396712, 0.160641720825167, 0.781749831556543),
    (2.5, 0.555659462660802, 0.209958457370735, 0.894996750991108),
    (3.0, 0.603253441129977, 0.254420184564187, 0.986016946711354),
    (3.5, 0.640391685593501, 0.29393944236874, 1.06011693845141),
    (4.0, 0.669964181277667, 0.328941242246846, 1.12123934748758),
    (4.5, 0.693966998889551, 0.359987172420659, 1.17227792349389),
    (5.0, 0.713791523611913, 0.38762836072443, 1.21536811761168),
    (6.0, 0.744571148889515, 0.434588828681905, 1.28369728580125),
    (7.0, 0.767369099740463, 0.472927428386337, 1.33495985747186),
    (8.0, 0.784982374953315, 0.504827732133532, 1.37443150670139),
    (9.0, 0.79905552747084, 0.531820562672527, 1.40546533362395),
    (10.0, 0.810609024880296, 0.554995597753751, 1.43028553880386),
    (15.0, 0.847715674332297, 0.635285780362085, 1.50184015417716),
    (20.0, 0.868695898285438, 0.683885567566475, 1.53293495629704),
]


@pytest.mark.parametrize(("load", "travel", "shortening", "slope"), TABLE)
def test_uniform_cantilever_agrees_with_high_precision_values_at_every_load_of_the_table(
    load, travel, shortening, slope
):
    shape = solve(Taper(1.0, 1.0), load)
    assert shape.travel_m == pytest.approx(travel, abs=1e-8)
    assert 1.0 - shape.x_m[-1] == pytest.approx(shortening, abs=1e-8)
    assert shape.tip == pytest.approx(slope, abs=1e-8)
    assert abs(shape.travel_m - travel) <= shape.error_m + 1e-13
    assert abs(shape.tip - slope) <= shape.error_rad + 1e-13
    assert [round(v, 5) for v in (shape.travel_m, 1.0 - shape.x_m[-1], shape.tip)] == [
        round(v, 5) for v in (travel, shortening, slope)
    ]


@pytest.mark.parametrize("load", [row[0] for row in TABLE])
def test_uniform_cantilever_agrees_with_the_elliptic_integrals(load):
    travel, x, slope = elliptic(load)
    shape = solve(Taper(1.0, 1.0), load, tolerance=1e-10)
    assert shape.travel_m == pytest.approx(travel, abs=1e-10)
    assert shape.x_m[-1] == pytest.approx(x, abs=1e-10)
    assert shape.tip == pytest.approx(slope, abs=1e-10)


def test_the_load_that_gives_a_travel_is_found_back():
    travel, _, _ = elliptic(2.0)
    assert load_for_travel(Taper(1.0, 1.0), travel).load_N == pytest.approx(2.0, abs=1e-9)


def test_the_bend_centre_of_the_uniform_blank_is_the_moment_of_its_curvature():
    """∫θ ds by a fine trapezoid over the shape, against the quadrature in the result."""
    shape = solve(Taper(2.0, 3.0), 1.2, elements=64)
    by_hand = np.sum(0.5 * (shape.theta[1:] + shape.theta[:-1]) * np.diff(shape.s_m)) / (2.0 * shape.tip)
    assert shape.bend_centre == pytest.approx(by_hand, rel=2e-5)
