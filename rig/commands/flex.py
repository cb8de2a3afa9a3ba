"""`blankbench flex`: power, action and rigidity from flex runs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from analysis.show import records, tables
from analysis.show.records import Json
from analysis.show.strain import strain_record, strain_table
from rig.commands import options
from rig.commands.lengths import parse_length
from rig.errors import CallError
from rig.runs.diameters import read_diameters
from rig.runs.profile import profile_text
from rig.settings import load_settings
from rig.workup.hard_work import HardWork, work_hard
from rig.workup.one_run import Flex, group_flexes, read_partners, read_runs, work_flex, work_roll


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
    at_load: Annotated[
        float | None,
        typer.Option(
            "--at-load",
            metavar="N",
            help="Also say where the blank works hardest under this load, in newtons.",
        ),
    ] = None,
    diameters: Annotated[
        Path | None,
        typer.Option(
            "--diameters",
            metavar="FILE",
            help="Outer diameters along the blank, for the strain: CSV with from_tip_m,diameter_m.",
        ),
    ] = None,
    strain_limit: Annotated[
        float | None,
        typer.Option(
            "--strain-limit", metavar="PERCENT", help="Also say at what load this strain is reached."
        ),
    ] = None,
    radius_limit: Annotated[
        float | None,
        typer.Option(
            "--radius-limit",
            metavar="LENGTH",
            parser=parse_length,
            help="Also say at what load the blank is bent as tightly as this.",
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
    hard: list[HardWork] = []
    if at_load is not None or strain_limit is not None or radius_limit is not None:
        for what, number in (("--at-load", at_load), ("--strain-limit", strain_limit)):
            if number is not None and not (math.isfinite(number) and number > 0.0):
                raise CallError(f"{what} {number:g} is not above zero", "give a positive number")
        sizes = None if diameters is None else read_diameters(diameters)
        hard = [
            work_hard(
                work,
                load_N=at_load,
                diameters=sizes,
                strain_limit=None if strain_limit is None else 0.01 * strain_limit,
                radius_limit_m=radius_limit,
            )
            for work in works
        ]
    elif diameters is not None:
        raise CallError("--diameters alone changes nothing", "add --at-load or --strain-limit")
    if profile is not None:
        keep_profile(works, profile)
    if figures is not None:
        from rig.commands.draw import save_flex_figures

        save_flex_figures(works, figures)
    if as_json:
        documents = [flex_record(work) for work in works]
        for document, asked in zip(documents, hard, strict=False):
            document.update(strain_record(asked.hardest, asked.limits, asked.warnings))
        options.print_json(documents)
        return
    console = options.out()
    for at, work in enumerate(works):
        header = work.run.header
        console.print(
            tables.flex_table(work.result, blank=header.blank, model=header.model or None, units=system)
        )
        if hard:
            asked = hard[at]
            console.print(strain_table(asked.hardest, asked.limits, asked.warnings, units=system))
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
