"""Is the spread of a few true values within a tolerance? Tests that hold for the worst true values.

Blank i has the true value μᵢ and was measured as xᵢ = μᵢ + sᵢ·zᵢ; zᵢ is standard normal, or Student's t where
sᵢ comes from few degrees of freedom. The spread is D = max μ − min μ, the tolerance T.

**Statistic.** W is the smallest w for which a window of length T holds every interval
``[xᵢ + w·sᵢ, xᵢ − w·sᵢ]`` (for w > 0 it must only be touched by ``xᵢ ± w·sᵢ``): for all pairs
``|xᵢ − xⱼ| ≤ T + w·(sᵢ + sⱼ)``. With equal errors W is the range of the values, shifted and scaled; with
unequal ones a blank that was measured badly widens only its own pairs.

**Its distribution** is one integral. With t the place of the window's lower end,

    P(W ≤ w) = ∫ Σᵢ f(Lᵢ)/sᵢ · Πⱼ≠ᵢ [F(Uⱼ) − F(Lⱼ)] dt,
    Lⱼ = (t − μⱼ)/sⱼ − w,   Uⱼ = (t + T − μⱼ)/sⱼ + w.

**Least favourable true values.** {W ≤ w} is a convex set, symmetric about the origin, and unmoved when all
values shift together. So for normal errors P(W ≤ w) is log-concave and even in μ (Prékopa 1973):

- it is least, over all μ with D ≤ T, at a corner of that set: every blank at one of two ends T apart. The
  worst split of the blanks over the two ends gives the p-value against "within".
- it falls along every ray from the origin, so over D ≥ T it is largest where D = T: two blanks at the ends,
  the others at the one place each that makes it largest (half way, where the two have equal errors). The
  worst pair gives the p-value against "at the tolerance or beyond".

That second p-value also gets small where coarse values agree *better* than their errors allow. Nobody should
call a batch alike for that (errors said too large, or alike in all blanks, look the same), so it is never
less than the chance that the worst-measured pair, T apart, comes out the wrong way round: a rig that cannot
tell two blanks one tolerance apart never says "consistent".

For Student's t the same arrangements are used; simulation confirms the levels (tests, benchmarks).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr, stdtr, stdtrit

from analysis.estimate import MOST_DOF
from analysis.readings import Floats

# Where the errors' distributions are cut in pieces: the probability between two cuts is smooth (ours). The
# rest is ours too: how hard the worst case is searched, held by tests/analysis/decide/test_spread.py.
_TAILS = np.array([1e-8, 1e-5, 1e-3, 0.02, 0.15])
_QUANTILES = np.concatenate([_TAILS, [0.5], 1.0 - _TAILS[::-1]])
_NORMAL_DOF = 300.0  # from here on Student's t is taken for the normal
_EXACT = 1e-9  # of the tolerance: smaller errors are taken for this
_ALL_SPLITS = 7  # up to so many blanks every split is tried; beyond, even ones and what improves on them
_ALL_SWAPS = 16  # up to so many blanks swaps of two are tried as well
_T_MARGIN = 1.1  # on a pair's bound with Student's t, which is a bound for the normal
_ALIKE = 1.25  # errors that differ by less than this factor count as alike: the middle is the worst place
_FIRST_STEP, _SMALLER, _CLIMBS = 0.15, 0.6, 3  # of the tolerance: steps of the climb
_NO_GAIN = 1e-4  # relative: a probability that grows by less stands


@dataclass(frozen=True, slots=True)
class Errors:
    """Standard errors of the values of one batch, in units of the tolerance."""

    size: Floats
    """Standard errors, > 0, shape (n,), or (c, n) where they differ between arrangements."""
    dof: Floats
    """Degrees of freedom behind them, shape (n,)."""

    @property
    def normal(self) -> bool:
        """True if every blank's error may be taken as normal."""
        return bool(np.all(self.dof >= _NORMAL_DOF))

    def cdf(self, z: Floats) -> Floats:
        """Distribution function of each blank's error; the last axis of `z` runs over the blanks."""
        return np.asarray(ndtr(z)) if self.normal else student_cdf(z, self.dof)

    def pdf(self, z: Floats) -> Floats:
        """Density of each blank's error; the last axis of `z` runs over the blanks."""
        if self.normal:
            return np.asarray(np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi))
        dof = np.minimum(self.dof, 1e6)
        peak = np.exp(gammaln(0.5 * (dof + 1)) - gammaln(0.5 * dof)) / np.sqrt(dof * math.pi)
        return np.asarray(peak * np.exp(-0.5 * (dof + 1.0) * np.log1p(z**2 / dof)))

    def quantiles(self) -> Floats:
        """Panel edges for the integral, in standard errors, shape (q, n)."""
        return np.stack([_edges(float(dof)) for dof in self.dof], axis=-1)


