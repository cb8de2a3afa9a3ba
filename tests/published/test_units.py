"""Display units against published conversion factors.

Source of the factors: NIST Special Publication 811 (2008), Appendix B, seven digits, from memory; the exact
ones (inch, pound, standard gravity) are definitions (international yard and pound, 1959; 3rd CGPM, 1901).
Peer: `scipy.constants`.
"""

from __future__ import annotations

import pytest
from scipy import constants

from analysis.units import GRAM_FORCE_N, OUNCE_FORCE_N, display

SEVEN_DIGITS = 5e-7  # half a unit of the seventh digit of a number that begins with 1
EXACT = 1e-15


def si_of_one(quantity: str) -> float:
    """SI value of one imperial display unit."""
    return 1.0 / display(quantity, "imperial").per_si


@pytest.mark.parametrize(
    ("quantity", "symbol", "published"),
    [
        ("length", "in", 2.54e-2),
        ("small length", "in", 2.54e-2),
        ("load", "ozf", 2.780139e-1),
        ("weight", "oz", 2.834952e-2),
        ("stiffness", "ozf/in", 1.751268e2 / 16),  # published for lbf/in; 16 oz are a pound
        ("rigidity", "lbf·in²", 1.129848e-1 * 2.54e-2),  # published for lbf·in
    ],
)
def test_one_imperial_unit_is_what_the_table_says(quantity, symbol, published):
    assert display(quantity, "imperial").symbol == symbol
    assert si_of_one(quantity) == pytest.approx(published, rel=SEVEN_DIGITS)


@pytest.mark.parametrize(
    ("quantity", "peer"),
    [
        ("length", constants.inch),
        ("load", constants.lbf / 16),
        ("weight", constants.lb / 16),
        ("stiffness", constants.lbf / 16 / constants.inch),
        ("rigidity", constants.lbf * constants.inch**2),
    ],
)
def test_imperial_units_agree_with_the_reference_library(quantity, peer):
    assert si_of_one(quantity) == pytest.approx(peer, rel=EXACT)


def test_forces_of_masses_are_mass_times_standard_gravity():
    assert pytest.approx(9.80665e-3, rel=EXACT) == GRAM_FORCE_N
    assert pytest.approx(0.45359237 / 16 * 9.80665, rel=EXACT) == OUNCE_FORCE_N


@pytest.mark.parametrize(
    ("quantity", "si", "symbol", "shown"),
    [
        ("length", 1.8, "m", 1.8),
        ("small length", 0.0123, "mm", 12.3),
        ("load", 4.5, "N", 4.5),
        ("weight", 0.062, "g", 62.0),
        ("stiffness", 9.9, "N/m", 9.9),
        ("rigidity", 26.6, "N·m²", 26.6),
        ("energy", 0.012, "mJ", 12.0),
    ],
)
def test_metric_units_are_si_with_a_prefix(quantity, si, symbol, shown):
    assert display(quantity).symbol == symbol
    assert display(quantity).number(si) == pytest.approx(shown, rel=EXACT)
