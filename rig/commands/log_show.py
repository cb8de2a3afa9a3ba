"""`blankbench log show`: everything about one blank, or how a shipment's labels hold."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from analysis.show.text import label
from analysis.units import System, display
from rig.commands import log_options as its
from rig.commands import log_tables, options
from rig.commands.log_enter import entry_record
from rig.errors import CallError
from rig.settings import load_settings
from rig.shop import FACTS, Fact, Item, Shelf

_SHOWN_AS = {"mass_g": ("weight", 1e-3), "butt_diameter_m": ("small length", 1.0)}
_SHOWN_AS |= {"tip_diameter_m": ("small length", 1.0), "length_m": ("length", 1.0)}


def show(
    blank: Annotated[str | None, typer.Argument(metavar="BLANK", help="Name of the blank.")] = None,
    shipment: Annotated[
        str | None,
        typer.Option("--shipment", metavar="NAME", help="A shipment: for how many does the label hold?"),
    ] = None,
    folder: its.Folder = None,
    as_json: options.AsJson = False,
    units: options.Units = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Show everything about one blank, or a shipment with what its flex runs say of the label.

    Example: blankbench log show A-03
    """
    settings = load_settings(settings_file)
    if (blank is None) == (shipment is None):
        raise CallError("name a blank or a shipment", "as in  log show A-03  or  log show --shipment A")
    shelf = its.open_shelf(folder, settings)
    if shipment is not None:
        from rig.commands import log_shipment

        log_shipment.show_shipment(shelf, shipment, settings, as_json=as_json)
        return
    item = its.item_of(shelf, blank or "")
    if as_json:
        options.print_json(
            {
                **log_tables.blank_record(shelf, item),
                "runs": [log_tables.run_record(shelf, run) for run in (*item.runs, *item.aside)],
                "entries": [entry_record(entry) for entry in shelf.book.about(item.name)],
            }
        )
        return
    options.out().print(blank_page(shelf, item, units or settings.shop.units), soft_wrap=False)


def blank_page(shelf: Shelf, item: Item, units: System) -> RenderableType:
    """Everything about one blank, for a terminal."""
    title = Text(f"Blank {label(item.name, 40)}", style="bold")
    if item.model:
        title.append(f", {label(item.model, 40)}", style="dim")
    parts: list[RenderableType] = [title]
    facts = _grid()
    if item.shipment is not None:
        came = item.shipment
        facts.add_row("Shipment", f"{came.name}, {len(came.blanks)} blanks, came on {label(came.date, 20)}")
    for name, fact in item.blank.facts.items():
        if name != "model":
            facts.add_row(FACTS[name].title, fact_words(name, fact, units))
    parts.append(facts)
    if item.blank.remarks:
        remarks = _grid()
        for remark in item.blank.remarks:
            when = f"{remark.fact.entry.at[:10]} {label(remark.fact.entry.by, 24)}"
            words = value_words(remark.kind, remark.fact, units)
            text = Text(f"{FACTS[remark.kind].words}: {words}{_before(remark.fact, remark.kind, units)}")
            remarks.add_row(f"{when}", Text.assemble(text, (f"  entry {remark.number}", "dim")))
        parts += [Text("Notes and decisions", style="bold"), remarks]
    parts.append(Text("Runs" if item.runs or item.aside else "Not measured yet.", style="bold"))
    runs = _grid()
    for run in sorted((*item.runs, *item.aside), key=lambda run: run.order):
        aside = shelf.aside(run)
        dated = label(run.calibration, 25)
        calibration = f"calibration {dated}" if dated else "no calibration stated"
        by = label(run.operator, 30) or "nobody named"
        line = Text(f"{run.kind}, by {by}, {calibration}\n{label(run.path, 200)}")
        if aside is not None:
            who = f"{label(aside.entry.by, 30)} on {aside.entry.at[:10]}"
            line.append(f"\nset aside by {who}: {label(aside.reason, 300)}", style="yellow")
        runs.add_row(label(run.started[:16].replace("T", " "), 20) or "no date", line)
    parts.append(runs)
    return Group(*parts)


def fact_words(name: str, fact: Fact, units: System) -> Text:
    """A fact with what it was before, and why it was corrected."""
    return Text(f"{value_words(name, fact, units)}{_before(fact, name, units)}")


def value_words(name: str, fact: Fact, units: System) -> str:
    """The value of a fact alone, with its unit."""
    if fact.value is None:
        return "taken back"
    if not isinstance(fact.value, str):
        quantity, to_si = _SHOWN_AS[name]
        how = display(quantity, units)
        return f"{how.number(fact.value * to_si):.{how.decimals}f} {how.symbol}"
    return label(fact.value, 500)


def _before(fact: Fact, name: str, units: System) -> str:
    if not fact.earlier:
        return ""
    was = ", ".join(
        f"{value_words(name, old, units)} ({label(old.entry.by, 30)}, {old.entry.at[:10]})"
        for old in fact.earlier
    )
    why = f"; {label(fact.reason, 300)}" if fact.reason else ""
    return f"  [was {was}; corrected by {label(fact.entry.by, 30)} on {fact.entry.at[:10]}{why}]"


def _grid() -> Table:
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 1))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    return table
