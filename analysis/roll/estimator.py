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
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analysis.readings import Floats
from analysis.roll import model
from analysis.roll.model import MOST_DRIFT, MOST_HARMONICS, Columns, Kind, Leak, leaks
from analysis.roll.noise import Grams, Normal, average_over, candidates
from analysis.roll.regression import (
    LEAST_BLOCKS,
    Blocks,
    LeastSquares,
    least_squares,
    nested_least_squares,
    spikes,
)
from analysis.roll.sift import Sifted
from analysis.roll.tensor import SIZE, Matrix, to_compliance

PLANE_LEVEL = 0.05
"""False-alarm rate of the plane's test."""
_LIBERAL = 1.087
"""The noise is estimated from the same readings, which makes the plane's test a bit liberal. This factor on
the p-value, chosen on `benchmarks/roll_false_planes.py`, brings its false alarms between 4 and 6 % for white
noise and for noise that is short or recorded for three turns."""
_PENALTY = 1.5
"""Cost of a further column over that of the Bayesian information criterion. An order chosen from the data
makes half-widths too narrow; at this cost it is chosen rarely enough that they stay true (ours, chosen on
benchmarks/roll_coverage.py, like the four that follow)."""
_BENT_DRIFT_PENALTY = 1.1
"""The same for drift of second order, which every warming amplifier has."""
_CHEAP = 1.05
"""Drift of second order is always in where it widens the plane's half-width by less than this factor."""
_LEAST_WEIGHT = 0.05
"""Models less probable than this, against the best, are not averaged in."""
_FINEST = 1e-7
"""No amplifier resolves less of its largest reading (24 bits: 6e-8)."""
_WHOLE = 0.75
"""Covered part of the turn from which on further waves and a bent drift are looked for."""
_FEWEST_FOR_WAVES, _FEWEST_FOR_DRIFT = 30, 24
"""Blocks from which on they are: two for each column that may be chosen."""
_LINEARISATIONS, _LINEAR = 6, 1e-10
"""Iterations for a free tip, and the relative step that ends them (Newton: three are enough)."""


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
    leaks: tuple[Leak, ...]
    """What the model leaves out, and how far it may move `core`."""
    noise: float
    """Standard deviation of the single readings about the model."""
    spike: NDArray[np.bool_]
    """Readings left out, shape (n,)."""
    memory: float
    """Roll after which the noise is new, rad."""


def estimate(sifted: Sifted, kind: Kind, lag: Floats | None = None) -> Fitted:
    """Fit a run (see the module's text); `lag` as in `analysis.roll.model.columns`.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the readings do not determine the columns.
    """
    start = _start(sifted, kind, lag)
    columns, rows, means = start.columns, start.rows, start.means
    weighed = _weighed(start, sifted.turns)
    chosen = start.sets[int(np.argmax(weighed.models))]
    pair = np.arange(*model.plane_pair(kind).indices(SIZE))
    average = average_over(
        weighed.normal, weighed.places, weighed.models, weighed.noises, pair, weighed.before
    )
    everything = start.everything
    values = np.zeros(columns.rows.shape[0])
    covariance = np.zeros((values.size, values.size))
    values[everything] = average.values
    covariance[np.ix_(everything, everything)] = average.covariance
    core = values[:SIZE]
    numbers, numbers_covariance = model.to_numbers(kind, core, covariance[:SIZE, :SIZE])
    left = (start.target - values @ columns.rows)[~start.spike]
    harmonics, drift_order = _orders(columns, chosen)
    return Fitted(
        kind=kind,
        core=core,
        numbers=numbers,
        spread=numbers_covariance,
        dof=average.dof,
        p_value=min(1.0, _LIBERAL * average.p_value),
        values=values,
        values_spread=covariance,
        columns=columns,
        harmonics=harmonics,
        drift_order=drift_order,
        leaks=_left_out(columns, chosen, rows, means, values),
        noise=float(math.sqrt(left @ left / max(1, left.size - chosen.size))),
        spike=start.spike,
        memory=weighed.memory * sifted.turns * 2.0 * math.pi / means.size,
    )


@dataclass(frozen=True, slots=True)
class _Start:
    """A run in blocks, spikes taken out, with two first fits by plain least squares."""

    columns: Columns
    """At every reading."""
    target: Floats
    """What is to be fitted, shape (readings,)."""
    sets: list[NDArray[np.intp]]
    """Sets of columns to choose from, the fullest last."""
    rows: Matrix
    """Columns averaged in blocks, shape (blocks, k)."""
    means: Floats
    """The target averaged alike, shape (blocks,)."""
    blocks: Blocks
    """How the readings are cut."""
    spike: NDArray[np.bool_]
    """Readings left out, shape (readings,)."""
    full: LeastSquares
    """With all columns that may be chosen."""
    base: LeastSquares
    """With those of the smallest set, which open the fullest one."""

    @property
    def everything(self) -> NDArray[np.intp]:
        """Columns of the fullest set."""
        return self.sets[-1]


