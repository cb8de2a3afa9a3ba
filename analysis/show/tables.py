"""Results as rich renderables; the caller owns the console, its width and its colours.

Words carry every finding and colour only repeats it, so that a plain terminal, a pipe and a printout read
the same. All tables fit in 80 columns.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from analysis.angles import difference
from analysis.bend.result import ClassCall, FlexResult
from analysis.decide.batch import BatchResult, Metric
from analysis.estimate import Estimate
from analysis.roll.result import RollResult
from analysis.show import wording as say
from analysis.show.layout import columns, page
from analysis.show.rounding import (
    CANNOT_TELL,
    UNKNOWN,
    Shown,
    plain_quantity,
    show,
    show_direction,
    show_percent,
    show_plane,
    show_quantity,
)
from analysis.units import System, display

VERDICT_STYLES = {"consistent": "green", "not consistent": "red", "undecided": "yellow"}
"""Colours that repeat what the verdict's words say."""
_METRICS_A_TABLE = 4


@dataclass(frozen=True, slots=True)
class TruthRow:
    """One measured value beside the truth it was made from."""

    blank: str
    """Name of the blank."""
    what: str
    """What was measured, in the words of the tables."""
    measured: Estimate | None
    """SI or rad; None where the run could not tell."""
    true: float | None
    """SI or rad; None where there is nothing to find."""
    kind: str
    """``plane``, ``angle``, ``percent`` (a fraction), ``bare``, or a quantity of `analysis.units`."""
    also: float | None = None
    """A second true value that serves as well (two snaps that cannot be told apart)."""

    @property
    def inside(self) -> bool:
        """True if the truth lies within the printed half-width, or if neither side claims a value."""
        if self.measured is None or self.true is None:
            return self.measured is None and self.true is None
        period = {"plane": math.pi, "angle": 2.0 * math.pi}.get(self.kind)
        for truth in (self.true, self.also):
            if truth is None:
                continue
            away = self.measured.value - truth
            if period is not None:
                away = difference(self.measured.value, truth, period)
            if abs(away) <= self.measured.ci95:
                return True
        return False


def roll_table(
    result: RollResult, *, blank: str, model: str | None = None, units: System = "metric"
) -> RenderableType:
    """One roll result: the mark first, then snaps, planes and bow, warnings beneath."""
    table = _findings()
    mark = show_direction(result.mark.angle)
    _row(table, "mark" if mark.known else "no mark", mark, say.mark_words(result.mark), style="bold")
    table.add_section()
    for number, snap in enumerate(result.snaps, start=1):
        held = show_quantity(snap.barrier, "energy", units).text
        name = "snap, firmest" if number == 1 else f"snap {number}"
        _row(table, name, show_direction(snap.angle), f"held by {held}, {say.CAUSE_WORDS[snap.cause]}")
    if not result.snaps:
        _row(table, "snap", UNKNOWN, say.feel_words(result))
    plane = result.stiff_plane if result.plane_found else None
    stiff, soft = show_plane(plane), show_plane(plane, 0.5 * math.pi)
    _row(
        table,
        "stiff plane",
        stiff,
        say.plane_ends(stiff) if stiff.known else "no plane stands out of the noise",
    )
    _row(table, "soft plane", soft, say.plane_ends(soft))
    table.add_section()
    _row(table, "anisotropy", show_percent(result.anisotropy), "stiff plane against soft plane")
    toward = show_direction(result.bow_direction)
    bow_note = f"toward {toward.text}" if toward.known else "direction: cannot tell"
    _row(table, "natural bow", show_quantity(result.bow, "small length", units), bow_note)
    at = plain_quantity(result.travel_m, "small length" if units == "metric" else "length", units)
    _row(table, "stiffness", show_quantity(result.stiffness, "stiffness", units), f"at {at} of travel")
    feel = ". ".join(filter(None, (say.feel_words(result), say.further_words(result, units).rstrip("."))))
    foot = [Text(f"{feel[0].upper()}{feel[1:]}. {_rolled(result)} {say.ANGLES_COUNT}", style="dim")]
    if result.snaps and not result.barrier_corrected:
        foot.append(Text(say.BARRIERS_HIGH, style="dim"))
    parts = say.parts_words(("stiff plane", plane), ("mark", result.mark.angle))
    if parts:
        foot.append(Text(parts, style="dim"))
    return page(_title("Roll", blank, model), table, foot, result.warnings)


