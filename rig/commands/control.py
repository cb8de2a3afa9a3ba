"""`blankbench control`: has the rig moved? A check blank over time."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from analysis.decide.control import Watch
from analysis.show.control import control_record, control_table
from analysis.units import System
from rig.commands import log_options as its
from rig.commands import options
from rig.errors import CallError
from rig.settings import Settings, load_settings
from rig.workup.check_blank import FEWEST, watch_blank
from rig.workup.intake import Intake, take_in


def control(
    runs: options.Runs,
    blank: Annotated[
        str | None,
        typer.Option("--blank", metavar="NAME", help="The check blank (default: the settings')."),
    ] = None,
    since: Annotated[
        str | None,
        typer.Option("--since", metavar="DAY", help="First day that counts: 2026-05-04."),
    ] = None,
    baseline: Annotated[
        int | None,
        typer.Option(
            "--baseline",
            metavar="N",
            min=FEWEST,
            help="The first N times set the limits (the rig was known to be right); default: all.",
        ),
    ] = None,
    figures: options.FiguresInto = None,
    skip_unreadable: options.SkipUnreadable = False,
    as_json: options.AsJson = False,
    units: options.Units = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Say whether the rig has moved, from a check blank that is measured again and again.

    Keep one blank for it, roll and flex it each day before the others, always at the same length and travel.

    Example: blankbench control runs/CHECK*.csv
    """
    settings = load_settings(settings_file)
    with options.progress("Working up the runs") as progress:
        taken = take_in(options.expand(runs), settings, skip_unreadable=skip_unreadable, progress=progress)
    name = _check_blank(blank, taken, settings)
    first = its.day(since, "--since") or settings.rig.check_since or ""
    watched = watch_blank(taken, name, since=first, baseline=baseline)
    charts = watched.watches
    if not charts:
        raise CallError(f"no run of {name} counts since {first}", "give an earlier --since, or more runs")
    shown = units or settings.shop.units
    if figures is not None:
        _draw(charts, figures, shown)
    if as_json:
        record = control_record(name, charts, watched.warnings)
        options.print_json(record | {"left_out": options.left_out(taken.left_out)})
    else:
        options.out().print(control_table(name, charts, watched.warnings, units=shown))


def _check_blank(given: str | None, taken: Intake, settings: Settings) -> str:
    """Tell which blank is meant.

    Raises
    ------
    CallError
        If it is not among the runs, or the runs are of several and none is named.
    """
    name = given or settings.rig.check_blank
    if name is None and len(taken.blanks) == 1:
        name = taken.blanks[0]
    if name is None:
        raise CallError(
            f"these runs are of {len(taken.blanks)} blanks, and none is named as the check blank",
            "name it with --blank, or as check_blank in the settings",
        )
    if name not in taken.blanks:
        raise CallError(f"no run given is of the check blank {name}", "give its runs, or another --blank")
    return name


def _draw(charts: Sequence[Watch], folder: Path, units: System) -> None:
    from analysis.show import figures
    from analysis.show.figures.control import control_steps, control_values
    from rig.commands.draw import write_text

    for one in charts:
        for what, draw in (("values", control_values), ("steps", control_steps)):
            figure, axes = figures.new_figure()
            draw(axes, one, units=units)
            title = f"check blank: {one.name}, {what}"
            write_text(folder / f"control_{one.name}_{what}.svg", figures.to_svg(figure, title=title))
