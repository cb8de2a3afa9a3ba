"""A scale from several known values: line or curve as the data ask, and the value that does not fit.

Readings y (counts) at known values x are fitted as a polynomial of the value,

    y = b₀ + b₁·x + … + b_m·x^m,

with m = 1 unless an F test asks for more; the standard deviation s = √(Σd²/(n − m − 1)) and the lower limit
2.4·s follow ASTM E74 (verification of force-measuring instruments), in values by the mean of value over
reading. Neighbouring readings of one value are one hanging: they repeat the amplifier's noise and not the
hanging's, so their mean counts once.

A value may be wrong (a mislabelled weight, a cell that touched something), and several may be. The best half
of the values makes a first line; the others join it one by one, the nearest first, as long as they lie within
what the scatter explains (least trimmed squares and forward search: Rousseeuw & Leroy 1987, Atkinson & Riani
2000). What never joins is suspect.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import ArrayLike, NDArray
from scipy.stats import f as fisher
from scipy.stats import spearmanr
from scipy.stats import t as student

from analysis.errors import ReadingsError
from analysis.estimate import coverage_factor
from analysis.readings import Floats

LOWER_LIMIT = 2.4
"""Lower limit over the standard deviation (ASTM E74)."""
SUSPECT_PART = 0.003
"""A value is suspect only if it is off by more than this part of the span (the design's): a good cell's own
bend is less."""
_SUSPECT_LEVEL = 0.005
"""And only if scatter alone makes the farthest of all values lie so far this often. Chosen on
`tests/analysis/test_calibrate.py`: right weights are named in less than 1 of 100."""
_USUAL_PART, _USUAL_DOF = 8e-4, 3
"""Scatter of a hanging about a good cell's line, as part of the span, and as how many left-overs it counts
(ours): without it three or four weights that agree by chance would call every other one wrong, and a few that
really agree could name none."""
_CURVE_LEVEL = 0.01
"""A curve is taken where a straight scale would leave as much one time in a hundred."""
_MOST_DEGREE = 3
_IN_ORDER = 0.8
"""Rank correlation of values and readings below which they do not belong together."""
_MOST_SUBSETS = 20_000
_ROUNDING = 1e-9
"""Scatter below this part of the span is rounding."""


@dataclass(frozen=True, slots=True)
class Hanging:
    """One known value as it was put on once."""

    value: float
    """The known value."""
    reading: float
    """Mean of its readings."""
    count: int
    """How many readings."""
    rising: bool | None
    """True if the value before was smaller, False if it was larger; None for the first."""
    drift: float
    """Last minus first half of its readings (creep); nan for a single one."""


@dataclass(frozen=True, slots=True)
class Residual:
    """How far one known value lies from the scale."""

    value: float
    """The known value."""
    off: float
    """What the scale reads there, less the value."""
    ci95: float
    """95 % half-width of that."""
    suspect: bool
    """True if it does not lie with the others."""


@dataclass(frozen=True, slots=True)
class Scaled:
    """A scale from known values; in their unit and in counts."""

    coefficients: tuple[float, ...]
    """b₀, b₁ … of counts over value."""
    covariance: NDArray[np.float64]
    """Theirs."""
    dof: int
    """Degrees of freedom: hangings less coefficients."""
    sd_counts: float
    """Standard deviation of one hanging about the scale, counts."""
    span: tuple[float, float]
    """Smallest and largest value that the scale rests on."""
    per_count: float
    """Value in one count over the whole span."""
    per_count_ci95: float
    """Its 95 % half-width."""
    zero_counts: float
    """Counts at the value 0."""
    zero_ci95_counts: float
    """95 % half-width."""
    lower_limit: float
    """Below this value a reading is not known to a useful part of itself (2.4·s)."""
    residuals: tuple[Residual, ...]
    """One for each value, the smallest first."""
    hysteresis: float | None
    """Mean of falling less rising over the span; None where nothing was hung both ways."""
    zero_return: float | None
    """The last zero less the first, in values; None without two."""
    creep: float | None
    """Mean drift while a value hung, in values; None where each was read once."""

    @property
    def curved(self) -> bool:
        """True if the data ask for more than a line."""
        return len(self.coefficients) > 2

    @property
    def suspects(self) -> tuple[float, ...]:
        """Values that do not lie with the others."""
        return tuple(one.value for one in self.residuals if one.suspect)

    def counts(self, values: ArrayLike) -> Floats:
        """Counts at values."""
        return np.asarray(Polynomial(self.coefficients)(np.asarray(values, dtype=float)))


def hangings(values: Sequence[float], readings: Sequence[float]) -> list[Hanging]:
    """Put neighbouring readings of one value together, in the order of time.

    Parameters
    ----------
    values, readings : sequence of float, length n
    """
    out: list[Hanging] = []
    for value, group in itertools.groupby(zip(values, readings, strict=True), key=lambda pair: pair[0]):
        data = np.array([reading for _, reading in group], dtype=float)
        half = data.size // 2
        drift = float(data[-half:].mean() - data[:half].mean()) if half else math.nan
        rising = None if not out else value > out[-1].value
        out.append(Hanging(float(value), float(data.mean()), data.size, rising, drift))
    return out


def fit_scale(hung: Sequence[Hanging]) -> Scaled:
    """Fit a scale.

    Parameters
    ----------
    hung : sequence of Hanging
        At least three different values.

    Raises
    ------
    ReadingsError
        For fewer than three values, or readings that do not go with the values.
    """
    x = np.array([one.value for one in hung])
    y = np.array([one.reading for one in hung])
    distinct = np.unique(x)
    if distinct.size < 3:
        raise ReadingsError(
            f"only {distinct.size} different weights were read, and three are needed",
            "hang nothing, a middle one and the heaviest at least",
        )
    rank = float(spearmanr(x, y).statistic) if np.ptp(y) > 0.0 else 0.0
    if not abs(rank) >= _IN_ORDER:
        raise ReadingsError(
            "the counts do not go with the weights",
            "list the weights in the order in which they were hung, and check that the cell is wired",
        )
    unit = float(np.abs(x).max())
    kept, degree = _agreeing(x / unit, y, distinct / unit)
    good = np.isin(x, distinct[kept])
    fit = _Fit.of(x[good] / unit, y[good], degree)
    return _scaled(hung, fit, unit, distinct, kept)


@dataclass(frozen=True, slots=True)
class _Fit:
    """A polynomial by least squares."""

    coefficients: Floats
    inverse: NDArray[np.float64]
    """(XᵀX)⁻¹."""
    rss: float
    dof: int

    @classmethod
    def of(cls, x: Floats, y: Floats, degree: int) -> _Fit:
        """Fit by orthogonal triangles; x is scaled to about 1."""
        design = np.vander(x, degree + 1, increasing=True)
        q, r = np.linalg.qr(design)
        values = np.linalg.solve(r, q.T @ y)
        left = y - design @ values
        more = np.linalg.solve(r, q.T @ left)  # one step of refinement
        left = left - design @ more
        inverse = np.linalg.inv(r)
        return cls(values + more, inverse @ inverse.T, float(left @ left), y.size - degree - 1)

    def at(self, x: Floats) -> Floats:
        return np.asarray(Polynomial(self.coefficients)(x))

    def lever(self, x: Floats) -> Floats:
        """Variance of the curve at x over that of one hanging."""
        design = np.vander(np.atleast_1d(x), self.coefficients.size, increasing=True)
        return np.asarray(np.einsum("ij,jk,ik->i", design, self.inverse, design))


def _agreeing(x: Floats, y: Floats, distinct: Floats) -> tuple[NDArray[np.bool_], int]:
    """Find which values lie together, and the degree of the curve through them.

    A wrong value and a curve may pass for each other: the one with the smaller criterion (Bayesian, a
    coefficient or a suspect costing log n each) is taken.
    """
    everything = np.ones(distinct.size, dtype=bool)
    straight = _joined(x, y, distinct, 1)
    if straight.all():
        return everything, _degree(x, y)
    best, choice = _criterion(x, y, distinct, straight, 1), (straight, 1)
    for degree in range(2, _MOST_DEGREE + 1):
        if distinct.size < degree + 3:
            break
        kept = _joined(x, y, distinct, degree)
        if np.count_nonzero(~kept) > 1 or np.count_nonzero(kept) < degree + 3:
            continue  # a curve is to explain what a line does not, not to serve beside many wrong values
        value = _criterion(x, y, distinct, kept, degree)
        if value < best - 2.0:
            best, choice = value, (kept, degree)
    kept, degree = choice
    if degree == 1:
        good = np.isin(x, distinct[kept])
        degree = _degree(x[good], y[good])
    return kept, degree


def _criterion(x: Floats, y: Floats, distinct: Floats, kept: NDArray[np.bool_], degree: int) -> float:
    good = np.isin(x, distinct[kept])
    fit = _Fit.of(x[good], y[good], degree)
    floor = (_ROUNDING * float(np.ptp(y))) ** 2
    spent = degree + 1 + int(np.count_nonzero(~kept))
    return float(x.size * math.log(fit.rss / x.size + floor) + 2.0 * spent * math.log(x.size))


def _degree(x: Floats, y: Floats) -> int:
    """Lowest degree that leaves nothing which one more could explain (F test)."""
    degree = 1
    while degree < _MOST_DEGREE and np.unique(x).size >= degree + 3:
        low, high = _Fit.of(x, y, degree), _Fit.of(x, y, degree + 1)
        floor = high.dof * (_ROUNDING * float(np.ptp(y))) ** 2
        statistic = (low.rss - high.rss) / (max(high.rss, floor) / high.dof)
        if float(fisher.sf(statistic, 1, high.dof)) >= _CURVE_LEVEL:
            break
        degree += 1
    return degree


def _joined(x: Floats, y: Floats, distinct: Floats, degree: int) -> NDArray[np.bool_]:
    """Values that lie on one curve: the best half first, then the nearest as long as it fits."""
    means = np.array([y[x == value].mean() for value in distinct])
    repeats = float(sum(((y[x == value] - y[x == value].mean()) ** 2).sum() for value in distinct))
    repeat_dof = y.size - distinct.size
    half = min(distinct.size, max(degree + 2, distinct.size // 2))
    kept = np.zeros(distinct.size, dtype=bool)
    kept[list(_best_half(distinct, means, half, degree))] = True
    span = float(np.ptp(y))
    while not kept.all():
        fit = _Fit.of(distinct[kept], means[kept], degree)
        free = fit.dof + repeat_dof + _USUAL_DOF
        # Means of several hangings scatter less than one; taking them alike errs to the wide side.
        sigma = math.sqrt((fit.rss + repeats + _USUAL_DOF * (_USUAL_PART * span) ** 2) / free)
        away = np.abs(means - fit.at(distinct))
        size = np.sqrt(1.0 + fit.lever(distinct)) * max(sigma, _ROUNDING * span)
        score = np.where(kept, np.inf, away / size)
        nearest = int(np.argmin(score))
        limit = float(student.isf(0.5 * _SUSPECT_LEVEL / distinct.size, free))
        if score[nearest] > limit and away[nearest] > SUSPECT_PART * span:
            break
        kept[nearest] = True
    return kept


def _best_half(distinct: Floats, means: Floats, half: int, degree: int) -> tuple[int, ...]:
    """Choose the subset of values that lies best on one curve (least trimmed squares)."""
    count = math.comb(distinct.size, half)
    subsets: Sequence[tuple[int, ...]]
    if count <= _MOST_SUBSETS:
        subsets = list(itertools.combinations(range(distinct.size), half))
    else:
        rng = np.random.default_rng(0)
        subsets = [tuple(np.sort(rng.permutation(distinct.size)[:half])) for _ in range(_MOST_SUBSETS)]
    at = np.array(subsets)
    design = np.vander(distinct, degree + 1, increasing=True)[at]  # (s, half, degree + 1)
    target = means[at]
    q, _ = np.linalg.qr(design)
    inside = np.einsum("shd,sh->sd", q, target)
    rss = np.einsum("sh,sh->s", target, target) - np.einsum("sd,sd->s", inside, inside)
    # A narrow bunch lies on any line: the error of the curve over the whole span counts.
    spread = np.ptp(distinct[at], axis=1) / np.ptp(distinct)
    best = int(np.argmin(np.maximum(rss, 0.0) / np.maximum(spread, 1e-6) ** 2))
    return tuple(int(one) for one in at[best])


def _scaled(
    hung: Sequence[Hanging], fit: _Fit, unit: float, distinct: Floats, kept: NDArray[np.bool_]
) -> Scaled:
    """Put a fit into a scale, in the values' unit."""
    powers = unit ** np.arange(fit.coefficients.size)
    coefficients = fit.coefficients / powers
    sigma = math.sqrt(fit.rss / fit.dof) if fit.dof > 0 else 0.0
    covariance = sigma**2 * fit.inverse / np.outer(powers, powers)
    curve = Polynomial(coefficients)
    used = distinct[kept]
    low, high = float(used[0]), float(used[-1])
    reach = float(curve(high) - curve(low))
    per_count = (high - low) / reach
    factor = coverage_factor(fit.dof) if fit.dof > 0 else math.inf
    ends = np.vander(np.array([low, high]), coefficients.size, increasing=True)
    row = ends[1] - ends[0]
    error = math.sqrt(max(0.0, float(row @ covariance @ row)))
    slope = curve.deriv()
    residuals = []
    for value, good in zip(distinct, kept, strict=True):
        readings = np.array([one.reading for one in hung if one.value == value])
        off = (float(readings.mean()) - float(curve(value))) / float(slope(value))
        lever = float(fit.lever(np.array([value / unit]))[0])
        variance = 1.0 / readings.size + (-min(lever, 1.0 / readings.size) if good else lever)
        ci95 = factor * sigma * math.sqrt(max(variance, 0.0)) / abs(float(slope(value)))
        residuals.append(Residual(float(value), off, ci95, not bool(good)))
    ratio = _mean_ratio(hung, used, float(coefficients[0]), abs(reach))
    zeros = [one.reading for one in hung if one.value == 0.0]
    drifts = [one.drift for one in hung if one.value != 0.0 and math.isfinite(one.drift)]
    zero_return = (zeros[-1] - zeros[0]) * per_count if len(zeros) > 1 else None
    return Scaled(
        coefficients=tuple(float(one) for one in coefficients),
        covariance=covariance,
        dof=fit.dof,
        sd_counts=sigma,
        span=(low, high),
        per_count=per_count,
        per_count_ci95=abs(per_count) * factor * error / abs(reach) if error else 0.0,
        zero_counts=float(coefficients[0]),
        zero_ci95_counts=factor * math.sqrt(max(0.0, float(covariance[0, 0]))) if sigma else 0.0,
        lower_limit=LOWER_LIMIT * sigma * abs(ratio),
        residuals=tuple(residuals),
        hysteresis=_hysteresis(hung, abs(reach), distinct[kept]),
        zero_return=zero_return,
        creep=float(np.mean(drifts)) * per_count if drifts else None,
    )


def _mean_ratio(hung: Sequence[Hanging], used: Floats, at_zero: float, reach: float) -> float:
    """Mean of value over deflection (ASTM E74); a deflection counts from the zero that was read.

    Where no zero was read, readings that go through 0 are deflections already.
    """
    zeros = [one.reading for one in hung if one.value == 0.0]
    zero = float(np.mean(zeros)) if zeros else (0.0 if abs(at_zero) < 0.01 * reach else at_zero)
    return float(
        np.mean([one.value / (one.reading - zero) for one in hung if one.value in used and one.value])
    )


def _hysteresis(hung: Sequence[Hanging], reach: float, used: Floats) -> float | None:
    """Mean over the values of falling less rising readings, over the span's reading."""
    differences = []
    for value in used:
        rising = [one.reading for one in hung if one.value == value and one.rising is True]
        falling = [one.reading for one in hung if one.value == value and one.rising is False]
        if rising and falling:
            differences.append(float(np.mean(falling) - np.mean(rising)))
    first, last = hung[0], hung[-1]
    if first.value == last.value and first.value in used and not differences:
        return None
    return float(np.mean(differences)) / reach if differences else None
