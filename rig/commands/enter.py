"""`blankbench enter`: a table by hand, led from the keyboard."""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.console import Console

from analysis.readings import Steps
from rig.bench.entry import Entry, Row, Sheet
from rig.commands import options
from rig.commands.connect import ask
from rig.commands.lengths import parse_free_length, parse_length
from rig.commands.recording import CAUTIONS
from rig.errors import CallError, FileError
from rig.runs import Header, RunFolder, RunWriter, safe_name
from rig.runs.foreign.convert import resolution_of
from rig.runs.readings import AT_REST
from rig.settings import load_settings
from rig.workup.chucks import guess, in_v_blocks


def enter(
    kind: Annotated[
        Literal["roll", "flex"],
        typer.Argument(
            help="roll: clock positions, a ruler at each. flex: weights up and down, a ruler at each."
        ),
    ],
    blank: Annotated[str | None, typer.Option("--blank", help="Name of the blank.")] = None,
    free_length: Annotated[
        float | None,
        typer.Option(
            "--free-length", metavar="LENGTH", parser=parse_free_length, help="From the support to the tip."
        ),
    ] = None,
    hanging: Annotated[
        float | None,
        typer.Option("--hanging", metavar="GRAMS", min=1.0, help="Roll: weight at the tip; a ruler is read."),
    ] = None,
    travel: Annotated[
        float | None,
        typer.Option(
            "--travel",
            metavar="LENGTH",
            parser=parse_length,
            help="Roll: the tip is held so far, a scale read.",
        ),
    ] = None,
    positions: Annotated[
        int, typer.Option("--positions", min=8, max=72, help="Roll: how many positions.")
    ] = 12,
    dial: Annotated[
        Literal["clock", "degrees"], typer.Option("--dial", help="Roll: positions in hours or in degrees.")
    ] = "clock",
    held_in: Annotated[
        Literal["v-blocks", "chuck"],
        typer.Option("--held-in", help="What holds the butt. A chuck's own errors are then in every ±."),
    ] = "v-blocks",
    resolution: Annotated[
        list[str] | None,
        typer.Option("--resolution", metavar="STEP", help="What you read to: 1mm, 5g, 1deg. Repeatable."),
    ] = None,
    into: Annotated[
        Path | None,
        typer.Option("--into", metavar="FOLDER", help="Folder for the run (default: the shop's)."),
    ] = None,
    settings_file: options.SettingsFile = None,
    as_json: options.AsJson = False,
) -> None:
    """Enter readings by hand; what is typed is kept at once, and the answer so far is shown.

    Example: blankbench enter roll --blank A-03 --free-length 1.80 --hanging 300
    """
    settings = load_settings(settings_file)
    interactive = sys.stdin.isatty()
    console = options.messages()
    name = blank or ask("Which blank is it?", "--blank", interactive)
    free = free_length or settings.rig.free_length_m
    free = free or parse_free_length(
        ask("Free length, from the support to the tip?", "--free-length", interactive)
    )
    if kind == "roll" and hanging is None and travel is None:
        hanging = _grams(ask("Weight at the tip, in grams?", "--hanging", interactive))
    step = resolution_of(list(resolution or []))
    usual = settings.by_hand
    sheet = Sheet(
        kind,
        free,
        None if hanging is None or kind == "flex" else hanging * 1e-3 * settings.shop.gravity_m_s2,
        travel if kind == "roll" and hanging is None else None,
        dial,
        positions,
        Steps(
            step.get("travel_m", usual.ruler_m),
            step.get("load_N", usual.scale_N),
            math.radians(step.get("roll_deg", usual.protractor_deg)),
        ),
        in_v_blocks(settings) if held_in == "v-blocks" else guess(settings),
    )
    folder = RunFolder(into or settings.shop.runs)
    draft = folder.path / f".{safe_name(name)}_{kind}.entering.jsonl"
    entry = Entry(sheet, _kept(draft))
    for words in CAUTIONS[:2]:
        _say(console, words)
    if entry.rows:
        _say(console, f"{len(entry.used)} entries of before are taken up again.")
    _led(entry, draft, console)
    if not entry.used:
        raise CallError("nothing was entered", "start again, and type a reading at each place")
    path = _write(entry, folder, name, step, held_in)
    draft.unlink(missing_ok=True)
    found = entry.answer()
    if as_json:
        options.print_json({"run": str(path), "readings": len(entry.used), "answer": found.words})
        return
    say = options.out()
    say.print(f"{len(entry.used)} readings in {path}", markup=False, soft_wrap=True)
    say.print(
        f"Next: blankbench {'spine' if kind == 'roll' else 'flex'} {path}", markup=False, soft_wrap=True
    )


