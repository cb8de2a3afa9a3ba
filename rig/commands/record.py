"""`blankbench record`: one run from the rig into a run file, watched live."""

from __future__ import annotations

import difflib
import math
import sys
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.console import Console

from analysis.readings import Contact, Floats, Pull
from analysis.show.text import label
from rig.commands import options
from rig.commands.connect import Baud, Board, CalibrationFile, Port, ask, board_at, calibration_in_force
from rig.commands.lengths import parse_free_length, parse_length
from rig.commands.recording import record_run, state_cautions
from rig.errors import CallError
from rig.line import Command, PlainDecoder
from rig.line.plain import BURST_S
from rig.recording.channels import can_read, require, with_fresh_zero
from rig.recording.recorder import Snapshot
from rig.runs import Header, RunFolder
from rig.settings import load_settings
from rig.shop import FACTS, Blank, journal_above, read_book

FROM_LOG = (
    "model", "label_power", "label_action", "mass_g", "length_m", "butt_diameter_m", "tip_diameter_m",
)  # fmt: skip
"""What a run takes from the shop's log where the call does not say it."""
HAND_DEG_S = 30.0
"""How fast a hand turns the chuck, degrees a second (ours, for what late lines cost)."""


def record(
    kind: Annotated[
        Literal["roll", "flex"],
        typer.Argument(help="roll: turn the bent blank. flex: bend it and let it back."),
    ],
    port: Port = None,
    baud: Baud = None,
    blank: Annotated[str | None, typer.Option("--blank", help="Name of the blank.")] = None,
    model: Annotated[str, typer.Option("--model", help="The maker's model.")] = "",
    free_length: Annotated[
        float | None,
        typer.Option(
            "--free-length",
            metavar="LENGTH",
            parser=parse_free_length,
            help="From the chuck's face to the tip: 1.80, 180cm, 71in.",
        ),
    ] = None,
    mount: Annotated[
        float | None,
        typer.Option(
            "--mount",
            metavar="DEG",
            help="Blank angle that faces the pull when the chuck reads 0; 0 if the index mark does.",
        ),
    ] = None,
    travel: Annotated[
        float | None,
        typer.Option(
            "--travel",
            metavar="LENGTH",
            parser=parse_length,
            help="Roll: how far the tip is held, where the rig does not read it.",
        ),
    ] = None,
    hanging: Annotated[
        float | None,
        typer.Option(
            "--hanging",
            metavar="GRAMS",
            min=1.0,
            help="Roll: weight that hangs from the tip, instead of a held tip.",
        ),
    ] = None,
    contact: Annotated[
        Contact | None, typer.Option("--contact", help="Roll: tip held sideways or free.")
    ] = None,
    pull: Annotated[Pull | None, typer.Option("--pull", help="Which way the rig pulls.")] = None,
    label_power: Annotated[
        str | None, typer.Option("--label-power", help="Power word on the maker's label.")
    ] = None,
    label_action: Annotated[
        str | None, typer.Option("--label-action", help="Action word on the maker's label.")
    ] = None,
    mass: Annotated[
        float | None, typer.Option("--mass", metavar="GRAMS", min=0.1, help="Mass of the blank.")
    ] = None,
    operator: Annotated[str | None, typer.Option("--operator", help="Who measures.")] = None,
    notes: Annotated[str, typer.Option("--notes", help="Anything worth keeping.")] = "",
    turns: Annotated[
        float | None, typer.Option("--turns", min=0.1, help="Roll: end after so many turns in all.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option("--seconds", min=0.1, help="End after so many seconds.")
    ] = None,
    load_limit: Annotated[
        float | None,
        typer.Option("--load-limit", metavar="N", min=0.1, help="Alarm past this load, in newtons."),
    ] = None,
    zero: Annotated[bool, typer.Option("--zero", help="Take a fresh zero first, with the tip free.")] = False,
    rate: Annotated[
        int | None, typer.Option("--rate", min=1, max=100000, help="Readings a second to ask the board for.")
    ] = None,
    into: Annotated[
        Path | None,
        typer.Option("--into", metavar="FOLDER", help="Folder for the run (default: the shop's)."),
    ] = None,
    calibration: CalibrationFile = None,
    as_json: options.AsJson = False,
    units: options.Units = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Record one run from the rig. Ctrl-C ends it; what was recorded is a whole run.

    Example: blankbench record roll --blank A-03 --free-length 1.80 --mount 0
    """
    settings = load_settings(settings_file)
    if label_power is not None:
        label_power = settings.power_bands.word(label_power, "power")
    if label_action is not None:
        label_action = settings.action_bands.word(label_action, "action")
    interactive = sys.stdin.isatty()
    console = options.messages()
    blank = blank or ask("Which blank is in the chuck?", "--blank", interactive)
    runs = RunFolder(into or settings.shop.runs)
    known = known_of(blank, runs.path, console)
    free = free_length or settings.rig.free_length_m
    free = free or parse_free_length(
        ask("Free length, from the chuck's face to the tip?", "--free-length", interactive)
    )
    if mount is None:
        where = "Index mark: which blank angle faces the pull when the chuck reads 0 (degrees)?"
        mount = _number(ask(where, "--mount", interactive), "--mount")
    with board_at(port, baud, settings) as board:
        force = calibration_in_force(calibration, settings)
        hello = board.hello
        if kind == "roll":
            require(hello, force, ("angle", "travel" if hanging is not None else "load"))
        else:
            require(hello, force, ("load", "travel"))
        if kind == "roll" and hanging is None and travel is None and not can_read(hello, force, "travel"):
            travel = settings.rig.held_travel_m
            travel = travel or parse_length(ask("How far is the tip held (travel)?", "--travel", interactive))
        limit = load_limit or settings.rig.load_limit_N
        state_cautions(console, limit)
        if zero:
            force = with_fresh_zero(force, _free_tip(board, interactive))
        if rate is not None and (asked := board.source.say(Command("rate", rate))) is not None:
            board.link.write(asked)
        rig_table = rig_table_of(board, console)
        if kind == "flex" and settings.rig.clip_g:
            rig_table["clip_g"] = settings.rig.clip_g
        header = Header(
            kind=kind,
            blank=blank,
            free_length_m=free,
            model=model or known.text("model") or "",
            held_travel_m=travel if kind == "roll" and hanging is None else None,
            held_load_N=None
            if hanging is None or kind == "flex"
            else hanging * 1e-3 * settings.shop.gravity_m_s2,
            mount_deg=mount,
            contact="free" if hanging is not None else contact or settings.rig.contact,
            pull=pull or settings.rig.pull,
            operator=operator or settings.shop.operator,
            label_power=label_power or known.text("label_power"),
            label_action=label_action or known.text("label_action"),
            mass_g=mass or known.number("mass_g"),
            length_m=known.number("length_m"),
            butt_diameter_m=known.number("butt_diameter_m"),
            tip_diameter_m=known.number("tip_diameter_m"),
            notes=notes,
            tables={"rig": rig_table} if rig_table else {},
        )
        snapshot, path = record_run(
            board,
            header,
            force,
            runs,
            console,
            units=units or settings.shop.units,
            limit_N=limit,
            rule=settings.shop.mark_rule,
            done=lambda now: _enough(now, turns if kind == "roll" else None, seconds),
        )
    if as_json:
        document = {
            "run": str(path),
            "readings": snapshot.readings,
            "lost": snapshot.lost,
            "faulty": snapshot.faulty,
        }
        options.print_json(document | {"over_limit": snapshot.over_limit})
        return
    say = options.out()
    say.print(f"{snapshot.readings} readings in {path}", markup=False)
    say.print(f"Next: blankbench {'spine' if kind == 'roll' else 'flex'} {path}", markup=False)


def rig_table_of(board: Board, console: Console) -> dict[str, Any]:
    """Say what a sketch without a check sum, and perhaps a clock, costs; give it for the run's header."""
    source = board.source
    if not isinstance(source, PlainDecoder):
        return {}
    table: dict[str, Any] = {"speaks": "plain text without a check sum"}
    said = "This sketch sends no check sum: a line counts if it is plausible."
    table["time_by"] = "sketch" if source.mapping.clock is not None else "arrival"
    if source.mapping.clock is None:
        said += f" It prints no time either: times are those of arrival, good to {1e3 * BURST_S:.0f} ms."
        if source.mapping.one_line:
            said += " Load and angle come on one line, so no angle is lost by it."
    if not source.mapping.one_line:
        table["angle_ci95_deg"] = round(HAND_DEG_S * max(BURST_S, 0.5 / source.mapping.rate_hz), 3)
        said += (
            f" Load and angle come on two lines: that costs {table['angle_ci95_deg']:.2g}° at 30° a second."
        )
    console.print(said, markup=False, highlight=False, soft_wrap=True)
    return table


def known_of(blank: str, folder: Path, console: Console) -> Blank:
    """Give what the shop's log knows of a blank, and say so; say also where a log is there and knows it not.

    Raises
    ------
    FileError
        If the log's journal cannot be read.
    """
    book = read_book(journal_above(folder) or folder)
    known = book.blank(blank)
    facts = [
        f"{FACTS[name].words} {fact.value}"
        for name, fact in known.facts.items()
        if name in FROM_LOG and fact.value
    ]
    if facts:
        line = f"From the log: {', '.join(facts)}."
    elif book.shipments and blank not in book.blanks:
        close = difflib.get_close_matches(blank[:60], list(book.blanks), 1)
        line = f"{blank[:60]} is not in the shop's log" + (f"; did you mean {close[0]}?" if close else ".")
    else:
        return known
    console.print(label(line, 400), markup=False, highlight=False, soft_wrap=True)
    return known


def _free_tip(board: Board, interactive: bool) -> dict[str, Floats]:
    """Two seconds of readings with nothing on the tip."""
    if interactive:
        typer.prompt(
            "Leave the tip free and still, then press Enter", default="", show_default=False, err=True
        )
    return board.capture(2.0)


def _enough(now: Snapshot, turns: float | None, seconds: float | None) -> str | None:
    if turns is not None and now.turned >= turns:
        return "enough turns"
    if seconds is not None and now.elapsed_s >= seconds:
        return "enough seconds"
    return None


def _number(text: str, option: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise CallError(f"{option} {text!r} is no number", f"give it in degrees, as in {option} 0")
    return value
