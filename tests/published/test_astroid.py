"""The number of snap positions against the astroid of another field.

The energy of a bent blank over the roll is that of a uniaxial magnet in a field: U = sin²x − 2h·cos(x − ψ)
has two minima inside the astroid |h·cos ψ|^⅔ + |h·sin ψ|^⅔ = 1 and one outside. Stoner EC, Wohlfarth EP
(1948), Phil. Trans. R. Soc. A 240:599–642 (formula from memory). Switching values
h(ψ) = (cos^⅔ψ + sin^⅔ψ)^(−3/2), computed to ten digits.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.roll.snaps import astroid, minima, rests
from analysis.roll.tensor import RollEnergy

SWITCHING = {0.0: 1.0, 10.0: 0.6738054181, 30.0: 0.5240164648, 45.0: 0.5, 60.0: 0.5240164648}


def magnet(h, psi, easy=0.0, size=1.0):
    """sin²(x − easy) − 2h·cos(x − easy − psi): its easy axis is the soft plane, the field the bow's pull."""
    return RollEnergy(
        -0.5 * size * math.cos(2 * easy),
        -0.5 * size * math.sin(2 * easy),
        2 * h * size * math.cos(easy + psi),
        2 * h * size * math.sin(easy + psi),
    )


@pytest.mark.parametrize("psi_deg", SWITCHING)
@pytest.mark.parametrize("easy_deg", [0.0, 33.0, 170.0])
def test_two_snaps_below_the_switching_value_and_one_above(psi_deg, easy_deg):
    psi, easy = math.radians(psi_deg), math.radians(easy_deg)
    switching = SWITCHING[psi_deg]
    assert len(rests(magnet(switching * (1 - 1e-6), psi, easy))) == 2
    assert len(rests(magnet(switching * (1 + 1e-6), psi, easy))) == 1
    assert astroid(magnet(switching, psi, easy)) == pytest.approx(1.0, abs=1e-9)


def test_minima_along_the_easy_axis_are_those_of_the_closed_form():
    """Field along the easy axis, h < 1: minima at 0 and 180°, crests where cos x = −h, barriers (1 ± h)²."""
    firm, weak = rests(magnet(0.3, 0.0))
    assert (firm.angle, weak.angle) == pytest.approx((0.0, math.pi), abs=1e-12)
    assert firm.barrier == pytest.approx(1.3**2, rel=1e-12)
    assert weak.barrier == pytest.approx(0.7**2, rel=1e-12)


def test_minima_across_the_easy_axis_are_those_of_the_closed_form():
    """Field across the easy axis, h < 1: minima where sin x = h, barriers (1 − h)² over the nearer crest."""
    pair = rests(magnet(0.4, math.pi / 2))
    assert sorted(rest.angle for rest in pair) == pytest.approx(
        [math.asin(0.4), math.pi - math.asin(0.4)], abs=1e-12
    )
    assert [rest.barrier for rest in pair] == pytest.approx([0.36, 0.36], rel=1e-12)


@given(st.floats(0.01, 3.0), st.floats(0.0, 2 * math.pi), st.floats(0.0, math.pi), st.floats(1e-6, 1e3))
def test_number_of_snaps_is_that_of_the_astroid_and_of_brute_force(h, psi, easy, size):
    edge = abs(h * math.cos(psi)) ** (2 / 3) + abs(h * math.sin(psi)) ** (2 / 3)
    energy = magnet(h, psi, easy, size)
    found = rests(energy)
    if abs(edge - 1) > 1e-6:
        assert len(found) == (2 if edge < 1 else 1)
    if abs(edge - 1) > 0.02:
        level = energy(np.linspace(0, 2 * math.pi, 7200, endpoint=False))
        low = (level < np.roll(level, 1)) & (level <= np.roll(level, -1))
        assert np.count_nonzero(low) == len(found)
    parts = np.array([[energy.p_cos, energy.p_sin, energy.q_cos, energy.q_sin]])
    angles, barriers = minima(parts)
    if abs(edge - 1) > 1e-6:
        assert np.count_nonzero(np.isfinite(angles)) == len(found)
        assert sorted(barriers[0][np.isfinite(barriers[0])]) == pytest.approx(
            sorted(rest.barrier for rest in found), rel=1e-6, abs=1e-9 * size
        )
