"""Best sets of k blanks from a shipment: pairs for a pair of rods, fives for a batch."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.legendre import leggauss
from scipy.special import ndtr

from analysis.decide.partition import Partition, partition, set_cost
from analysis.decide.properties import DEFAULT_TOLERANCES, PERCENT_OF_MEDIAN, tolerance_unit_of, words
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, coverage_factor
from analysis.readings import Floats

_MOSTLY_NOISE = 0.5
"""Part of the cost that errors alone make from which on a matching sorts errors (ours: more than half)."""


@dataclass(frozen=True, slots=True)
class BlankSet:
    """One set of blanks that belong together."""

    blanks: tuple[str, ...]
    """Their names, in the order they were given."""
    spreads: Mapping[str, float]
    """Largest minus smallest measured value by property, in the unit of its tolerance."""
    cost: float
    """Weighted sum of spread over tolerance."""
    noise_cost: float
    """What `cost` would be on average if these blanks were identical: measurement error alone."""


@dataclass(frozen=True, slots=True)
class MatchResult:
    """A shipment divided into sets."""

    sets: tuple[BlankSet, ...]
    """Closest set first."""
    left_over: tuple[str, ...]
    """Blanks that are in no set."""
    total: float
    """Sum of the costs."""
    bound: float
    """No division costs less."""
    proven: bool
    """True if no division is better."""
    in_order: float
    """Sum of the costs if the blanks were taken in the order given."""
    noise_share: float
    """Part of `total` that measurement error alone would make, 0 to 1."""
    tolerance_units: Mapping[str, str]
    """Unit of each property's spread."""
    warnings: tuple[str, ...]
    """Plain sentences for the builder."""

    @property
    def gap(self) -> float:
        """How much better, as a fraction of `total`, an unknown division could be at most."""
        return 0.0 if self.proven or self.total <= 0.0 else 1.0 - max(self.bound, 0.0) / self.total

    @property
    def gain(self) -> float:
        """Part of the spread that matching saves against taking the blanks in order."""
        return 1.0 - self.total / self.in_order if self.in_order > 0.0 else 0.0


def match_sets(
    values: Mapping[str, Mapping[str, Estimate]],
    k: int,
    *,
    weights: Mapping[str, float] | None = None,
    tolerances: Mapping[str, float] | None = None,
    time_limit_s: float = 20.0,
) -> MatchResult:
    """Divide a shipment into sets of k so that the blanks within a set are as alike as can be.

    A set costs Σ weight·(largest − smallest)/tolerance over the properties; the sum over the sets is the
    smallest possible (`analysis.decide.partition`). The measured values decide, and part of any measured
    spread is error: `noise_share` says how much identical blanks would show with these errors.

    Parameters
    ----------
    values : mapping of property name to mapping of blank to Estimate
        As for `compare_batch`.
    k : int
        Blanks in a set, at least 2.
    weights : mapping of property name to float, optional
        How much each counts, ≥ 0; 1 where nothing is said.
    tolerances : mapping, optional
        As for `compare_batch`.
    time_limit_s : float
        After this long the best division so far is given with its bound.

    Returns
    -------
    MatchResult

    Raises
    ------
    ReadingsError
        If there are fewer blanks with all properties than one set needs, k is below 2, or a property has no
        tolerance.
    """
    if k < 2:
        raise ReadingsError(f"a set of {k} cannot be matched", "ask for sets of two or more")
    weighed = {name: float((weights or {}).get(name, 1.0)) for name in values}
    if any(not weight >= 0.0 for weight in weighed.values()):
        raise ReadingsError("a weight is negative", "give weights of zero or more")
    names = [name for name in values if weighed[name] > 0.0]
    if not names:
        raise ReadingsError("there is no property to match by", "give at least one a weight above zero")
    everyone = list(dict.fromkeys(blank for column in values.values() for blank in column))
    blanks = [b for b in everyone if all(_usable(values[name].get(b)) for name in names)]
    if len(blanks) < k:
        raise ReadingsError(
            f"only {len(blanks)} blanks have all properties, one set needs {k}",
            "measure more blanks, or match by fewer properties",
        )
    lost = ", ".join(b for b in everyone if b not in blanks)
    table = _Table.of(values, names, blanks, weighed, tolerances)
    found = partition(table.points, k, time_limit_s=time_limit_s)
    return _told(table, found, k, [f"left out for a missing property: {lost}"] if lost else [])


