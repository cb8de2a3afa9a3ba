"""What adds to the log: shipments, notes, corrections, runs set aside and brought back."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import Annotated

import typer

from rig.commands import log_options as its
from rig.commands import options
from rig.errors import CallError
from rig.settings import load_settings
from rig.shop import FACTS, JOURNAL_NAME, Entry, Value
from rig.shop import bring_back as take_up
from rig.shop import set_aside as put_aside

Blanks = Annotated[list[str], typer.Argument(metavar="BLANK…", help="Names of the blanks.")]
AsideRuns = Annotated[
    list[str], typer.Argument(metavar="RUN…", help="Run files of the shop's folder, or a pattern.")
]


def add(
    maker: Annotated[str, typer.Option("--maker", help="Who made them.")],
    model: Annotated[str, typer.Option("--model", help="The maker's model.")],
    count: Annotated[
        int | None, typer.Option("--count", min=1, help="How many blanks (or give --names).")
    ] = None,
    date: Annotated[
        str | None, typer.Option("--date", metavar="DAY", help="When they came (default: today).")
    ] = None,
    names: Annotated[
        str | None,
        typer.Option("--names", metavar="A,B,…", help="Names of your own, with commas between them."),
    ] = None,
    prefix: Annotated[
        str | None, typer.Option("--prefix", help="The shipment's letter or word (default: the next free).")
    ] = None,
    adopt: Annotated[
        bool, typer.Option("--adopt", help="The names are of blanks that were measured before.")
    ] = False,
    label_power: its.LabelPower = None,
    label_action: its.LabelAction = None,
    length: its.Length = None,
    by: its.By = None,
    folder: its.Folder = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Log a shipment as it arrives: each blank gets its name before anything is measured.

    What the maker's label and list claim holds for all of them; blankbench log note takes what differs.

    Example: blankbench log add --maker "Example Maker" --model "Petrel 76" --count 12 --label-power medium
    """
    settings = load_settings(settings_file)
    called = [name.strip() for name in names.split(",") if name.strip()] if names else []
    if count is None and not called:
        raise CallError("--count is missing", "say how many blanks came, as in --count 12")
    facts: dict[str, Value | None] = {
        "maker": maker,
        "model": model,
        "length_m": length,
        **its.class_words(label_power, label_action, settings),
    }
    came = its.day(date, "--date") or f"{datetime.date.today():%Y-%m-%d}"
    place = its.folder_of(folder, settings)
    shipment, blanks = its.keeper(folder, by, settings).add(
        came, len(called) if count is None else count, facts, called, prefix, adopt=adopt
    )
    if as_json:
        options.print_json({"shipment": shipment, "date": came, "blanks": list(blanks)})
        return
    span = blanks[0] if len(blanks) == 1 else f"{blanks[0]} to {blanks[-1]}"
    _say(
        f"Shipment {shipment}: {len(blanks)} blanks, {span}. Kept in {place / JOURNAL_NAME}.",
        f"Next: blankbench log labels --shipment {shipment}  and stick one on each blank.",
    )


