"""A shipment divided into sets that belong together: which blanks, how alike, and how much of it is error."""

from __future__ import annotations

from collections.abc import Mapping

from rich.console import RenderableType
from rich.text import Text

from analysis.decide.match import BlankSet, MatchResult
from analysis.decide.properties import words
from analysis.show import wording as say
from analysis.show.json_values import Json, number_of, strings_of
from analysis.show.layout import columns, page
from analysis.units import System

_PERCENT = 100.0


def match_table(result: MatchResult, *, units: System = "metric") -> RenderableType:
    """Each set with its spread and the part of it that is error; who is left over; what matching gained."""
    table = columns("set", "blanks", "spread within the set", "of it error")
    table.columns[0].justify = "right"
    for column in table.columns[1:3]:
        column.justify = "left"
    for number, one in enumerate(result.sets, start=1):
        table.add_row(
            str(number),
            Text(", ".join(say.label(blank, 16) for blank in one.blanks)),
            Text(spreads_words(one, result.tolerance_units, units)),
            error_words(one.noise_cost, one.cost),
        )
    below: list[RenderableType] = []
    if result.left_over:
        names = say.listing([say.label(blank, 16) for blank in result.left_over])
        below.append(Text(f"Left over: {names}."))
    below += [Text(gain_words(result)), Text(noise_words(result))]
    title = Text(proof_words(result), style="bold green" if result.proven else "bold yellow")
    return page(title, table, below, result.warnings)


def proof_words(result: MatchResult) -> str:
    """Say how many sets there are and how good the division is."""
    size = len(result.sets[0].blanks)
    what = f"{len(result.sets)} sets of {size}" if len(result.sets) > 1 else f"One set of {size}"
    if result.proven:
        return f"{what}, the most alike there can be (proven)."
    return f"{what}, the best found: no division has less than {_percent(1.0 - result.gap)} of its spread."


def gain_words(result: MatchResult) -> str:
    """Say what matching saves against taking the blanks as they lie."""
    if result.in_order <= 0.0:
        return "Taken in the order given they would be as alike."
    return (
        f"Taken in the order given, the spread within the sets would be {result.in_order:.3g} tolerances in "
        f"all; matched it is {result.total:.3g}: {_percent(result.gain)} less."
    )


def noise_words(result: MatchResult) -> str:
    """Say how much of the spread is measurement error, and what that means for the purse."""
    noise = sum(one.noise_cost for one in result.sets)
    if noise <= 0.0:
        return "How much of that is measurement error is not known: the values come without a ±."
    return (
        f"Blanks exactly alike would measure {noise:.3g} tolerances apart through measurement error alone, "
        f"{_percent(result.noise_share)} of what is left. Buying less spread than this pays for noise."
    )


def spreads_words(one: BlankSet, tolerance_units: Mapping[str, str], units: System = "metric") -> str:
    """Say the spread of each property: ``reference load 1.2 %, bow 2.1 mm``."""
    return ", ".join(
        f"{say.label(words(name))} {say.amount_words(amount, tolerance_units[name], name, units)}"
        for name, amount in one.spreads.items()
    )


def error_words(noise: float, cost: float) -> str:
    """Say which part of a spread measurement error alone makes."""
    if cost <= 0.0:
        return "all"
    return "all" if noise >= cost else _percent(noise / cost)


def _percent(share: float) -> str:
    return f"{_PERCENT * share:.0f} %"


def match_record(
    result: MatchResult, *, model: str, tolerances: Mapping[str, float], weights: Mapping[str, float]
) -> dict[str, Json]:
    """Give a division as a dictionary; a set's spreads are in the unit of each property's tolerance."""
    return {
        "model": model or None,
        "size": len(result.sets[0].blanks),
        "sets": [
            {
                "blanks": strings_of(one.blanks),
                "spreads": {name: number_of(amount) for name, amount in one.spreads.items()},
                "cost": number_of(one.cost),
                "noise_cost": number_of(one.noise_cost),
            }
            for one in result.sets
        ],
        "left_over": strings_of(result.left_over),
        "proven": result.proven,
        "total_cost": number_of(result.total),
        "cost_at_least": number_of(result.bound),
        "gap_pct": number_of(result.gap, _PERCENT),
        "in_order_cost": number_of(result.in_order),
        "gain_pct": number_of(result.gain, _PERCENT),
        "noise_pct": number_of(result.noise_share, _PERCENT),
        "metrics": {
            name: {
                "tolerance": number_of(tolerances[name]),
                "tolerance_unit": unit,
                "weight": number_of(weights.get(name, 1.0)),
            }
            for name, unit in result.tolerance_units.items()
        },
        "warnings": strings_of(result.warnings),
    }
