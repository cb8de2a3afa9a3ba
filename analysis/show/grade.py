"""A graded shipment: which blanks to keep, in one line, then why; as tables and as a record."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from analysis.decide.conformity import LabelTally, Limits, Outcome, guard_band
from analysis.decide.grade import BlankGrade, Check, GradeResult, Production
from analysis.decide.properties import unit_of, words
from analysis.estimate import Estimate
from analysis.show import wording as say
from analysis.show.json_values import Json, ci95_of, number_of, strings_of, value_of
from analysis.show.layout import columns, page
from analysis.show.rounding import show
from analysis.units import System

OUTCOME_STYLES: dict[Outcome, str] = {"pass": "green", "fail": "red", "too close to call": "yellow"}
"""Colours that repeat what the outcome's words say."""
_SHOWN_BLANKS = 12


def grade_table(
    result: GradeResult, labels: Sequence[LabelTally] = (), *, units: System = "metric"
) -> RenderableType:
    """Which blanks to keep, each blank with its reason, the maker's production, the labels."""
    table = columns("blank", "verdict", "risk", "why")
    table.columns[1].min_width = 11
    for blank in result.blanks:
        verdict = blank.outcome if blank.grade is None else f"{blank.outcome}, {say.label(blank.grade, 16)}"
        table.add_row(
            Text(say.label(blank.blank, 16)),
            Text(verdict, style=OUTCOME_STYLES[blank.outcome]),
            risk_words(blank),
            Text(reason_words(blank, units)),
        )
    below: list[RenderableType] = [Text(rule_words(result), style="dim")]
    if len({blank.grade for blank in result.blanks}) > 1:
        below.append(Text(grades_words(result)))
    if result.production:
        below.append(_production_table(result, units))
        below.append(Text(production_words(result)))
    below += [Text(label_tally_words(tally)) for tally in labels]
    style = "green" if result.count("pass") else "yellow" if result.count("too close to call") else "red"
    title = Text(keep_words(result), style=f"bold {style}")
    rest = rest_words(result)
    return page(title.append(f"\n{rest}", style="not bold") if rest else title, table, below, result.warnings)


def keep_words(result: GradeResult) -> str:
    """Answer in one line: which blanks of this shipment do I keep."""
    keep = result.named("pass")
    return f"Keep {len(keep)} of {len(result.blanks)}{_names(keep)}."


def rest_words(result: GradeResult) -> str:
    """Say what becomes of the others; empty where all are kept."""
    back, open_ = result.named("fail"), result.named("too close to call")
    said = [f"Send back {len(back)}{_names(back)}."] if back else []
    if open_:
        said.append(f"Too close to call {len(open_)}{_names(open_)}.")
    return " ".join(said)


def _names(blanks: Sequence[str]) -> str:
    if not blanks:
        return ""
    named = [say.label(blank, 16) for blank in blanks[:_SHOWN_BLANKS]]
    more = len(blanks) - len(named)
    return f": {say.listing([*named, f'{more} more'] if more else named)}"


def risk_words(blank: BlankGrade) -> str:
    """Say what may be wrong with the decision: the builder's risk where it is kept, else the maker's."""
    kept, sent = say.chance(blank.builder_risk), say.chance(blank.maker_risk)
    if blank.outcome == "too close to call" and math.isfinite(blank.builder_risk):
        return f"{kept} / {sent}"
    return sent if blank.outcome == "fail" else kept


def rule_words(result: GradeResult) -> str:
    """State the decision rule and whose risk is whose."""
    return (
        f"A blank passes where it is {result.rule.name} that it keeps each limit, and fails where it is so "
        "sure that it does not keep one. Risk: that a blank that passes is outside its limits after all "
        "(yours), or that one that fails is inside (the maker's); too close to call: if kept / if sent back."
    )


