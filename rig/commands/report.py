"""`blankbench report`: one page for the batch and one page a blank, as one HTML file."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from analysis.bend.result import FlexResult
from analysis.decide.batch import BatchResult
from analysis.roll.result import RollResult
from analysis.show.page import BlankPage, PageInfo, report_page
from analysis.show.page_grade import Graded
from analysis.units import System
from rig.commands import options
from rig.commands.batch import allowed_spreads
from rig.commands.printing import check_page_name, save_page
from rig.runs import Run
from rig.settings import Settings, load_settings, load_specification
from rig.settings.specification import Specification
from rig.shop import FACTS, Blank, books_above
from rig.workup.decisions import one_model, refuse_other_model, work_batch, work_grade
from rig.workup.intake import Intake, take_in
from rig.workup.one_run import Flex, Roll

ROD = ("rod", "job", "guide_layout", "static_test")
"""What a blank's page takes from the log, to hand over with the rod; the rest is the shop's own business."""


def report(
    runs: options.Runs,
    into: Annotated[
        Path, typer.Option("--into", metavar="FILE", help="The file to write: .html, or .pdf.")
    ] = Path("report.html"),
    spec: Annotated[
        Path | None,
        typer.Option(
            "--spec",
            metavar="FILE",
            help="Also say which blanks to keep, as blankbench grade (default: the model's limits in the"
            " settings, where there are any).",
        ),
    ] = None,
    tolerance: options.Tolerances = None,
    mark: options.Rule = None,
    paper: Annotated[Literal["a4", "letter"], typer.Option("--paper", help="For a .pdf.")] = "a4",
    skip_unreadable: options.SkipUnreadable = False,
    as_json: options.AsJson = False,
    units: options.Units = None,
    chuck: options.ChuckChoice = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Write one page for the batch and one a blank to hand over with the rod.

    Example: blankbench report runs/*.csv --into batch.html
    """
    check_page_name(into)
    settings = options.with_chuck(load_settings(settings_file), chuck)
    wanted, model = None, ""
    if spec is not None:
        wanted, model, settings = load_specification(spec, settings)
    paths = options.expand(runs)
    taken = take_in(paths, settings, skip_unreadable=skip_unreadable, rule=mark, curve=True)
    allowed = allowed_spreads(tolerance, settings, taken)
    several = len(taken.blanks) > 1
    batch = work_batch(taken.rolls, taken.flexes, allowed, taken.warnings) if several else None
    shipment = graded(taken, wanted, model, settings)
    page = report_html(taken.rolls, taken.flexes, batch, settings, units or settings.shop.units, shipment)
    pdf = into.suffix.lower() == ".pdf"
    path = save_page(page, into, paper)
    if as_json:
        options.print_json(
            {
                "report": str(path),
                "blanks": taken.blanks,
                "left_out": options.left_out(taken.left_out),
            }
        )
    else:
        for warning in taken.warnings:
            options.messages().print(f"! {warning}", markup=False)
        do = "Print it, or send it." if pdf else "Open it in a browser; print it from there."
        options.out().print(f"The report is in {path}. {do}", markup=False)


def graded(taken: Intake, wanted: Specification | None, model: str, settings: Settings) -> Graded | None:
    """Grade the shipment by what was asked for, or by the settings' limits for its model where there are any.

    Raises
    ------
    CallError, ReadingsError
        As `work_grade`, where a specification was asked for.
    """
    if wanted is None:
        models = {run.header.model for run in taken.runs} - {""}
        known = settings.models.get(next(iter(models))) if len(models) == 1 else None
        if known is None or known.specification is None:
            return None
        wanted = known.specification
    else:
        refuse_other_model("the specification", model, one_model(taken, "report"))
    shipment = work_grade(taken, wanted, settings)
    return Graded(shipment.result, shipment.labels)


