"""From worked-up blanks to the shop's decisions, one function a decision."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from analysis.decide import DEFAULT_TOLERANCES, combine, compare_batch
from analysis.decide.batch import BatchResult
from analysis.decide.conformity import LabelTally, Limits, guarded
from analysis.decide.grade import Grade, GradeResult, grade_blanks
from analysis.decide.match import MatchResult, match_sets
from analysis.decide.properties import words
from analysis.decide.shipments import ProductionShift, compare_shipments
from analysis.show.wording import label
from rig.errors import CallError
from rig.settings import Settings
from rig.settings.specification import Specification
from rig.workup.intake import Intake
from rig.workup.one_run import Flex, Roll
from rig.workup.properties import bar, doubts_of, models_of, values_of


def work_batch(
    rolls: Mapping[str, Sequence[Roll]],
    flexes: Mapping[str, Sequence[Flex]],
    tolerances: Mapping[str, float],
    warnings: Sequence[str] = (),
) -> BatchResult:
    """Compare the blanks of a batch.

    Parameters
    ----------
    rolls, flexes : mapping of blank to sequence
        As from `work_blanks`.
    tolerances : mapping of property name to float
        As for `compare_batch`; a name beyond the shipped ones adds a property.
    warnings : sequence of str
        What is said first.

    Raises
    ------
    CallError
        If there are fewer than two blanks.
    """
    blanks = list(dict.fromkeys([*rolls, *flexes]))
    if len(blanks) < 2:
        only = label(blanks[0]) if blanks else "none"
        raise CallError(f"a batch needs two blanks or more, and these runs are of {only}", "name more runs")
    result = compare_batch(values_of(rolls, flexes, tolerances), {**DEFAULT_TOLERANCES, **tolerances})
    doubts = [doubt.text for doubt in doubts_of(rolls, flexes)]
    return replace(result, warnings=(*warnings, *doubts, *result.warnings))


@dataclass(frozen=True, slots=True)
class Shipment:
    """A graded shipment of one model."""

    model: str
    """The model, or empty where the runs name none."""
    result: GradeResult
    """Each blank's decision, and what they say about the production."""
    labels: tuple[LabelTally, ...]
    """One for power and one for action, where any label claims it."""


def one_model(taken: Intake, what: str) -> str:
    """Give the one model of these runs, or empty where they name none.

    Raises
    ------
    CallError
        Where they are of several.
    """
    models = models_of(run.header for run in taken.runs)
    if len(models) > 1:
        said = "; ".join(
            f"{label(model, 40)}: {label(', '.join(blanks), 60)}" for model, blanks in models.items()
        )
        raise CallError(
            f"these are blanks of {len(models)} models ({label(said, 300)})", f"{what} one model at a time"
        )
    return next(iter(models), "")


def refuse_other_model(specification: object, wanted: str, found: str) -> None:
    """Refuse to judge blanks of one model by what is wanted of another.

    Raises
    ------
    CallError
    """
    if wanted and found and wanted != found:
        raise CallError(
            f"{specification} is for {label(wanted, 40)}, and these are blanks of {label(found, 40)}",
            "give the fitting file",
        )


def work_grade(taken: Intake, specification: Specification, settings: Settings) -> Shipment:
    """Grade a shipment against what the shop wants of its model.

    Parameters
    ----------
    taken : Intake
        Worked-up runs.
    specification : Specification
        Limits and grades.
    settings : Settings
        How sure a decision must be, and the class bands that labels are held against.

    Raises
    ------
    CallError
        For blanks of several models, or runs whose values do not compare with one limit.
    ReadingsError
        If no blank has a property that is limited.
    """
    model = one_model(taken, "grade")
    grades = [
        Grade(name, tuple(Limits(metric, one.lower, one.upper, one.target) for metric, one in limits.items()))
        for name, limits in specification.steps.items()
    ]
    wanted = dict.fromkeys(limit.metric for grade in grades for limit in grade.limits)
    doubts = doubts_of(taken.rolls, taken.flexes)
    bar(doubts, wanted, "give blanks of one length at a time, or state the model's rated_length_m")
    found = values_of(taken.rolls, taken.flexes, wanted)
    result = grade_blanks(
        {name: found.get(name, {}) for name in wanted},
        grades,
        guarded(settings.sure_pct / 100.0),
        blanks=taken.blanks,
    )
    said = [doubt.text for doubt in doubts if doubt.properties & set(wanted) or not doubt.properties]
    result = replace(result, warnings=(*taken.warnings, *said, *result.warnings))
    return Shipment(model, result, _labels(taken.flexes, settings))


