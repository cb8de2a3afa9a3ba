"""Spikes, noise, blocks, samples, the mark and the live fit, each by itself."""

import math

import numpy as np
import pytest
from analysis_roll_truth import TURN, apart, held, stiffness_matrix, there_and_back, vector

from analysis.estimate import Estimate
from analysis.roll import LiveRoll, Snap
from analysis.roll.mark import mark_of
from analysis.roll.noise import density
from analysis.roll.regression import Blocks, spikes
from analysis.roll.sift import covered
from analysis.roll.snaps import sampled


def remembering(rng, n, memory):
    a = math.exp(-1 / memory)
    out = np.empty(n)
    out[0] = rng.normal()
    for index in range(1, n):
        out[index] = a * out[index - 1] + math.sqrt(1 - a * a) * rng.normal()
    return out


@pytest.mark.parametrize("memory", [0.01, 10.0])
def test_normal_noise_has_no_spikes_with_or_without_memory(memory):
    rng = np.random.default_rng(0)
    runs = [spikes(remembering(rng, 1000, memory)).any() for _ in range(40)]
    assert sum(runs) <= 1


def test_spikes_are_told_from_their_neighbours_and_bursts_of_three_too():
    rng = np.random.default_rng(1)
    true = np.zeros(2500, dtype=bool)
    true[rng.choice(2400, 20, replace=False) + 30] = True
    true[[5, 6, 7, 2490, 2491, 2492]] = True
    marked = spikes(rng.normal(size=2500) + 15.0 * true)
    assert np.all(marked[true])
    assert np.count_nonzero(marked & ~true) <= 2


@pytest.mark.parametrize(("size", "tau"), [(1, 5.0), (4, 3.0), (8, 0.4)])
def test_density_of_block_means_is_the_sum_over_their_covariances(size, tau):
    """Directly: covariances of means from the readings' covariance matrix, then S = γ0 + 2·Σ γ_h·cos(ω·h)."""
    n, lags = 32, 120
    places = np.arange((lags + 1) * size)
    readings = np.exp(-places / (tau * size))
    gamma = np.array(
        [
            np.mean([readings[abs(h * size + j - i)] for i in range(size) for j in range(size)])
            for h in range(lags)
        ]
    )
    omega = np.pi * np.arange(n) / n
    expected = gamma[0] + 2 * sum(gamma[h] * np.cos(omega * h) for h in range(1, lags))
    np.testing.assert_allclose(density(n, size, tau), expected, rtol=1e-6)


def test_blocks_average_columns_and_target_alike():
    rng = np.random.default_rng(3)
    rows, keep = rng.normal(size=(3, 1001)), rng.random(1001) > 0.2
    target = np.array([1.0, -2.0, 0.5]) @ rows
    means, fitted = Blocks(7, np.arange(143) * 7).means(rows, target, keep)
    np.testing.assert_allclose(means @ [1.0, -2.0, 0.5], fitted, atol=1e-12)
    white = np.array(
        [Blocks(7, np.arange(143) * 7).means(rows, rng.normal(size=1001), keep)[1] for _ in range(200)]
    )
    assert white.var() == pytest.approx(1 / 7, rel=0.05)


def test_samples_have_the_mean_and_covariance_that_were_asked_for():
    rng = np.random.default_rng(4)
    root = rng.normal(size=(4, 4))
    samples = sampled(np.arange(4.0), root @ root.T, math.inf)
    np.testing.assert_allclose(samples.mean(axis=0), np.arange(4.0), atol=1e-12)
    np.testing.assert_allclose(np.cov(samples.T, ddof=0), root @ root.T, atol=1e-10)
    np.testing.assert_array_equal(samples, sampled(np.arange(4.0), root @ root.T, math.inf))


def test_coverage_is_the_turn_without_its_gaps():
    roll = np.radians(np.arange(0.0, 300.0, 0.5))
    assert covered(roll) == pytest.approx(299.5 / 360, abs=1e-3)
    assert covered(np.radians(np.arange(0, 360, 5.0))) == 1.0
    assert covered(roll + 3.0) == pytest.approx(299.5 / 360, abs=1e-3)


