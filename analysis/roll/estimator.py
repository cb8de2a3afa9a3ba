"""The estimator: from sifted readings to the blank's five numbers with their covariance.

1. A first fit, against which spikes are told (`spikes`) and taken out.
2. Readings are averaged in blocks of equal count, the columns alike, so nothing is approximated.
3. In the cosine basis every candidate of the noise (`noise`) is a set of weights; the restricted likelihood
   of the fullest model tells the most probable one, and under it the harmonics and the drift are chosen.
4. Generalised least squares under each candidate; the answers are averaged with the candidates' weights.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.readings import Floats
from analysis.roll import model
from analysis.roll.blocks import LEAST_BLOCKS, Blocks
from analysis.roll.model import MOST_DRIFT, MOST_HARMONICS, Columns, Kind
from analysis.roll.noise import Candidates, candidates, to_cosines
from analysis.roll.regression import least_squares
from analysis.roll.sift import Sifted
from analysis.roll.spikes import spikes
from analysis.roll.tensor import SIZE, Matrix, to_compliance

_PENALTY = 1.5
"""Cost of a further column over that of the Bayesian information criterion. An order chosen from the data
makes half-widths too narrow; at this cost it is chosen rarely enough that they stay true."""
_BENT_DRIFT_PENALTY = 0.9
"""The same for drift of second order, which every warming amplifier has."""
_CHEAP = 1.05
"""Drift of second order is always in where it widens the plane's half-width by less than this factor."""
_LEAST_WEIGHT = 0.05
"""Models less probable than this, against the best, are not averaged in."""
_LEAST_NOISE_WEIGHT = 2e-3
"""Candidates of the noise less probable than this are not averaged in."""
_FINEST = 1e-7
"""No amplifier resolves less of its largest reading (24 bits: 6e-8)."""
_ROUNDING = 1e-10
"""Least squared residual over the square of what is fitted: below it is rounding, not noise."""
_WHOLE = 0.75
"""Covered part of the turn from which on further waves and a bent drift are looked for."""


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
    dof: float
    """Degrees of freedom behind it: what is not known about the noise makes them few."""
    p_value: float
    """Probability that noise alone makes the 2-per-turn part so large."""
    values: Floats
    """Coefficients of all columns, 0 for those not chosen, shape (k,)."""
    values_spread: Matrix
    """Their covariance, shape (k, k)."""
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
    memory: float
    """Roll after which the noise is new, rad."""