def _start(sifted: Sifted, kind: Kind, lag: Floats | None) -> _Start:
    """Set up the columns, average them in blocks and take the spikes out."""
    columns = model.columns(sifted, kind, lag)
    blocks = Blocks.over(sifted.reading.size, sifted.turns)
    sets = _sets(columns, sifted, blocks.starts.size)
    everything = sets[-1]
    target = _free_target(columns, sifted, blocks, everything) if kind == "free" else sifted.reading
    rows, means = blocks.means(columns.rows, target, None)
    sets = _affordable(sets, rows, columns.drift, model.plane_pair(kind))
    leading = sets[0].size  # the first of all sets opens the fullest one
    full, base = nested_least_squares(rows[:, everything], means, leading)
    residuals = target - full.values @ columns.rows[everything]
    spike = spikes(residuals, _FINEST * float(np.abs(sifted.reading).max()))
    if spike.any():
        rows, means = blocks.means(columns.rows, target, ~spike)
        full, base = nested_least_squares(rows[:, everything], means, leading)
    return _Start(columns, target, sets, rows, means, blocks, spike, full, base)


@dataclass(frozen=True, slots=True)
class _Weighed:
    """Probabilities of the models and of the noises, and the equations they are averaged over."""

    normal: Normal
    """What is left of the means after `before`, under every candidate of the noise."""
    places: list[NDArray[np.intp]]
    """Where each set's columns stand in the fullest one."""
    models: Floats
    """Probability of each set, shape (sets,)."""
    noises: Floats
    """Probability of each candidate of the noise, shape (candidates,)."""
    before: Floats
    """Coefficients about which the equations are set up: so little is lost to rounding, shape (k,)."""
    memory: float
    """Blocks after which the noise is new, on the average."""


def _weighed(start: _Start, turns: float) -> _Weighed:
    """Weigh models and noises, in two passes.

    The means are y = X·c + e, with e stationary; in the cosine basis its covariance is σ²·diag(S), W = 1/S:

        ĉ = (XᵀWX)⁻¹·XᵀWy,        σ̂² = (yᵀWy − ĉᵀ·XᵀWy)/(n − k),        cov ĉ = σ̂²·(XᵀWX)⁻¹.

    1. The noise is most probable by the restricted likelihood of the fullest model; under it each set of
       columns is weighed by exp(−½·BIC).
    2. About the best set's coefficients the candidates of the noise are weighed by the restricted likelihood
       of that set and their prior.
    """
    everything, sets, means = start.everything, start.sets, start.means
    known = candidates(means.size, start.blocks.size)
    grams = Grams.of(start.rows[:, everything], known, turns)
    length = float(np.linalg.norm(means))
    normal = grams.fitting(start.base.residuals, start.full.residuals, length)
    noise = int(np.argmax(normal.restricted(np.arange(everything.size)) + known.log_prior))
    places = [np.searchsorted(everything, chosen) for chosen in sets]  # both rise
    models = _model_weights(normal.gram[noise], places, means.size, _costs(sets, start.columns))
    best = places[int(np.argmax(models))]
    before = np.zeros(everything.size)
    before[places[0]] = start.base.values
    before[best] += normal.solve(best, np.array([noise]))[0][0] * normal.unit[best]
    rest = means - start.rows[:, everything] @ before
    normal = grams.fitting(rest, start.full.residuals, length)
    log_weight = normal.restricted(best) + known.log_prior
    noises = np.exp(log_weight - log_weight.max())
    noises /= noises.sum()
    return _Weighed(normal, places, models, noises, before, float(noises @ known.memory))


def _orders(columns: Columns, chosen: NDArray[np.intp]) -> tuple[int, int]:
    """Highest number of waves a turn, and highest power of time, in a set of columns."""
    harmonics = 2 + int(np.count_nonzero(chosen >= columns.waves)) // 2
    return harmonics, int(np.count_nonzero((chosen >= columns.drift) & (chosen < columns.waves)))


def _left_out(
    columns: Columns, chosen: NDArray[np.intp], rows: Matrix, means: Floats, values: Floats
) -> tuple[Leak, ...]:
    """Bound what the next wave and the next bend of the drift would do."""
    harmonics, drift_order = _orders(columns, chosen)
    residuals = means - rows @ values
    return leaks(
        rows,
        chosen,
        columns.waves + 2 * (harmonics - 2) if harmonics < MOST_HARMONICS else None,
        columns.drift + drift_order if drift_order < MOST_DRIFT else None,
        values,
        float(math.sqrt(residuals @ residuals / max(1, means.size - chosen.size))),
    )