def snap(degrees, ci95=1.0):
    return Snap(Estimate(math.radians(degrees), math.radians(ci95) / 1.96), Estimate(0.01, 0.001), "both")


PLANE = Estimate(math.radians(30.0), math.radians(0.5))


@pytest.mark.parametrize(
    ("rule", "snaps", "tied", "mark", "tie"),
    [
        ("snap", (110.0, 300.0), False, 110.0, None),
        ("snap", (110.0, 300.0), True, 300.0, 110.0),
        ("snap-back", (110.0, 300.0), False, 290.0, None),
        ("snap-back", (110.0, 300.0), True, 290.0, 120.0),
        ("soft", (110.0, 300.0), False, 120.0, None),
        ("soft", (120.0, 300.0), True, 300.0, 120.0),
        ("stiff", (40.0,), False, 30.0, None),
        ("stiff", (200.0,), False, 210.0, None),
        ("stiff", (120.0, 300.0), False, 30.0, 210.0),
        ("stiff", (), False, 30.0, 210.0),
    ],
)
def test_mark_follows_the_shops_rule(rule, snaps, tied, mark, tie):
    chosen = mark_of(rule, tuple(snap(angle) for angle in snaps), tied, PLANE)
    assert math.degrees(chosen.angle.value) == pytest.approx(mark)
    assert (chosen.tie is None) == (tie is None)
    if tie is not None:
        assert math.degrees(chosen.tie) == pytest.approx(tie)
    assert chosen.why.endswith(".")


@pytest.mark.parametrize(("rule", "plane"), [("stiff", None), ("soft", None), ("snap", PLANE)])
def test_a_rule_that_cannot_be_met_gives_no_mark_and_says_why(rule, plane):
    chosen = mark_of(rule, (), False, plane)
    assert chosen.angle is None
    assert chosen.why.startswith("No mark")


MATRIX = stiffness_matrix(4.0, 0.05, 0.6)
BOW = vector(0.004, 1.7)


def roll_live(sigma, n=1600, spoil=False, target=0.01745):
    rng = np.random.default_rng(5)
    roll = there_and_back(n)
    load = held(roll, 0.45, MATRIX, BOW) + sigma * rng.normal(size=n)
    if spoil:
        load[11::83] += 2.0
        load[20::119] = math.nan
    live = LiveRoll(held_travel_m=0.45, free_length_m=1.8, target=target)
    states = []
    for index in range(n):
        live.add(roll[index] % TURN, load[index], index / 80)
        if index % 100 == 99:
            states.append(live.state())
    return states


@pytest.mark.parametrize("spoil", [False, True])
def test_live_plane_holds_the_truth_and_says_when_it_is_enough(spoil):
    states = roll_live(0.004, spoil=spoil)
    assert states[0].stiff_plane is None
    assert states[0].roll_needed > 0
    last = states[-1]
    assert apart(last.stiff_plane.value, 0.6, math.pi) <= 1.5 * last.stiff_plane.ci95
    assert last.coverage == 1.0
    assert last.turns == pytest.approx(2.0, abs=0.02)
    for state in states:
        if state.enough:
            assert state.mark.angle.noise_ci95 <= math.radians(1.0)
    assert last.enough == (last.mark.angle.noise_ci95 <= math.radians(1.0))
    assert (last.left_out > 20) == spoil


def test_live_is_enough_sooner_with_less_noise():
    quiet = [state.enough for state in roll_live(0.0005)]
    loud = [state.enough for state in roll_live(0.02)]
    assert quiet[-1]
    assert quiet.index(True) < len(quiet) - 1
    assert not any(loud)


def test_live_takes_a_hanging_weight():
    roll = there_and_back(800)
    compliance = np.linalg.inv(MATRIX)
    live = LiveRoll(held_load_N=1.8, free_length_m=1.8)
    for index, angle in enumerate(roll):
        pull = vector(1.0, angle)
        live.add(angle, 1.8 * pull @ compliance @ pull + BOW @ pull + 1e-6 * (-1) ** index, index / 80)
    state = live.state()
    assert apart(state.stiff_plane.value, 0.6, math.pi) < math.radians(0.05)
    assert state.stiffness == pytest.approx(4.0, rel=1e-3)
