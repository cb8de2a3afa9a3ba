"""`blankbench spine`: planes, bow, snaps and the mark from roll runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from analysis.bend import initial_stiffness
from analysis.show import records, tables
from analysis.show.records import Json
from rig.commands import options
from rig.commands.lengths import parse_length
from rig.errors import CallError
from rig.runs.profile import read_profile
from rig.settings import load_settings
from rig.workup.one_run import Joint, Roll, read_partners, read_runs, work_flex, work_joint, work_roll


def spine(
    runs: options.Runs,
    flex: Annotated[
        list[str] | None,
        typer.Option(
            "--flex",
            metavar="RUN",
            help="A flex run of the same blank: makes the barriers right. Repeatable.",
        ),
    ] = None,
    profile: Annotated[
        list[Path] | None,
        typer.Option(
            "--profile", metavar="FILE", help="A profile of the same blank, instead of --flex. Repeatable."
        ),
    ] = None,
    joint: Annotated[
        bool,
        typer.Option(
            "--joint",
            help="Take the runs of one blank as mounts of it: what turns with the chuck is taken off.",
        ),
    ] = False,
    mark: options.Rule = None,
    as_json: options.AsJson = False,
    units: options.Units = None,
    figures: options.FiguresInto = None,
    strip: Annotated[
        Path | None,
        typer.Option(
            "--strip",
            metavar="FILE",
            help="Also write a strip to print and wrap round the butt: .pdf or .svg.",
        ),
    ] = None,
    diameter: Annotated[
        float | None,
        typer.Option(
            "--diameter", metavar="LENGTH", parser=parse_length, help="Of the butt, for --strip: 14.2mm."
        ),
    ] = None,
    paper: Annotated[Literal["a4", "letter"], typer.Option("--paper", help="For --strip.")] = "a4",
    chuck: options.ChuckChoice = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Find the stiff plane, the bow, the snaps and where the tape goes, from roll runs.

    Example: blankbench spine runs/*roll* --flex runs/A-03-flex.csv
    """
    settings = options.with_chuck(load_settings(settings_file), chuck)
    system = units or settings.shop.units
    rolled = read_runs(options.expand(runs), "roll")
    bent = read_partners(options.expand(flex or []), "flex", rolled)
    small = {run.header.blank: work_flex(run, settings).result.initial_stiffness for run in bent}
    for path in profile or []:
        rigidity = read_profile(path)
        if rigidity.blank not in {run.header.blank for run in rolled}:
            raise CallError(
                f"{path} is the profile of blank {rigidity.blank}, and no roll run given is of that blank",
                "give the profile of the blank that was rolled",
            )
        small[rigidity.blank] = initial_stiffness(rigidity)
    if joint:
        joints = work_joint(rolled, settings, rule=mark, initial_stiffness=small)
        if figures is not None:
            from rig.commands.draw import save_joint_figures

            save_joint_figures(joints, figures)
        if strip is not None:
            from rig.commands.draw import save_strips

            save_strips([Roll(each.runs[0], each.result) for each in joints], strip, diameter, paper)
        if as_json:
            options.print_json([joint_record(each) for each in joints])
            return
        for each in joints:
            header = each.runs[0].header
            table = tables.roll_table(
                each.result, blank=header.blank, model=header.model or None, units=system
            )
            options.out().print(table)
            options.out().print(chuck_words(each), markup=False)
        return
    works: list[Roll] = [
        work_roll(
            run,
            settings,
            rule=mark,
            initial_stiffness=small.get(run.header.blank),
            curve=figures is not None,
        )
        for run in rolled
    ]
    if figures is not None:
        from rig.commands.draw import save_roll_figures

        save_roll_figures(works, figures)
    if strip is not None:
        from rig.commands.draw import save_strips

        save_strips(works, strip, diameter, paper)
    if as_json:
        options.print_json([spine_record(work) for work in works])
        return
    console = options.out()
    for work in works:
        header = work.run.header
        console.print(
            tables.roll_table(work.result, blank=header.blank, model=header.model or None, units=system)
        )
    if len(works) > 1:
        console.print(tables.roll_summary([(w.run.header.blank, w.result) for w in works], units=system))


def spine_record(work: Roll) -> dict[str, Json]:
    """Give one run's result as ``--json`` prints it."""
    header = work.run.header
    return records.roll_record(work.result, blank=header.blank, model=header.model or None, run=work.run.path)


def joint_record(work: Joint) -> dict[str, Json]:
    """Give the joint result of a blank's mounts as ``--json`` prints it."""
    header = work.runs[0].header
    record = records.roll_record(
        work.result, blank=header.blank, model=header.model or None, run=[run.path for run in work.runs]
    )
    told = work.separated
    return record | {
        "runout_m": work.chuck.runout_m if told[0] else None,
        "support_pct": 100.0 * work.chuck.support if told[1] else None,
        "seating_m": work.chuck.seating_m,
    }


def chuck_words(work: Joint) -> str:
    """Say what turns with the chuck."""
    chuck, told = work.chuck, work.separated
    said = [
        f"run-out {1e3 * chuck.runout_m:.2g} mm at the tip" if told[0] else "run-out: cannot tell",
        f"{100.0 * chuck.support:.2g} % of anisotropy" if told[1] else "anisotropy: cannot tell",
    ]
    return f"What turns with the chuck, as far as these mounts can tell, and is taken off: {', '.join(said)}."