@dataclass(frozen=True, slots=True)
class _Table:
    """Blanks that can be matched, as points: distances in tolerances, times the weights."""

    names: list[str]
    blanks: list[str]
    measured: Floats
    """Values in the unit of the tolerance, shape (blanks, properties)."""
    sigma: Floats
    """Their standard errors, shape (blanks, properties)."""
    factor: Floats
    """Cost per unit, shape (properties,)."""

    @classmethod
    def of(
        cls,
        values: Mapping[str, Mapping[str, Estimate]],
        names: list[str],
        blanks: list[str],
        weights: Mapping[str, float],
        tolerances: Mapping[str, float] | None,
    ) -> _Table:
        """From the blanks' values."""
        scale = np.array([_scale(name, values, blanks, tolerances) for name in names])
        weight = np.array([weights[name] for name in names])
        measured = np.array([[values[name][b].value for name in names] for b in blanks]) * scale[:, 0]
        sigma = np.array([[_own(values[name][b]) for name in names] for b in blanks]) * scale[:, 0]
        return cls(names, blanks, measured, sigma, weight / scale[:, 1])

    @property
    def points(self) -> Floats:
        """What is divided into sets, shape (blanks, properties)."""
        return np.asarray(self.measured * self.factor)

    def set_of(self, group: tuple[int, ...]) -> BlankSet:
        """One set of blanks with its ranges and its cost."""
        at = list(group)
        return BlankSet(
            blanks=tuple(self.blanks[i] for i in group),
            spreads=dict(zip(self.names, np.ptp(self.measured[at], axis=0).tolist(), strict=True)),
            cost=set_cost(self.points[at]),
            noise_cost=float(self.factor @ [expected_range(column) for column in self.sigma[at].T]),
        )


def _told(table: _Table, found: Partition, k: int, warnings: list[str]) -> MatchResult:
    """Put a division into sets, with what measurement error alone makes of its cost."""
    sets = tuple(table.set_of(group) for group in found.sets)
    used = {blank for one in sets for blank in one.blanks}
    noise = sum(one.noise_cost for one in sets)
    share = min(1.0, noise / found.total) if found.total > 0.0 else 1.0
    if share > _MOSTLY_NOISE:
        warnings.append(
            f"{100 * share:.0f} % of the spread within the sets is what measurement error alone makes: "
            "closer matching would only sort errors; measure again first"
        )
    if not found.proven:
        warnings.append(
            f"not proven best: at most {100 * (1 - max(found.bound, 0.0) / found.total):.1f} % could be saved"
        )
    points = table.points
    rows = [points[j : j + k] for j in range(0, len(table.blanks) - k + 1, k)]
    return MatchResult(
        sets=sets,
        left_over=tuple(b for b in table.blanks if b not in used),
        total=found.total,
        bound=found.bound,
        proven=found.proven,
        in_order=sum(set_cost(row) for row in rows),
        noise_share=share,
        tolerance_units={name: tolerance_unit_of(name) for name in table.names},
        warnings=tuple(warnings),
    )


def _usable(value: Estimate | None) -> bool:
    return value is not None and math.isfinite(value.value)


def _own(value: Estimate) -> float:
    """Standard error without what all blanks share; 0 where nothing is known of the noise."""
    noise = value.noise if math.isfinite(value.noise) else 0.0
    own = math.hypot(*(share.ci95 for share in value.shares if not share.shared))
    return math.hypot(noise, own / coverage_factor(math.inf))


def _scale(
    name: str,
    values: Mapping[str, Mapping[str, Estimate]],
    blanks: list[str],
    tolerances: Mapping[str, float] | None,
) -> tuple[float, float]:
    """What turns a value into the unit of its tolerance, and the tolerance."""
    tolerance = {**DEFAULT_TOLERANCES, **(tolerances or {})}.get(name, math.nan)
    if not (tolerance > 0.0 and math.isfinite(tolerance)):
        raise ReadingsError(f"there is no tolerance above zero for {words(name)}", f"state one for {name}")
    if name not in PERCENT_OF_MEDIAN:
        return 1.0, tolerance
    median = float(np.median([values[name][b].value for b in blanks]))
    if not median > 0.0:
        raise ReadingsError(f"the median of {words(name)} is not above zero", "check the sign of these runs")
    return 100.0 / median, tolerance


def expected_range(sigma: Floats) -> float:
    """Mean range of independent normal errors: ∫ 1 − Π Φ(t/σᵢ) − Π (1 − Φ(t/σᵢ)) dt.

    Tippett (1925) gives it for equal σ, where it is d₂·σ.

    Examples
    --------
    >>> round(expected_range(np.ones(5)), 6)
    2.325929
    """
    alive = sigma[sigma > 0.0]
    if alive.size == 0:
        return 0.0
    top = 9.0 * float(alive.max())
    edges = np.unique(np.concatenate([[0.0, top], *(np.minimum(alive * z, top) for z in (0.5, 1, 2, 3, 5))]))
    points, sizes = leggauss(12)
    half = 0.5 * np.diff(edges)[:, None]
    t = edges[:-1, None] + half * (points + 1.0)
    above = ndtr(t[..., None] / alive)
    known = 1.0 if alive.size == sigma.size else 0.0  # an exact value at 0 keeps the other product at zero
    inside = 1.0 - np.prod(above, axis=-1) - known * np.prod(1.0 - above, axis=-1)
    return float(2.0 * np.sum(half * sizes * inside))
