"""For how many blanks of a shipment the maker's label holds, from the flex runs at hand."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping, Sequence
from typing import Any

from analysis.show.listing import Column, list_text
from analysis.show.wording import chance, class_words, label, label_words
from rig.commands import log_tables, options
from rig.errors import CallError
from rig.settings import Settings
from rig.shop import Item, Shelf, Shipment, Wanted
from rig.workup.intake import Intake, LeftOut, take_in
from rig.workup.one_run import Flex


def show_shipment(shelf: Shelf, name: str, settings: Settings, *, as_json: bool) -> None:
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
    taken = results_of(shelf, items, settings)
    flexes = {item.name: next(iter(taken.flexes.get(item.name, ())), None) for item in items}
    claims = {name: claims_of(shelf, name, flex) for name, flex in flexes.items()}
    chances = {name: _chances(flex, claims[name], settings) for name, flex in flexes.items()}
    counts = {
        "power": _holding([power for power, _ in chances.values()]),
        "action": _holding([action for _, action in chances.values()]),
    }
    if as_json:
        options.print_json(_record(shelf, shipment, items, flexes, chances, counts))
        return
    said = [label(str(shipment.facts[key].value)) for key in ("model", "maker") if key in shipment.facts]
    head = ", ".join([f"{len(shipment.blanks)} blanks", *said, f"came on {label(shipment.date, 20)}"])
    sys.stdout.write(f"Shipment {shipment.name}: {head}\n")
    columns = (Column("blank"), Column("label", True), Column("measured", True), Column("label holds"))
    for at, what in enumerate(("power", "action")):
        rows = [
            (
                item.name,
                claims[item.name][at] or "no claim",
                _measured(flexes[item.name], what),
                "" if (likely := chances[item.name][at]) is None else chance(likely),
            )
            for item in items
        ]
        table = list_text(columns, rows, options.out().width)
        sum_up = _counted(counts[what], len(items))
        sys.stdout.write(f"\n{what.capitalize()}\n{table}The label's {what} {sum_up}\n")


def _measured(flex: Flex | None, what: str) -> str:
    if flex is None:
        return "not flexed"
    return class_words(flex.result.power_class if what == "power" else flex.result.action_class)


def results_of(shelf: Shelf, items: Sequence[Item], settings: Settings) -> Intake:
    """Work up the runs of some blanks that count; one that cannot be used is named on stderr and left out."""
    paths = [
        os.path.join(shelf.folder, *run.path.split("/"))
        for item in items
        for run in item.runs
        if run.kind in ("roll", "flex")
    ]
    if not paths:
        return Intake({}, {})
    with options.progress("runs") as progress:
        try:
            taken = take_in(paths, settings, skip_unreadable=True, progress=progress)
        except CallError as none_left:
            taken = Intake({}, {}, (LeftOut(paths[0], str(none_left)),))
    for warning in taken.warnings:
        options.messages().print(warning, markup=False, highlight=False, soft_wrap=True)
    return taken


def claims_of(shelf: Shelf, name: str, flex: Flex | None) -> tuple[str | None, str | None]:
    """Give what the label claims: as the log has it, else as the run's header does."""
    power, action = shelf.book.claims(name)
    if flex is None:
        return power, action
    return power or flex.run.header.label_power, action or flex.run.header.label_action


def _chances(
    flex: Flex | None, claims: tuple[str | None, str | None], settings: Settings
) -> tuple[float | None, float | None]:
    """How probable it is that each claim is true; None without a claim or without a flex run."""
    if flex is None:
        return None, None
    power, action = claims
    result = flex.result
    of_power = of_action = None
    if power is not None and result.power_class is not None:
        of_power = result.power_class.probability(settings.power_bands.word(power, "power"))
    if action is not None and result.action_class is not None:
        of_action = result.action_class.probability(settings.action_bands.word(action, "action"))
    return of_power, of_action


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
    flexes: Mapping[str, Flex | None],
    chances: Mapping[str, tuple[float | None, float | None]],
    counts: Mapping[str, Mapping[str, int]],
) -> dict[str, Any]:
    blanks = []
    for item in items:
        flex = flexes[item.name]
        result = None if flex is None else flex.result
        power, action = chances[item.name]
        blanks.append(
            {
                **log_tables.blank_record(shelf, item),
                "power_class": result.power_class.name if result and result.power_class else None,
                "action_class": result.action_class.name if result and result.action_class else None,
                "label_power_probability": power,
                "label_action_probability": action,
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