def _free_target(columns: Columns, sifted: Sifted, blocks: Blocks, use: NDArray[np.intp]) -> Floats:
    """Linearise a free tip's load about its own least-squares estimate; return what is to be fitted."""
    rows, means = blocks.means(columns.rows[use], sifted.reading, None)
    compliance = to_compliance(least_squares(rows, means).values[:SIZE])
    for _ in range(_LINEARISATIONS):
        target = model.linearise(columns, sifted, compliance)
        rows, means = blocks.means(columns.rows[use], target, None)
        found = least_squares(rows, means).values[:SIZE]
        step = float(np.max(np.abs(found - compliance) / np.abs(found[[0, 0, 0, 3, 3]] + 1e-9)))
        compliance = found
        if step < _LINEAR:
            break
    return model.linearise(columns, sifted, compliance)


def _sets(columns: Columns, sifted: Sifted, blocks: int) -> list[NDArray[np.intp]]:
    """List the sets of columns to choose from, the fullest last.

    Drift of first order is always in, friction where both directions were rolled. On a part of a turn further
    waves and a bent drift cannot be told from the first two waves, so they are not looked for.
    """
    most_waves = 2 if sifted.coverage < _WHOLE or blocks < _FEWEST_FOR_WAVES else MOST_HARMONICS
    most_drift = 1 if sifted.coverage < _WHOLE or blocks < _FEWEST_FOR_DRIFT else MOST_DRIFT
    return list(_all_sets(columns.drift, columns.waves, most_waves, most_drift))


@lru_cache(maxsize=64)
def _all_sets(drift: int, waves: int, most_waves: int, most_drift: int) -> tuple[NDArray[np.intp], ...]:
    """Sets of columns up to so many waves and such a drift, from where those columns begin."""
    core = np.arange(drift)
    return tuple(
        np.concatenate([core, drift + np.arange(bends), waves + np.arange(2 * (count - 2))])
        for count in range(2, most_waves + 1)
        for bends in range(1, most_drift + 1)
    )


def _affordable(
    sets: list[NDArray[np.intp]], rows: Matrix, drift: int, pair: slice
) -> list[NDArray[np.intp]]:
    """Drop the sets with straight drift where bent drift costs the plane next to nothing."""
    if len(sets) == 1:
        return sets
    columns = rows[:, sets[1]]
    inverse = np.linalg.inv(columns.T @ columns)
    bent = inverse[pair, pair]
    # Without the last column the inverse is smaller by a product of what couples to it.
    straight: Matrix = bent - np.outer(inverse[pair, -1], inverse[pair, -1]) / inverse[-1, -1]
    if _det2(np.asarray(bent)) > _CHEAP**4 * _det2(straight):
        return sets
    return [chosen for chosen in sets if drift + 1 in chosen]


def _det2(matrix: Matrix) -> float:
    """Determinant of a 2 × 2 matrix."""
    return float(matrix[0, 0] * matrix[1, 1] - matrix[0, 1] * matrix[1, 0])


def _costs(sets: list[NDArray[np.intp]], columns: Columns) -> Floats:
    """Find what each set's columns cost, in those of the Bayesian information criterion."""
    bent = [np.count_nonzero(chosen == columns.drift + 1) for chosen in sets]
    size = [chosen.size for chosen in sets]
    return _PENALTY * np.array(size) - (_PENALTY - _BENT_DRIFT_PENALTY) * np.array(bent)


def _model_weights(gram: Matrix, places: list[NDArray[np.intp]], n: int, costs: Floats) -> Floats:
    """Weigh the sets of columns by the Bayesian information criterion under one noise, with dearer columns.

    BIC = n·log rss + cost·log n; n·log rss is 2n·log of the last diagonal of the Gram matrix's triangle. The
    columns that a set leaves out are put aside by ones on the diagonal, so that all sets go through one call.
    """
    size = gram.shape[0]
    kept = np.zeros((len(places), size), dtype=bool)
    kept[:, -1] = True
    for index, place in enumerate(places):
        kept[index, place] = True
    masked = np.where(kept[:, :, np.newaxis] & kept[:, np.newaxis, :], gram, np.eye(size))
    diagonal = np.diagonal(np.linalg.cholesky(masked), axis1=1, axis2=2)[:, -1]
    criterion = 2.0 * n * np.log(diagonal) + math.log(max(n, LEAST_BLOCKS)) * costs
    weights = np.exp(-0.5 * (criterion - criterion.min()))
    weights[weights < _LEAST_WEIGHT] = 0.0
    return np.asarray(weights / weights.sum())
