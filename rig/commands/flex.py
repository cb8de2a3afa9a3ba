"""`blankbench flex`: power, action and rigidity from flex runs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from analysis.show import records, tables
from analysis.show.records import Json
from rig.commands import options
from rig.commands.lengths import parse_length
from rig.errors import CallError
from rig.runs.profile import profile_text
from rig.settings import load_settings
from rig.workup import Flex, group_flexes, read_partners, read_runs, work_flex, work_roll


def flex(
    runs: options.Runs,
    roll: Annotated[
        list[str] | None,
        typer.Option(
            "--roll",
            metavar="RUN",
            help="A roll run of the same blank: rates the mean over the roll. Repeatable.",
        ),
    ] = None,
    rated_length: Annotated[
        float | None,
        typer.Option(
            "--rated-length",
            metavar="M",
            min=0.1,
            help="Rate at this length in metres instead of the free length.",
        ),
    ] = None,
    cut_tip: Annotated[
        float | None,
        typer.Option(
            "--cut-tip",
            metavar="LENGTH",
            parser=parse_length,
            help="Rate it as if so much were cut from the tip.",
        ),
    ] = None,
    cut_butt: Annotated[
        float | None,
        typer.Option(
            "--cut-butt",
            metavar="LENGTH",
            parser=parse_length,
            help="Rate it as if so much were cut from the butt.",
        ),
    ] = None,
    profile: Annotated[
        Path | None,
        typer.Option(
            "--profile", metavar="FILE", help="Also write the rigidity along the blank, of one run, as CSV."
        ),
    ] = None,
    joint: Annotated[
        bool,
        typer.Option(
            "--joint",
            help="Fit the runs of one blank together: repeats, or the hook at other places.",
        ),
    ] = False,
    as_json: options.AsJson = False,
    units: options.Units = None,
    figures: options.FiguresInto = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Rate power and action, and measure the rigidity along the blank, from flex runs.

    Example: blankbench flex runs/*flex* --rated-length 2.10
    """
    settings = load_settings(settings_file)
    system = units or settings.shop.units
    bent = read_runs(options.expand(runs), "flex")
    rolled = read_partners(options.expand(roll or []), "roll", bent)
    turned = {run.header.blank: work_roll(run, settings).result for run in rolled}
    works = [
        work_flex(
            run,
            settings,
            also=also,
            roll=turned.get(run.header.blank),
            rated_length_m=rated_length,
            cut_tip_m=cut_tip or 0.0,
            cut_butt_m=cut_butt or 0.0,
            curve=figures is not None,
        )
        for run, *also in (group_flexes(bent) if joint else [(run,) for run in bent])
    ]
    if profile is not None:
        keep_profile(works, profile)
    if figures is not None:
        from rig.commands.draw import save_flex_figures

        save_flex_figures(works, figures)
    if as_json:
        options.print_json([flex_record(work) for work in works])
        return
    console = options.out()
    for work in works:
        header = work.run.header
        console.print(
            tables.flex_table(work.result, blank=header.blank, model=header.model or None, units=system)
        )
    if len(works) > 1:
        console.print(tables.flex_summary([(w.run.header.blank, w.result) for w in works], units=system))


def keep_profile(works: Sequence[Flex], path: Path) -> None:
    """Write the rigidity of one blank to a file.

    Raises
    ------
    CallError
        If several runs were given.
    """
    if len(works) != 1:
        raise CallError(
            "--profile keeps the rigidity of one blank",
            "give one run only, or all runs of one blank and --joint",
        )
    (work,) = works
    if work.result.profile is not None:
        from rig.commands.draw import write_text

        header = work.run.header
        write_text(path, profile_text(work.result.profile, header.blank, header.model, work.run.path))


def flex_record(work: Flex) -> dict[str, Json]:
    """Give the result of one run, or of several together, as ``--json`` prints it."""
    header = work.run.header
    paths = [run.path for run in (work.run, *work.also)]
    return records.flex_record(
        work.result, blank=header.blank, model=header.model or None, run=paths if work.also else paths[0]
    )
