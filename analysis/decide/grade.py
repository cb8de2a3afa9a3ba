"""A shipment against the shop's specification: which blank passes, which grade it gets, what that risks."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.decide.conformity import (
    DEFAULT_RULE,
    DecisionRule,
    GlobalRisks,
    Limits,
    Outcome,
    conforming,
    decide,
    global_risks,
    standard_uncertainty,
)
from analysis.decide.tolerance import PassingShare, ToleranceInterval, passing_share, tolerance_interval
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, coverage_factor


@dataclass(frozen=True, slots=True)
class Grade:
    """One grade of the shop: all its limits must be met."""

    name: str
    """The shop's word for it."""
    limits: tuple[Limits, ...]
    """One for each property that counts."""


@dataclass(frozen=True, slots=True)
class Check:
    """One property of one blank against one grade's limits."""

    limits: Limits
    """The limits."""
    value: Estimate | None
    """What was measured; None: nothing."""
    outcome: Outcome
    """By the decision rule."""
    conforming: float
    """Probability that the true value meets the limits; nan where it cannot be told."""


@dataclass(frozen=True, slots=True)
class BlankGrade:
    """The decision about one blank."""

    blank: str
    """Its name."""
    grade: str | None
    """Best grade whose limits it passes; None: none."""
    outcome: Outcome
    """``pass`` if it has a grade, ``fail`` if it fails every grade, else ``too close to call``."""
    checks: tuple[Check, ...]
    """Its properties against the grade it got, or else against the last (easiest) grade."""
    builder_risk: float
    """If it is kept: probability that it does not meet those limits."""
    maker_risk: float
    """If it is sent back: probability that it does meet them."""
    reason: str
    """One line."""


@dataclass(frozen=True, slots=True)
class Production:
    """What the shipment says about the maker's production, one property against the easiest grade."""

    limits: Limits
    """The limits."""
    interval: ToleranceInterval
    """Holds 95 % of what would be measured on the production, with 95 % confidence."""
    passing: PassingShare
    """Share of the production within the limits."""
    risks: GlobalRisks | None
    """What the rule does over such a production; None where the scatter is all measurement."""


@dataclass(frozen=True, slots=True)
class GradeResult:
    """A graded shipment."""

    rule: DecisionRule
    """The decision rule."""
    blanks: tuple[BlankGrade, ...]
    """In the order given."""
    production: tuple[Production, ...]
    """One for each limit of the easiest grade that at least three blanks have a value for."""
    warnings: tuple[str, ...]
    """Plain sentences for the builder."""

    def count(self, outcome: Outcome) -> int:
        """Count the blanks with this outcome."""
        return sum(blank.outcome == outcome for blank in self.blanks)


def grade_blanks(
    values: Mapping[str, Mapping[str, Estimate]],
    grades: Sequence[Grade],
    rule: DecisionRule = DEFAULT_RULE,
) -> GradeResult:
    """Grade a shipment.

    Parameters
    ----------
    values : mapping of property name to mapping of blank to Estimate
        As for `compare_batch`. Shared errors count here: limits are absolute.
    grades : sequence of Grade
        Best first. A plain specification is one grade.
    rule : DecisionRule
        Guard band; 95 % conformance probability by default.

    Returns
    -------
    GradeResult

    Raises
    ------
    ReadingsError
        If there is no blank, no grade, or a limit on a property that no blank has.
    """
    blanks = list(dict.fromkeys(blank for column in values.values() for blank in column))
    if not blanks:
        raise ReadingsError("there is no blank to grade", "give the runs of at least one blank")
    if not grades or not all(grade.limits for grade in grades):
        raise ReadingsError("there are no limits to grade by", "state the model's limits in the settings")
    for name in dict.fromkeys(limits.metric for grade in grades for limits in grade.limits):
        if not values.get(name):
            raise ReadingsError(
                f"no blank has a {_words(name)}", f"measure it, or take {name} out of the limits"
            )
    warnings: list[str] = []
    graded = tuple(_grade_one(blank, values, grades, rule) for blank in blanks)
    production = []
    for limits in grades[-1].limits:
        column = [item for item in values[limits.metric].values() if math.isfinite(item.value)]
        if len(column) < 3:
            warnings.append(f"too few blanks to tell the production's {_words(limits.metric)}")
        else:
            production.append(_production(limits, column, rule))
    for limits in grades[-1].limits:
        wide = [
            blank
            for blank, item in values[limits.metric].items()
            if limits.lower is not None
            and limits.upper is not None
            and 2.0 * rule.factor * standard_uncertainty(item) >= limits.upper - limits.lower
        ]
        if wide:
            warnings.append(
                f"the ± of {_words(limits.metric)} fills its limits for {', '.join(wide)}: "
                "such a blank can never pass"
            )
    return GradeResult(rule, graded, tuple(production), tuple(warnings))


