"""A check blank's control charts: what holds, what moved and since when; as a table and as a record."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import RenderableType
from rich.text import Text

from analysis.decide.control import Alarm, Watch
from analysis.decide.properties import words
from analysis.show import wording as say
from analysis.show.json_values import Json, number_of, strings_of
from analysis.show.layout import columns, page
from analysis.units import System


def control_table(
    blank: str, charts: Sequence[Watch], warnings: Sequence[str], *, units: System = "metric"
) -> RenderableType:
    """One row a property: middle and limits, the last value, and what the chart says."""
    table = columns("property", "times", "usually", "last", "since", "what")
    table.columns[4].justify = table.columns[5].justify = "left"
    for one in charts:
        last = _amount(one.values[-1], one, units)
        if one.chart is None:
            table.add_row(words(one.name), str(len(one.values)), "", last, "", "too few to tell")
            continue
        between = f"{_number(one.chart.lower, one, units)} to {_amount(one.chart.upper, one, units)}"
        table.add_row(
            words(one.name),
            str(len(one.values)),
            between,
            last,
            one.moved_since or "",
            Text(state_words(one), style="red" if one.moved_since else "green"),
        )
    below: list[RenderableType] = [Text(past_words(one), style="dim") for one in charts if past_words(one)]
    if any(one.chart is not None for one in charts):
        below.append(
            Text(
                "Usually: three standard deviations about the mean, from the steps between one time and the"
                " next. Of a hundred looks at a rig that holds, about two raise an alarm in each property.",
                style="dim",
            )
        )
    moved = [one for one in charts if one.moved_since]
    if moved:
        title = Text(
            f"The rig has moved, says {say.label(blank)}: {say.listing([words(one.name) for one in moved])}."
            " Look at clamp, sensor and index mark, calibrate, and measure the check blank again.",
            style="bold red",
        )
    elif any(one.chart is not None for one in charts):
        title = Text(f"The rig holds, says {say.label(blank)}.", style="bold green")
    else:
        times = max(len(one.values) for one in charts)
        title = Text(
            f"Cannot tell yet: {say.label(blank)} was measured {times} times; five are needed.",
            style="bold yellow",
        )
    return page(title, table, below, warnings)


def state_words(one: Watch) -> str:
    """Say what the chart says of now."""
    if one.chart is None:
        return "too few to tell"
    now = [alarm for alarm in one.chart.alarms if alarm.index == len(one.values) - 1]
    if not now:
        return "holds"
    return "; ".join(dict.fromkeys(_alarm_words(alarm, one) for alarm in now))


def past_words(one: Watch) -> str:
    """Tell of alarms that have passed; empty where there were none."""
    if one.chart is None or one.moved_since:
        return ""
    days = dict.fromkeys(one.days[alarm.index] for alarm in one.chart.alarms)
    return f"{words(one.name)} was out on {say.listing(list(days))} and came back." if days else ""


def _alarm_words(alarm: Alarm, one: Watch) -> str:
    assert one.chart is not None
    if alarm.signal == "beyond limits":
        return "above its limit" if one.values[alarm.index] > one.chart.upper else "below its limit"
    if alarm.signal == "jump":
        return "jumped"
    if alarm.signal == "one side":
        return "eight or more in a row on one side"
    return "drifts up" if one.chart.slope > 0.0 else "drifts down"


def _number(value: float, one: Watch, units: System) -> str:
    how = say.unit_display(one.unit, one.name, units)
    return say.three_figures(value * how.per_si, 4)


def _amount(value: float, one: Watch, units: System) -> str:
    symbol = "°" if one.unit == "deg" else say.unit_display(one.unit, one.name, units).symbol
    return f"{_number(value, one, units)} {symbol}".rstrip()


def control_record(blank: str, charts: Sequence[Watch], warnings: Sequence[str]) -> dict[str, Json]:
    """The charts as a dictionary."""
    known = [one for one in charts if one.chart is not None]
    return {
        "blank": blank,
        "holds": None if not known else not any(one.moved_since for one in known),
        "metrics": {one.name: _record(one) for one in charts},
        "warnings": strings_of(warnings),
    }


def _record(one: Watch) -> dict[str, Json]:
    chart = one.chart
    return {
        "unit": one.unit,
        "values": [number_of(value) for value in one.values],
        "days": strings_of(one.days),
        "runs": strings_of(one.runs),
        "centre": None if chart is None else number_of(chart.centre),
        "lower": None if chart is None else number_of(chart.lower),
        "upper": None if chart is None else number_of(chart.upper),
        "range_limit": None if chart is None else number_of(chart.range_limit),
        "baseline": None if chart is None else chart.baseline,
        "moved_since": one.moved_since,
        "alarms": []
        if chart is None
        else [
            {"signal": alarm.signal, "day": one.days[alarm.index], "run": one.runs[alarm.index]}
            for alarm in chart.alarms
        ],
    }
