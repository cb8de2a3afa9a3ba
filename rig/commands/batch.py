"""`blankbench batch`: are these blanks alike?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer

from analysis.decide import DEFAULT_TOLERANCES
from analysis.show import records, tables
from rig.commands import options
from rig.errors import CallError
from rig.settings import load_settings
from rig.workup import read_runs, work_batch, work_blanks


def batch(
    runs: options.Runs,
    tolerance: Annotated[
        list[str] | None,
        typer.Option(
            "--tolerance",
            metavar="NAME=VALUE",
            help="Allowed spread: percent of the median for reference_load, stiffness, mass; "
            "percentage points for anisotropy; metres for bow, length; plain for bend_centre. Repeatable.",
        ),
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Exit with status 1 unless the blanks are consistent.")
    ] = False,
    as_json: options.AsJson = False,
    units: options.Units = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Say whether blanks are alike, from their roll and flex runs given together.

    Example: blankbench batch runs/*.csv --tolerance reference_load=4
    """
    settings = load_settings(settings_file)
    allowed = {**DEFAULT_TOLERANCES, **settings.tolerances, **parse_tolerances(tolerance or [])}
    rolls, flexes = work_blanks(read_runs(options.expand(runs)), settings)
    result = work_batch(rolls, flexes, allowed)
    if as_json:
        options.print_json(records.batch_record(result))
    else:
        options.out().print(tables.batch_table(result, units=units or settings.shop.units))
    if check and result.verdict != "consistent":
        raise typer.Exit(1)


def parse_tolerances(given: Sequence[str]) -> dict[str, float]:
    """Read ``NAME=VALUE`` pairs.

    Raises
    ------
    CallError
        For an unknown name, a value that is not a number above zero, or a name given twice.

    Examples
    --------
    >>> parse_tolerances(["bow=0.004"])
    {'bow': 0.004}
    """
    found: dict[str, float] = {}
    for pair in given:
        name, equals, text = pair.partition("=")
        name = name.strip()
        if not equals or name not in DEFAULT_TOLERANCES:
            raise CallError(
                f"--tolerance {pair} is not NAME=VALUE with a name that is known",
                f"use one of {', '.join(DEFAULT_TOLERANCES)}, as in --tolerance bow=0.004",
            )
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not 0.0 < value < float("inf"):
            raise CallError(
                f"--tolerance {pair}: {text or 'nothing'} is not a number above zero",
                f"write it as --tolerance {name}={DEFAULT_TOLERANCES[name]:g}",
            )
        if name in found:
            raise CallError(f"--tolerance {name} is given twice", "give it once")
        found[name] = value
    return found
