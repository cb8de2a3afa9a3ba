"""`blankbench compare`: has the maker's blank changed since an earlier shipment?"""

from __future__ import annotations

from typing import Annotated

import typer

from analysis.decide import DEFAULT_TOLERANCES
from analysis.show.production import production_record, production_table
from rig.commands import options
from rig.commands.batch import allowed_spreads
from rig.settings import load_settings
from rig.workup.check_blank import beside_check_blank
from rig.workup.decisions import work_compare
from rig.workup.intake import take_in


def compare(
    runs: options.Runs,
    before: Annotated[
        list[str],
        typer.Option(
            "--before", metavar="RUN", help="Runs of the earlier shipment, or a pattern. Repeatable."
        ),
    ],
    tolerance: options.Tolerances = None,
    skip_unreadable: options.SkipUnreadable = False,
    as_json: options.AsJson = False,
    units: options.Units = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Say whether the maker's blank has changed between two shipments of one model.

    Name the runs of the new shipment, and those of the earlier one with --before. A change of the mean up to
    the tolerance of a batch does not matter.

    Example: blankbench compare 'runs/C-*' --before 'runs/A-*'
    """
    settings = load_settings(settings_file)
    with options.progress("Working up the runs") as progress:
        taken = [
            take_in(options.expand(one), settings, skip_unreadable=skip_unreadable, progress=progress)
            for one in (before, runs)
        ]
    earlier, later = (beside_check_blank(one, settings, needed=2) for one in taken)
    allowed = {**DEFAULT_TOLERANCES, **allowed_spreads(tolerance, settings, later)}
    result, model = work_compare(earlier, later, allowed)
    if as_json:
        left_out = options.left_out((*earlier.left_out, *later.left_out))
        options.print_json(production_record(result, model=model) | {"left_out": left_out})
    else:
        options.out().print(production_table(result, model=model, units=units or settings.shop.units))
