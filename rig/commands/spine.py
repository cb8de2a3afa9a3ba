"""`blankbench spine`: planes, bow, snaps and the mark from roll runs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from analysis.bend import initial_stiffness
from analysis.roll import Signature
from analysis.show import records, tables
from analysis.show.records import Json
from rig.commands import options
from rig.commands.lengths import parse_length
from rig.errors import CallError
from rig.runs.profile import read_profile
from rig.runs.signature import read_signature, signature_text
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
    save_signature: Annotated[
        Path | None,
        typer.Option(
            "--save-signature", metavar="FILE", help="With --joint: keep what turns with the chuck in a file."
        ),
    ] = None,
    signature: Annotated[
        Path | None,
        typer.Option(
            "--signature",
            metavar="FILE",
            help="Take off what turns with the chuck, as kept by --save-signature.",
        ),
    ] = None,
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
    settings_file: options.SettingsFile = None,
) -> None:
    """Find the stiff plane, the bow, the snaps and where the tape goes, from roll runs.

    Example: blankbench spine runs/*roll* --flex runs/A-03-flex.csv
    """
    settings = load_settings(settings_file)
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
    if save_signature is not None and not joint:
        raise CallError("--save-signature needs --joint", "give two mounts of a blank or more, and --joint")
    if joint:
        joints = work_joint(rolled, settings, rule=mark, initial_stiffness=small)
        if save_signature is not None:
            keep_signature(joints, save_signature)
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
            options.out().print(chuck_words(each.signature), markup=False)
        return
    chuck = None if signature is None else read_signature(signature)
    works: list[Roll] = [
        work_roll(
            run,
            settings,
            rule=mark,
            initial_stiffness=small.get(run.header.blank),
            signature=chuck,
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


def keep_signature(joints: Sequence[Joint], path: Path) -> None:
    """Write what turns with the chuck to a file.

    Raises
    ------
    CallError
        If mounts of several blanks were given: which one to keep is not for us to choose.
    """
    if len(joints) != 1:
        raise CallError("--save-signature needs the mounts of one blank", "give the runs of one blank only")
    from rig.commands.draw import write_text

    write_text(path, signature_text(joints[0].signature, f"{datetime.now().astimezone():%Y-%m-%dT%H:%M}"))


def joint_record(work: Joint) -> dict[str, Json]:
    """Give the joint result of a blank's mounts as ``--json`` prints it."""
    header = work.runs[0].header
    record = records.roll_record(
        work.result, blank=header.blank, model=header.model or None, run=[run.path for run in work.runs]
    )
    parts = {"runout_m": work.signature.runout_m, "support_pct": work.signature.support_pct}
    return record | {name: value if math.isfinite(value) else None for name, value in parts.items()}


def chuck_words(signature: Signature) -> str:
    """Say what turns with the chuck."""
    runout, support = signature.runout_m, signature.support_pct
    said = [
        f"run-out {1e3 * runout:.2g} mm at the tip" if math.isfinite(runout) else "run-out: cannot tell",
        f"{support:.2g} % of anisotropy" if math.isfinite(support) else "anisotropy: cannot tell",
    ]
    return f"What turns with the chuck, as far as these mounts can tell, and is taken off: {', '.join(said)}."
