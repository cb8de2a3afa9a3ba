"""Tapered cantilevers: closed forms for small bending, two-method tables for large bending."""

import math

import numpy as np
import pytest

from analysis.bend import Profile, Surroundings, Taper, load_for_travel, solve

SMALL = 1e-6  # load small enough that the cubic term (a²·1e-12) is below rounding of the check


def linear_taper(n, r):
    """Travel·EI_0/(F·L³) and slope·EI_0/(F·L²), Castigliano: ∫(L−s)²/EI ds and ∫(L−s)/EI ds closed.

    Method: Gere & Goodno, Mechanics of Materials, section on nonprismatic beams (from memory).
    """
    k = 1.0 - r
    return {
        1: ((0.5 - 2.0 * r + 1.5 * r**2 - r**2 * math.log(r)) / k**3, (1.0 - r + r * math.log(r)) / k**2),
        2: ((1.0 - r**2 + 2.0 * r * math.log(r)) / k**3, (-math.log(r) - 1.0 + r) / k**2),
        3: ((-math.log(r) - 1.5 + 2.0 * r - 0.5 * r**2) / k**3, 1.0 / (2.0 * r)),
        4: (1.0 / (3.0 * r), (1.0 + 2.0 * r) / (6.0 * r**2)),
    }[n]


@pytest.mark.parametrize("n", [1, 2, 3, 4])
@pytest.mark.parametrize("r", [0.5, 0.25, 0.2, 0.1])
def test_small_bending_of_a_linear_taper_has_the_closed_form(n, r):
    length, butt = 1.8, 14.0
    unit = butt / length**2
    travel, slope = linear_taper(n, r)
    shape = solve(Taper(length, butt, r, n), SMALL * unit, elements=64)
    assert shape.travel_m / (SMALL * length) == pytest.approx(travel, rel=1e-9)
    assert shape.tip / SMALL == pytest.approx(slope, rel=1e-9)
    assert shape.stiffness_N_per_m == pytest.approx(butt / length**3 / travel, rel=1e-9)


def tube(s):
    """Rigidity of a tube of constant wall: diameter 12 → 3 mm over 2 m, wall 0.8 mm, E = 60 GPa."""
    outer = 12e-3 - 4.5e-3 * s
    return 60e9 * math.pi / 64.0 * (outer**4 - (outer - 1.6e-3) ** 4)


def test_small_bending_of_a_tube_of_constant_wall_has_the_value_of_the_integrals():
    """Castigliano's integrals at 30 digits (mpmath)."""
    shape = solve(Profile.of(tube, 2.0, 801), 1e-5)
    assert tube(0.0) == pytest.approx(26.617382518581, rel=1e-12)
    assert shape.travel_m * 26.617382518581 / (1e-5 * 8.0) == pytest.approx(0.9534226777, rel=1e-8)
    assert shape.tip * 26.617382518581 / (1e-5 * 4.0) == pytest.approx(2.4776888448, rel=1e-8)


@pytest.mark.parametrize("decay", [1.0, 2.0])
def test_small_bending_of_an_exponential_taper_has_the_closed_form(decay):
    profile = Profile.of(lambda s: np.exp(-decay * s), 1.0, 21)
    shape = solve(profile, SMALL)
    e = math.exp(decay)
    assert shape.travel_m / SMALL == pytest.approx(
        (2.0 * e - decay**2 - 2.0 * decay - 2.0) / decay**3, rel=1e-9
    )
    assert shape.tip / SMALL == pytest.approx((e - 1.0 - decay) / decay**2, rel=1e-9)


def test_wedge_plan_cantilever_of_a_published_problem():
    """Harris, Introduction to Stress Analysis (Macmillan 1959), p. 114, problem 61: 0.04267 in."""
    # E = 30e6 psi, P = 10 lb, L = 20 in, root 3 in wide, 0.5 in deep, tapering to a point in plan; inches
    root = 30e6 * 3.0 * 0.5**3 / 12.0
    shape = solve(Taper(20.0, root, 1e-7, 1.0), 10.0, elements=64)
    assert round(shape.travel_m, 5) == 0.04267