def reason_words(blank: BlankGrade, units: System = "metric") -> str:
    """Say in one line what decided."""
    said = check_words(blank.deciding, units)
    if blank.outcome == "pass":
        said = f"least room: {said}"
        if blank.missed is not None:
            said += f"; not {say.label(blank.missed[0], 16)}: {check_words(blank.missed[1], units)}"
    elif blank.outcome == "too close to call" and blank.deciding.value is not None:
        said += f"; {_settle_words(blank, blank.deciding.value, units)}"
    return said


def _settle_words(blank: BlankGrade, value: Estimate, units: System) -> str:
    if blank.runs_to_settle is not None:
        return f"about {blank.runs_to_settle} times as many runs should settle it"
    if not value.shares:
        return "more runs cannot settle it"
    metric = blank.deciding.limits.metric
    how = say.unit_display(unit_of(metric), metric, units)
    share = max(value.shares, key=lambda share: share.ci95)
    size = f"{say.three_figures(share.ci95 * how.per_si, 2)} {how.symbol}".rstrip()
    return f"more runs cannot settle it: {say.label(share.cause)} alone makes ± {size}"


def check_words(check: Check, units: System = "metric") -> str:
    """Say a property's value and its limits: ``natural bow 14.2 ± 0.5 mm, limit 12``."""
    limits = check.limits
    name = say.label(words(limits.metric))
    if check.value is None:
        return f"{name} was not measured"
    how = say.unit_display(unit_of(limits.metric), limits.metric, units)
    shown = show(check.value, how.symbol, per_si=how.per_si, decimals=how.decimals)
    note = f" ({shown.note})" if shown.note else ""
    both = limits.lower is not None and limits.upper is not None
    return f"{name} {shown.text}{note}, {'limits ' if both else ''}{limits_words(limits, units)}"


def limits_words(limits: Limits, units: System = "metric") -> str:
    """Say limits as numbers in the shown unit: ``4.7 to 5.3``, ``at most 12``."""
    how = say.unit_display(unit_of(limits.metric), limits.metric, units)
    low, high = (
        None if limit is None else say.three_figures(how.number(limit), 4)
        for limit in (limits.lower, limits.upper)
    )
    if low is None:
        return f"at most {high}"
    return f"at least {low}" if high is None else f"{low} to {high}"


def grades_words(result: GradeResult) -> str:
    """Say how many blanks got which grade."""
    counts: dict[str, int] = {}
    for blank in result.blanks:
        if blank.grade is not None:
            counts[blank.grade] = counts.get(blank.grade, 0) + 1
    return f"Grades: {', '.join(f'{say.label(name, 16)} {count}' for name, count in counts.items())}."


def production_words(result: GradeResult) -> str:
    """Say what share of the maker's production would pass, all limits together."""
    return (
        f"All limits together: of the maker's blanks at least {percent_words(result.share_at_least)} and at "
        f"most {percent_words(result.share_at_most)} would pass. Each of these bounds is 95 % sure, if these "
        f"{len(result.blanks)} blanks came as they fall; the table also takes it that each property scatters "
        "as a bell curve."
    )


def percent_words(share: float) -> str:
    """Say a share in whole percent."""
    return f"{100.0 * share:.0f} %"


def _production_table(result: GradeResult, units: System) -> Table:
    table = columns("the maker's blanks", "limits", "95 % of them lie", "keep limits", "at least")
    for one in result.production:
        how = say.unit_display(unit_of(one.limits.metric), one.limits.metric, units)
        table.add_row(
            f"{say.metric_words(one.limits.metric)} {how.symbol}".rstrip(),
            limits_words(one.limits, units),
            interval_words(one, units, unit=False),
            percent_words(one.passing.share),
            percent_words(one.passing.at_least),
        )
    return table


def interval_words(one: Production, units: System = "metric", *, unit: bool = True) -> str:
    """Say between which values the maker's blanks lie, in the shown unit."""
    how = say.unit_display(unit_of(one.limits.metric), one.limits.metric, units)
    low, high = (say.three_figures(end * how.per_si) for end in (one.interval.lower, one.interval.upper))
    if not math.isfinite(one.interval.lower):
        said = f"below {high}"
    else:
        said = f"above {low}" if not math.isfinite(one.interval.upper) else f"{low} to {high}"
    return f"{said} {how.symbol}".rstrip() if unit else said


