"""`blankbench grade`: which blanks of this shipment do I keep?"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from analysis.decide.grade import GradeResult
from analysis.show.grade import grade_record, grade_table, reason_words
from analysis.show.wording import label
from rig.commands import log_options as its
from rig.commands import options
from rig.errors import CallError
from rig.settings import Settings, example_specification, load_settings, load_specification
from rig.settings.specification import Specification
from rig.shop import Keeper, read_book
from rig.workup.check_blank import beside_check_blank
from rig.workup.decisions import one_model, refuse_other_model, work_grade
from rig.workup.intake import take_in


def _print_example(wanted: bool) -> None:
    if wanted:
        sys.stdout.write(example_specification())
        raise typer.Exit


def grade(
    runs: options.Runs,
    spec: Annotated[
        Path | None,
        typer.Option(
            "--spec",
            metavar="FILE",
            help="What you want of the model, as a TOML file (default: the model's limits in the settings).",
        ),
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Exit with status 1 unless every blank passes.")
    ] = False,
    example: Annotated[
        bool,
        typer.Option(
            "--example",
            callback=_print_example,
            is_eager=True,
            help="Print a specification file to start your own from.",
        ),
    ] = False,
    note_in_log: Annotated[
        bool,
        typer.Option("--note-in-log", help="Also note each blank's verdict, reason and grade in the log."),
    ] = False,
    by: its.By = None,
    skip_unreadable: options.SkipUnreadable = False,
    as_json: options.AsJson = False,
    units: options.Units = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Say which blanks of a shipment to keep, against what you want of the model.

    What you want (limits, targets, your own grades) stands in the settings file or in a file of its own;
    --example prints one.

    Example: blankbench grade runs/*.csv --spec petrel.toml
    """
    settings = load_settings(settings_file)
    wanted, model = None, ""
    if spec is not None:
        wanted, model, settings = load_specification(spec, settings)
    with options.progress("Working up the runs") as progress:
        taken = take_in(options.expand(runs), settings, skip_unreadable=skip_unreadable, progress=progress)
    taken = beside_check_blank(taken, settings)
    found = one_model(taken, "grade")
    refuse_other_model(spec, model, found)
    shipment = work_grade(taken, wanted or _of_settings(found, settings), settings)
    if note_in_log:
        _note(shipment.result, its.keeper(None, by, settings))
    if as_json:
        record = grade_record(shipment.result, shipment.labels, model=shipment.model)
        options.print_json(record | {"left_out": options.left_out(taken.left_out)})
    else:
        shown = units or settings.shop.units
        options.out().print(grade_table(shipment.result, shipment.labels, units=shown))
    if check and shipment.result.count("pass") < len(shipment.result.blanks):
        raise typer.Exit(1)


def _of_settings(model: str, settings: Settings) -> Specification:
    """Find what the settings want of a model.

    Raises
    ------
    CallError
        Where they want nothing of it, or the runs name none.
    """
    if not model:
        raise CallError("these runs do not say which model they are of", "name your limits with --spec FILE")
    specification = settings.models[model].specification if model in settings.models else None
    if specification is None:
        raise CallError(
            f"the settings hold no limits for {label(model, 40)}",
            "write them there (blankbench grade --example shows how), or give --spec FILE",
        )
    return specification


def _note(result: GradeResult, keeper: Keeper) -> None:
    """Write each blank's decision into the shop's log; a grade that was another one is corrected."""
    known = read_book(keeper.folder)
    for blank in result.blanks:
        said = blank.outcome if blank.grade is None else f"{blank.outcome}, {blank.grade}"
        keeper.note([blank.blank], {"decision": f"graded: {said} ({reason_words(blank)})"})
        fact = known.blank(blank.blank).facts.get("grade")
        before = None if fact is None else fact.value
        if blank.grade is None or before == blank.grade:
            continue
        if before is None:
            keeper.note([blank.blank], {"grade": blank.grade})
        else:
            keeper.correct(blank.blank, {"grade": blank.grade}, reason="graded again")