def estimate(sifted: Sifted, kind: Kind) -> Fitted:
    """Fit a run (see the module's text).

    Raises
    ------
    numpy.linalg.LinAlgError
        If the readings do not determine the columns.
    """
    columns = model.columns(sifted, kind)
    blocks = Blocks.over(sifted.reading.size, sifted.turns)
    sets = _sets(columns, sifted, blocks.starts.size)
    target = _free_target(columns, sifted, blocks, sets[-1]) if kind == "free" else sifted.reading
    everything = sets[-1]
    rows, means = blocks.means(columns.rows, target, None)
    sets = _affordable(sets, rows, columns.drift, model.plane_pair(kind))
    first = least_squares(rows[:, everything], means)
    residuals = target - first.values @ columns.rows[everything]
    spike = spikes(residuals, _FINEST * float(np.abs(sifted.reading).max()))
    if spike.any():
        rows, means = blocks.means(columns.rows, target, ~spike)
        first = least_squares(rows[:, everything], means)
    known = candidates(means.size, blocks.size)
    base = least_squares(rows[:, sets[0]], means)
    grams = _Grams.of(rows[:, everything], known, sifted.turns)
    normal = grams.fitting(base.residuals, first.residuals, float(np.linalg.norm(means)))
    noise = int(np.argmax(normal.restricted(np.arange(everything.size)) + known.log_prior))
    position = {int(column): place for place, column in enumerate(everything)}
    places = [np.array([position[int(column)] for column in chosen]) for chosen in sets]
    weights = _model_weights(normal.gram[noise], places, means.size, _costs(sets, columns))
    best = int(np.argmax(weights))
    chosen = sets[best]
    before = np.zeros(everything.size)
    before[places[0]] = base.values
    before[places[best]] += normal.solve(places[best], np.array([noise]))[0][0] * normal.unit[places[best]]
    rest = means - rows[:, everything] @ before
    normal = grams.fitting(rest, first.residuals, float(np.linalg.norm(means)))
    log_weight = normal.restricted(places[best]) + known.log_prior
    noise_weights = np.exp(log_weight - log_weight.max())
    noise_weights /= noise_weights.sum()
    pair = np.arange(*model.plane_pair(kind).indices(SIZE))
    average = _average(normal, places, weights, noise_weights, pair, before)
    values = np.zeros(columns.rows.shape[0])
    spread = np.zeros((values.size, values.size))
    values[everything] = average.values
    spread[np.ix_(everything, everything)] = average.spread
    core, core_spread = values[:SIZE], spread[:SIZE, :SIZE]
    numbers, numbers_spread = model.to_numbers(kind, core, core_spread)
    left = (target - values @ columns.rows)[~spike]
    return Fitted(
        kind=kind,
        core=core,
        numbers=numbers,
        spread=numbers_spread,
        dof=average.dof,
        p_value=average.p_value,
        values=values,
        values_spread=spread,
        columns=columns,
        harmonics=2 + int(np.count_nonzero(chosen >= columns.waves)) // 2,
        drift_order=int(np.count_nonzero((chosen >= columns.drift) & (chosen < columns.waves))),
        noise=float(math.sqrt(left @ left / max(1, left.size - chosen.size))),
        spike=spike,
        memory=float(noise_weights @ known.memory) * sifted.turns * 2.0 * math.pi / means.size,
    )


def _free_target(columns: Columns, sifted: Sifted, blocks: Blocks, use: NDArray[np.intp]) -> Floats:
    """Linearise a free tip's load about its own least-squares estimate; return what is to be fitted."""
    rows, means = blocks.means(columns.rows[use], sifted.reading, None)
    compliance = to_compliance(least_squares(rows, means).values[:SIZE])
    for _ in range(6):
        target = model.linearise(columns, sifted, compliance)
        rows, means = blocks.means(columns.rows[use], target, None)
        found = least_squares(rows, means).values[:SIZE]
        step = float(np.max(np.abs(found - compliance) / np.abs(found[[0, 0, 0, 3, 3]] + 1e-9)))
        compliance = found
        if step < 1e-10:
            break
    return model.linearise(columns, sifted, compliance)


def _sets(columns: Columns, sifted: Sifted, blocks: int) -> list[NDArray[np.intp]]:
    """List the sets of columns to choose from, the fullest last.

    Drift of first order is always in, friction where both directions were rolled. On a part of a turn further
    waves and a bent drift cannot be told from the first two waves, so they are not looked for.
    """
    core = np.arange(columns.drift)
    most_waves = 2 if sifted.coverage < _WHOLE or blocks < 30 else MOST_HARMONICS
    most_drift = 1 if sifted.coverage < _WHOLE or blocks < 24 else MOST_DRIFT
    return [
        np.concatenate(
            [
                core,
                columns.drift + np.arange(drift),
                columns.waves + np.arange(2 * (waves - 2)),
            ]
        )
        for waves in range(2, most_waves + 1)
        for drift in range(1, most_drift + 1)
    ]


def _affordable(
    sets: list[NDArray[np.intp]], rows: Matrix, drift: int, pair: slice
) -> list[NDArray[np.intp]]:
    """Drop the sets with straight drift where bent drift costs the plane next to nothing."""
    if len(sets) == 1:
        return sets
    gram = rows[:, sets[1]].T @ rows[:, sets[1]]
    bent = np.linalg.inv(gram)[pair, pair]
    straight = np.linalg.inv(gram[:-1, :-1])[pair, pair]
    if np.linalg.det(bent) > _CHEAP**4 * np.linalg.det(straight):
        return sets
    return [chosen for chosen in sets if drift + 1 in chosen]


