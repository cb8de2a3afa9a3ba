"""Options that the log's commands have in common, and how they find the shop's folder and its people."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import fields
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

import typer

from rig.commands import options
from rig.commands.connect import ask
from rig.commands.lengths import parse_length
from rig.errors import CallError
from rig.settings import Settings
from rig.shop import FACTS, Item, Keeper, Shelf, Value, Wanted, read_shelf

Folder = Annotated[
    Path | None,
    typer.Option("--folder", metavar="FOLDER", help="The shop's folder of runs (default: the settings')."),
]
By = Annotated[
    str | None,
    typer.Option("--by", metavar="NAME", help="Who says it (default: the operator of the settings)."),
]
Find = Annotated[
    str | None,
    typer.Option("--find", metavar="TEXT", help="Text anywhere: names, job, rod, notes, decisions."),
]
BlankLike = Annotated[
    str | None, typer.Option("--blank", metavar="NAME", help="One blank, or a pattern such as 'A-*'.")
]
ModelLike = Annotated[str | None, typer.Option("--model", metavar="TEXT", help="Part of the model's name.")]
MakerLike = Annotated[str | None, typer.Option("--maker", metavar="TEXT", help="Part of the maker's name.")]
OfShipment = Annotated[
    str | None, typer.Option("--shipment", metavar="NAME", help="Blanks of one shipment, such as A.")
]
OperatorLike = Annotated[
    str | None, typer.Option("--operator", metavar="TEXT", help="Measured by: part of the name.")
]
OfKind = Annotated[
    Literal["roll", "flex", "zero", "weights"] | None, typer.Option("--kind", help="Kind of run.")
]
Since = Annotated[
    str | None, typer.Option("--since", metavar="DAY", help="Measured on that day or later: 2026-05-04.")
]
Until = Annotated[str | None, typer.Option("--until", metavar="DAY", help="Measured on that day or before.")]
Unmeasured = Annotated[bool, typer.Option("--unmeasured", help="Only blanks that no run has measured.")]
OnlyAside = Annotated[bool, typer.Option("--set-aside", help="Only runs that are set aside.")]
Length = Annotated[
    float | None,
    typer.Option("--length", metavar="LENGTH", parser=parse_length, help="Length of the whole blank: 1.80."),
]
Mass = Annotated[float | None, typer.Option("--mass", metavar="GRAMS", help="Mass in grams.")]
Butt = Annotated[
    float | None,
    typer.Option(
        "--butt-diameter", metavar="LENGTH", parser=parse_length, help="Outer diameter of the butt: 12.4mm."
    ),
]
Tip = Annotated[
    float | None,
    typer.Option(
        "--tip-diameter", metavar="LENGTH", parser=parse_length, help="Outer diameter of the tip: 1.8mm."
    ),
]
LabelPower = Annotated[str | None, typer.Option("--label-power", help="Power word on the maker's label.")]
LabelAction = Annotated[str | None, typer.Option("--label-action", help="Action word on the maker's label.")]
Grade = Annotated[str | None, typer.Option("--grade", help="The shop's grade.")]
Rod = Annotated[str | None, typer.Option("--rod", help="The rod it went into.")]
Job = Annotated[str | None, typer.Option("--job", help="The customer's job number.")]
GuideLayout = Annotated[str | None, typer.Option("--guide-layout", help="Guides, with their places.")]
StaticTest = Annotated[
    str | None, typer.Option("--static-test", help="What the static test of the rod showed.")
]
Damage = Annotated[str | None, typer.Option("--damage", help="Damage seen.")]
Decision = Annotated[str | None, typer.Option("--decision", help="What was decided: keep, return, ...")]
Text = Annotated[str | None, typer.Option("--text", help="A note in your own words.")]


TAKEN_BACK = {name.removesuffix("_m").removesuffix("_g").replace("_", "-"): name for name in FACTS}
"""What can be taken back, by the option that states it."""
TakeBack = Annotated[
    str | None,
    typer.Option("--take-back", metavar="NAME", help="What should not stand there at all: job, mass, text."),
]


def folder_of(folder: Path | None, settings: Settings) -> Path:
    """Give the shop's folder: the one named, else the settings'.

    Raises
    ------
    CallError
        If a named folder is not there, or is no folder.
    """
    place = folder or Path(settings.shop.runs)
    if folder is not None and not place.is_dir():
        raise CallError(f"there is no folder {place}", "check --folder")
    if place.exists() and not place.is_dir():
        raise CallError(f"{place} is no folder", "name the shop's folder of runs with --folder")
    return place


def keeper(folder: Path | None, by: str | None, settings: Settings) -> Keeper:
    """Open the journal for writing, in somebody's name."""
    who = by or settings.shop.operator or ask("Who says it?", "--by", sys.stdin.isatty())
    return Keeper(folder_of(folder, settings), who)