def report_html(
    rolls: Mapping[str, Sequence[Roll]],
    flexes: Mapping[str, Sequence[Flex]],
    batch: BatchResult | None,
    settings: Settings,
    units: System,
    shipment: Graded | None = None,
) -> str:
    """Make the HTML report of worked-up runs (with their curves)."""
    blanks = []
    every: list[Run] = []
    taken = [work.run for group in rolls.values() for work in group]
    taken += [work.run for group in flexes.values() for work in group]
    books = books_above(run.path for run in taken)
    for blank in dict.fromkeys([*rolls, *flexes]):
        roll, flex = rolls.get(blank, ()), flexes.get(blank, ())
        runs = [work.run for work in roll] + [work.run for work in flex]
        every += runs
        known = next((books[run.path][1].blank(blank) for run in runs if run.path in books), Blank(blank))
        stated = next((run.header.model for run in runs if run.header.model), "")
        blanks.append(
            BlankPage(
                name=blank,
                model=stated or known.text("model") or "",
                roll=surest_roll(roll),
                flex=surest_flex(flex),
                notes=_notes(roll, flex),
                info=_info(runs, settings, units),
                rod=tuple((FACTS[name].title, text) for name in ROD if (text := known.text(name))),
            )
        )
    return report_page(_info(every, settings, units), blanks, batch, shipment)


def surest_roll(works: Sequence[Roll]) -> RollResult | None:
    """Give the run of a blank that tells its mark best, whatever order the runs came in; None without a run.

    A run without a mark comes behind every run with one, and among the rest the smaller ± comes first.
    """

    def unsure(work: Roll) -> tuple[bool, float, str]:
        angle = work.result.mark.angle
        return angle is None, math.inf if angle is None else angle.ci95, work.run.path

    return min(works, key=unsure).result if works else None


def surest_flex(works: Sequence[Flex]) -> FlexResult | None:
    """Give the run of a blank that tells its power best, likewise."""

    def unsure(work: Flex) -> tuple[bool, float, str]:
        load = work.result.reference_load
        return load is None, math.inf if load is None else load.ci95 / load.value, work.run.path

    return min(works, key=unsure).result if works else None


def _notes(rolls: Sequence[Roll], flexes: Sequence[Flex]) -> tuple[str, ...]:
    """What the runs' headers note, and which run the sheet shows where there are several."""
    works: list[Roll | Flex] = [*rolls, *flexes]
    noted = [work.run.header.notes for work in works if work.run.header.notes]
    several = [
        f"{count} {kind} runs" for kind, count in (("roll", len(rolls)), ("flex", len(flexes))) if count > 1
    ]
    shown = [f"Measured by {' and '.join(several)}; this sheet shows the surest."] if several else []
    return tuple(dict.fromkeys((*noted, *shown)))


def _info(runs: Sequence[Run], settings: Settings, units: System) -> PageInfo:
    """Say when, by whom and with which calibrations runs were made."""
    people = dict.fromkeys(run.header.operator for run in runs if run.header.operator)
    return PageInfo(
        shop=settings.shop.name,
        date=_dates(runs),
        operator=", ".join(people) or settings.shop.operator,
        calibration=_calibrations(runs),
        units=units,
    )


def _dates(runs: Sequence[Run]) -> str:
    days = sorted({run.header.when.date().isoformat() for run in runs if run.header.when is not None})
    if not days:
        return f"{datetime.now(UTC):%Y-%m-%d} (report; the runs state no date)"
    return days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"


def _calibrations(runs: Sequence[Run]) -> str:
    """Which calibrations were in force, and how sure they are."""
    said = []
    for run in runs:
        table = run.header.tables.get("calibration", {})
        dated = str(table.get("dated", ""))
        if not dated:
            continue
        load = table.get("load", {})
        sure = load.get("scale_ci95") if isinstance(load, Mapping) else None
        said.append(
            f"of {dated}" + (f", load ± {100.0 * sure:.2g} %" if isinstance(sure, int | float) else "")
        )
    return "; ".join(dict.fromkeys(said))