def _labels(flexes: Mapping[str, Sequence[Flex]], settings: Settings) -> tuple[LabelTally, ...]:
    tallies = []
    for what, bands in (("power", settings.power_bands), ("action", settings.action_bands)):
        claims: dict[str, str] = {}
        chances: dict[str, float] = {}
        for blank, works in flexes.items():
            stated = [getattr(work.run.header, f"label_{what}") for work in works]
            claim = next((word for word in stated if word), None)
            if claim is None:
                continue
            results = [work.result for work in works]
            values = [r.reference_load if what == "power" else r.bend_centre for r in results]
            known = [value for value in values if value is not None and math.isfinite(value.value)]
            claims[blank] = bands.word(claim, what)
            call = bands.call(combine(known)) if known else None
            chances[blank] = math.nan if call is None else dict(call.probabilities)[claims[blank]]
        if claims:
            tallies.append(LabelTally(what, claims, chances))
    return tuple(tallies)


def work_match(
    taken: Intake,
    size: int,
    weights: Mapping[str, float],
    tolerances: Mapping[str, float],
    *,
    time_limit_s: float,
) -> MatchResult:
    """Divide a shipment into sets of blanks that are alike.

    A property that fewer than half of the blanks have is left out, unless it is given a weight.

    Raises
    ------
    CallError
        For blanks of several models, a weighed property that no blank has, or values that do not compare.
    ReadingsError
        If there are too few blanks with all properties for one set.
    """
    one_model(taken, "match")
    found = values_of(taken.rolls, taken.flexes, dict.fromkeys([*tolerances, *weights]))
    lost = [name for name, weight in weights.items() if weight > 0.0 and name not in found]
    if lost:
        raise CallError(f"no blank has a {words(lost[0])} to match by", f"measure it, or leave {lost[0]} out")
    warnings = list(taken.warnings)
    used = {}
    for name, column in found.items():
        if weights.get(name) == 0.0:
            continue
        if name not in weights and 2 * len(column) < len(taken.blanks):
            warnings.append(
                f"{words(name)} is known for {len(column)} of {len(taken.blanks)} blanks only, "
                "so they are matched without it."
            )
            continue
        used[name] = column
    doubts = doubts_of(taken.rolls, taken.flexes)
    bar(doubts, used, "match blanks of one length at a time, or leave it out with --weight NAME=0")
    result = match_sets(used, size, weights=weights, tolerances=tolerances, time_limit_s=time_limit_s)
    said = [doubt.text for doubt in doubts if doubt.properties & set(used)]
    return replace(result, warnings=(*warnings, *said, *result.warnings))


def work_compare(
    earlier: Intake, later: Intake, tolerances: Mapping[str, float]
) -> tuple[ProductionShift, str]:
    """Compare two shipments of one model; gives the comparison and the model.

    Raises
    ------
    CallError
        For several models, a blank that is in both, or values that do not compare.
    ReadingsError
        If they share no property.
    """
    both = [name for name in earlier.blanks if name in later.blanks]
    if both:
        raise CallError(
            f"{label(', '.join(both), 60)} is in both shipments", "give each blank's runs on one side only"
        )
    together = Intake({**earlier.rolls, **later.rolls}, {**earlier.flexes, **later.flexes})
    model = one_model(together, "compare")
    doubts = doubts_of(together.rolls, together.flexes)
    bar(doubts, tolerances, "compare runs of one length and travel, or state the model's rated_length_m")
    then, now = (values_of(one.rolls, one.flexes, tolerances) for one in (earlier, later))
    dates = {str(run.header.tables.get("calibration", {}).get("dated", "")) for run in together.runs}
    result = compare_shipments(then, now, tolerances, same_calibration=len(dates) == 1)
    said = [doubt.text for doubt in doubts if doubt.properties & set(tolerances)]
    said += [] if len(dates) == 1 else ["two calibrations: their errors count in the change."]
    warnings = dict.fromkeys((*earlier.warnings, *later.warnings, *said))
    return replace(result, warnings=tuple(warnings)), model
