"""What the log gives away: labels to stick on, files for other programs, an index made anew."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from analysis.show.labels import A_PAGE, Label, Paper, label_sheet
from rig.commands import log_options as its
from rig.commands import log_tables, options
from rig.errors import CallError
from rig.settings import Settings, load_settings
from rig.shop import FACTS, REMARKS, SINGLE, Item, Shelf, list_runs
from rig.shop.export import write_csv, write_json, write_parquet


def labels(
    blanks: Annotated[
        list[str] | None, typer.Argument(metavar="[BLANK…]", help="Names; none: those the options ask for.")
    ] = None,
    shipment: its.OfShipment = None,
    find: its.Find = None,
    blank: its.BlankLike = None,
    model: its.ModelLike = None,
    into: Annotated[
        Path, typer.Option("--into", metavar="FILE", help="The file to write: .html, or .pdf.")
    ] = Path("labels.html"),
    paper: Annotated[Paper, typer.Option("--paper", help="a4 or letter.")] = "a4",
    skip: Annotated[
        int, typer.Option("--skip", min=0, max=A_PAGE - 1, help="Places already used on the first sheet.")
    ] = 0,
    names_only: Annotated[
        bool, typer.Option("--names-only", help="Leave out what the runs say: mark, power, action.")
    ] = False,
    folder: its.Folder = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Write a sheet of labels, one a blank: name, model and, where measured, mark, power, action, grade.

    Example: blankbench log labels --shipment A --paper letter
    """
    settings = load_settings(settings_file)
    shelf = its.open_shelf(folder, settings)
    if blanks:
        items = [its.item_of(shelf, name) for name in dict.fromkeys(blanks)]
    else:
        items = shelf.blanks(its.wanted(shipment=shipment, find=find, blank=blank, model=model))
    if not items:
        raise CallError("no blank fits", "blankbench log lists those there are")
    from rig.commands.printing import check_page_name, save_page

    check_page_name(into)
    made = _labels(shelf, items, settings, measured=not names_only)
    save_page(label_sheet(made, paper, skip), into, paper)
    if as_json:
        options.print_json({"labels": str(into), "blanks": [item.name for item in items]})
        return
    do = "Print it" if into.suffix.lower() == ".pdf" else "Open it in a browser and print it"
    options.out().print(
        f"{len(made)} labels in {into}. {do} at 100 %, without margins.",
        markup=False, highlight=False, soft_wrap=True,
    )  # fmt: skip


def export(
    csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="CSV, for a spreadsheet.")] = None,
    json: Annotated[Path | None, typer.Option("--json", metavar="FILE", help="JSON.")] = None,
    parquet: Annotated[
        Path | None, typer.Option("--parquet", metavar="FILE", help="Parquet (needs pyarrow).")
    ] = None,
    runs: Annotated[bool, typer.Option("--runs", help="A line a run instead of a line a blank.")] = False,
    find: its.Find = None,
    blank: its.BlankLike = None,
    model: its.ModelLike = None,
    maker: its.MakerLike = None,
    shipment: its.OfShipment = None,
    operator: its.OperatorLike = None,
    kind: its.OfKind = None,
    since: its.Since = None,
    until: its.Until = None,
    folder: its.Folder = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Write the log into a file for other programs, all of it or what the options ask for.

    In the CSV file an apostrophe stands before a text that a spreadsheet would take for a formula.

    Example: blankbench log export --csv blanks.csv --model petrel
    """
    if csv is None and json is None and parquet is None:
        raise CallError("no file is named", "give --csv, --json or --parquet with a file")
    shelf = its.open_shelf(folder, load_settings(settings_file))
    ask = its.wanted(
        find=find, blank=blank, model=model, maker=maker, shipment=shipment, operator=operator, kind=kind,
        since=since, until=until,
    )  # fmt: skip
    rows: list[dict[str, Any]]
    if runs:
        columns = RUN_COLUMNS
        rows = [log_tables.run_record(shelf, run) for run in shelf.runs(ask)]
    else:
        columns = BLANK_COLUMNS
        rows = [log_tables.blank_record(shelf, item) for item in shelf.blanks(ask)]
    if parquet is not None:
        write_parquet(parquet, columns, rows)
    if csv is not None:
        write_csv(csv, list(columns), rows)
    if json is not None:
        write_json(json, "runs" if runs else "blanks", rows)
    files = ", ".join(str(file) for file in (csv, json, parquet) if file is not None)
    options.out().print(
        f"{len(rows)} {'runs' if runs else 'blanks'} in {files}",
        markup=False,
        highlight=False,
        soft_wrap=True,
    )


def rebuild(
    folder: its.Folder = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Make the index anew from the run files. Nothing else changes: the files are the truth.

    Example: blankbench log rebuild
    """
    place = its.folder_of(folder, load_settings(settings_file))
    listing = list_runs(place, rebuild=True)
    if as_json:
        faults = [
            {"run": fault.path, "line": fault.line, "what": fault.what, "do": fault.do}
            for fault in listing.faults
        ]
        options.print_json({"runs": len(listing.runs), "unreadable": faults})
        return
    console = options.out()
    console.print(f"{len(listing.runs)} runs read again in {place}.", markup=False, highlight=False)
    for fault in listing.faults:
        console.print(str(fault), markup=False, highlight=False, soft_wrap=True)


BLANK_COLUMNS: dict[str, str] = {
    "blank": "text",
    "shipment": "text",
    "arrived": "text",
    **{name: FACTS[name].form for name in SINGLE},
    **dict.fromkeys(REMARKS, "texts"),
    "rolls": "count",
    "flexes": "count",
    "set_aside": "count",
    "last_measured": "text",
    "operators": "texts",
    "calibrations": "texts",
}
"""Columns of a line a blank, and what stands in them."""
RUN_COLUMNS: dict[str, str] = {
    **dict.fromkeys(("run", "kind", "blank", "model", "shipment", "started", "operator"), "text"),
    "calibration": "text",
    "free_length_m": "number",
    **dict.fromkeys(("notes", "set_aside", "set_aside_by", "set_aside_at"), "text"),
}
"""Columns of a line a run."""


def _labels(shelf: Shelf, items: Sequence[Item], settings: Settings, *, measured: bool) -> list[Label]:
    found: dict[str, tuple[str, str, str]] = {}
    if measured and any(item.runs for item in items):
        from analysis.show.rounding import show_direction
        from rig.commands.log_shipment import results_of

        taken = results_of(shelf, items, settings)
        for item in items:
            roll = next((work.result for work in taken.rolls.get(item.name, ())), None)
            flex = next((work.result for work in taken.flexes.get(item.name, ())), None)
            mark = show_direction(roll.mark.angle).text if roll and roll.mark.angle else ""
            power = flex.power_class.name if flex and flex.power_class else ""
            found[item.name] = mark, power, flex.action_class.name if flex and flex.action_class else ""
    return [
        Label(
            item.name,
            item.model,
            *found.get(item.name, ("", "", "")),
            item.blank.text("grade") or "",
            "" if item.shipment is None else f"shipment {item.shipment.name}, {item.shipment.date}",
        )
        for item in items
    ]
