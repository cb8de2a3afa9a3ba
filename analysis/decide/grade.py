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
    runs_to_settle,
    standard_uncertainty,
)
from analysis.decide.properties import words
from analysis.decide.tolerance import (
    PassingShare,
    ToleranceInterval,
    passing_share,
    share_bounds,
    tolerance_interval,
)
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, coverage_factor

_FEWEST_FOR_PRODUCTION = 3
"""Fewer blanks say nothing of how a production scatters (ours)."""


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
    """One line, values in the unit of the property."""
    deciding: Check
    """What decided: the failing property, the doubtful one, or the one with least room."""
    missed: tuple[str, Check] | None
    """Next better grade and what kept the blank from it; None where there is none, or it got no grade."""
    runs_to_settle: int | None
    """Where it is too close to call: so many runs altogether should settle it, if its value stays; None where
    repeating does not help, and for every other blank."""


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
    share_at_least: float
    """At least this share of the production would be graded, all limits together, with 95 % confidence; from
    the counts alone (Clopper and Pearson 1934), blanks too close to call counted as lost."""
    share_at_most: float
    """At most this share, with 95 % confidence; blanks too close to call counted as graded."""
    warnings: tuple[str, ...]
    """Plain sentences for the builder."""

    def count(self, outcome: Outcome) -> int:
        """Count the blanks with this outcome."""
        return len(self.named(outcome))

    def named(self, outcome: Outcome) -> list[str]:
        """Name the blanks with this outcome, in the order given."""
        return [blank.blank for blank in self.blanks if blank.outcome == outcome]


def grade_blanks(
    values: Mapping[str, Mapping[str, Estimate]],
    grades: Sequence[Grade],
    rule: DecisionRule = DEFAULT_RULE,
    blanks: Sequence[str] = (),
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
    blanks : sequence of str, optional
        All blanks of the shipment, in order; those that have no value at all are too close to call.

    Returns
    -------
    GradeResult

    Raises
    ------
    ReadingsError
        If there is no blank, no grade, or a limit on a property that no blank has.
    """
    blanks = list(dict.fromkeys([*blanks, *(blank for column in values.values() for blank in column)]))
    if not blanks:
        raise ReadingsError("there is no blank to grade", "give the runs of at least one blank")
    if not grades or not all(grade.limits for grade in grades):
        raise ReadingsError("there are no limits to grade by", "state the model's limits in the settings")
    for name in dict.fromkeys(limits.metric for grade in grades for limits in grade.limits):
        if not values.get(name):
            raise ReadingsError(
                f"no blank has a {words(name)}", f"measure it, or take {name} out of the limits"
            )
    graded = tuple(_grade_one(blank, values, grades, rule) for blank in blanks)
    warnings: list[str] = []
    production = []
    for limits in grades[-1].limits:
        column = [item for item in values[limits.metric].values() if math.isfinite(item.value)]
        if len(column) < _FEWEST_FOR_PRODUCTION:
            warnings.append(f"too few blanks to tell the production's {words(limits.metric)}")
        else:
            production.append(_production(limits, column, rule))
    warnings += _too_wide(values, grades[-1].limits, rule)
    passed = sum(blank.outcome == "pass" for blank in graded)
    doubtful = sum(blank.outcome == "too close to call" for blank in graded)
    return GradeResult(
        rule=rule,
        blanks=graded,
        production=tuple(production),
        share_at_least=share_bounds(passed, len(graded))[0],
        share_at_most=share_bounds(passed + doubtful, len(graded))[1],
        warnings=tuple(warnings),
    )


def _too_wide(
    values: Mapping[str, Mapping[str, Estimate]], asked: Sequence[Limits], rule: DecisionRule
) -> list[str]:
    """Name the blanks whose ± leaves no room between the guard bands."""
    warnings = []
    for limits in asked:
        if limits.lower is None or limits.upper is None:
            continue
        room = limits.upper - limits.lower
        column = values[limits.metric].items()
        wide = [blank for blank, item in column if 2.0 * rule.factor * standard_uncertainty(item) >= room]
        if wide:
            warnings.append(
                f"the ± of {words(limits.metric)} fills its limits for {', '.join(wide)}: "
                "such a blank can never pass"
            )
    return warnings


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
    deciding = _deciding(checks, outcome)
    reason = _sentence(deciding)
    missed = None
    if outcome == "pass":
        reason = f"all within limits; least room: {reason}"
    if got is not None and len(grades) > 1:
        reason = f"{grades[got].name}: {reason}"
        if got > 0:
            missed = grades[got - 1].name, _deciding(checked[got - 1], outcomes[got - 1])
            reason += f"; not {missed[0]}: {_sentence(missed[1])}"
    return BlankGrade(
        blank=blank,
        grade=None if got is None else grades[got].name,
        outcome=outcome,
        checks=checks,
        builder_risk=1.0 - chance,
        maker_risk=chance,
        reason=reason,
        deciding=deciding,
        missed=missed,
        runs_to_settle=_runs(checks, rule) if outcome == "too close to call" else None,
    )


def _runs(checks: Sequence[Check], rule: DecisionRule) -> int | None:
    """Runs that settle every doubtful property; None where one of them never settles."""
    runs = 1
    for check in checks:
        if check.outcome == "too close to call":
            wanted = None if check.value is None else runs_to_settle(check.value, check.limits, rule)
            if wanted is None:
                return None
            runs = max(runs, wanted)
    return runs


def _all(checks: Sequence[Check]) -> Outcome:
    if any(check.outcome == "fail" for check in checks):
        return "fail"
    return "pass" if all(check.outcome == "pass" for check in checks) else "too close to call"


def _deciding(checks: Sequence[Check], outcome: Outcome) -> Check:
    """Pick what decided: the failing property, the doubtful one, or the one with least room."""
    if outcome == "pass":
        return min(checks, key=lambda check: check.conforming)
    wanted = "fail" if any(check.outcome == "fail" for check in checks) else "too close to call"
    doubtful = [check for check in checks if check.outcome == wanted]
    return min(doubtful, key=lambda check: -1.0 if check.value is None else check.conforming)


def _sentence(check: Check) -> str:
    name = words(check.limits.metric)
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
    side = "upper" if limits.lower is None else "lower" if limits.upper is None else "both"
    return Production(
        limits=limits,
        interval=tolerance_interval(data, side=side),
        passing=passing_share(data, limits.lower, limits.upper, noise=noise, shift=shift),
        risks=(
            global_risks(float(data.mean()), math.sqrt(scatter), total, limits, rule)
            if scatter > 0.0 and total > 0.0
            else None
        ),
    )
