"""Statistical tolerance intervals: what share of a normal production lies where, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import betaincinv, chdtrc, chdtri, nctdtr, ndtr, ndtri

from analysis.readings import Floats


@dataclass(frozen=True, slots=True)
class ToleranceInterval:
    """Where a stated share of the production lies, with a stated confidence."""

    lower: float
    """Lower end; −inf for a one-sided upper interval."""
    upper: float
    """Upper end; inf for a one-sided lower interval."""
    coverage: float
    """Share of the production inside."""
    confidence: float
    """How often an interval found so holds that share."""
    factor: float
    """Ends = mean ± factor · standard deviation."""


@dataclass(frozen=True, slots=True)
class PassingShare:
    """What share of the production meets its limits."""

    share: float
    """Best value, 0 to 1."""
    at_least: float
    """The share is at least this, with `confidence`."""
    at_most: float
    """The share is at most this, with `confidence`."""
    confidence: float
    """One-sided confidence of each of the two bounds."""


def _half_width(x: Floats, coverage: float) -> Floats:
    """R with Φ(x + R) − Φ(x − R) = coverage, by Newton from above."""
    r = np.abs(x) + float(ndtri(0.5 + 0.5 * coverage))
    for _ in range(60):
        excess = ndtr(x + r) - ndtr(x - r) - coverage
        slope = (np.exp(-0.5 * (x + r) ** 2) + np.exp(-0.5 * (x - r) ** 2)) / math.sqrt(2 * math.pi)
        step = np.clip(excess / np.maximum(slope, 1e-300), -0.5, 0.5)
        r = r - step
        if np.abs(step).max() < 1e-13:
            break
    return np.asarray(r)


@lru_cache(maxsize=256)
def two_sided_factor(n: int, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """Exact factor k of the two-sided normal tolerance interval mean ± k·s.

    Solves ``2√n ∫₀^∞ P(χ²_{n−1} > (n−1)·R(x)²/k²) φ(x√n) dx = confidence`` with
    ``Φ(x+R) − Φ(x−R) = coverage`` (ISO 16269-6:2014, Annex F; Meeker, Hahn & Escobar, Statistical Intervals,
    2017). Not the usual approximation by Howe, which is off in the second decimal for small n.

    Parameters
    ----------
    n : int
        Number of values, at least 2.
    coverage, confidence : float
        Between 0 and 1.

    Examples
    --------
    >>> round(two_sided_factor(5), 4)
    5.0769
    """
    _check(n, coverage, confidence)
    points, sizes = leggauss(80)
    z = 4.5 * (points + 1.0)
    weight = 2.0 * 4.5 * sizes * np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi)
    squared = (n - 1) * _half_width(z / math.sqrt(n), coverage) ** 2

    def excess(log_k: float) -> float:
        return float(weight @ chdtrc(n - 1, squared * math.exp(-2.0 * log_k))) - confidence

    return math.exp(float(brentq(excess, math.log(1e-3), math.log(1e7), xtol=1e-13)))


@lru_cache(maxsize=256)
def one_sided_factor(n: int, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """Exact factor k of the one-sided normal tolerance limit, from the noncentral t distribution.

    Examples
    --------
    >>> round(one_sided_factor(5), 4)
    4.2027
    """
    _check(n, coverage, confidence)
    root = math.sqrt(n)
    centre = float(ndtri(coverage)) * root

    def excess(k: float) -> float:
        return float(nctdtr(n - 1, centre, k * root)) - confidence

    low = high = float(ndtri(coverage))
    while excess(high) < 0.0:
        high += 1.0
    while excess(low) > 0.0:
        low -= 0.25
    return float(brentq(excess, low, high, xtol=1e-12))


def tolerance_interval(
    values: ArrayLike, coverage: float = 0.95, confidence: float = 0.95, *, side: str = "both"
) -> ToleranceInterval:
    """Interval that holds a share of the production, from a sample of it.

    Parameters
    ----------
    values : array_like, shape (n,)
        At least two measured blanks of one production.
    coverage, confidence : float
        Share of the production and the confidence.
    side : {"both", "lower", "upper"}
        Which ends are wanted.

    Returns
    -------
    ToleranceInterval
        Measurement noise in the values makes it wider than the production itself.
    """
    data = np.asarray(values, dtype=float)
    mean, deviation = float(data.mean()), float(data.std(ddof=1))
    exact = two_sided_factor if side == "both" else one_sided_factor
    factor = exact(int(data.size), coverage, confidence)
    return ToleranceInterval(
        lower=-math.inf if side == "upper" else mean - factor * deviation,
        upper=math.inf if side == "lower" else mean + factor * deviation,
        coverage=coverage,
        confidence=confidence,
        factor=factor,
    )


def passing_share(
    values: ArrayLike,
    lower: float | None,
    upper: float | None,
    *,
    noise: float = 0.0,
    shift: float = 0.0,
    confidence: float = 0.95,
) -> PassingShare:
    """Estimate the share of the production between two limits, with its bounds.

    The production is normal. Given the sample, its variance is (n−1)s²/χ² less the measurement's, and its
    mean is x̄ + z·(scatter of the measured values)/√n + the rig's shared error; the share's distribution over
    χ² and z (a generalised pivotal quantity, Krishnamoorthy & Mathew 2009, ch. 2) gives the bounds. With one
    limit and no noise it is the exact noncentral-t bound. With two limits `at_least` errs on the safe side
    (97 % instead of 95 % in simulation) and `at_most` is a little too sure (about 91 %).

    Parameters
    ----------
    values : array_like, shape (n,)
        At least two measured blanks.
    lower, upper : float or None
        Limits in the unit of the values.
    noise : float
        Standard error of one measurement, taken out of the scatter.
    shift : float
        Standard error that all measurements share.
    confidence : float
        One-sided confidence of each bound.
    """
    data = np.asarray(values, dtype=float)
    n = int(data.size)
    _check(n, 0.5, confidence)
    grid = (np.arange(200) + 0.5) / 200
    seen = data.var(ddof=1) * (n - 1) / np.asarray(chdtri(n - 1, grid))
    own = np.sqrt(np.maximum(seen - noise**2, 0.0))[:, None]
    centre = data.mean() + np.asarray(ndtri(grid)) * np.sqrt(seen / n + shift**2)[:, None]
    share = _between(centre, own, lower, upper)
    best = _between(np.array([data.mean()]), np.sqrt([max(data.var(ddof=1) - noise**2, 0.0)]), lower, upper)
    low, high = np.quantile(share, [1.0 - confidence, confidence])
    return PassingShare(float(best[0]), float(low), float(high), confidence)


def share_bounds(passed: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Bound the share of a production that passes, from the count in a sample of it.

    Exact one-sided binomial bounds (Clopper & Pearson 1934, Biometrika 26:404) from quantiles of the beta
    distribution; nothing is assumed of how the values scatter.

    Parameters
    ----------
    passed, n : int
        How many of how many blanks passed.
    confidence : float
        Of each bound by itself.

    Examples
    --------
    >>> round(share_bounds(22, 22)[0], 3)
    0.873
    """
    low = float(betaincinv(passed, n - passed + 1, 1.0 - confidence)) if passed else 0.0
    high = float(betaincinv(passed + 1, n - passed, confidence)) if passed < n else 1.0
    return low, high


def _between(centre: Floats, deviation: Floats, lower: float | None, upper: float | None) -> Floats:
    width = np.maximum(deviation, 1e-12 * (1.0 + np.abs(centre)))
    above = np.zeros(np.shape(centre)) if lower is None else np.asarray(ndtr((lower - centre) / width))
    below = np.ones(np.shape(centre)) if upper is None else np.asarray(ndtr((upper - centre) / width))
    return np.maximum(below - above, 0.0)


def _check(n: int, coverage: float, confidence: float) -> None:
    if n < 2:
        raise ValueError("a tolerance interval needs at least two values")
    if not (0.0 < coverage < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError("coverage and confidence lie between 0 and 1")
