"""Snaps as the blank is bent further, against brute force over the turn and the astroid."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from show_examples import degrees, roll_result, sure

from analysis.roll.more_snaps import second_snap_travel, stages


def strong_bow():
    """1 % of anisotropy at 62°, 13.8 mm of bow toward 84°: one snap at the reference bend."""
    return roll_result(
        stiff_plane=degrees(62.0, 0.2),
        anisotropy=sure(0.01, 1e-4),
        stiffness=sure(5.5, 0.01),
        bow=sure(0.0138, 1e-4),
        bow_direction=degrees(84.0, 0.5),
        travel_m=0.525,
        free_length_m=2.1,
    )


def minima(travel: float) -> list[float]:
    """Minima of ½·e·K·e·d² − d·(K·u)·e over the roll on a fine grid, deg; matrices written here."""
    turn = np.linspace(0.0, 2.0 * math.pi, 72_000, endpoint=False)
    plane, bow = math.radians(62.0), math.radians(84.0)
    axes = np.array([[math.cos(plane), -math.sin(plane)], [math.sin(plane), math.cos(plane)]])
    tensor = axes @ np.diag([5.5 * 1.005, 5.5 * 0.995]) @ axes.T
    force = tensor @ (0.0138 * np.array([math.cos(bow), math.sin(bow)]))
    pull = np.stack([np.cos(turn), np.sin(turn)])
    energy = 0.5 * travel**2 * np.einsum("an,ab,bn->n", pull, tensor, pull) - travel * (force @ pull)
    low = (energy < np.roll(energy, 1)) & (energy < np.roll(energy, -1))
    return sorted(np.degrees(turn[low]).tolist())


@pytest.mark.parametrize("travel", [0.05, 0.2, 0.525, 0.9, 2.0])
def test_snaps_at_every_travel_are_the_minima_of_the_energy(travel: float) -> None:
    (stage,) = stages(strong_bow(), [travel])
    assert sorted(math.degrees(angle) for angle in stage.angles) == pytest.approx(minima(travel), abs=0.01)
    assert list(stage.barriers) == sorted(stage.barriers, reverse=True)


def test_the_second_snap_appears_at_the_astroids_edge() -> None:
    result = strong_bow()
    edge = second_snap_travel(result)
    assert edge is not None
    before, after = stages(result, [0.999 * edge, 1.001 * edge])
    assert len(before.angles) == 1
    assert len(after.angles) == 2
    assert len(minima(0.99 * edge)) == 1
    assert len(minima(1.01 * edge)) == 2


def test_without_bow_there_are_always_two_and_without_a_plane_one() -> None:
    clear = replace(roll_result(), bow=sure(0.0, 1e-4), bow_direction=None)
    assert second_snap_travel(clear) == 0.0
    round_tube = replace(strong_bow(), plane_found=False, stiff_plane=None)
    assert second_snap_travel(round_tube) is None
    assert [len(stage.angles) for stage in stages(round_tube, [0.1, 0.5])] == [1, 1]
