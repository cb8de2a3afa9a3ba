"""The hand: legs of the right length and mean speed, never turning round on the way; friction's memory."""

import numpy as np
import pytest

from rig.virtual.hand import Flex, Roll, Still, Stroke


def stroke(legs, *, speed=0.5, memory=0.1, unevenness=0.8, pause_s=0.4, seed=3):
    rng = np.random.default_rng(seed)
    return Stroke(1.0, legs, speed, memory, unevenness=unevenness, pause_s=pause_s, rng=rng)


def test_each_leg_takes_its_time_and_ends_where_it_should():
    hand = stroke([4.0, -6.0])
    # rest 0.4, leg 8 s, rest 0.4, leg 12 s, rest 0.4
    assert hand.duration_s == pytest.approx(21.2)
    at = np.array([0.0, 0.4, 8.4, 8.8, 20.8, 21.2, 100.0])
    assert hand.position(at) == pytest.approx([1.0, 1.0, 5.0, 5.0, -1.0, -1.0, -1.0], abs=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_an_uneven_hand_never_turns_round_within_a_leg(seed):
    hand = stroke([5.0, -5.0], unevenness=1.0, seed=seed)
    time = np.linspace(0.0, hand.duration_s, 20_001)
    step = np.diff(hand.position(time))
    assert np.all(step[time[:-1] < 10.6] >= 0.0)  # the first leg ends at 10.4 s, the second begins at 10.8 s
    assert np.all(step[time[:-1] > 10.6] <= 0.0)


def test_a_motor_turns_evenly_between_its_ramps_and_a_hand_does_not():
    middle = np.linspace(2.0, 8.0, 600)
    speed = {u: np.gradient(stroke([5.0], unevenness=u).position(middle), middle) for u in (0.0, 0.8)}
    assert np.ptp(speed[0.0]) < 1e-3
    assert np.std(speed[0.8]) > 0.05


def test_friction_turns_over_along_the_path_as_dahls_law_says():
    hand = stroke([4.0, -6.0], unevenness=0.0)
    time = np.linspace(0.0, hand.duration_s, 4001)
    place, sense = hand.position(time), hand.sense(time)
    first, second = (time >= 0.4) & (time < 8.8), time >= 8.8
    assert sense[time < 0.4] == pytest.approx(0.0)
    assert sense[first] == pytest.approx(1.0 - np.exp(-(place[first] - 1.0) / 0.1), abs=1e-6)
    assert sense[second] == pytest.approx(-1.0 + 2.0 * np.exp(-(5.0 - place[second]) / 0.1), abs=1e-6)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Still(0.0),
        lambda: Still(float("nan")),
        lambda: Roll(-0.1),
        lambda: Roll(0.5, turns=()),
        lambda: Roll(0.5, turns=(1.0, 0.0)),
        lambda: Roll(0.5, speed_deg_s=0.0),
        lambda: Flex(float("inf")),
        lambda: Flex(0.5, times=0),
        lambda: Flex(0.5, speed_m_s=-1.0),
    ],
)
def test_a_step_that_cannot_be_done_is_refused(make):
    with pytest.raises(ValueError, match=r"positive|leg|once"):
        make()
