"""Two shipments of one model beside each other: what changed, as a table and as a record."""

from __future__ import annotations

import math

from rich.console import RenderableType
from rich.text import Text

from analysis.decide.properties import unit_of, words
from analysis.decide.shipments import Change, ProductionShift, PropertyShift
from analysis.show import wording as say
from analysis.show.json_values import Json, ci95_of, number_of, strings_of, value_of
from analysis.show.layout import columns, page
from analysis.show.rounding import show
from analysis.units import System

_STYLES: dict[Change, str] = {"changed": "red", "same": "green", "undecided": "yellow"}


def production_table(result: ProductionShift, *, model: str, units: System = "metric") -> RenderableType:
    """One row a property: both means, the change with its ±, what would not matter, the verdict."""
    table = columns("property", "earlier", "later", "change", "matters from", "verdict")
    for one in result.properties:
        how = say.unit_display(unit_of(one.name), one.name, units)
        change, matters = "", ""
        if one.shift is not None:
            change = show(one.shift.change, how.symbol, per_si=how.per_si).text
            matters = f"{say.three_figures(one.shift.tolerance * how.per_si)} {how.symbol}".rstrip()
        table.add_row(
            words(one.name),
            _mean(one.earlier_mean * how.per_si, one.counts[0]),
            _mean(one.later_mean * how.per_si, one.counts[1]),
            change,
            matters,
            Text(one.verdict, style=_STYLES[one.verdict]),
        )
    below: list[RenderableType] = [Text(said) for one in result.properties if (said := scatter_words(one))]
    below += [
        Text(f"{words(one.name)}: {one.reason}, so no comparison.") for one in result.properties if one.reason
    ]
    below.append(
        Text(
            "In brackets: how many blanks. The ± of a change holds the blanks' scatter and the measurement's"
            " own error. It counts where it is beyond what matters, at 5 % for all properties together.",
            style="dim",
        )
    )
    title = Text(verdict_words(result, model), style=f"bold {_STYLES[result.verdict]}")
    return page(title, table, below, result.warnings)


def verdict_words(result: ProductionShift, model: str) -> str:
    """Answer in one line: has the maker's blank changed?"""
    name = say.label(model) if model else "This model"
    if result.verdict == "changed":
        what = say.listing([words(one.name) for one in result.properties if one.verdict == "changed"])
        return f"{name} has changed since the earlier shipment: {what}."
    if result.verdict == "same":
        return f"{name} is the same as in the earlier shipment, as far as it matters."
    open_ = say.listing([words(one.name) for one in result.properties if one.verdict == "undecided"])
    return f"Cannot tell whether {name} has changed: {open_}. Measure more blanks of each shipment."


def scatter_words(one: PropertyShift) -> str:
    """Say where the blanks scatter more, or less, than before; empty where that is not sure."""
    if one.shift is None or not 0.0 < one.shift.scatter_ratio < math.inf:
        return ""
    if one.shift.scatter_low <= 1.0 <= one.shift.scatter_high:
        return ""
    low, high = one.shift.scatter_low, one.shift.scatter_high
    way = "more" if low > 1.0 else "less"
    between = f"{say.three_figures(low, 2)} to {say.three_figures(high, 2)}"
    return f"{words(one.name)} scatters {way} than before ({between} times)."


def _mean(value: float, count: int) -> str:
    return f"{say.three_figures(value, 4)} ({count})"


def production_record(result: ProductionShift, *, model: str) -> dict[str, Json]:
    """The comparison as a dictionary."""
    return {
        "model": model or None,
        "verdict": result.verdict,
        "metrics": {one.name: _record(one) for one in result.properties},
        "warnings": strings_of(result.warnings),
    }


def _record(one: PropertyShift) -> dict[str, Json]:
    shift = one.shift
    return {
        "unit": unit_of(one.name),
        "earlier_mean": number_of(one.earlier_mean),
        "later_mean": number_of(one.later_mean),
        "earlier_blanks": one.counts[0],
        "later_blanks": one.counts[1],
        "change": None if shift is None else value_of(shift.change),
        "change_ci95": None if shift is None else ci95_of(shift.change),
        "tolerance": None if shift is None else number_of(shift.tolerance),
        "p_no_difference": None if shift is None else number_of(shift.p_none),
        "scatter_ratio": None if shift is None else number_of(shift.scatter_ratio),
        "verdict": one.verdict,
    }
