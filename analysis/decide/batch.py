"""Are these blanks alike? Each property's spread against the shop's tolerance, errors included.

Values are in the metric's own unit (see `Metric.unit`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.decide.common import common_p_values
from analysis.decide.outliers import OutlierTest, dixon, grubbs
from analysis.decide.properties import (
    DEFAULT_TOLERANCES,
    PERCENT_OF_MEDIAN,
    tolerance_unit_of,
    unit_of,
    words,
)
from analysis.decide.repeats import advise
from analysis.decide.spread import probability_within
from analysis.errors import ReadingsError
from analysis.estimate import GUESSED, MOST_DOF, Estimate, coverage_factor
from analysis.readings import Floats

Verdict = Literal["consistent", "not consistent", "undecided"]
"""The three answers of a batch."""


@dataclass(frozen=True, slots=True)
class Metric:
    """One property of the blanks of a batch and its verdict."""

    name: str
    """``reference_load``, ``stiffness``, ``bend_centre`` …"""
    unit: str
    """Unit of the values: ``N``, ``N/m``, ``kg``, ``1``, ``pct_points``, ``m`` …"""
    tolerance_unit: str
    """Unit of `spread` and `tolerance`: ``pct_of_median`` for loads, stiffness and mass, else as `unit`."""
    values: Mapping[str, Estimate]
    """By blank, in the order they were given."""
    spread: float
    """Largest minus smallest measured value, in `tolerance_unit`."""
    tolerance: float
    """The shop's tolerance, in `tolerance_unit`."""
    p_consistent: float
    """Largest probability of a spread as small as this if the true one were at the tolerance or above."""
    p_not_consistent: float
    """Largest probability of a spread as large as this if the true one were at the tolerance or below."""
    probability_within: float
    """From a model whose blank-to-blank scatter is itself estimated; reported, does not decide."""
    verdict: Verdict
    """At 5 % for this metric alone."""
    advice: str
    """Where undecided: what to measure again and how many times; else empty."""


@dataclass(frozen=True, slots=True)
class BatchResult:
    """The answer to: are these blanks alike."""

    verdict: Verdict
    """For the whole call (Holm over the metrics)."""
    metrics: tuple[Metric, ...]
    """One a property, in the order they were given."""
    odd_one_out: str | None
    """The one blank without which the rest would be consistent, if an outlier test at 5 % names it too."""
    odd_why: str
    """One plain sentence about the odd one out, or empty."""
    warnings: tuple[str, ...]
    """Plain sentences for the builder."""


LEVEL = 0.05
"""Each false verdict happens at most this often."""
_SEATED = 30.0
"""Degrees of freedom below which a noise counts as estimated from few left-overs."""


@dataclass(frozen=True, slots=True)
class _Column:
    """One property as arrays, in the unit of its tolerance."""

    blanks: tuple[str, ...]
    values: Floats
    noise: Floats
    own: Floats
    dof: Floats
    common: NDArray[np.float64]
    """What one rig's errors of size one do to each value, shape (n, q)."""
    alike_dof: float | None
    """Degrees of freedom of what every blank's noise was estimated from together; None: each from its own."""

    @property
    def sizes(self) -> Floats:
        return np.hypot(self.noise, self.own)

    @property
    def parted(self) -> Floats:
        """Each blank's own part with what the common errors do to it against the mean of all."""
        if not self.common.size:
            return self.own
        return np.asarray(np.hypot(self.own, np.linalg.norm(self.common - self.common.mean(axis=0), axis=1)))

    @property
    def whole(self) -> Floats:
        """Standard errors with the common errors counted as each blank's own."""
        return np.hypot(self.noise, self.parted)

    def p_values(self, tolerance: float) -> tuple[float, float]:
        return common_p_values(self.values, self.sizes, self.dof, tolerance, self.common, self.alike_dof)

    def scaled(self, factor: float) -> _Column:
        return replace(
            self,
            values=self.values * factor,
            noise=self.noise * factor,
            own=self.own * factor,
            common=self.common * factor,
        )

    def pick(self, keep: Floats) -> _Column:
        """Return the column with some blanks left out (`keep` is boolean)."""
        names = tuple(name for name, kept in zip(self.blanks, keep, strict=True) if kept)
        return _Column(
            names,
            self.values[keep],
            self.noise[keep],
            self.own[keep],
            self.dof[keep],
            self.common[keep],
            self.alike_dof,
        )


