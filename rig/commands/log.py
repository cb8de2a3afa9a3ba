"""`blankbench log`: every blank the shop has; what was measured when and by whom; what was decided."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from rig.commands import log_enter, log_give, log_tables, options
from rig.commands import log_options as its
from rig.commands.log_show import show
from rig.errors import CallError
from rig.settings import load_settings
from rig.shop import SortKey

log = typer.Typer(
    invoke_without_command=True,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["-h", "--help"]},
)
"""The command and those below it."""


@log.callback()
def listing(
    context: typer.Context,
    find: its.Find = None,
    blank: its.BlankLike = None,
    model: its.ModelLike = None,
    maker: its.MakerLike = None,
    shipment: its.OfShipment = None,
    operator: its.OperatorLike = None,
    kind: its.OfKind = None,
    since: its.Since = None,
    until: its.Until = None,
    unmeasured: its.Unmeasured = False,
    set_aside: its.OnlyAside = False,
    runs: Annotated[bool, typer.Option("--runs", help="A line a run instead of a line a blank.")] = False,
    sort: Annotated[
        SortKey | None,
        typer.Option("--sort", help="Sort by this (default: blanks by name, runs by date)."),
    ] = None,
    reverse: Annotated[bool, typer.Option("--reverse", help="The other way round.")] = False,
    folder: its.Folder = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """List the blanks that the shop knows: find, filter, sort. The commands below add to the log.

    Example: blankbench log --model petrel --since 2026-05-01 --sort date
    """
    if context.invoked_subcommand is not None:
        early = [name for name in context.params if _typed(context, name)]
        if early:
            option = "--" + early[0].replace("as_json", "json").replace("settings_file", "settings")
            raise CallError(
                f"{option.replace('_', '-')} stands before {context.invoked_subcommand}, to no effect",
                f"put it behind: blankbench log {context.invoked_subcommand} ...",
            )
        return
    ask = its.wanted(
        find=find, blank=blank, model=model, maker=maker, shipment=shipment, operator=operator, kind=kind,
        since=since, until=until, unmeasured=unmeasured, aside=set_aside,
    )  # fmt: skip
    shelf = its.open_shelf(folder, load_settings(settings_file))
    width = options.out().width
    if runs:
        found = shelf.runs(ask, sort or "date", reverse=reverse)
        text = log_tables.runs_text(shelf, found, width)
    else:
        items = shelf.blanks(ask, sort or "blank", reverse=reverse)
        text = log_tables.blanks_text(shelf, items, width)
    if not as_json:
        sys.stdout.write(text)
        return
    document = (
        {"runs": [log_tables.run_record(shelf, run) for run in found]}
        if runs
        else {"blanks": [log_tables.blank_record(shelf, item) for item in items]}
    )
    options.print_json({**document, **log_tables.trouble_record(shelf)})


def _typed(context: typer.Context, name: str) -> bool:
    """Whether an option was given on the command line, and is not its default."""
    source = context.get_parameter_source(name)
    return source is not None and source.name == "COMMANDLINE"


log.command("add")(log_enter.add)
log.command("show")(show)
log.command("note")(log_enter.note)
log.command("correct")(log_enter.correct)
log.command("set-aside")(log_enter.set_aside)
log.command("bring-back")(log_enter.bring_back)
log.command("labels")(log_give.labels)
log.command("export")(log_give.export)
log.command("rebuild")(log_give.rebuild)