def _led(entry: Entry, draft: Path, console: Console) -> None:
    """Ask for one place after the other until the builder is done."""
    _say(console, "Type the reading, or PLACE READING; fix PLACE READING, undo, done. Any order will do.")
    for text in _typed(entry, console):
        said = entry.take(text)
        if said.outcome == "done":
            return
        _say(console, said.words)
        if said.outcome in ("taken", "corrected", "undone"):
            _keep(draft, entry)
            found = entry.answer()
            _say(console, f"   {found.words}{' - enough' if found.enough else ''}")


def _typed(entry: Entry, console: Console) -> Iterator[str]:
    """Lines from the keyboard, or from a pipe; the end of either is an ordinary end."""
    while True:
        if sys.stdin.isatty():
            console.print(f"{entry.due()}? ", end="", markup=False, highlight=False)
        try:
            text = sys.stdin.readline()
        except KeyboardInterrupt:
            return
        if not text:
            return
        if text.strip() or sys.stdin.isatty():
            yield text


def _say(console: Console, words: str) -> None:
    console.print(words, markup=False, highlight=False, soft_wrap=True)


def _grams(text: str) -> float:
    try:
        return float(text.lower().removesuffix("g").replace(",", "."))
    except ValueError:
        raise CallError(f"--hanging {text!r} is no number", "give it in grams, as in --hanging 300") from None


def _kept(draft: Path) -> tuple[Row, ...]:
    """Take up what an interrupted entry has left; a cut last line costs itself alone."""
    if not draft.exists():
        return ()
    rows: list[Row] = []
    try:
        lines = draft.read_text(encoding="utf-8").splitlines()
    except OSError as error:
        raise FileError(draft, None, f"the entries cannot be read ({error.strerror})", "check it") from None
    for line in lines:
        try:
            kept: Mapping[str, Any] = json.loads(line)
            rows.append(Row(float(kept["place"]), float(kept["value"]), bool(kept["withdrawn"])))
        except (ValueError, KeyError, TypeError):
            continue
    return tuple(rows)


def _keep(draft: Path, entry: Entry) -> None:
    """Write all entries beside the runs, whole or not at all."""
    lines = [
        json.dumps({"place": row.place, "value": row.value, "withdrawn": row.withdrawn}) for row in entry.rows
    ]
    try:
        draft.parent.mkdir(parents=True, exist_ok=True)
        fresh = draft.with_suffix(".new")
        with open(fresh, "w", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(fresh, draft)
    except OSError as error:
        raise FileError(
            draft, None, f"the entry cannot be kept ({error.strerror})", "check the folder"
        ) from error


def _write(
    entry: Entry,
    folder: RunFolder,
    blank: str,
    step: Mapping[str, float],
    held_in: Literal["v-blocks", "chuck"],
) -> Path:
    sheet, now = entry.sheet, datetime.now(UTC)
    withdrawn = [f"{entry.called(row.place)} {entry.shown(row.value)}" for row in entry.rows if row.withdrawn]
    header = Header(
        kind=sheet.kind,
        blank=blank,
        free_length_m=sheet.free_length_m,
        held_load_N=sheet.held_load_N,
        held_travel_m=sheet.held_travel_m,
        contact="free" if sheet.held_load_N is not None else "held",
        held_in=held_in,
        pull="down" if sheet.kind == "flex" else None,
        started=f"{now:%Y-%m-%dT%H:%M:%SZ}",
        tables={"resolution": dict(step)} if step else {},
        extra={"taken": AT_REST} | ({"withdrawn": withdrawn} if withdrawn else {}),
    )
    columns = {
        ("flex", "travel"): ("load_N", "travel_m"),
        ("roll", "travel"): ("roll_deg", "travel_m"),
        ("roll", "load"): ("roll_deg", "load_N"),
    }[sheet.kind, sheet.read]
    with RunWriter(folder.new_path(blank, sheet.kind, now), header, ("time_s", *columns)) as writer:
        writer.extend((float(at), row.place, row.value) for at, row in enumerate(entry.used))
    return writer.path