# (n, r, F·L²/EI_0, y/L, (L − x)/L, slope of the tip): Runge-Kutta shooting at 1e-13 and Chebyshev collocation
# agree on them to 2e-14, on the row with r = 0.2, load 5 and n = 4 to 1.1e-10.
LARGE = [
    (4, 0.5, 0.1, 0.066233491844, 0.003076184256, 0.132566916699),
    (4, 0.5, 0.2, 0.129994848161, 0.011909372053, 0.260744376790),
    (4, 0.5, 0.5, 0.291345578181, 0.061529632263, 0.591084459299),
    (4, 0.5, 1.0, 0.458631187542, 0.161239070808, 0.947966386415),
    (4, 0.5, 2.0, 0.608972139006, 0.306950635287, 1.272763147879),
    (4, 0.5, 5.0, 0.747297392509, 0.501805841081, 1.507871464397),
    (4, 0.25, 0.1, 0.127612606590, 0.014745017088, 0.382348503664),
    (4, 0.25, 0.2, 0.230208077131, 0.048607701263, 0.686484203356),
    (4, 0.25, 0.5, 0.405694143892, 0.155750256205, 1.169605022180),
    (4, 0.25, 1.0, 0.531851695776, 0.272132935058, 1.426353429876),
    (4, 0.25, 2.0, 0.640776256326, 0.396137890817, 1.539570400552),
    (4, 0.25, 5.0, 0.756340384893, 0.550852392107, 1.569471501043),
    (4, 0.2, 0.1, 0.153665871835, 0.023765054072, 0.533955843936),
    (4, 0.2, 0.2, 0.261597334715, 0.069511523055, 0.891423393178),
    (4, 0.2, 0.5, 0.425019654114, 0.184446232426, 1.332452781151),
    (4, 0.2, 1.0, 0.541522064190, 0.295563132704, 1.506225368463),
    (4, 0.2, 2.0, 0.645584414569, 0.412296858552, 1.561510182283),
    (4, 0.2, 5.0, 0.758182008003, 0.559641572105, 1.570622051288),
    (3, 0.5, 0.1, 0.054306154739, 0.001964902959, 0.099666801059),
    (3, 0.5, 0.2, 0.107379890860, 0.007707665767, 0.197388477605),
    (3, 0.5, 0.5, 0.250057148807, 0.042649168046, 0.464093654736),
    (3, 0.5, 1.0, 0.418157768041, 0.125115046198, 0.792654109308),
    (3, 0.5, 2.0, 0.586563770825, 0.267192812315, 1.143825094715),
    (3, 0.5, 5.0, 0.741781715404, 0.476494044820, 1.453066783274),
    (3, 0.25, 0.1, 0.083090577093, 0.005304784977, 0.197578656231),
    (3, 0.25, 0.2, 0.160379827182, 0.019912105662, 0.381933474777),
    (3, 0.25, 0.5, 0.335340320677, 0.090150720367, 0.801891996903),
    (3, 0.25, 1.0, 0.489518213434, 0.202080498238, 1.162948895606),
    (3, 0.25, 2.0, 0.620457802421, 0.341529600197, 1.419328604672),
    (3, 0.25, 5.0, 0.748967116547, 0.519472880404, 1.551777295186),
    (3, 0.2, 0.1, 0.093836472048, 0.007145229462, 0.245428955281),
    (3, 0.2, 0.2, 0.178549272856, 0.026096715020, 0.466961153838),
    (3, 0.2, 0.5, 0.356274972475, 0.107616834558, 0.925860959932),
    (3, 0.2, 1.0, 0.501670591177, 0.222274069089, 1.266678346542),
    (3, 0.2, 2.0, 0.625123117453, 0.356920225457, 1.475111642428),
    (3, 0.2, 5.0, 0.750238401433, 0.527529061684, 1.562231801775),
    (1, 0.25, 0.1, 0.042669183776, 0.001151306071, 0.071593335539),
    (1, 0.25, 0.2, 0.084802639785, 0.004556491995, 0.142436330651),
    (1, 0.25, 0.5, 0.203441881111, 0.026558597837, 0.344007528328),
    (1, 0.25, 1.0, 0.361519592558, 0.086872759733, 0.622470332702),
    (1, 0.25, 2.0, 0.546790680017, 0.214434208753, 0.975678427431),
    (1, 0.25, 5.0, 0.730771204442, 0.436959939251, 1.359822689050),
]


@pytest.mark.parametrize(("n", "r", "load", "travel", "shortening", "slope"), LARGE)
def test_large_bending_of_a_taper_is_right_to_1e_8_on_the_grid_its_own_estimate_chose(
    n, r, load, travel, shortening, slope
):
    shape = solve(Taper(1.0, 1.0, r, n), load)
    assert shape.travel_m == pytest.approx(travel, abs=1e-8)
    assert 1.0 - shape.x_m[-1] == pytest.approx(shortening, abs=1e-8)
    assert shape.tip == pytest.approx(slope, abs=1e-8)


@pytest.mark.parametrize(
    ("load", "y", "x", "slope_deg"),
    [
        (0.5, 0.141783050, 1.991875276, 10.556576),
        (2.0, 0.499970820, 1.896736803, 37.209950),
        (5.0, 0.886990828, 1.658987608, 64.925725),
    ],
)
def test_large_bending_of_a_tube_of_constant_wall(load, y, x, slope_deg):
    """Shooting and collocation agree on it."""
    shape = solve(Profile.of(tube, 2.0, 801), load)
    assert shape.travel_m == pytest.approx(y, abs=3e-9)
    assert shape.x_m[-1] == pytest.approx(x, abs=3e-9)
    assert math.degrees(shape.tip) == pytest.approx(slope_deg, abs=1e-6)


def test_an_interior_load_bends_like_a_shorter_blank():
    """Beyond the load the blank is straight, so travel and slope are those of the part before it."""
    whole = Taper(2.0, 10.0, 0.4, 3.0)
    part = Taper(1.4, 10.0, 1.0 - 0.6 * 0.7, 3.0)
    at = solve(whole, 3.0, Surroundings(station_m=1.4))
    alone = solve(part, 3.0)
    assert at.travel_m == pytest.approx(alone.travel_m, abs=1e-9)
    assert at.tip == pytest.approx(alone.tip, abs=1e-9)
    assert at.y_m[-1] == pytest.approx(alone.travel_m + 0.6 * math.sin(alone.tip), abs=1e-9)


def test_own_weight_and_clip_superpose_while_bending_is_small():
    """Uniform cantilever, small bending: y = w·L⁴/(8·EI) + W·L³/(3·EI) (textbook, from memory)."""
    shape = solve(Taper(1.5, 8.0), 0.0, Surroundings(weight=1e-6, tip_weight_N=2e-6))
    assert shape.travel_m == pytest.approx(1e-6 * 1.5**4 / 64.0 + 2e-6 * 1.5**3 / 24.0, rel=1e-9)


def test_a_profile_sampled_from_a_taper_bends_like_the_taper():
    taper = Taper(1.8, 20.0, 0.25, 3.0)
    exact = load_for_travel(taper, 0.45)
    sampled = load_for_travel(Profile.of(taper.EI, 1.8, 101), 0.45)
    assert sampled.load_N == pytest.approx(exact.load_N, rel=1e-7)
