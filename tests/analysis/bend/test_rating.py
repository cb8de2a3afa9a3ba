"""Ratings of a known rigidity, against closed forms and another solver."""

from __future__ import annotations

import pytest
from bent_blanks import BLANKS, truth
from scipy.integrate import quad

from analysis.bend import Profile, Taper, even_load, initial_stiffness, rate


def test_a_uniform_blank_is_its_own_even_blank_and_bends_about_two_thirds_from_the_tip() -> None:
    rating = rate(Taper(2.0, 7.0))
    assert rating.even_blank_rigidity_Nm2 == pytest.approx(7.0, rel=1e-8)
    assert rating.initial_stiffness_N_per_m == pytest.approx(3.0 * 7.0 / 2.0**3, rel=1e-10)
    assert rating.bend_centre == pytest.approx(2.0 / 3.0, abs=0.004)  # exactly 2/3 for a small load


def test_the_even_load_is_the_published_row_for_its_travel() -> None:
    """Mattiasson (1981), table 1: w/L = 0.30172 at F·L²/EI = 1, 0.49346 at 2 (five decimals)."""
    assert even_load(0.30172) == pytest.approx(1.0, abs=2e-5)
    assert even_load(0.49346) == pytest.approx(2.0, abs=4e-5)


@pytest.mark.parametrize("name", list(BLANKS))
def test_ratings_agree_with_shooting(name: str) -> None:
    rigidity = BLANKS[name](1.8)
    profile = Profile.of(lambda s: [rigidity(float(x)) for x in s], 1.8, 401)
    rating = rate(profile, elements=24)
    load, centre = truth(name)
    assert rating.reference_load_N == pytest.approx(load, rel=2e-5)
    assert rating.bend_centre == pytest.approx(centre, abs=2e-5)
    softness, _ = quad(lambda s: (1.8 - s) ** 2 / rigidity(s), 0.0, 1.8, points=[0.81])
    assert rating.initial_stiffness_N_per_m == pytest.approx(1.0 / softness, rel=1e-5)
    assert initial_stiffness(profile).value == pytest.approx(1.0 / softness, rel=1e-5)
