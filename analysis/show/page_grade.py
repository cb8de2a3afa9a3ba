"""The graded shipment on the report's first sheet: which to keep and why, the production, the labels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.decide.conformity import LabelTally, Outcome
from analysis.decide.grade import GradeResult
from analysis.show import grade as words_of
from analysis.show import wording as say
from analysis.show.html import Child, name_of, table, tag
from analysis.units import System

CLASSES: dict[Outcome, str] = {
    "pass": "consistent",
    "fail": "not-consistent",
    "too close to call": "undecided",
}
"""Style of each outcome: the batch's colours, which repeat what the words say."""


@dataclass(frozen=True, slots=True)
class Graded:
    """A shipment's decisions."""

    result: GradeResult
    """Each blank's decision, and what they say about the production."""
    labels: Sequence[LabelTally] = ()
    """For how many the maker's label holds."""


def grade_section(graded: Graded, units: System) -> list[Child]:
    """Answer which blanks of the shipment to keep, then give the reasons."""
    result = graded.result
    outcome: Outcome = "pass" if result.count("pass") else "fail"
    if outcome == "fail" and result.count("too close to call"):
        outcome = "too close to call"
    rows = [
        [
            name_of(blank.blank, 24),
            tag(
                "p",
                blank.outcome if blank.grade is None else [f"{blank.outcome}, ", name_of(blank.grade, 16)],
                class_=f"word {CLASSES[blank.outcome]}",
            ),
            words_of.risk_words(blank),
            tag("bdi", words_of.reason_words(blank, units)),
        ]
        for blank in result.blanks
    ]
    parts: list[Child] = [
        tag("h2", "Which to keep", class_="sub"),
        tag("p", words_of.keep_words(result), class_=f"verdict {CLASSES[outcome]}"),
    ]
    rest = words_of.rest_words(result)
    parts.append(tag("p", rest) if rest else None)
    parts.append(
        table(words_of.rule_words(result), ["Blank", "Verdict", "Risk", "Why"], rows, class_="grades")
    )
    if result.production:
        made = [
            [
                say.metric_words(one.limits.metric),
                words_of.limits_words(one.limits, units),
                words_of.interval_words(one, units),
                words_of.percent_words(one.passing.share),
                words_of.percent_words(one.passing.at_least),
            ]
            for one in result.production
        ]
        heads: list[Child] = ["The maker's blanks", "Limits", "95 % of them lie", "Keep limits", "At least"]
        parts.append(table(words_of.production_words(result), heads, made, class_="production"))
    parts += [tag("p", tag("bdi", words_of.label_tally_words(tally))) for tally in graded.labels]
    return parts