@lru_cache(maxsize=512)
def _edges(dof: float) -> Floats:
    return np.asarray(stdtrit(min(dof, MOST_DOF), _QUANTILES))


@lru_cache(maxsize=8)
def _rule(nodes: int) -> tuple[Floats, Floats]:
    return leggauss(nodes)


def student_cdf(z: Floats, dof: Floats) -> Floats:
    """Student's t distribution by Hill's expansion (1970, CACM Algorithm 395), ten times faster than exact.

    Good to 2e-5 from 3 degrees of freedom, 2e-7 from 5; below 3 the exact function is called.

    Parameters
    ----------
    z : ndarray, shape (…, n)
    dof : ndarray, shape (n,)
    """
    few = dof < 3.0
    if np.any(few):
        out = np.empty(z.shape)
        out[..., few] = stdtr(dof[few], z[..., few])
        if not np.all(few):
            out[..., ~few] = student_cdf(z[..., ~few], dof[~few])
        return out
    nu = np.minimum(dof, 1e6)
    a = nu - 0.5
    b = 48.0 * a * a
    y = a * np.log1p(z * z / nu)
    shift = (((-0.4 * y - 3.3) * y - 24.0) * y - 85.5) / (0.8 * y * y + 100.0 + b)
    return np.asarray(ndtr(np.copysign(((shift + y + 3.0) / b + 1.0) * np.sqrt(y), z)))


def window_probability(means: Floats, errors: Errors, w: float, nodes: int = 3) -> Floats:
    """P(W ≤ w) for several arrangements of the true values (tolerance 1).

    Parameters
    ----------
    means : ndarray, shape (c, n)
        True values of each arrangement.
    errors : Errors
        Standard errors of the n blanks.
    w : float
        At least −1/(2·largest standard error), where W begins.
    nodes : int
        Gauss-Legendre nodes on each of the 22·n − 1 panels; 3 give five digits.

    Returns
    -------
    ndarray, shape (c,)
    """
    count = len(means)
    size = np.broadcast_to(errors.size, means.shape)[:, None, :]
    quantiles = errors.quantiles() * size
    lower = means[:, None, :] + w * size + quantiles
    upper = means[:, None, :] - 1.0 - w * size + quantiles
    edges = np.concatenate([lower, upper], axis=1).reshape(count, -1)
    first = upper[:, 0, :].max(axis=-1, keepdims=True)
    last = np.maximum(lower[:, -1, :].min(axis=-1, keepdims=True), first)
    edges = np.sort(np.clip(edges, first, last), axis=1)
    width = np.diff(edges, axis=1)
    used = np.any(width > 0.0, axis=0)
    places, weights = _rule(nodes)
    half = 0.5 * width[:, used, None]
    t = (edges[:, :-1, None][:, used] + half * (places + 1.0)).reshape(count, -1, 1)
    weight = (half * weights).reshape(count, -1)
    away = (t - means[:, None, :]) / size
    low = away - w
    inside = errors.cdf(away + (1.0 / size + w)) - errors.cdf(low)
    np.maximum(inside, 0.0, out=inside)
    before = np.ones_like(inside)
    after = np.ones_like(inside)
    np.cumprod(inside[..., :-1], axis=-1, out=before[..., 1:])
    after[..., :-1] = np.cumprod(inside[..., :0:-1], axis=-1)[..., ::-1]
    density = np.sum(errors.pdf(low) / size * before * after, axis=-1)
    return np.asarray(np.clip(np.sum(weight * density, axis=-1), 0.0, 1.0))


def statistic(values: Floats, errors: Errors) -> float:
    """W of the measured values (in units of the tolerance)."""
    first, second = np.triu_indices(len(values), 1)
    gap = np.abs(values[first] - values[second]) - 1.0
    return max(
        float(np.max(gap / (errors.size[first] + errors.size[second]))),
        -0.5 / float(errors.size.max()),
    )


def p_not_consistent(errors: Errors, w: float) -> float:
    """Largest probability of a statistic of `w` or more over all true values with spread ≤ 1."""
    return worst_split(errors, w)[0]


