"""The estimator: from sifted readings to the blank's five numbers with their covariance.

1. A first fit, from which spikes are told (`spikes`) and taken out.
2. Readings are averaged in blocks of equal count. What tells a plane is slow; averaging keeps it, and
   the columns are averaged alike, so nothing is approximated. The noise of block means is near normal
   whatever the amplifier does, and its variance and memory come from the blocks themselves.
3. Harmonics and drift are chosen by the corrected information criterion, under the full fit's noise model.
4. Generalised least squares with an autoregression in time order (`noise`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.readings import Floats
from analysis.roll import model
from analysis.roll.model import MOST_DRIFT, MOST_HARMONICS, Columns, Kind
from analysis.roll.noise import Autoregression, autoregression
from analysis.roll.regression import LeastSquares, least_squares
from analysis.roll.sift import Sifted
from analysis.roll.spikes import spikes
from analysis.roll.tensor import SIZE, Matrix, to_compliance

_LEAST_BLOCKS = 300
_BLOCKS_A_TURN = 120


@dataclass(frozen=True, slots=True)
class Fitted:
    """The outcome of the estimator."""

    kind: Kind
    """What kind of run it was."""
    core: Floats
    """Coefficients of the kind's own five columns, shape (5,)."""
    numbers: Floats
    """k, f·cos β, f·sin β, Δ·cos 2φ, Δ·sin 2φ, shape (5,)."""
    spread: Matrix
    """Covariance of `numbers` from the noise, shape (5, 5)."""
    core_spread: Matrix
    """Covariance of `core`, shape (5, 5)."""
    dof: float
    """Degrees of freedom behind it."""
    values: Floats
    """All coefficients of the chosen model, shape (k,)."""
    values_spread: Matrix
    """Their covariance, shape (k, k)."""
    used: NDArray[np.intp]
    """Which of the columns they belong to, shape (k,)."""
    columns: Columns
    """The columns at every reading."""
    harmonics: int
    """Highest number of waves per turn."""
    drift_order: int
    """Highest power of time in the drift."""
    noise: float
    """Standard deviation of the single readings about the model."""
    spike: NDArray[np.bool_]
    """Readings left out, shape (n,)."""
    memory_rad: float
    """Roll after which the noise is new, rad."""


def estimate(sifted: Sifted, kind: Kind) -> Fitted:
    """Fit a run (see the module's text)."""
    compliance: Floats | None = None
    if kind == "free":
        held = _estimate(sifted, "held", None)
        compliance = to_compliance(held.numbers)
        for _ in range(4):
            fitted = _estimate(sifted, "free", compliance)
            step = np.max(np.abs(fitted.core - compliance) / np.abs(compliance[[0, 0, 0, 3, 3]] + 1e-12))
            compliance = fitted.core
            if step < 1e-9:
                break
        return fitted
    return _estimate(sifted, kind, None)


def _estimate(sifted: Sifted, kind: Kind, compliance: Floats | None) -> Fitted:
    columns, target = model.columns(sifted, kind, compliance)
    blocks = _Blocks.over(target.size, sifted.turns)
    full = _candidates(columns, sifted, blocks.count)
    everything = full[-1]
    block_rows, block_target = blocks.means(columns.rows, target, None)
    first = least_squares(block_rows[:, everything], block_target)
    residuals = target - first.values @ columns.rows[everything]
    spike = spikes(residuals)
    if spike.any():
        block_rows, block_target = blocks.means(columns.rows, target, ~spike)
        first = least_squares(block_rows[:, everything], block_target)
        residuals = target - first.values @ columns.rows[everything]
    ar = autoregression(first.residuals, everything.size)
    chosen, fit = _choose(full, ar, block_rows, block_target)
    again = block_target - block_rows[:, chosen] @ fit.values
    ar = autoregression(again, chosen.size)
    fit = least_squares(ar.whiten(block_rows[:, chosen]), ar.whiten(block_target[:, np.newaxis])[:, 0])
    rows = block_target.size
    variance = fit.rss / max(1, rows - chosen.size)
    spread = fit.spread * variance
    core, core_spread = fit.values[:SIZE], spread[:SIZE, :SIZE]
    numbers, numbers_spread = model.to_numbers(kind, core, core_spread)
    left = (target - fit.values @ columns.rows[chosen])[~spike]
    waves = chosen[chosen >= columns.waves].size // 2
    drift_order = int(np.count_nonzero((chosen >= columns.drift) & (chosen < columns.waves)))
    return Fitted(
        kind=kind,
        core=core,
        numbers=numbers,
        spread=numbers_spread,
        core_spread=core_spread,
        dof=ar.dof(rows, chosen.size),
        values=fit.values,
        values_spread=spread,
        used=chosen,
        columns=columns,
        harmonics=2 + waves,
        drift_order=drift_order,
        noise=float(math.sqrt(left @ left / max(1, left.size - chosen.size))),
        spike=spike,
        memory_rad=ar.memory * sifted.turns * 2.0 * math.pi / rows,
    )