@dataclass(frozen=True, slots=True)
class _Grams:
    """Weighted products of the columns, scaled to unit length, under every candidate of the noise."""

    cosines: Matrix
    """Slow cosine coefficients of the scaled columns, shape (slow, k)."""
    scale: Floats
    """Lengths of the columns, shape (k,)."""
    gram: Matrix
    """XᵀWX, shape (candidates, k, k)."""
    known: Candidates
    """The candidates."""

    @classmethod
    def of(cls, rows: Matrix, known: Candidates, turns: float) -> _Grams:
        """Form the products. Columns are slow: cosines beyond 48 a turn carry almost nothing of them."""
        n, k = rows.shape
        slow = min(n, max(120, int(48 * turns)))
        cosines = to_cosines(rows)
        scale = np.sqrt(np.einsum("ij,ij->j", cosines, cosines))
        scaled = cosines[:slow] / scale
        upper = np.triu_indices(k)
        products = known.precision[:, :slow] @ (scaled[:, upper[0]] * scaled[:, upper[1]])
        gram = np.empty((len(products), k, k))
        gram[:, upper[0], upper[1]] = products
        gram[:, upper[1], upper[0]] = products
        return cls(scaled, scale, gram, known)

    def fitting(self, rest: Floats, residuals: Floats, size: float) -> _Normal:
        """Add what is to be fitted to the products.

        Parameters
        ----------
        rest : ndarray, shape (n,)
            What is to be fitted: block means without a part that the columns explain (for rounding's sake).
        residuals : ndarray, shape (n,)
            Residuals of a first fit: beyond the slow cosines they alone tell the noise.
        size : float
            Length of the block means; rounding makes no residual smaller than 1e-15 of it.
        """
        slow, k = self.cosines.shape
        both = to_cosines(np.column_stack([rest, residuals]))
        length = max(float(np.linalg.norm(rest)), 1e-15 * size)
        part, fast = both[:slow, 0] / length, both[slow:, 1] / length
        gram = np.empty((len(self.gram), k + 1, k + 1))
        gram[:, :k, :k] = self.gram
        gram[:, :k, k] = gram[:, k, :k] = self.known.precision[:, :slow] @ (
            self.cosines * part[:, np.newaxis]
        )
        gram[:, k, k] = self.known.precision @ np.concatenate([part * part, fast * fast]) + _ROUNDING
        return _Normal(gram, length / self.scale, self.known.log_determinant, rest.size)


@dataclass(frozen=True, slots=True)
class _Normal:
    """Weighted normal equations under every candidate of the noise."""

    gram: Matrix
    """[X r]ᵀ·W·[X r] with r what is fitted, all of unit length, shape (candidates, k + 1, k + 1)."""
    unit: Floats
    """A coefficient is so many times its scaled one, shape (k,)."""
    log_determinant: Floats
    """Of the candidates' densities, shape (candidates,)."""
    rows: int
    """Number of blocks."""

    def restricted(self, places: NDArray[np.intp]) -> Floats:
        """Find the restricted log-likelihood of a model under each candidate, its scale profiled out."""
        use = np.append(places, -1)
        triangle = np.linalg.cholesky(self.gram[:, use[:, np.newaxis], use])
        diagonal = np.log(np.diagonal(triangle, axis1=1, axis2=2))
        free = self.rows - places.size
        return np.asarray(-0.5 * self.log_determinant - diagonal[:, :-1].sum(axis=1) - free * diagonal[:, -1])

    def solve(self, places: NDArray[np.intp], noises: NDArray[np.intp]) -> tuple[Matrix, Matrix]:
        """Coefficients, shape (noises, k), and covariances, shape (noises, k, k), of the scaled columns."""
        use = np.append(places, -1)
        gram = self.gram[noises[:, np.newaxis, np.newaxis], use[:, np.newaxis], use]
        inverse = np.linalg.inv(gram[:, :-1, :-1])
        right = gram[:, :-1, -1]
        values = np.einsum("gij,gj->gi", inverse, right)
        rss = gram[:, -1, -1] - np.einsum("gi,gi->g", right, values)
        return values, inverse * (rss / (self.rows - places.size))[:, np.newaxis, np.newaxis]