def worst_split(errors: Errors, w: float) -> tuple[float, Floats]:
    """Find the probability of `p_not_consistent`, and the true values that it belongs to, shape (n,).

    For w ≤ 0 (a measured spread within the tolerance) nothing is rejected, and one even split is enough.
    """
    n = len(errors.size)
    if n <= _ALL_SPLITS and w > 0.0:
        splits = np.array(list(itertools.product((0.0, 1.0), repeat=n - 1)))[1:]
        splits = np.insert(splits, 0, 0.0, axis=1)
        chances = window_probability(splits, errors, w)
        return float(1.0 - chances.min()), splits[int(np.argmin(chances))]
    rank = np.argsort(np.argsort(errors.size))
    starts = np.stack([rank % 2, *(rank >= k for k in range(1, n))]).astype(float)
    if w <= 0.0:
        return float(1.0 - window_probability(starts[:1], errors, w)[0]), starts[0]
    chances = window_probability(starts, errors, w)
    least, ends = float(chances.min()), starts[int(np.argmin(chances))]
    first, second = np.triu_indices(n, 1)
    for _ in range(n):
        flips = np.abs(ends - np.eye(n))
        unlike = ends[first] != ends[second]
        swaps = np.abs(ends - np.eye(n)[first[unlike]] - np.eye(n)[second[unlike]])
        moves = np.concatenate([flips, swaps]) if n <= _ALL_SWAPS else flips
        chances = window_probability(moves, errors, w)
        if chances.min() >= least:
            break
        least, ends = float(chances.min()), moves[int(np.argmin(chances))]
    return 1.0 - least, ends


def pair_bound(errors: Errors, w: float) -> Floats:
    """For each pair alone: P(|xₐ − x_b| ≤ T + w·(sₐ + s_b)) if its true values are T apart.

    Other blanks can only widen the range, so this bounds P(W ≤ w) from above; for Student's t it is
    Welch's approximation.
    """
    first, second, together, pairs = _pairs(errors)
    reach = 1.0 + w * (errors.size[first] + errors.size[second])
    return pairs.cdf((reach - 1.0) / together) - pairs.cdf((-reach - 1.0) / together)


def wrong_way_round(errors: Errors) -> float:
    """Largest chance that two blanks one tolerance apart are measured in the wrong order."""
    _, _, together, pairs = _pairs(errors)
    return float(pairs.cdf(-1.0 / together).max())


def _pairs(errors: Errors) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats, Errors]:
    """All pairs: both indices, standard error of the difference, and it again with Welch's dof."""
    first, second = np.triu_indices(len(errors.size), 1)
    a, b = errors.size[first] ** 2, errors.size[second] ** 2
    with np.errstate(divide="ignore"):
        dof = (a + b) ** 2 / (a**2 / errors.dof[first] + b**2 / errors.dof[second])
    together = np.sqrt(a + b)
    return first, second, together, Errors(together, dof)


def p_consistent(errors: Errors, w: float) -> float:
    """Largest probability of a statistic of `w` or less over all true values with spread ≥ 1."""
    return best_pair(errors, w)[0]


def best_pair(errors: Errors, w: float) -> tuple[float, Floats]:
    """Find the probability of `p_consistent`, and the true values that it belongs to, shape (n,).

    For w ≥ 0 (a measured spread beyond the tolerance) one pair is enough: such a batch is never accepted.
    """
    size = errors.size
    n = len(size)
    if n == 2:
        both = np.array([0.0, 1.0])
        return float(window_probability(both[None], errors, w)[0]), both
    first, second = np.triu_indices(n, 1)
    bound = pair_bound(errors, w)
    margin = 1.0 if errors.normal else _T_MARGIN
    most, best, ends = -1.0, np.zeros(n), (0, 1)
    order = np.argsort(bound)[::-1]
    for pair in order[: (None if w < 0.0 else 1)]:
        if margin * bound[pair] <= most:
            break
        a, b = int(first[pair]), int(second[pair])
        even = 1.0 / _ALIKE < size[a] / size[b] < _ALIKE
        places = np.array([0.5]) if even else np.array([0.0, 0.3, 0.5, 0.7, 1.0])
        trial = np.repeat(places[:, None], n, axis=1)
        trial[:, a], trial[:, b] = 0.0, 1.0
        chances = window_probability(trial, errors, w)
        top = int(np.argmax(chances))
        if chances[top] > most:
            most, best, ends = float(chances[top]), trial[top], (a, b)
    a, b = ends
    if w >= 0.0 or (size[a] == size[b] and errors.dof[a] == errors.dof[b]):
        return most, best
    return _climb(best, most, ends, errors, w)