def class_words(power: str | None, action: str | None, settings: Settings) -> dict[str, Value | None]:
    """Check what a label claims against the shop's class words.

    Raises
    ------
    BlankbenchError
        If a word names no class.
    """
    return {
        "label_power": None if power is None else settings.power_bands.word(power, "power"),
        "label_action": None if action is None else settings.action_bands.word(action, "action"),
    }


def taken_back(option: str | None) -> str | None:
    """Name the fact that an option states.

    Raises
    ------
    CallError
        If there is none.
    """
    if option is None:
        return None
    name = TAKEN_BACK.get(option.removeprefix("--"))
    if name is None:
        raise CallError(f"--take-back {option[:40]!r} names nothing", f"use one of {', '.join(TAKEN_BACK)}")
    return name


def day(text: str | None, option: str) -> str | None:
    """Read a day.

    Raises
    ------
    CallError
        If it is none.
    """
    if text is None:
        return None
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        raise CallError(f"{option} {text[:40]!r} is no day", f"write it as {option} 2026-05-04") from None


def wanted(**given: str | bool | None) -> Wanted:
    """Put the options of a list together, their days checked."""
    values = {key: given[key] for key in (entry.name for entry in fields(Wanted)) if key in given}
    for key in ("since", "until"):
        text = values.get(key)
        values[key] = day(text, f"--{key}") if isinstance(text, str) else None
    return Wanted(**values)  # type: ignore[arg-type]


def open_shelf(folder: Path | None, settings: Settings, *, rebuild: bool = False) -> Shelf:
    """Read the log, and say on stderr what in it could not be read."""
    shelf = read_shelf(folder_of(folder, settings), rebuild=rebuild)
    console = options.messages()
    for warning in shelf.book.warnings:
        console.print(warning, markup=False, highlight=False, soft_wrap=True)
    for line in _some([str(fault) for fault in shelf.listing.faults], "cannot be read as runs"):
        console.print(line, markup=False, highlight=False, soft_wrap=True)
    for line in _some(
        [f"{path} was here and is gone; look in your backup" for path in shelf.listing.gone], "are gone"
    ):
        console.print(line, markup=False, highlight=False, soft_wrap=True)
    return shelf


def _some(lines: Sequence[str], what: str, most: int = 3) -> list[str]:
    """Keep a few lines and count the rest."""
    if len(lines) <= most:
        return list(lines)
    return [*lines[:most], f"and {len(lines) - most} more files {what}; --json lists them all"]


def item_of(shelf: Shelf, blank: str) -> Item:
    """Give a blank of the shelf.

    Raises
    ------
    CallError
        If neither journal nor runs know it.
    """
    found = shelf.items.get(blank)
    if found is None:
        import difflib

        close = difflib.get_close_matches(blank[:60], list(shelf.items), 1)
        do = f"did you mean {close[0]}?" if close else "blankbench log lists those there are"
        raise CallError(f"there is no blank {blank[:60]} in the log or in the runs", do)
    return found