def _costs(sets: list[NDArray[np.intp]], columns: Columns) -> Floats:
    """Find what each set's columns cost, in those of the Bayesian information criterion."""
    bent = [np.count_nonzero(chosen == columns.drift + 1) for chosen in sets]
    size = [chosen.size for chosen in sets]
    return _PENALTY * np.array(size) - (_PENALTY - _BENT_DRIFT_PENALTY) * np.array(bent)


def _model_weights(gram: Matrix, places: list[NDArray[np.intp]], n: int, costs: Floats) -> Floats:
    """Weigh the sets of columns by the (stiffened) Bayesian information criterion under one noise."""
    size = gram.shape[0]
    masked = np.empty((len(places), size, size))
    for index, place in enumerate(places):
        out = np.ones(size, dtype=bool)
        out[place] = out[-1] = False
        masked[index] = gram
        masked[index][out] = 0.0
        masked[index][:, out] = 0.0
        masked[index][out, out] = 1.0
    diagonal = np.diagonal(np.linalg.cholesky(masked), axis1=1, axis2=2)[:, -1]
    criterion = 2.0 * n * np.log(diagonal) + math.log(max(n, LEAST_BLOCKS)) * costs
    weights = np.exp(-0.5 * (criterion - criterion.min()))
    weights[weights < _LEAST_WEIGHT] = 0.0
    return np.asarray(weights / weights.sum())


@dataclass(frozen=True, slots=True)
class _Average:
    values: Floats
    spread: Matrix
    dof: float
    p_value: float


def _average(
    normal: _Normal,
    places: list[NDArray[np.intp]],
    weights: Floats,
    noise_weights: Floats,
    pair: NDArray[np.intp],
    before: Floats,
) -> _Average:
    """Average coefficients, covariances and the plane's test over models and candidates of the noise.

    The spread of the averaged covariances' logarithm makes the degrees of freedom (Satterthwaite): with
    variance v of log s², ν = 2/(v + 2/(n − k)), and the t-scale is the mean variance times (ν − 2)/ν.
    """
    unit = normal.unit
    size = unit.size
    start = before[pair] / unit[pair]
    mean = np.zeros(size)
    second = np.zeros((size, size))
    kept = np.flatnonzero(noise_weights > _LEAST_NOISE_WEIGHT)
    shares, sizes = [], []
    p_value = 0.0
    most = 0
    for index in np.flatnonzero(weights):
        place = places[index]
        values, spreads = normal.solve(place, kept)
        share = weights[index] * noise_weights[kept]
        mean[place] += share @ values
        second[np.ix_(place, place)] += np.einsum("g,gij->ij", share, spreads)
        second[np.ix_(place, place)] += np.einsum("g,gi,gj->ij", share, values, values)
        block = spreads[:, pair[:, np.newaxis], pair]
        determinant = block[:, 0, 0] * block[:, 1, 1] - block[:, 0, 1] ** 2
        x, y = start[0] + values[:, pair[0]], start[1] + values[:, pair[1]]
        twice_f = (
            x * x * block[:, 1, 1] - 2.0 * x * y * block[:, 0, 1] + y * y * block[:, 0, 0]
        ) / determinant
        free = normal.rows - place.size
        p_value += float(share @ (1.0 + twice_f / free) ** (-0.5 * free))
        shares.append(share)
        sizes.append(0.5 * np.log(determinant))
        most = max(most, place.size)
    share = np.concatenate(shares)
    log_size = np.concatenate(sizes)
    total = float(share.sum())
    share = share / total
    mean /= total
    second /= total
    centre = float(share @ log_size)
    doubt = float(share @ (log_size - centre) ** 2)
    dof = 2.0 / (doubt + 2.0 / (normal.rows - most))
    spread = (second - np.outer(mean, mean)) * ((dof - 2.0) / dof if dof > 4.0 else 0.5)
    return _Average(before + mean * unit, spread * np.outer(unit, unit), dof, p_value / total)
