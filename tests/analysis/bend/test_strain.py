"""Where a blank works hardest: against closed forms, the published elastica table and another solver."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bent_blanks import BLANKS, bend, flexed
from scipy.integrate import solve_ivp

from analysis.bend import Profile, fit_flex
from analysis.bend.strain import Diameters, Stretch
from analysis.errors import BlankbenchError
from analysis.estimate import Share

EVEN = Profile.of(lambda s: 4.0 + 0.0 * s, 2.0)


def test_an_even_blank_works_hardest_at_the_chuck_and_its_moment_is_the_load_times_the_arm() -> None:
    """Published elastica: at F·L²/EI = 1 the tip stands at x/L = 0.94357 (Bisshopp & Drucker 1945, Fig. 2,
    here from the table's formula), so that κ·L = x/L.
    """
    from scipy.optimize import brentq
    from scipy.special import ellipk, ellipkinc

    def miss(tip: float) -> float:
        m = 0.5 * (1.0 + math.sin(tip))
        return float(ellipk(m) - ellipkinc(math.asin(1.0 / math.sqrt(2.0 * m)), m)) - 1.0

    tip = brentq(miss, 1e-6, 1.5, xtol=1e-14)
    arm = math.sqrt(2.0 * math.sin(tip))  # x/L at F·L²/EI = 1
    assert arm == pytest.approx(0.94357, abs=5e-6)
    found = Stretch(EVEN).hardest(1.0)  # F·L²/EI = 1·4/4
    assert found.from_tip.value == pytest.approx(2.0)
    assert found.curvature.value == pytest.approx(arm / 2.0, rel=1e-6)
    assert found.radius.value == pytest.approx(2.0 / arm, rel=1e-6)
    assert found.strain is None


def test_a_small_load_on_a_cone_is_hardest_where_the_closed_form_says() -> None:
    """Solid cone, d = d0·(1 − (1 − r)·s/L): κ ~ t/(r + (1 − r)·t/L)⁴ has its maximum at t/L = r/(3(1 − r));
    the bending stress, κ·d, at t/L = r/(2(1 − r)), where d is 1.5 times that at the tip (strength of
    materials, textbook result for a tip load on a circular taper).
    """
    r, length = 0.4, 1.5
    cone = Profile.of(lambda s: 25.0 * (1.0 - (1.0 - r) * s / length) ** 4, length, 801)
    sizes = Diameters(np.array([0.0, length]), np.array([r * 12e-3, 12e-3]))
    load = 1e-3
    found = Stretch(cone, sizes).hardest(load)
    t = r / (3.0 * (1.0 - r))
    assert found.from_tip.value == pytest.approx(t * length, abs=2e-3)
    assert found.curvature.value == pytest.approx(
        load * t * length / (25.0 * (r + (1 - r) * t) ** 4), rel=1e-4
    )
    assert found.strain is not None
    assert found.strain_from_tip is not None
    u = r / (2.0 * (1.0 - r))
    assert found.strain_from_tip.value == pytest.approx(u * length, abs=2e-3)
    wide = r + (1.0 - r) * u
    assert wide / r == pytest.approx(1.5)
    assert found.strain.value == pytest.approx(
        0.5 * 12e-3 * wide * load * u * length / (25.0 * wide**4), rel=1e-4
    )


def test_a_strongly_bent_taper_agrees_with_shooting() -> None:
    rigidity, length, load = BLANKS["thin tube"](1.8), 1.8, 2.5
    profile = Profile.of(np.vectorize(rigidity), length, 801)
    _, tip, _ = bend(rigidity, length, load)

    def slope(t: float, y: np.ndarray) -> list[float]:
        return [-y[1] / rigidity(length - t), load * math.cos(y[0])]

    from_tip = np.linspace(0.0, length, 2001)
    out = solve_ivp(slope, (0.0, length), [tip, 0.0], t_eval=from_tip, rtol=1e-10, atol=1e-12)
    curvature = out.y[1] / np.array([rigidity(length - t) for t in from_tip])
    found = Stretch(profile).hardest(load)
    assert found.curvature.value == pytest.approx(float(curvature.max()), rel=1e-5)
    assert found.from_tip.value == pytest.approx(float(from_tip[np.argmax(curvature)]), abs=4e-3)


def test_a_limit_is_reached_at_the_load_it_gives_and_a_high_one_is_not_made_up() -> None:
    stretch = Stretch(EVEN, Diameters(np.array([0.0, 2.0]), np.array([4e-3, 12e-3])))
    limit = stretch.limit("strain", 0.003)
    assert limit.load is not None
    there = stretch.hardest(limit.load.value)
    assert there.strain is not None
    assert there.strain.value == pytest.approx(0.003, rel=1e-6)
    assert limit.from_tip_m == pytest.approx(2.0)
    tight = stretch.limit("curvature", 0.4)
    assert tight.load is not None
    assert stretch.hardest(tight.load.value).radius.value == pytest.approx(2.5, rel=1e-6)
    assert stretch.limit("curvature", 100.0).load is None
    with pytest.raises(ValueError, match="diameters"):
        Stretch(EVEN).limit("strain", 0.01)


def test_half_widths_from_runs_hold_the_truth() -> None:
    rigidity, load = BLANKS["thin tube"](1.8), 2.0
    true = Stretch(Profile.of(np.vectorize(rigidity), 1.8, 801))
    curvature, limit = true.hardest(load).curvature.value, true.limit("curvature", 1.2).load
    assert limit is not None
    inside = []
    for seed in range(12):
        profile = fit_flex(flexed(seed=seed)).profile
        assert profile is not None
        found = Stretch(profile)
        at_load, reached = found.hardest(load), found.limit("curvature", 1.2).load
        assert reached is not None
        assert 0.0 < at_load.curvature.ci95 < 0.1 * at_load.curvature.value
        inside.append(abs(at_load.curvature.value - curvature) <= at_load.curvature.ci95)
        inside.append(abs(reached.value - limit.value) <= reached.ci95)
    assert sum(inside) >= 20


def test_a_scale_of_the_rigidity_moves_the_limit_as_much_and_the_curvature_less() -> None:
    stretch = Stretch(EVEN, scales=[Share("load calibration", 0.02, shared=True)])
    limit = stretch.limit("curvature", 0.4).load
    assert limit is not None
    assert limit.ci95 == pytest.approx(0.02 * limit.value)
    stiffer = Stretch(Profile.of(lambda s: 4.0 * 1.02 + 0.0 * s, 2.0))
    found, moved = stretch.hardest(1.0).curvature, stiffer.hardest(1.0).curvature
    assert found.ci95 == pytest.approx(found.value - moved.value, rel=0.03)


def test_diameters_that_do_not_reach_the_chuck_are_refused() -> None:
    with pytest.raises(BlankbenchError, match="from the tip"):
        Stretch(EVEN, Diameters(np.array([0.0, 1.5]), np.array([4e-3, 10e-3])))
    for at, outer in (([0.0, 0.0], [1e-3, 1e-3]), ([0.0, 1.0], [1e-3, -1e-3]), ([0.0], [1e-3])):
        with pytest.raises(ValueError, match="diameters"):
            Diameters(np.array(at), np.array(outer))