def _climb(
    means: Floats, chance: float, ends: tuple[int, int], errors: Errors, w: float
) -> tuple[float, Floats]:
    """Move all blanks but the two `ends` to where P(W ≤ w) is largest (it has one peak); give it and them."""
    inner = np.array([i for i in range(len(means)) if i not in ends])
    count, rows = len(inner), np.arange(len(inner))
    step = _FIRST_STEP
    for _ in range(_CLIMBS):
        moves = np.repeat(means[None], 2 * count, axis=0)
        moves[rows, inner] += step
        moves[count + rows, inner] -= step
        logs = np.log(np.maximum(window_probability(moves, errors, w), 1e-300))
        up, down, here = logs[:count], logs[count:], math.log(max(chance, 1e-300))
        bend = up + down - 2.0 * here
        shift = np.where(bend < 0.0, 0.5 * step * (down - up) / np.where(bend < 0.0, bend, 1.0), 0.0)
        joint = means.copy()
        joint[inner] += np.clip(shift, -2.0 * step, 2.0 * step)
        value = float(window_probability(joint[None], errors, w)[0])
        if value <= chance * (1.0 + _NO_GAIN):
            return (value, joint) if value > chance else (chance, means)
        chance, means = value, joint
        step *= _SMALLER
    return chance, means


def p_values(values: Floats, sizes: Floats, dof: Floats, tolerance: float) -> tuple[float, float]:
    """Test a batch against "at the tolerance or beyond" and against "within".

    Parameters
    ----------
    values : ndarray, shape (n,)
        Measured values, n ≥ 2.
    sizes : ndarray, shape (n,)
        Their standard errors without what all share, ≥ 0; in the unit of the values.
    dof : ndarray, shape (n,)
        Degrees of freedom behind them.
    tolerance : float
        > 0, in the unit of the values.

    Returns
    -------
    p_consistent, p_not_consistent : float

    Raises
    ------
    ValueError
        For fewer than two values or a tolerance that is not positive.

    Examples
    --------
    >>> exact = np.full(2, np.inf)
    >>> p, _ = p_values(np.array([0.0, 1.0]), np.full(2, 0.5), exact, 3.0)
    >>> round(p, 6), round(float(ndtr(-2.0 / math.hypot(0.5, 0.5))), 6)
    (0.002339, 0.002339)
    """
    if len(values) < 2:
        raise ValueError("a spread needs at least two values")
    if not tolerance > 0.0:
        raise ValueError("the tolerance must be positive")
    scaled = np.asarray(values - values[0]) / tolerance
    errors = Errors(np.maximum(np.asarray(sizes) / tolerance, _EXACT), np.asarray(dof, dtype=float))
    w = statistic(scaled, errors)
    return max(p_consistent(errors, w), wrong_way_round(errors)), p_not_consistent(errors, w)


def probability_within(values: Floats, sizes: Floats, tolerance: float) -> float:
    """Probability that the true spread is within the tolerance, if the blanks come from one production.

    The model: μᵢ ~ N(m, τ²), xᵢ ~ N(μᵢ, sᵢ²), m flat, τ half-Cauchy with the tolerance as its scale (a weakly
    informative choice after Gelman 2006, Bayesian Analysis 1:515; the scale is ours). τ and m are summed over
    a grid; given both, the true values are independent and the spread's probability is one integral.

    Parameters
    ----------
    values, sizes : ndarray, shape (n,)
        Measured values and their standard errors.
    tolerance : float
        In the same unit.

    Returns
    -------
    float
    """
    x = np.asarray(values - np.mean(values)) / tolerance
    own = np.maximum(np.asarray(sizes) / tolerance, 1e-4) ** 2
    widest = max(float(np.ptp(x)), float(np.sqrt(own.max())), 0.05)
    scatter = np.concatenate([[0.0], np.geomspace(0.03, 1.0, 13)]) * 2.5 * widest
    cells = np.gradient(scatter)
    variance = scatter[:, None] ** 2 + own
    weight = 1.0 / variance
    total = weight.sum(axis=1)
    mean = (weight @ x) / total
    log = -0.5 * (np.log(variance).sum(axis=1) + np.log(total))
    log -= 0.5 * np.sum((x - mean[:, None]) ** 2 * weight, axis=1)
    chance = np.exp(log - log.max()) * cells / (1.0 + scatter**2)
    kept = chance > 1e-3 * chance.sum()
    nodes, sums = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0]), np.array([1.0, 4.0, 1.0])  # Gauss-Hermite
    middle = mean[kept, None] + nodes / np.sqrt(total[kept, None])
    share = (scatter[kept, None] ** 2 / variance[kept])[:, None, :]
    means = share * x + (1.0 - share) * middle[:, :, None]
    left = np.broadcast_to(np.maximum(np.sqrt(share * own), _EXACT), means.shape)
    flat = Errors(left.reshape(-1, len(x)), np.full(len(x), np.inf))
    each = window_probability(means.reshape(-1, len(x)), flat, 0.0, nodes=2).reshape(-1, len(nodes))
    return float(chance[kept] @ (each @ sums) / (chance[kept].sum() * sums.sum()))
