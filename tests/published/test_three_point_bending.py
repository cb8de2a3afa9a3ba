"""A simply supported shaft with a weight at mid-span, the static test of a published shaft standard.

ASTM F2031 hangs a known weight at the middle of a shaft on two supports and reads the deflection there. Only
that mechanics is used here. By symmetry the slope at mid-span is zero, so each half is a cantilever of half
the span, clamped at mid-span, with half of the weight at its end: y = W·S³/(48·EI).
"""

import pytest
from scipy import constants

from analysis.bend import Profile, Taper, solve

SPAN = 28.0 * constants.inch
WEIGHT = 1.94 * constants.lbf
RIGIDITIES = [4.0, 5.5, 7.0, 8.5, 25.0]  # N·m²


def mid_span(rigidity, weight, span=SPAN):
    """Deflection at mid-span, m, of an even shaft."""
    return solve(Taper(0.5 * span, rigidity), 0.5 * weight, tolerance=1e-11).travel_m


@pytest.mark.parametrize("rigidity", RIGIDITIES)
def test_a_small_weight_bends_the_shaft_as_the_closed_form_says(rigidity):
    weight = 1e-4 * WEIGHT
    assert mid_span(rigidity, weight) == pytest.approx(weight * SPAN**3 / (48.0 * rigidity), rel=1e-8)


@pytest.mark.parametrize("rigidity", RIGIDITIES)
def test_the_whole_weight_departs_from_it_by_the_next_term_of_the_series(rigidity):
    """y = W·S³/(48·EI)·(1 − (4/35)·a² + …) with a = W·S²/(8·EI), from w/L = a/3 − 4a³/105."""
    a = WEIGHT * SPAN**2 / (8.0 * rigidity)
    linear = WEIGHT * SPAN**3 / (48.0 * rigidity)
    assert mid_span(rigidity, WEIGHT) == pytest.approx(linear * (1.0 - 4.0 / 35.0 * a**2), rel=0.1 * a**4)
    assert mid_span(rigidity, WEIGHT) < linear * (1.0 - 0.1 * a**2)


def test_a_shaft_that_is_thicker_over_its_middle_third_bends_as_the_closed_form_says():
    """Half span h, rigidity EI₂ up to c from the middle and EI₁ beyond.

    y = (W/2)·[(h³ − (h − c)³)/(3·EI₂) + (h − c)³/(3·EI₁)] from ∫ (h − s)²·(W/2)/EI ds.
    """
    h, c, thick, thin = 0.5 * SPAN, SPAN / 6.0, 9.0, 6.0
    width = 1e-5  # the step as a ramp much narrower than it matters

    def rigidity(s):
        return thick + (thin - thick) * min(max((s - c) / width + 0.5, 0.0), 1.0)

    stations = [0.0, 0.5 * c, c - width, c - 0.5 * width, c, c + 0.5 * width, c + width, 0.5 * (c + h), h]
    half = Profile(stations, [rigidity(s) for s in stations])
    weight = 1e-4 * WEIGHT
    closed = 0.5 * weight * ((h**3 - (h - c) ** 3) / (3.0 * thick) + (h - c) ** 3 / (3.0 * thin))
    assert solve(half, 0.5 * weight).travel_m == pytest.approx(closed, rel=1e-4)