def compare_batch(
    values: Mapping[str, Mapping[str, Estimate]],
    tolerances: Mapping[str, float] | None = None,
) -> BatchResult:
    """Compare the blanks of a batch, property by property.

    The spread is the largest minus the smallest *true* value of the blanks at hand. ``consistent`` means
    that a true spread at the tolerance or beyond is rejected at 5 %, ``not consistent`` that one within it
    is, both for the least favourable true values (`analysis.decide.spread`). The whole call is
    ``not consistent`` if one property is at 5 % for all properties together (Holm 1979: the smallest
    p-value times the number of properties), else ``undecided`` if any property is not ``consistent``, else
    ``consistent``.

    Errors that all blanks share (`Share.shared`) cancel and are left out. A spread in percent of the median
    is free of a shared scale error; the median's own error is of second order and not counted.

    Parameters
    ----------
    values : mapping of property name to mapping of blank to Estimate
        Anisotropy in percentage points, all else SI.
    tolerances : mapping of property name to float, optional
        In percent of the median for `PERCENT_OF_MEDIAN`, else in the unit of the values; the shipped
        `DEFAULT_TOLERANCES` hold for the rest.

    Returns
    -------
    BatchResult

    Raises
    ------
    ReadingsError
        For fewer than two blanks, a property without a usable tolerance, or a median that is not positive
        where the tolerance is in percent of it.
    """
    limits = {**DEFAULT_TOLERANCES, **(tolerances or {})}
    blanks = list(dict.fromkeys(blank for column in values.values() for blank in column))
    if len(blanks) < 2:
        raise ReadingsError("a batch needs at least two blanks", "give runs of two or more blanks")
    warnings: list[str] = []
    metrics: list[Metric] = []
    columns: list[_Column] = []
    for name, given in values.items():
        usable = {blank: item for blank, item in given.items() if math.isfinite(item.value)}
        if len(usable) < 2:
            warnings.append(f"{words(name)} is left out: fewer than two blanks have a value")
            continue
        missing = [blank for blank in blanks if blank not in usable]
        if missing:
            warnings.append(f"{words(name)} is missing for {', '.join(missing)}; judged without")
        tolerance = _tolerance(name, limits)
        column = _column(name, usable)
        columns.append(column)
        metrics.append(_judge(name, usable, column, tolerance, warnings))
    if not metrics:
        raise ReadingsError("no property has values for two blanks", "measure the same on every blank")
    whole = _whole(metrics, warnings)
    odd, why = _odd_one_out(metrics, columns, whole)
    return BatchResult(whole, tuple(metrics), odd, why, tuple(warnings))


def _tolerance(name: str, limits: Mapping[str, float]) -> float:
    if name not in limits:
        raise ReadingsError(f"there is no tolerance for {words(name)}", f"state one for {name}")
    tolerance = float(limits[name])
    if not (tolerance > 0.0 and math.isfinite(tolerance)):
        raise ReadingsError(f"the tolerance of {words(name)} is {tolerance:g}", "give one above zero")
    return tolerance


def _column(name: str, usable: Mapping[str, Estimate]) -> _Column:
    values = np.array([item.value for item in usable.values()])
    scale = 1.0
    if name in PERCENT_OF_MEDIAN:
        median = float(np.median(values))
        if not median > 0.0:
            raise ReadingsError(
                f"the median of {words(name)} is {median:g}, so no percent of it can be taken",
                "check the sign and the zero of these runs",
            )
        scale = 100.0 / median
    noise = np.array([item.noise for item in usable.values()]) * scale
    own = np.array(
        [
            math.hypot(*(share.ci95 for share in item.shares if not share.shared and not share.along))
            for item in usable.values()
        ]
    )
    own = own * scale / coverage_factor(math.inf)
    dof = np.array([item.dof for item in usable.values()], dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):  # Welch–Satterthwaite: the own part has no scatter
        dof = np.where(noise > 0.0, dof * ((noise**2 + own**2) / noise**2) ** 2, math.inf)
    common = _common(list(usable.values())) * scale / coverage_factor(math.inf)
    # Where a measured chuck is in the values, few degrees of freedom are those of its seating, one for all.
    seated = common.any() and bool(np.any(dof < _SEATED)) and _measured(usable.values())
    alike = float(np.median(dof)) if seated else None
    return _Column(tuple(usable), values * scale, noise, own, dof, common, alike)


def _common(items: Sequence[Estimate]) -> NDArray[np.float64]:
    """Patterns of the errors that blanks of one rig share, shape (n, q)."""
    names = list(dict.fromkeys(share.of for item in items for share in item.shares if share.along))
    blocks = []
    for name in names:
        found = [[s.along for s in item.shares if s.along and s.of == name] for item in items]
        width = max(len(along) for alongs in found for along in alongs)
        block = np.zeros((len(items), width))
        for row, alongs in enumerate(found):
            for along in alongs:
                block[row, : len(along)] += along
        blocks.append(block)
    return np.hstack(blocks) if blocks else np.zeros((len(items), 0))


def _measured(items: Iterable[Estimate]) -> bool:
    return any(share.along and share.of != GUESSED for item in items for share in item.shares)


