"""What the chosen model leaves out, and how far it would move the answer.

Over whole turns a further wave moves nothing; over a part of a turn, or a turn with a gap, it leaks
into the first two. Drift over one turn does the same. What is left out is too small to be seen, so its
size is bounded by what would have been seen, and by what is plausible.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.readings import Floats
from analysis.roll.tensor import SIZE, Matrix

_NEXT_WAVE = 0.02
"""Largest plausible wave that is left out, over the first two waves together."""
_NEXT_BEND = 0.25
"""Largest plausible next bend of the drift, over the last one in the model."""


@dataclass(frozen=True, slots=True)
class Leak:
    """How far something left out may move the core's coefficients."""

    cause: str
    """``harmonics`` or ``drift``."""
    shifts: Matrix
    """Shifts of the core (95 %), independent of each other, shape (m, 5)."""


def leaks(
    rows: Matrix, chosen: NDArray[np.intp], wave: int | None, bend: int | None, values: Floats, sigma: float
) -> tuple[Leak, ...]:
    """Bound what the next columns would do.

    Parameters
    ----------
    rows : ndarray, shape (blocks, k)
        All columns, averaged in blocks.
    chosen : ndarray of int
        Columns in the model.
    wave, bend : int or None
        First column of the next wave (a cosine, its sine behind it), and of the next bend; None where
        there is none.
    values : ndarray, shape (k,)
        Coefficients found, 0 for columns left out.
    sigma : float
        Standard deviation of a block about the model.
    """
    model = rows[:, chosen]
    inverse = np.linalg.inv(model.T @ model)
    out = []
    if wave is not None:
        further = rows[:, wave : wave + 2]
        leak = inverse @ (model.T @ further)
        left = further - model @ leak
        most = _NEXT_WAVE * _amplitude(values, rows)
        sizes = [
            min(most, 1.96 * sigma / max(float(np.linalg.norm(left[:, side])), 1e-300)) for side in (0, 1)
        ]
        out.append(Leak("harmonics", (leak[:SIZE] * sizes).T))
    if bend is not None:
        further = rows[:, bend : bend + 1]
        leak = inverse @ (model.T @ further)
        size = _NEXT_BEND * abs(float(values[bend - 1]))
        out.append(Leak("drift", (leak[:SIZE] * size).T))
    return tuple(out)


def _amplitude(values: Floats, rows: Matrix) -> float:
    """Amplitudes of the first two waves in the reading's unit, added."""
    sizes = np.abs(values[1:SIZE]) * np.sqrt(np.mean(rows[:, 1:SIZE] ** 2, axis=0))
    return float(math.sqrt(2.0) * (math.hypot(sizes[0], sizes[1]) + math.hypot(sizes[2], sizes[3])))