@dataclass(frozen=True, slots=True)
class _Blocks:
    """Runs of readings that are averaged."""

    starts: NDArray[np.intp]
    """Index of the first reading of each block."""

    @classmethod
    def over(cls, n: int, turns: float) -> _Blocks:
        wanted = max(_LEAST_BLOCKS, int(_BLOCKS_A_TURN * turns))
        size = max(1, n // wanted)
        count = max(1, int(n / size + 0.5))
        return cls(np.arange(min(count, -(-n // size))) * size)

    @property
    def count(self) -> int:
        return int(self.starts.size)

    def means(self, rows: Matrix, target: Floats, keep: NDArray[np.bool_] | None) -> tuple[Matrix, Floats]:
        """Block means of columns, shape (blocks, k), and of the target; of the kept readings only."""
        size = int(self.starts[1]) if self.starts.size > 1 else target.size
        if keep is None and size == 1:
            return np.ascontiguousarray(rows.T), target
        if keep is None:
            counts = np.diff(self.starts, append=target.size)
            starts = self.starts
        else:
            before = np.concatenate([[0], np.cumsum(keep)])
            starts = before[self.starts]
            counts = np.diff(starts, append=before[-1])
            some = counts > 0
            starts, counts = starts[some], counts[some]
            rows, target = rows[:, keep], target[keep]
        sums = np.add.reduceat(rows, starts, axis=1)
        weight = np.sqrt(counts / size)
        share = weight / counts
        return (sums * share).T.copy(), np.add.reduceat(target, starts) * share


def _candidates(columns: Columns, sifted: Sifted, rows: int) -> list[NDArray[np.intp]]:
    """List the sets of columns to choose from, the fullest last.

    Drift of at least first order is always in, friction where both directions were rolled. On a part of a
    turn the further waves cannot be told from drift and the first two, so they are looked for only from a
    full turn's three quarters on.
    """
    core = np.arange(SIZE + (columns.friction is not None))
    most_waves = 2 if sifted.coverage < 0.75 or rows < 30 else MOST_HARMONICS
    most_drift = 1 if sifted.coverage < 0.75 or rows < 24 else MOST_DRIFT
    return [
        np.concatenate([core, columns.drift + np.arange(drift), columns.waves + np.arange(2 * (waves - 2))])
        for waves in range(2, most_waves + 1)
        for drift in range(1, most_drift + 1)
    ]


def _choose(
    sets: list[NDArray[np.intp]], ar: Autoregression, rows: Matrix, target: Floats
) -> tuple[NDArray[np.intp], LeastSquares]:
    """Pick the set with the least corrected information criterion under the noise model `ar`."""
    everything = sets[-1]
    white_rows = ar.whiten(rows[:, everything])
    white_target = ar.whiten(target[:, np.newaxis])[:, 0]
    n = target.size
    place = {int(column): index for index, column in enumerate(everything)}
    triangle: Matrix = np.asarray(np.linalg.qr(np.column_stack([white_rows, white_target]), mode="r"))
    total = triangle[:, -1]
    best, best_criterion = everything, math.inf
    tiny = 1e-24 * float(white_target @ white_target)
    for chosen in sets:
        picked = triangle[:, [place[int(column)] for column in chosen]]
        q, _ = np.linalg.qr(picked)
        inside = q.T @ total
        rss = max(float(total @ total - inside @ inside), 0.0)
        k = chosen.size
        criterion = n * math.log((rss + tiny) / n) + 2.0 * k * n / max(1.0, n - k - 1.0)
        if criterion < best_criterion:
            best, best_criterion = chosen, criterion
    at = [place[int(column)] for column in best]
    return best, least_squares(white_rows[:, at], white_target)
