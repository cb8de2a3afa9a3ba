"""The log as lists and records: a line a blank, a line a run, and the same for scripts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.show.listing import Column, list_text
from rig.shop import FACTS, REMARKS, SINGLE, Blank, Item, RunLine, Shelf


def blanks_text(shelf: Shelf, items: Sequence[Item], width: int) -> str:
    """A line a blank, with what was measured last."""
    if not shelf.items:
        return _nothing(shelf)
    rows = []
    for item in items:
        last = item.latest
        rows.append(
            (
                item.name,
                item.model,
                item.blank.shipment or "",
                str(item.count("roll") or ""),
                str(item.count("flex") or ""),
                last.day if last else "not yet",
                last.operator if last else "",
                last.calibration[:10] if last else "",
            )
        )
    columns = (
        Column("blank", True), Column("model", True), Column("shipment"), Column("roll", right=True),
        Column("flex", right=True), Column("measured"), Column("by", True), Column("calibrated"),
    )  # fmt: skip
    runs = sum(len(item.runs) for item in items)
    aside = sum(len(item.aside) for item in items)
    foot = f"{_count(len(items), 'blank')}, {_count(runs, 'run')}"
    foot += f", {_count(aside, 'run')} set aside." if aside else "."
    if not items:
        return f"No blank fits; the log has {len(shelf.items)}.\n"
    return list_text(columns, rows, width) + foot + "\n"


def runs_text(shelf: Shelf, runs: Sequence[RunLine], width: int) -> str:
    """A line a run, the file last."""
    if not shelf.listing.runs:
        return f"There is no run in {shelf.folder}.\n"
    if not runs:
        return f"No run fits; the folder has {len(shelf.listing.runs)}.\n"
    rows = []
    for run in runs:
        aside = shelf.aside(run)
        rows.append(
            (
                run.started[:16].replace("T", " ") if run.day else "no date",
                run.kind,
                run.blank,
                run.operator,
                run.calibration[:10] or "none",
                run.path if aside is None else f"{run.path}  set aside: {aside.reason}",
            )
        )
    columns = (
        Column("measured"), Column("kind"), Column("blank", True), Column("by", True), Column("calibrated"),
        Column("file"),
    )  # fmt: skip
    return list_text(columns, rows, width) + f"{_count(len(runs), 'run')}.\n"


def blank_record(shelf: Shelf, item: Item) -> dict[str, Any]:
    """One blank as a dictionary: what is known, and what was measured."""
    last = item.latest
    return {
        "blank": item.name,
        "shipment": item.blank.shipment,
        "arrived": None if item.shipment is None else item.shipment.date,
        **facts_record(item.blank),
        "model": item.model or None,
        **{key: item.blank.texts(key) for key in REMARKS},
        "rolls": item.count("roll"),
        "flexes": item.count("flex"),
        "set_aside": len(item.aside),
        "last_measured": last.started if last else None,
        "operators": sorted({run.operator for run in item.runs if run.operator}),
        "calibrations": sorted({run.calibration for run in item.runs if run.calibration}),
    }


def facts_record(blank: Blank) -> dict[str, str | float | None]:
    """Give every fact that has one value, None where it is not known."""
    return {name: blank.number(name) if FACTS[name].form == "number" else blank.text(name) for name in SINGLE}


def run_record(shelf: Shelf, run: RunLine) -> dict[str, Any]:
    """One run as a dictionary."""
    aside = shelf.aside(run)
    item = shelf.items[run.blank]
    return {
        "run": run.path,
        "kind": run.kind,
        "blank": run.blank,
        "model": run.model or item.model or None,
        "shipment": item.blank.shipment,
        "started": run.started or None,
        "operator": run.operator or None,
        "calibration": run.calibration or None,
        "free_length_m": run.free_length_m,
        "notes": run.notes or None,
        "set_aside": None if aside is None else aside.reason,
        "set_aside_by": None if aside is None else aside.entry.by,
        "set_aside_at": None if aside is None else aside.entry.at,
    }


def trouble_record(shelf: Shelf) -> dict[str, Any]:
    """What could not be read, and what is gone."""
    return {
        "unreadable": [
            {"run": fault.path, "line": fault.line, "what": fault.what, "do": fault.do}
            for fault in shelf.listing.faults
        ],
        "gone": list(shelf.listing.gone),
        "warnings": list(shelf.book.warnings),
    }


def _nothing(shelf: Shelf) -> str:
    return (
        f"The log of {shelf.folder} is empty. Next: blankbench log add, when a shipment comes; "
        "blankbench record, to measure a blank.\n"
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