def roll_summary(rows: Sequence[tuple[str, RollResult]], *, units: System = "metric") -> RenderableType:
    """Several blanks, a line each: mark, stiff plane, anisotropy, bow, snaps."""
    bow = display("small length", units)
    table = columns("blank", "mark °", "stiff plane °", "anisotropy %", f"bow {bow.symbol}", "snaps")
    for name, result in rows:
        plane = result.stiff_plane if result.plane_found else None
        table.add_row(
            Text(say.label(name, 16)),
            Text(show_direction(result.mark.angle).bare, style="bold"),
            show_plane(plane).bare,
            show_percent(result.anisotropy).bare,
            show_quantity(result.bow, "small length", units).bare,
            str(len(result.snaps) or "none"),
        )
    rules = dict.fromkeys(say.RULE_WORDS[result.mark.rule] for _, result in rows)
    foot = Text(
        f"The mark is {say.listing(list(rules))}. The soft plane lies 90° from the stiff plane."
        f" {say.ANGLES_COUNT}",
        style="dim",
    )
    return page(Text("Where to mark", style="bold"), table, [foot], ())


def flex_table(
    result: FlexResult, *, blank: str, model: str | None = None, units: System = "metric"
) -> RenderableType:
    """One flex result: power first as a number that compares across lengths, then action."""
    table = _findings()
    if len(result.hooks_m) > 1:
        hooks = dict.fromkeys(plain_quantity(hook, "length", units) for hook in result.hooks_m)
        several = Shown(str(len(result.hooks_m)), "", "runs", exact=True)
        _row(table, "fitted together", several, f"hook at {' and '.join(hooks)} from the chuck")
    even = show_quantity(result.even_blank_rigidity, "rigidity", units)
    _row(
        table, "even-blank rigidity", even, "power without the length: compares any two blanks", style="bold"
    )
    rated = plain_quantity(result.rated_length_m, "length", units)
    load = show_quantity(result.reference_load, "load", units)
    how = "carried past the readings; " if result.extrapolated else ""
    _row(table, "reference load", load, f"{how}bends {rated} by a quarter of it")
    direct = result.direct
    if direct is not None and direct.load is not None:
        read = show_quantity(direct.load, "load", units)
        same = math.isclose(result.rated_length_m, result.free_length_m, rel_tol=1e-9)
        where = "" if same else f"at {plain_quantity(result.free_length_m, 'length', units)}; "
        by_model = show_quantity(direct.load_by_model, "load", units).text
        beside = "the model" if same else f"the model's {by_model}"
        word = "agrees with" if direct.load_agrees else "DISAGREES with"
        _row(table, "  as read", read, f"{where}from the readings there; {word} {beside}")
    _class_row(table, "power", result.power_class, result.label_power_probability)
    table.add_section()
    centre = show(result.bend_centre, decimals=4)
    _row(table, "bend centre", centre, "where it bends, from the tip; an even tube: 0.667")
    if direct is not None and direct.small_centre is not None:
        read = show(direct.small_centre, decimals=4)
        by_model = show(direct.small_centre_by_model, decimals=4).text
        word = "agrees with" if direct.small_centre_agrees else "DISAGREES with"
        note = f"at small load, travel over slope; {word} the model's {by_model}"
        _row(table, "  as read", read, note)
    _class_row(table, "action", result.action_class, result.label_action_probability)
    table.add_section()
    small = show_quantity(result.initial_stiffness, "stiffness", units)
    _row(table, "first stiffness", small, "at small travel")
    loss = show_percent(result.hysteresis)
    _row(
        table, "hysteresis", loss, "loading above unloading" if loss.known else "needs loading and unloading"
    )
    if result.set_after is not None:
        stays = show_quantity(result.set_after, "small length", units)
        _row(table, "set after unloading", stays, "travel left at no load")
    if result.creep is not None:
        what = "the load fades" if result.creep.of == "load" else "the travel grows"
        how = f"{what}, each time the time grows tenfold; held {result.creep.held_s:.0f} s"
        _row(table, "creep while held", show_percent(result.creep.per_decade), how)
    table.add_section()
    for where, station in say.three_stations(result):
        _row(table, f"rigidity, {where}", show_quantity(station.rigidity, "rigidity", units), "")
    return page(_title("Flex", blank, model), table, [], result.warnings)


def flex_summary(rows: Sequence[tuple[str, FlexResult]], *, units: System = "metric") -> RenderableType:
    """Several blanks, a line each: power and action with their class words."""
    rigidity, load = display("rigidity", units), display("load", units)
    table = columns(
        "blank",
        f"even-blank rigidity {rigidity.symbol}",
        f"reference load {load.symbol}",
        "power",
        "bend centre",
        "action",
    )
    for name, result in rows:
        table.add_row(
            Text(say.label(name, 16)),
            Text(show_quantity(result.even_blank_rigidity, "rigidity", units).bare, style="bold"),
            show_quantity(result.reference_load, "load", units).bare,
            CANNOT_TELL if result.power_class is None else say.label(result.power_class.name),
            show(result.bend_centre, decimals=4).bare,
            CANNOT_TELL if result.action_class is None else say.label(result.action_class.name),
        )
    return page(Text("Power and action", style="bold"), table, [], ())


