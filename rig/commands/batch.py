"""`blankbench batch`: are these blanks alike?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer

from analysis.show import records, tables
from rig.commands import options
from rig.settings import Settings, load_settings
from rig.workup.check_blank import beside_check_blank
from rig.workup.decisions import work_batch
from rig.workup.intake import Intake, take_in
from rig.workup.properties import check_known


def batch(
    runs: options.Runs,
    tolerance: options.Tolerances = None,
    check: Annotated[
        bool, typer.Option("--check", help="Exit with status 1 unless the blanks are consistent.")
    ] = False,
    skip_unreadable: options.SkipUnreadable = False,
    as_json: options.AsJson = False,
    units: options.Units = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Say whether blanks are alike, from their roll and flex runs given together.

    Example: blankbench batch runs/*.csv --tolerance reference_load=4
    """
    settings = load_settings(settings_file)
    with options.progress("Working up the runs") as progress:
        taken = take_in(options.expand(runs), settings, skip_unreadable=skip_unreadable, progress=progress)
    taken = beside_check_blank(taken, settings, needed=2)
    allowed = allowed_spreads(tolerance, settings, taken)
    result = work_batch(taken.rolls, taken.flexes, allowed, taken.warnings)
    if as_json:
        options.print_json(records.batch_record(result) | {"left_out": options.left_out(taken.left_out)})
    else:
        options.out().print(tables.batch_table(result, units=units or settings.shop.units))
    if check and result.verdict != "consistent":
        raise typer.Exit(1)


def allowed_spreads(given: Sequence[str] | None, settings: Settings, taken: Intake) -> dict[str, float]:
    """Give the shop's tolerances: the settings' and, above them, those of the call.

    Raises
    ------
    CallError
        For a pair that is none, or a name that neither a run nor a header knows.
    """
    asked = options.pairs(given or (), "--tolerance", "bow=0.004")
    check_known(asked, [run.header for run in taken.runs], "--tolerance")
    return {**settings.tolerances, **asked}
