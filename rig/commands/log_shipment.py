"""For how many blanks of a shipment the maker's label holds, from the flex runs at hand."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

from analysis.bend.result import FlexResult
from analysis.show.listing import Column, list_text
from analysis.show.wording import class_words, label, label_words
from analysis.units import System
from rig.commands import log_tables, options
from rig.errors import BlankbenchError, CallError
from rig.settings import Settings
from rig.shop import Item, Shelf, Shipment, Wanted
from rig.workup import Flex, Roll, claiming, read_runs, work_blanks

Results = tuple[list[Roll], list[Flex]]
"""A blank's roll and flex results, in the order of its runs."""


def show_shipment(shelf: Shelf, name: str, settings: Settings, units: System, *, as_json: bool) -> None:
    """Print a shipment's blanks with what their labels claim and what the flex runs say of it.

    Raises
    ------
    CallError
        If there is no such shipment.
    """
    shipment = next(
        (known for known in shelf.book.shipments.values() if known.name.casefold() == name.casefold()), None
    )
    if shipment is None:
        there = ", ".join(list(shelf.book.shipments)[-10:]) or "none yet"
        raise CallError(f"there is no shipment {name[:40]}", f"the shipments there are: {there}")
    items = shelf.blanks(Wanted(shipment=shipment.name))
    flexes: dict[str, FlexResult | None] = {}
    claims: dict[str, tuple[str | None, str | None]] = {}
    for item in items:
        _, bent = results_of(shelf, item, settings)
        flexes[item.name] = bent[0].result if bent else None
        header = bent[0].run.header if bent else None
        claims[item.name] = (
            (header.label_power, header.label_action) if header else shelf.book.claims(item.name)
        )
    counts = {
        "power": _holding([r.label_power_probability for r in flexes.values() if r]),
        "action": _holding([r.label_action_probability for r in flexes.values() if r]),
    }
    if as_json:
        options.print_json(_record(shelf, shipment, items, flexes, counts))
        return
    said = [label(str(shipment.facts[key].value)) for key in ("model", "maker") if key in shipment.facts]
    head = ", ".join([f"{len(shipment.blanks)} blanks", *said, f"came on {label(shipment.date, 20)}"])
    rows = []
    for item in items:
        power, action = claims[item.name]
        result = flexes[item.name]
        rows.append(
            (
                item.name,
                power or "no claim",
                class_words(result.power_class) if result else "not flexed",
                action or "no claim",
                class_words(result.action_class) if result else "not flexed",
            )
        )
    columns = (
        Column("blank"), Column("label: power"), Column("measured", True), Column("label: action"),
        Column("measured", True),
    )  # fmt: skip
    sys.stdout.write(f"Shipment {shipment.name}: {head}\n\n{list_text(columns, rows, options.out().width)}\n")
    for what, found in counts.items():
        sys.stdout.write(f"The label's {what} {_counted(found, len(items))}\n")


def results_of(shelf: Shelf, item: Item, settings: Settings) -> Results:
    """Work up a blank's runs that count; one that cannot be used is named on stderr and left out.

    What the label claims is taken from the journal; from the run's header where the journal says nothing.
    """
    from os import path

    runs = []
    power, action = shelf.book.claims(item.name)
    for line in item.runs:
        if line.kind in ("roll", "flex"):
            try:
                (run,) = read_runs([path.join(shelf.folder, *line.path.split("/"))])
                single = claiming(run, power, action)
                work_blanks([single], settings)
                runs.append(single)
            except BlankbenchError as error:
                options.messages().print(f"left out: {error}", markup=False, highlight=False, soft_wrap=True)
    rolls, flexes = work_blanks(runs, settings)
    return rolls.get(item.name, []), flexes.get(item.name, [])


def _holding(probabilities: Sequence[float | None]) -> dict[str, int]:
    """Count the labels that hold, do not hold, and are in doubt; at 95 %, as `label_words` says it."""
    words = [label_words(value) for value in probabilities if value is not None]
    return {
        "holds": sum(word.startswith("the label holds") for word in words),
        "does_not_hold": sum(word.startswith("the label does not hold") for word in words),
        "in_doubt": sum(not word.startswith(("the label holds", "the label does not")) for word in words),
    }


def _counted(found: dict[str, int], total: int) -> str:
    told = sum(found.values())
    if not told:
        return "cannot be told: no blank has both a claim and a flex run."
    said = (
        f"holds for {found['holds']} of {total} blanks, does not hold for {found['does_not_hold']}, "
        f"is in doubt for {found['in_doubt']}"
    )
    return said + (f"; {total - told} not told yet." if told < total else ".")


def _record(
    shelf: Shelf,
    shipment: Shipment,
    items: Sequence[Item],
    flexes: dict[str, FlexResult | None],
    counts: dict[str, dict[str, int]],
) -> dict[str, Any]:
    blanks = []
    for item in items:
        result = flexes[item.name]
        blanks.append(
            {
                **log_tables.blank_record(shelf, item),
                "power_class": result.power_class.name if result and result.power_class else None,
                "action_class": result.action_class.name if result and result.action_class else None,
                "label_power_probability": result.label_power_probability if result else None,
                "label_action_probability": result.label_action_probability if result else None,
            }
        )
    return {
        "shipment": shipment.name,
        "arrived": shipment.date,
        **{name: fact.value for name, fact in shipment.facts.items()},
        "label_power": {"claim": _claim(shipment, "label_power"), **counts["power"]},
        "label_action": {"claim": _claim(shipment, "label_action"), **counts["action"]},
        "blanks": blanks,
        **log_tables.trouble_record(shelf),
    }


def _claim(shipment: Shipment, name: str) -> str | None:
    fact = shipment.facts.get(name)
    return None if fact is None else str(fact.value)