def batch_table(result: BatchResult, *, units: System = "metric") -> RenderableType:
    """Batch result: the verdict in words, each property against its tolerance, what to do, all values."""
    table = columns("property", "spread", "tolerance", "chance within", "verdict")
    for metric in result.metrics:
        table.add_row(
            say.metric_words(metric.name),
            say.spread_words(metric.spread, metric, units),
            say.spread_words(metric.tolerance, metric, units),
            say.chance(metric.probability_within),
            Text(metric.verdict, style=VERDICT_STYLES[metric.verdict]),
        )
    verdict = Text(say.verdict_words(result), style=f"bold {VERDICT_STYLES[result.verdict]}")
    below: list[RenderableType] = []
    if result.odd_one_out is not None:
        why = say.sentence(result.odd_why)
        below.append(Text(f"Odd one out: {say.label(result.odd_one_out)}. {why}".rstrip(), style="bold"))
    below += [
        Text(f"To settle {say.metric_words(metric.name)}: {say.sentence(metric.advice, lower=True)}")
        for metric in result.metrics
        if metric.advice
    ]
    below += _values_tables(result, units)
    return page(verdict, table, below, result.warnings)


def truth_table(rows: Sequence[TruthRow], *, units: System = "metric") -> RenderableType:
    """Measured against true, with a count of how many lie within their half-widths."""
    table = columns("blank", "what", "measured", "true", "inside ±?")
    for row in rows:
        measured, true = _truth_pair(row, units)
        inside = Text("yes", style="green") if row.inside else Text("NO", style="bold red")
        table.add_row(Text(say.label(row.blank, 16)), Text(say.label(row.what, 24)), measured, true, inside)
    hits = sum(row.inside for row in rows)
    foot = Text(f"{hits} of {len(rows)} true values lie within the printed 95 % half-widths.")
    return page(Text("Measured against true", style="bold"), table, [foot], ())


def _findings() -> Table:
    """Name, value, what it means."""
    table = Table(box=box.SIMPLE, show_header=False, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    return table


def _row(table: Table, name: str, value: Shown, note: str, style: str = "") -> None:
    extra = "; ".join(part for part in (say.label(note, 200), value.note) if part)
    table.add_row(Text(name, style=style), Text(value.text, style=style), Text(extra))


def _class_row(table: Table, name: str, call: ClassCall | None, label_probability: float | None) -> None:
    """Add the likeliest class, then the others worth naming, then what that means for the label."""
    first, *others = say.class_words(call).split(" or ")
    notes = [f"or {' or '.join(others)}"] if others else []
    notes.append(say.label_words(label_probability))
    table.add_row(Text(name), Text(say.label(first)), Text("; ".join(note for note in notes if note)))


def _title(what: str, blank: str, model: str | None) -> Text:
    title = Text(f"{what} of blank {say.label(blank, 40)}", style="bold")
    if model:
        title.append(f", {say.label(model, 30)}", style="dim")
    return title


def _rolled(result: RollResult) -> str:
    return f"{result.turns:.1f} turns rolled, {100.0 * result.coverage:.0f} % of the turn covered."


def _values_tables(result: BatchResult, units: System) -> Iterator[RenderableType]:
    """Each blank's values, a few properties at a time so that 80 columns are enough."""
    for start in range(0, len(result.metrics), _METRICS_A_TABLE):
        metrics = result.metrics[start : start + _METRICS_A_TABLE]
        table = columns("blank", *(_metric_head(metric, units) for metric in metrics))
        for name in dict.fromkeys(name for metric in metrics for name in metric.values):
            style = "bold" if name == result.odd_one_out else ""
            cells = [say.show_metric(metric.values.get(name), metric, units).bare for metric in metrics]
            table.add_row(
                Text(say.label(name, 16), style=style), *(Text(cell, style=style) for cell in cells)
            )
        yield table


def _metric_head(metric: Metric, units: System) -> str:
    return f"{say.metric_words(metric.name)} {say.metric_display(metric, units).symbol}".rstrip()


def _truth_pair(row: TruthRow, units: System) -> tuple[str, str]:
    """Measured and true as text, the truth to the same place."""
    shown = _truth_shown(row.measured, row.kind, units)
    if row.true is None:
        return shown.text, "none to find"
    places = Estimate(row.true, 0.0) if row.measured is None else Estimate(row.true, row.measured.ci95 / 2.0)
    true = _truth_shown(places, row.kind, units)
    unit = "°" if true.unit == "°" else f" {true.unit}".rstrip()
    return shown.text, f"{true.number}{unit}"


def _truth_shown(estimate: Estimate | None, kind: str, units: System) -> Shown:
    if kind == "plane":
        return show_plane(estimate)
    if kind == "angle":
        return show_direction(estimate)
    if kind == "percent":
        return show_percent(estimate)
    if kind == "bare":
        return show(estimate, decimals=4)
    return show_quantity(estimate, kind, units)
