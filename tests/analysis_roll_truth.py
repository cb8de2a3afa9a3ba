"""Independent models for the roll tests: a held, free or hanging blank, and its minima by brute force.

Written with matrices and a grid, apart from the package's own formulas.
"""

import math

import numpy as np

from analysis.readings import RigErrors, RollReadings

TURN = 2 * math.pi


def stiffness_matrix(k, delta, plane):
    """The stiffness tensor: k + delta along `plane`, k − delta across it."""
    axis = np.array([math.cos(plane), math.sin(plane)])
    across = np.array([-axis[1], axis[0]])
    return (k + delta) * np.outer(axis, axis) + (k - delta) * np.outer(across, across)


def vector(size, direction):
    return size * np.array([math.cos(direction), math.sin(direction)])


def held(roll, travel, matrix, bow):
    """Tip moved by `travel` along the pull and kept from moving sideways: force along the pull."""
    pull = np.column_stack([np.cos(roll), np.sin(roll)])
    moved = np.asarray(travel)[..., np.newaxis] * pull - bow
    return np.einsum("ni,ij,nj->n", pull, matrix, moved)


def free(roll, travel, matrix, bow):
    """No force across the pull: solve for it."""
    out = np.empty(roll.size)
    compliance = np.linalg.inv(matrix)
    for index, angle in enumerate(roll):
        pull = vector(1.0, angle)
        out[index] = (travel - bow @ pull) / (pull @ compliance @ pull)
    return out


def hanging(roll, weight, matrix, bow):
    """A weight along the pull: travel of the tip."""
    compliance = np.linalg.inv(matrix)
    pull = np.column_stack([np.cos(roll), np.sin(roll)])
    return weight * np.einsum("ni,ij,nj->n", pull, compliance, pull) + pull @ bow


def minima(travel, matrix, bow, count=72_000):
    """Angles (deepest first) and barriers of the energy ½·moved·K·moved over the roll, by brute force."""
    grid = np.linspace(0, TURN, count, endpoint=False)
    pull = np.column_stack([np.cos(grid), np.sin(grid)])
    moved = travel * pull - bow
    energy = 0.5 * np.einsum("ni,ij,nj->n", moved, matrix, moved)
    low = np.flatnonzero((energy < np.roll(energy, 1)) & (energy <= np.roll(energy, -1)))
    high = np.flatnonzero((energy > np.roll(energy, 1)) & (energy >= np.roll(energy, -1)))
    crest = energy[high].min() if len(high) > 1 else energy[high[0]]
    order = np.argsort(energy[low])
    return grid[low][order], (crest - energy[low])[order]


def apart(a, b, period=TURN):
    """Distance of two wrapped angles."""
    return abs((a - b + period / 2) % period - period / 2)


def there_and_back(n, turns=1.0, start=0.0):
    half = n // 2
    out = np.linspace(0, turns * TURN, half)
    return start + np.concatenate([out, np.linspace(turns * TURN, 0, n - half)])


def run(roll, load=None, travel=0.45, *, hz=80.0, length=1.8, rig=None, contact="held", blank="T-1"):
    return RollReadings(
        time_s=np.arange(roll.size) / hz,
        roll=np.mod(roll, TURN),
        load_N=load,
        travel_m=None,
        held_travel_m=travel,
        held_load_N=None,
        free_length_m=length,
        contact=contact,
        rig=rig or RigErrors(),
        blank=blank,
    )