def _words(name: str) -> str:
    return name.replace("_", " ")


def _check(
    blank: str, values: Mapping[str, Mapping[str, Estimate]], limits: Limits, rule: DecisionRule
) -> Check:
    item = values[limits.metric].get(blank)
    if item is None or not math.isfinite(item.value):
        return Check(limits, None, "too close to call", math.nan)
    return Check(limits, item, decide(item, limits, rule), conforming(item, limits))


def _grade_one(
    blank: str,
    values: Mapping[str, Mapping[str, Estimate]],
    grades: Sequence[Grade],
    rule: DecisionRule,
) -> BlankGrade:
    checked = [tuple(_check(blank, values, limits, rule) for limits in grade.limits) for grade in grades]
    outcomes = [_all(checks) for checks in checked]
    got = outcomes.index("pass") if "pass" in outcomes else None
    checks = checked[got if got is not None else -1]
    chance = math.prod(check.conforming for check in checks)
    outcome: Outcome = "fail"
    if got is not None:
        outcome = "pass"
    elif "too close to call" in outcomes:
        outcome = "too close to call"
    reason = _reason(checks, outcome)
    if got is not None and len(grades) > 1:
        reason = f"{grades[got].name}: {reason}"
        if got > 0:
            better = next(check for check in checked[got - 1] if check.outcome != "pass")
            reason += f"; not {grades[got - 1].name}: {_sentence(better)}"
    return BlankGrade(
        blank=blank,
        grade=None if got is None else grades[got].name,
        outcome=outcome,
        checks=checks,
        builder_risk=1.0 - chance,
        maker_risk=chance,
        reason=reason,
    )


def _all(checks: Sequence[Check]) -> Outcome:
    if any(check.outcome == "fail" for check in checks):
        return "fail"
    return "pass" if all(check.outcome == "pass" for check in checks) else "too close to call"


def _reason(checks: Sequence[Check], outcome: Outcome) -> str:
    """Say what decided: the failing property, the doubtful one, or the one with least room."""
    if outcome == "pass":
        least = min(checks, key=lambda check: check.conforming)
        return f"all within limits; least room: {_sentence(least)}"
    wanted = "fail" if any(check.outcome == "fail" for check in checks) else "too close to call"
    doubtful = [check for check in checks if check.outcome == wanted]
    worst = min(doubtful, key=lambda check: -1.0 if check.value is None else check.conforming)
    return _sentence(worst)


def _sentence(check: Check) -> str:
    name = _words(check.limits.metric)
    if check.value is None:
        return f"{name} was not measured"
    if math.isnan(check.conforming):
        return f"{name} {check.value.value:.4g} has no ±"
    low, high = check.limits.lower, check.limits.upper
    if low is None:
        span = f"at most {high:.4g}"
    elif high is None:
        span = f"at least {low:.4g}"
    else:
        span = f"{low:.4g} to {high:.4g}"
    return f"{name} {check.value.value:.4g} ± {check.value.ci95:.2g} against {span}"


def _production(limits: Limits, column: Sequence[Estimate], rule: DecisionRule) -> Production:
    data = np.array([item.value for item in column])
    own = np.array([item.own_ci95 for item in column]) / coverage_factor(math.inf)
    noise = math.sqrt(float(np.nanmean(own**2))) if np.any(np.isfinite(own)) else 0.0
    shift = float(np.mean([item.shared_ci95 for item in column])) / coverage_factor(math.inf)
    scatter = float(data.var(ddof=1)) - noise**2
    total = math.hypot(noise, shift)
    return Production(
        limits=limits,
        interval=tolerance_interval(data),
        passing=passing_share(data, limits.lower, limits.upper, noise=noise, shift=shift),
        risks=(
            global_risks(float(data.mean()), math.sqrt(scatter), total, limits, rule)
            if scatter > 0.0 and total > 0.0
            else None
        ),
    )
