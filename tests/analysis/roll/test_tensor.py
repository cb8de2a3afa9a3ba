"""Load, travel and energy of the tensor model against matrices and against each other."""

import math

import numpy as np
import pytest
from analysis_roll_truth import apart, free, hanging, held, minima, stiffness_matrix, vector

from analysis.roll.snaps import rests
from analysis.roll.tensor import (
    Blank,
    energy_of,
    from_compliance,
    to_compliance,
)

K, DELTA, PLANE = 4.0, 0.05, 0.7
MATRIX = stiffness_matrix(K, DELTA, PLANE)
BOW = vector(0.02, 2.1)
FORCE = MATRIX @ BOW
BLANK = Blank(K, FORCE[0], FORCE[1], DELTA * math.cos(2 * PLANE), DELTA * math.sin(2 * PLANE))


def test_free_tip_shows_a_third_wave_of_half_the_anisotropy_ratio_times_the_first():
    roll = np.arange(360) * math.pi / 180
    load = free(roll, 0.45, MATRIX, BOW)
    wave = [2 * abs(np.mean(load * np.exp(1j * m * roll))) for m in range(4)]
    assert wave[3] == pytest.approx(0.5 * DELTA / K * wave[1], rel=0.02)


def test_bow_and_planes_come_back_from_the_tensor():
    assert BLANK.bow == pytest.approx(tuple(BOW), abs=1e-15)
    assert BLANK.stiff_plane == pytest.approx(PLANE)
    assert BLANK.anisotropy == pytest.approx(2 * DELTA / K)


def test_compliance_and_back_is_the_identity_with_the_right_derivative():
    compliance = to_compliance(BLANK.numbers)
    numbers, jacobian = from_compliance(compliance)
    np.testing.assert_allclose(numbers, BLANK.numbers, rtol=1e-12, atol=1e-15)
    for column in range(5):
        step = 1e-6 * max(abs(compliance[column]), 1e-3)
        up, down = compliance.copy(), compliance.copy()
        up[column] += step
        down[column] -= step
        slope = (from_compliance(up)[0] - from_compliance(down)[0]) / (2 * step)
        np.testing.assert_allclose(jacobian[:, column], slope, rtol=1e-6, atol=1e-6 * abs(slope).max())


def test_first_wave_of_each_contact_points_off_the_bow_as_stated():
    """Held: bow = β + ε·sin 2(β − φ); free: half of it; hanging: none (first order in ε)."""
    epsilon = DELTA / K
    roll = np.arange(720) * math.pi / 360
    for reading, part, sign in (
        (held(roll, 0.45, MATRIX, BOW), 1.0, -1),
        (free(roll, 0.45, MATRIX, BOW), 0.5, -1),
        (hanging(roll, 1.8, MATRIX, BOW), 0.0, 1),
    ):
        beta = float(np.angle(sign * np.mean(reading * np.exp(1j * roll))))
        assert beta + part * epsilon * math.sin(2 * (beta - PLANE)) == pytest.approx(2.1, abs=2e-4)


@pytest.mark.parametrize("bow_m", [0.0005, 0.002, 0.004, 0.02])
def test_minima_of_the_energy_are_those_of_the_full_quadratic_form(bow_m):
    bow = vector(bow_m, 2.1)
    force = MATRIX @ bow
    blank = Blank(K, force[0], force[1], BLANK.d_cos, BLANK.d_sin)
    angles, barriers = minima(0.45, MATRIX, bow)
    found = rests(energy_of(blank, 0.45))
    assert len(found) == len(angles)
    for rest, angle, barrier in zip(found, angles, barriers, strict=True):
        assert apart(rest.angle, angle) < 2e-4
        assert rest.barrier == pytest.approx(barrier, rel=1e-5, abs=1e-10)


def test_barrier_correction_is_that_of_a_load_stiffening_with_the_square_of_the_travel():
    """Energy by integrating F = k0·d·(1 + c·d²) with its shares, against the factors.

    The 2-per-turn part of the load is a fixed share of the mean load, so its energy is the integral of
    d·(1 + c·d²); the bow's part of the load is read at the full travel as f = k·u0 with k = k0·(1 + c·d²),
    so its energy is the integral of (1 + c·d²).
    """
    d, k0, c = 0.45, 3.25, 0.75
    x = c * d * d
    steps = (np.arange(100_000) + 0.5) * d / 100_000
    two = np.mean(steps * (1 + c * steps**2)) * d / (0.5 * d * d * (1 + x))
    one = np.mean(1 + c * steps**2) / (1 + x)
    blank = Blank(k0 * (1 + x), 0.1, 0.0, 0.04, 0.0)
    plain, corrected = energy_of(blank, d), energy_of(blank, d, k0)
    assert corrected.p_cos / plain.p_cos == pytest.approx(two, rel=1e-6)
    assert corrected.q_cos / plain.q_cos == pytest.approx(one, rel=1e-6)
