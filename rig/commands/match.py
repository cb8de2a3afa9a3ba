"""`blankbench match`: which blanks of a shipment belong together?"""

from __future__ import annotations

from typing import Annotated

import typer

from analysis.decide import DEFAULT_TOLERANCES
from analysis.show.match import match_record, match_table
from rig.commands import options
from rig.commands.batch import allowed_spreads
from rig.errors import CallError
from rig.settings import load_settings
from rig.workup.check_blank import beside_check_blank
from rig.workup.decisions import one_model, work_match
from rig.workup.intake import take_in
from rig.workup.properties import check_known


def match(
    runs: options.Runs,
    size: Annotated[
        int, typer.Option("--size", metavar="K", help="Blanks in a set: 2 for a pair of rods, 5 for a batch.")
    ],
    weight: Annotated[
        list[str] | None,
        typer.Option(
            "--weight",
            metavar="NAME=W",
            help="How much a property counts: 1 where nothing is said, 0 leaves it out. Repeatable.",
        ),
    ] = None,
    tolerance: options.Tolerances = None,
    seconds: Annotated[
        float, typer.Option("--seconds", metavar="S", help="Search no longer than this for the best sets.")
    ] = 20.0,
    skip_unreadable: options.SkipUnreadable = False,
    as_json: options.AsJson = False,
    units: options.Units = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Divide a shipment into sets whose blanks are as alike as can be.

    Spreads of different properties are weighed by their tolerances.

    Example: blankbench match runs/*.csv --size 5 --weight reference_load=2 --weight mass=0
    """
    if size < 2:
        raise CallError(f"--size {size} makes no set", "ask for sets of two or more")
    if not 0.0 < seconds < float("inf"):
        raise CallError(f"--seconds {seconds:g} is no time", "write it as --seconds 20")
    settings = load_settings(settings_file)
    weights = options.pairs(weight or (), "--weight", "reference_load=2", zero=True)
    with options.progress("Working up the runs") as progress:
        taken = take_in(options.expand(runs), settings, skip_unreadable=skip_unreadable, progress=progress)
    taken = beside_check_blank(taken, settings, needed=2)
    check_known(weights, [run.header for run in taken.runs], "--weight")
    allowed = {**DEFAULT_TOLERANCES, **allowed_spreads(tolerance, settings, taken)}
    result = work_match(taken, size, weights, allowed, time_limit_s=seconds)
    if as_json:
        model = one_model(taken, "match")
        record = match_record(result, model=model, tolerances=allowed, weights=weights)
        options.print_json(record | {"left_out": options.left_out(taken.left_out)})
    else:
        options.out().print(match_table(result, units=units or settings.shop.units))
