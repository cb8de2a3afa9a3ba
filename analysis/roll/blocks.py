"""Readings averaged in blocks of equal count: what tells a plane is slow, and averages are near normal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.readings import Floats
from analysis.roll.tensor import Matrix

LEAST_BLOCKS = 300
"""Blocks that a run is cut into, where it has the readings."""
_BLOCKS_A_TURN = 120
"""The same for each turn of a long run."""


@dataclass(frozen=True, slots=True)
class Blocks:
    """Runs of readings that are averaged."""

    size: int
    """Readings in a block (the last may hold fewer, or up to half a block more)."""
    starts: NDArray[np.intp]
    """Index of the first reading of each block, shape (blocks,)."""

    @classmethod
    def over(cls, n: int, turns: float) -> Blocks:
        """Cut n readings of a run of so many turns."""
        size = max(1, n // max(LEAST_BLOCKS, int(_BLOCKS_A_TURN * turns)))
        return cls(size, np.arange(max(1, int(n / size + 0.5))) * size)

    def means(self, rows: Matrix, target: Floats, keep: NDArray[np.bool_] | None) -> tuple[Matrix, Floats]:
        """Average columns and target over the kept readings of each block.

        Rows of blocks with fewer readings are scaled down, so that white noise is alike in all.

        Parameters
        ----------
        rows : ndarray, shape (k, n)
            Columns, one a row.
        target : ndarray, shape (n,)
        keep : ndarray of bool, shape (n,), or None
            Readings to use; None uses all.

        Returns
        -------
        ndarray, shape (blocks, k)
        ndarray, shape (blocks,)
        """
        if keep is None and self.size == 1:
            return np.ascontiguousarray(rows.T), target
        if keep is None:
            starts, counts = self.starts, np.diff(self.starts, append=target.size)
        else:
            before = np.concatenate([[0], np.cumsum(keep)])
            starts = before[self.starts]
            counts = np.diff(starts, append=before[-1])
            some = counts > 0
            starts, counts = starts[some], counts[some]
            rows, target = rows[:, keep], target[keep]
        weight = 1.0 / np.sqrt(counts * float(self.size))
        sums = np.add.reduceat(rows, starts, axis=1)
        return np.ascontiguousarray((sums * weight).T), np.add.reduceat(target, starts) * weight