def _judge(
    name: str, usable: Mapping[str, Estimate], column: _Column, tolerance: float, warnings: list[str]
) -> Metric:
    known = np.isfinite(column.sizes)
    sure = column.pick(known)
    p_within, p_beyond, chance = 1.0, 1.0, math.nan
    if len(sure.values) >= 2:
        p_within, p_beyond = sure.p_values(tolerance)
        chance = probability_within(sure.values, sure.whole, tolerance)
    verdict: Verdict = "undecided"
    if p_beyond <= LEVEL:
        verdict = "not consistent"
    elif p_within <= LEVEL and known.all() and float(np.ptp(column.values)) < tolerance:
        verdict = "consistent"
    advice = ""
    if not known.all():
        lost = ", ".join(blank for blank, sure_ in zip(column.blanks, known, strict=True) if not sure_)
        warnings.append(f"{words(name)} of {lost} comes without a ±, so it cannot be called consistent")
        p_within, chance = 1.0, math.nan
        if verdict == "undecided":
            advice = f"measure {words(name)} of {lost} again, more than once"
    elif verdict == "undecided":
        advice = advise(
            column.blanks, column.values, column.noise, column.parted, column.dof, tolerance, LEVEL
        )
    return Metric(
        name=name,
        unit=unit_of(name),
        tolerance_unit=tolerance_unit_of(name),
        values=dict(usable),
        spread=float(np.ptp(column.values)),
        tolerance=tolerance,
        p_consistent=p_within,
        p_not_consistent=p_beyond,
        probability_within=chance,
        verdict=verdict,
        advice=advice,
    )


def _whole(metrics: list[Metric], warnings: list[str]) -> Verdict:
    """Combine the properties into one verdict (Holm's first step decides whether any is beyond)."""
    if min(metric.p_not_consistent for metric in metrics) <= LEVEL / len(metrics):
        return "not consistent"
    alone = [words(metric.name) for metric in metrics if metric.verdict == "not consistent"]
    if alone:
        warnings.append(
            f"{', '.join(alone)} looks too far spread by itself, but among {len(metrics)} properties "
            "that happens by chance too often to reject the batch; measure again"
        )
    return "consistent" if all(metric.verdict == "consistent" for metric in metrics) else "undecided"


def _odd_one_out(metrics: list[Metric], columns: list[_Column], whole: Verdict) -> tuple[str | None, str]:
    """Find the one blank that an outlier test names and without which the rest are consistent.

    Grubbs and Dixon compare values with each other and do not know that one blank may simply have been
    measured worse, so the blank's distance from the others must also exceed what its errors make of the
    farthest of n identical blanks, one time in twenty over all properties.
    """
    if whole == "consistent":
        return None, ""
    open_metrics = [pair for pair in zip(metrics, columns, strict=True) if pair[0].verdict != "consistent"]
    found: dict[str, tuple[Metric, _Column, OutlierTest]] = {}
    for metric, column in open_metrics:
        if len(column.values) < 3 or not np.all(np.isfinite(column.sizes)):
            continue
        for test in (grubbs(column.values, LEVEL), dixon(column.values, LEVEL)):
            if test.named and _beyond_noise(column, test.index, len(metrics)):
                found.setdefault(column.blanks[test.index], (metric, column, test))
    named = [blank for blank in found if _rest_consistent(blank, open_metrics)]
    if len(named) != 1:
        return None, ""
    metric, column, test = found[named[0]]
    others = np.delete(column.values, test.index)
    gap = float(column.values[test.index] - others.mean())
    unit = {"pct_of_median": " %", "pct_points": " points", "m": " m"}.get(metric.tolerance_unit, "")
    why = (
        f"{named[0]} lies {abs(gap):.3g}{unit} {'above' if gap > 0 else 'below'} the mean of the others in "
        f"{words(metric.name)} ({test.name} {test.statistic:.3f}, limit {test.critical:.3f}); without it "
        f"the spread is {float(np.ptp(others)):.2g}{unit} of {metric.tolerance:g}{unit}, "
        "and the rest are consistent"
    )
    return named[0], why


def _beyond_noise(column: _Column, index: int, properties: int) -> bool:
    rest = np.delete(np.arange(len(column.values)), index)
    variance = column.whole**2
    error = math.sqrt(float(variance[index] + variance[rest].sum() / len(rest) ** 2))
    gap = abs(float(column.values[index] - column.values[rest].mean()))
    dof = float(min(column.dof.min(), MOST_DOF))
    return gap > -float(stdtrit(dof, 0.5 * LEVEL / (len(column.values) * properties))) * error


def _rest_consistent(blank: str, open_metrics: list[tuple[Metric, _Column]]) -> bool:
    """Judge what was not consistent again without `blank`; what was consistent stays so."""
    for metric, column in open_metrics:
        rest = column.pick(np.array([name != blank for name in column.blanks]))
        if len(rest.values) < 2 or not np.all(np.isfinite(rest.sizes)):
            return False
        if metric.tolerance_unit == "pct_of_median":
            scale = 100.0 / float(np.median(rest.values))
            rest = rest.scaled(scale)
        if rest.p_values(metric.tolerance)[0] > LEVEL:
            return False
    return True
