"""`blankbench import`: a table from anywhere into a run file."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import typer

from rig.commands import options
from rig.errors import CallError
from rig.runs import RunFolder, RunWriter
from rig.runs.foreign import (
    Converted,
    Table,
    Understood,
    Untold,
    Wishes,
    column_wish,
    convert,
    read_table,
    remember,
    remembered,
    understand,
)
from rig.runs.foreign.convert import resolution_of
from rig.settings import Settings, load_settings, settings_path

_PREVIEW_ROWS = 3


def import_(
    file: Annotated[
        str, typer.Argument(metavar="FILE", help="A table: CSV or other delimited text, or .xlsx.")
    ],
    kind: Annotated[Literal["roll", "flex"] | None, typer.Option("--kind", help="roll or flex.")] = None,
    column: Annotated[
        list[str] | None,
        typer.Option(
            "--column",
            metavar="NAME=COLUMN[:UNIT]",
            help="Which column is what, by heading or number: load_N=Load:g, roll_deg=2:clock. Repeatable.",
        ),
    ] = None,
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="KEY=VALUE",
            help="What the table does not say: blank=A-03, free_length_m=1.80, held_load_N=300g. Repeatable.",
        ),
    ] = None,
    resolution: Annotated[
        list[str] | None,
        typer.Option(
            "--resolution", metavar="STEP", help="Smallest step you read: 1mm, 5g, 1deg. Repeatable."
        ),
    ] = None,
    decimal: Annotated[
        Literal["point", "comma"] | None, typer.Option("--decimal", help="Decimal sign, where both could be.")
    ] = None,
    sheet: Annotated[str | None, typer.Option("--sheet", help="Sheet of a workbook.")] = None,
    at_rest: Annotated[
        bool, typer.Option("--at-rest", help="Every reading was taken while nothing moved.")
    ] = False,
    as_: Annotated[
        str | None,
        typer.Option("--as", metavar="NAME", help="Keep this mapping, or use the one kept under the name."),
    ] = None,
    into: Annotated[
        Path | None,
        typer.Option("--into", metavar="FOLDER", help="Folder for the run (default: the shop's)."),
    ] = None,
    settings_file: options.SettingsFile = None,
    as_json: options.AsJson = False,
) -> None:
    """Make a run file of a table: a spreadsheet, a notebook typed in, another program's log.

    Example: blankbench import table.csv --set blank=A-03 --set free_length_m=1.80 --column load_N=Load:g
    """
    settings = load_settings(settings_file)
    folder = (settings.path or settings_path()).parent
    kept = remembered(folder, as_) if as_ is not None else None
    wishes = kept.wishes if kept is not None else Wishes()
    wishes = Wishes(
        kind or wishes.kind,
        {**wishes.columns, **_columns(column or [])},
        {**wishes.values, **_values(set_ or [])},
    )
    steps = tuple(resolution or (kept.resolution if kept is not None else ()))
    sign: Any = decimal or (kept.decimal if kept is not None else None)
    table = read_table(file, decimal=sign, sheet=sheet)
    found, made, wishes = _settled(
        table, _with_settings(wishes, settings), resolution_of(list(steps)), at_rest
    )
    if not as_json:
        _preview(table, found, made)
    path = _write(made, into or Path(settings.shop.runs))
    if as_ is not None:
        remember(folder, as_, found, wishes.values, sign, steps)
    if as_json:
        options.print_json(_document(path, table, found, made))
    else:
        options.out().print(f"written: {path}", markup=False, highlight=False, soft_wrap=True)


def _settled(
    table: Table, wishes: Wishes, resolution: dict[str, float], at_rest: bool
) -> tuple[Understood, Converted, Wishes]:
    """Ask for what cannot be told, until all is told."""
    while True:
        try:
            found = understand(table, wishes)
            made = convert(table, found, wishes.values, resolution=resolution, at_rest=at_rest)
        except Untold as question:
            wishes = _asked(question, table, wishes)
        else:
            return found, made, wishes


def _asked(
    question: Untold, table: Table, wishes: Wishes, prompt: Callable[[str], str] | None = None
) -> Wishes:
    """Put a question to whoever sits at the terminal; refuse where nobody does."""
    if prompt is None and not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise question.refused(table.path)
    ask = prompt or (lambda words: str(typer.prompt(words, err=True)))
    answer = ask(question.question).strip()
    if not answer:
        raise question.refused(table.path)
    if question.key.startswith("unit ") and question.key.removeprefix("unit ") not in wishes.columns:
        # The heading told the column, so the answer names both.
        name = question.key.removeprefix("unit ")
        heading = question.what.removeprefix("column ").removesuffix(" names no unit")
        return wishes.answered(f"column {name}", f"{heading}:{answer}")
    return wishes.answered(question.key, answer)


def _with_settings(wishes: Wishes, settings: Settings) -> Wishes:
    """Take the free length from the shop's settings, as `record` does, where the call does not say it."""
    length = settings.rig.free_length_m
    if length is None or {"free_length_m", "free_length"} & set(wishes.values):
        return wishes
    return Wishes(wishes.kind, wishes.columns, {**wishes.values, "free_length_m": repr(length)})


def _columns(texts: list[str]) -> dict[str, tuple[str, str | None]]:
    out: dict[str, tuple[str, str | None]] = {}
    for text in texts:
        name, wish = column_wish(text)
        if name in out:
            raise CallError(f"--column {name} is given twice", "give it once")
        out[name] = wish
    return out


def _values(texts: list[str]) -> dict[str, str]:
    out: dict[str, str] = {}
    for text in texts:
        key, equals, value = (part.strip() for part in text.partition("="))
        if not equals or not key or not value:
            raise CallError(f"--set {text} is not KEY=VALUE", "write it as --set blank=A-03")
        out[key] = value
    return out


def _write(made: Converted, folder: Path) -> Path:
    when = made.header.when or datetime.now(UTC)
    path = RunFolder(folder).new_path(made.header.blank, made.header.kind, when)
    with RunWriter(path, made.header, list(made.columns)) as writer:
        writer.extend(np.column_stack(list(made.columns.values())).tolist())
    return writer.path


def _preview(table: Table, found: Understood, made: Converted) -> None:
    """Show on stderr what was understood, before anything is written."""
    say = options.messages()

    def line(text: str) -> None:
        say.print(text, markup=False, highlight=False, soft_wrap=True)

    line(
        f"{Path(table.path).name}: {len(table.rows)} rows, {table.width} columns, {table.separator_words}, "
        f"decimal {table.decimal}, {table.encoding}: taken as a {found.kind}"
    )
    for each in found.taken:
        shown = ", ".join(f"{value:.6g}" for value in made.columns[each.name][:_PREVIEW_ROWS])
        line(f"  {each.name} = {each.heading} in {each.unit.name} ({each.why}): {shown} …")
    held = made.header.held_load_N
    if held is not None:
        line(f"  a weight of {held:.4g} N hung from the tip")
    if "time_s" not in {each.name for each in found.taken}:
        line("  no time: taken at rest, in the order of the rows")
    for warning in made.warnings:
        line(warning)


def _document(path: Path, table: Table, found: Understood, made: Converted) -> dict[str, Any]:
    return {
        "file": str(path),
        "rows": len(table.rows),
        "kind": found.kind,
        "columns": {
            each.name: {"column": each.heading, "number": each.at + 1, "unit": each.unit.name}
            for each in found.taken
        },
        "warnings": list(made.warnings),
    }
