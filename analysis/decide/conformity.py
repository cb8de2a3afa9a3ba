"""Does a value meet its limits? Guard bands and the risks that stay (JCGM 106:2012, ISO 14253-1:2017).

The true value of the blank is normal about the measured one with its standard uncertainty u (Student's t for
few degrees of freedom). A decision rule keeps a guard band w = factor·u inside the limits for taking a blank
and outside them for sending it back; between, it is too close to call.

A maker's label is a claim too: for how many blanks of a shipment does it hold?
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.polynomial.legendre import leggauss
from scipy.special import ndtr, ndtri, stdtr

from analysis.estimate import MOST_DOF, Estimate, coverage_factor

Outcome = Literal["pass", "fail", "too close to call"]
"""The three answers about one value and its limits."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a property must lie between, in the unit of its values."""

    metric: str
    """Name of the property."""
    lower: float | None = None
    """Lower limit; None: there is none."""
    upper: float | None = None
    """Upper limit; None: there is none."""
    target: float | None = None
    """What the model should have; for reports."""

    def __post_init__(self) -> None:
        if self.lower is None and self.upper is None:
            raise ValueError(f"{self.metric} has neither a lower nor an upper limit")
        if self.lower is not None and self.upper is not None and not self.lower < self.upper:
            raise ValueError(f"the lower limit of {self.metric} is not below its upper limit")


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How wide the guard band is."""

    name: str
    """A word for reports."""
    factor: float
    """Guard band over standard uncertainty, ≥ 0."""


def guarded(conformance: float = 0.95) -> DecisionRule:
    """Build the rule that takes or rejects only what is right with this probability at a single limit.

    95 % is the default of ISO 14253-1:2017: the guard band is 1.645 u, or 0.822 of the expanded uncertainty.
    """
    if not 0.5 <= conformance < 1.0:
        raise ValueError("the conformance probability lies between 0.5 and 1")
    return DecisionRule(f"{100 * conformance:g} % sure", float(ndtri(conformance)))


SIMPLE = DecisionRule("as measured", 0.0)
"""Take what measures inside the limits, whatever its ±."""
EXPANDED = DecisionRule("the whole ± inside", 2.0)
"""Guard band equal to the expanded uncertainty, U = 2 u (ILAC-G8:09/2019)."""
DEFAULT_RULE = guarded(0.95)
"""95 % conformance probability."""


def standard_uncertainty(value: Estimate) -> float:
    """Noise and all systematic parts together, one σ; nan where the noise is unknown."""
    return math.hypot(value.noise, value.systematic_ci95 / coverage_factor(math.inf))


def conforming(value: Estimate, limits: Limits) -> float:
    """Probability that the true value lies within its limits: F((T_U − y)/u) − F((T_L − y)/u).

    Examples
    --------
    >>> round(conforming(Estimate(507.0, 8.6), Limits("burst", lower=490.0)), 4)
    0.976
    """
    u = standard_uncertainty(value)
    if math.isnan(u):
        return math.nan
    if u == 0.0:  # an exact value on its limit meets it
        low = -math.inf if limits.lower is None else limits.lower
        high = math.inf if limits.upper is None else limits.upper
        return 1.0 if low <= value.value <= high else 0.0
    dof = _dof(value, u)
    below = _cdf(limits.upper, value.value, u, dof) if limits.upper is not None else 1.0
    under = _cdf(limits.lower, value.value, u, dof) if limits.lower is not None else 0.0
    return max(0.0, below - under)


def decide(value: Estimate, limits: Limits, rule: DecisionRule = DEFAULT_RULE) -> Outcome:
    """Apply a decision rule to one value.

    With few degrees of freedom the guard band is widened as Student's t is wider than the normal at the same
    probability. A value whose uncertainty is unknown is always too close to call.
    """
    u = standard_uncertainty(value)
    if not (math.isfinite(u) and math.isfinite(value.value)):
        return "too close to call"
    w = guard_band(value, rule)
    above = math.inf if limits.lower is None else value.value - limits.lower
    below = math.inf if limits.upper is None else limits.upper - value.value
    room = min(above, below)
    if room >= w:
        return "pass"
    return "fail" if room < 0.0 and -room >= w else "too close to call"


def guard_band(value: Estimate, rule: DecisionRule) -> float:
    """Width of the guard band at each limit, in the unit of the value."""
    u = standard_uncertainty(value)
    probability = float(ndtr(rule.factor))
    two_sided = 2.0 * probability - 1.0
    return coverage_factor(_dof(value, u), two_sided) * u if two_sided > 0.0 else 0.0


def runs_to_settle(value: Estimate, limits: Limits, rule: DecisionRule = DEFAULT_RULE) -> int | None:
    """Say how many runs like this one, averaged, would settle a value that is too close to call.

    Averaging n runs leaves noise/√n and all of the systematic part. The smallest n is sought at which the
    guard band is no wider than the room to the nearest limit, the value staying where it is.

    Returns
    -------
    int or None
        None where no number of runs up to 100 does it: the systematic part alone fills the room.

    Examples
    --------
    >>> runs_to_settle(Estimate(5.2, 0.1), Limits("reference_load", upper=5.3))
    3
    """
    if not (math.isfinite(value.noise) and math.isfinite(value.value)):
        return 2
    edges = [limit for limit in (limits.lower, limits.upper) if limit is not None]
    room = min(abs(limit - value.value) for limit in edges)
    for n in range(1, 101):
        averaged = replace(value, noise=value.noise / math.sqrt(n), dof=n * value.dof)
        if guard_band(averaged, rule) <= room:
            return n
    return None


def _dof(value: Estimate, u: float) -> float:
    """Welch–Satterthwaite: the systematic parts have no scatter of their own."""
    if value.noise == 0.0 or u == 0.0:
        return math.inf
    return value.dof * (u / value.noise) ** 4


def _cdf(limit: float, centre: float, u: float, dof: float) -> float:
    return float(stdtr(min(dof, MOST_DOF), (limit - centre) / u))


@dataclass(frozen=True, slots=True)
class GlobalRisks:
    """What a rule does over a whole production."""

    nonconforming: float
    """Share of the production outside the limits."""
    builder: float
    """Share that is taken although it is outside."""
    maker: float
    """Share that is not taken although it is inside."""


def global_risks(
    mean: float, deviation: float, u: float, limits: Limits, rule: DecisionRule = DEFAULT_RULE
) -> GlobalRisks:
    """Compute both risks over a normal production measured with standard uncertainty `u`.

    JCGM 106:2012, 9.5: ``R_C = ∫_{η outside} g₀(η)·P(y taken | η) dη`` and
    ``R_P = ∫_{η inside} g₀(η)·P(y not taken | η) dη``.

    Parameters
    ----------
    mean, deviation : float
        Of the production's true values.
    u : float
        Standard uncertainty of one measurement, > 0.
    limits, rule
        The specification and the guard band.
    """
    w = rule.factor * u
    low = -math.inf if limits.lower is None else limits.lower
    high = math.inf if limits.upper is None else limits.upper
    far = 9.0 * deviation
    corners = [mean - far, mean + far]
    for limit in (low, high):
        if math.isfinite(limit):
            corners += [limit + step * u for step in (-9, -4, -2, -1, 0, 1, 2, 4, 9)]
    corners += [mean + step * deviation for step in (-4, -2, -1, 0, 1, 2, 4)]
    edges = np.unique(np.clip(corners, mean - far, mean + far))
    points, sizes = leggauss(16)
    half = 0.5 * np.diff(edges)[:, None]
    eta = edges[:-1, None] + half * (points + 1.0)
    density = np.exp(-0.5 * ((eta - mean) / deviation) ** 2) / (deviation * math.sqrt(2.0 * math.pi))
    weight = half * sizes * density
    taken = np.maximum(ndtr((high - w - eta) / u) - ndtr((low + w - eta) / u), 0.0)
    inside = (eta >= low) & (eta <= high)
    return GlobalRisks(
        nonconforming=float(np.sum(weight[~inside])),
        builder=float(np.sum((weight * taken)[~inside])),
        maker=float(np.sum((weight * (1.0 - taken))[inside])),
    )


SURE = 0.95
"""From this probability on a label holds; from its complement down it does not; between, it is in doubt."""


@dataclass(frozen=True, slots=True)
class LabelTally:
    """One claim of the maker's labels over a shipment.

    Examples
    --------
    >>> tally = LabelTally("power", {"A": "medium", "B": "medium"}, {"A": 0.99, "B": 0.4})
    >>> tally.holds, tally.in_doubt, tally.does_not_hold
    (['A'], ['B'], [])
    """

    what: str
    """``power`` or ``action``."""
    claims: Mapping[str, str]
    """What the label claims, by blank; blanks without a claim are not there."""
    probabilities: Mapping[str, float]
    """Probability that the claim is true, by blank; nan where it cannot be told."""

    @property
    def holds(self) -> list[str]:
        """Blanks whose label holds."""
        return [blank for blank, chance in self.probabilities.items() if chance >= SURE]

    @property
    def does_not_hold(self) -> list[str]:
        """Blanks whose label does not hold."""
        return [blank for blank, chance in self.probabilities.items() if chance <= 1.0 - SURE]

    @property
    def in_doubt(self) -> list[str]:
        """Blanks whose label may hold or not."""
        sure = {*self.holds, *self.does_not_hold}
        return [blank for blank in self.probabilities if blank not in sure]

    @property
    def expected(self) -> float:
        """For how many it holds on average over what is not known."""
        return math.fsum(chance for chance in self.probabilities.values() if math.isfinite(chance))