def note(
    blanks: Blanks,
    length: its.Length = None,
    mass: its.Mass = None,
    butt_diameter: its.Butt = None,
    tip_diameter: its.Tip = None,
    model: Annotated[str | None, typer.Option("--model", help="The maker's model.")] = None,
    maker: Annotated[str | None, typer.Option("--maker", help="Who made it.")] = None,
    label_power: its.LabelPower = None,
    label_action: its.LabelAction = None,
    grade: its.Grade = None,
    rod: its.Rod = None,
    job: its.Job = None,
    guide_layout: its.GuideLayout = None,
    static_test: its.StaticTest = None,
    damage: its.Damage = None,
    decision: its.Decision = None,
    text: its.Text = None,
    by: its.By = None,
    folder: its.Folder = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Note what you know of a blank; several blanks get the same note.

    Example: blankbench log note A-03 --mass 96.2 --damage "chip at the tip" --job 2026-118
    """
    settings = load_settings(settings_file)
    facts: dict[str, Value | None] = {
        "maker": maker, "model": model, "length_m": length, "mass_g": mass,
        "butt_diameter_m": butt_diameter, "tip_diameter_m": tip_diameter,
        **its.class_words(label_power, label_action, settings),
        "grade": grade, "rod": rod, "job": job, "guide_layout": guide_layout, "static_test": static_test,
        "damage": damage, "decision": decision, "text": text,
    }  # fmt: skip
    entries = its.keeper(folder, by, settings).note(blanks, facts)
    if as_json:
        options.print_json([entry_record(entry) for entry in entries])
        return
    if not entries:
        _say("The log knows that already; nothing was added.")
    for entry in entries:
        _say(f"{entry.values['blank']}: {said(entry)} (entry {entry.number}).")


def correct(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The blank, or the shipment with --shipment.")],
    shipment: Annotated[
        bool, typer.Option("--shipment", help="NAME is a shipment: correct what holds for all of it.")
    ] = False,
    entry: Annotated[
        int | None, typer.Option("--entry", metavar="N", min=1, help="Number of the note to correct.")
    ] = None,
    length: its.Length = None,
    mass: its.Mass = None,
    butt_diameter: its.Butt = None,
    tip_diameter: its.Tip = None,
    model: Annotated[str | None, typer.Option("--model", help="The maker's model.")] = None,
    maker: Annotated[str | None, typer.Option("--maker", help="Who made it.")] = None,
    date: Annotated[str | None, typer.Option("--date", metavar="DAY", help="When the shipment came.")] = None,
    label_power: its.LabelPower = None,
    label_action: its.LabelAction = None,
    grade: its.Grade = None,
    rod: its.Rod = None,
    job: its.Job = None,
    guide_layout: its.GuideLayout = None,
    static_test: its.StaticTest = None,
    damage: its.Damage = None,
    decision: its.Decision = None,
    text: its.Text = None,
    take_back: its.TakeBack = None,
    reason: Annotated[str, typer.Option("--reason", help="Why it is corrected.")] = "",
    by: its.By = None,
    folder: its.Folder = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Put the right value over a wrong one; the earlier one is kept and shown.

    Example: blankbench log correct A-03 --mass 95.8 --reason "the scale was not zeroed"
    """
    settings = load_settings(settings_file)
    facts: dict[str, Value | None] = {
        "maker": maker, "model": model, "length_m": length, "mass_g": mass,
        "butt_diameter_m": butt_diameter, "tip_diameter_m": tip_diameter,
        **its.class_words(label_power, label_action, settings),
        "grade": grade, "rod": rod, "job": job, "guide_layout": guide_layout, "static_test": static_test,
        "damage": damage, "decision": decision, "text": text,
    }  # fmt: skip
    written = its.keeper(folder, by, settings).correct(
        name, facts, reason=reason, entry=entry, date=its.day(date, "--date"), shipment=shipment,
        take_back=its.taken_back(take_back),
    )  # fmt: skip
    if as_json:
        options.print_json(entry_record(written))
        return
    _say(f"{name}: corrected: {said(written)} (entry {written.number}). The earlier entry is kept.")


def set_aside(
    runs: AsideRuns,
    reason: Annotated[str, typer.Option("--reason", help="Why it does not count.")],
    by: its.By = None,
    folder: its.Folder = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Set a botched run aside: the file stays as it is, and every command passes over it.

    Example: blankbench log set-aside A-03_roll_2026-05-04T093000.csv --reason "the tip slipped"
    """
    settings = load_settings(settings_file)
    paths = put_aside(its.keeper(folder, by, settings), options.expand(runs, aside=True), reason)
    _say_runs(paths, "set aside; bring it back with  blankbench log bring-back", as_json)


def bring_back(
    runs: AsideRuns,
    reason: Annotated[str, typer.Option("--reason", help="Why it counts after all.")] = "",
    by: its.By = None,
    folder: its.Folder = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Bring a run back that was set aside.

    Example: blankbench log bring-back A-03_roll_2026-05-04T093000.csv
    """
    settings = load_settings(settings_file)
    paths = take_up(its.keeper(folder, by, settings), options.expand(runs, aside=True), reason)
    _say_runs(paths, "counts again", as_json)


def entry_record(entry: Entry) -> dict[str, object]:
    """One entry of the journal as a dictionary."""
    return {"entry": entry.number, "at": entry.at, "by": entry.by, "what": entry.what, **entry.values}


def said(entry: Entry) -> str:
    """Say what an entry states, in words.

    Numbers keep the unit of their key: what is typed in grams or metres is read back in them.
    """
    parts = []
    for name, value in entry.values.items():
        if name in FACTS:
            words = FACTS[name].words
            number = isinstance(value, int | float)
            parts.append(f"{words} {value:g} {name.rpartition('_')[2]}" if number else f"{words}: {value}")
        elif name == "take_back":
            parts.append(f"{FACTS[str(value)].words} taken back")
        elif name == "date":
            parts.append(f"came on {value}")
    return ", ".join(parts)


def _say(*lines: str) -> None:
    for line in lines:
        options.out().print(line, markup=False, highlight=False, soft_wrap=True)


def _say_runs(paths: Sequence[str], what: str, as_json: bool) -> None:
    if as_json:
        options.print_json({"runs": list(paths)})
        return
    for path in paths:
        _say(f"{path}: {what}.")