def label_tally_words(tally: LabelTally) -> str:
    """Say for how many blanks the label's claim holds."""
    count = len(tally.claims)
    said = [f"Label, {tally.what}: holds for {len(tally.holds)} of {count}"]
    if tally.does_not_hold:
        said.append(f"does not hold for {len(tally.does_not_hold)}{_names(tally.does_not_hold)}")
    if tally.in_doubt:
        named = [f"{blank} ({say.chance(tally.probabilities[blank])})" for blank in tally.in_doubt]
        said.append(f"in doubt for {len(named)}{_names(named)}")
    return "; ".join(said) + "."


def grade_record(result: GradeResult, labels: Sequence[LabelTally], *, model: str) -> dict[str, Json]:
    """Give a graded shipment as a dictionary; values in the unit that stands beside them."""
    return {
        "model": model or None,
        "keep": strings_of(result.named("pass")),
        "send_back": strings_of(result.named("fail")),
        "too_close_to_call": strings_of(result.named("too close to call")),
        "rule": {"name": result.rule.name, "guard_band_factor": number_of(result.rule.factor)},
        "blanks": [_blank(blank, result) for blank in result.blanks],
        "production": {one.limits.metric: _production(one) for one in result.production},
        "production_share_at_least": number_of(result.share_at_least),
        "production_share_at_most": number_of(result.share_at_most),
        "labels": {tally.what: _tally(tally) for tally in labels},
        "warnings": strings_of(result.warnings),
    }


def _blank(blank: BlankGrade, result: GradeResult) -> dict[str, Json]:
    return {
        "blank": blank.blank,
        "outcome": str(blank.outcome),
        "grade": blank.grade,
        "builder_risk": number_of(blank.builder_risk),
        "maker_risk": number_of(blank.maker_risk),
        "reason": reason_words(blank),
        "decided_by": blank.deciding.limits.metric,
        "runs_to_settle": blank.runs_to_settle,
        "metrics": {check.limits.metric: _check(check, result) for check in blank.checks},
    }


def _check(check: Check, result: GradeResult) -> dict[str, Json]:
    limits = check.limits
    return {
        "unit": unit_of(limits.metric),
        "value": value_of(check.value),
        "value_ci95": ci95_of(check.value),
        "lower": number_of(limits.lower),
        "upper": number_of(limits.upper),
        "target": number_of(limits.target),
        "guard_band": None if check.value is None else number_of(guard_band(check.value, result.rule)),
        "outcome": str(check.outcome),
        "conforming_probability": number_of(check.conforming),
    }


def _production(one: Production) -> dict[str, Json]:
    return {
        "unit": unit_of(one.limits.metric),
        "lower": number_of(one.limits.lower),
        "upper": number_of(one.limits.upper),
        "interval_lower": number_of(one.interval.lower),
        "interval_upper": number_of(one.interval.upper),
        "interval_coverage": number_of(one.interval.coverage),
        "interval_confidence": number_of(one.interval.confidence),
        "share": number_of(one.passing.share),
        "share_at_least": number_of(one.passing.at_least),
        "share_at_most": number_of(one.passing.at_most),
        "builder_risk": None if one.risks is None else number_of(one.risks.builder),
        "maker_risk": None if one.risks is None else number_of(one.risks.maker),
    }


def _tally(tally: LabelTally) -> dict[str, Json]:
    return {
        "claims": {blank: str(claim) for blank, claim in tally.claims.items()},
        "probabilities": {blank: number_of(chance) for blank, chance in tally.probabilities.items()},
        "holds": strings_of(tally.holds),
        "does_not_hold": strings_of(tally.does_not_hold),
        "in_doubt": strings_of(tally.in_doubt),
        "expected": number_of(tally.expected),
    }
