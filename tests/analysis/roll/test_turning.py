"""The direction of rolling where the hand rests: the sensor's jitter there is no turning."""

import numpy as np
import pytest

from analysis.roll.sift import direction

COUNT = 2.0 * np.pi / 4096.0


@pytest.mark.parametrize(("rate", "speed_deg_s"), [(80, 40.0), (80, 8.0), (1000, 25.0), (5000, 25.0)])
def test_a_resting_hand_keeps_the_direction_that_it_came_with(rate, speed_deg_s):
    way = np.radians(speed_deg_s) / rate * np.ones(int(360.0 / speed_deg_s * rate))
    rest = np.zeros(rate)
    true = np.cumsum(np.concatenate((rest, way, rest, -way, rest)))
    jitter = np.random.default_rng(4).normal(0.0, 5e-4, true.size)
    roll = np.round((true + jitter) / COUNT) * COUNT
    sign, two_way = direction(roll)
    assert two_way
    forth = np.arange(true.size) < way.size + 2 * rate
    wrong = np.sum(sign != np.where(forth, 1.0, -1.0))
    # it may err about the reversal, by the time in which the hand turns a degree or two
    assert wrong <= 2.0 / speed_deg_s * rate + 1
