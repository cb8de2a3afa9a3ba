"""The control chart of a check blank: each value and each step from the one before, with their limits."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from analysis.decide.control import Watch
from analysis.decide.properties import words
from analysis.show import wording as say
from analysis.show.figures import style
from analysis.units import System

_MOST_DAYS = 9


def control_values(axes: Axes, one: Watch, *, units: System = "metric") -> Axes:
    """Draw the values in order of time, with mean, limits and alarms.

    Parameters
    ----------
    axes : Axes
        Ordinary axes.
    one : Watch
        One property; without limits where its values are too few.
    """
    how = say.unit_display(one.unit, one.name, units)
    symbol = "°" if one.unit == "deg" else how.symbol
    values = np.asarray(one.values) * how.per_si
    style.dress(axes, "", f"{words(one.name)}{f', {symbol}' if symbol else ''}")
    _line(axes, values)
    if one.chart is not None:
        for level, pattern in ((one.chart.centre, "-"), (one.chart.lower, "--"), (one.chart.upper, "--")):
            axes.axhline(level * how.per_si, color=style.INK, linewidth=0.8, linestyle=pattern)
        out = sorted({alarm.index for alarm in one.chart.alarms})
        axes.plot(out, values[out], "o", markersize=11, markerfacecolor="none", color=style.MARK)
    _days(axes, one)
    return axes


def control_steps(axes: Axes, one: Watch, *, units: System = "metric") -> Axes:
    """Draw the steps between neighbouring values (moving ranges) with their limit."""
    how = say.unit_display(one.unit, one.name, units)
    steps = np.abs(np.diff(np.asarray(one.values))) * how.per_si
    style.dress(axes, "", "step from the one before")
    _line(axes, np.concatenate([[np.nan], steps]))
    if one.chart is not None:
        axes.axhline(one.chart.range_limit * how.per_si, color=style.INK, linewidth=0.8, linestyle="--")
    axes.set_ylim(bottom=0.0)
    _days(axes, one)
    return axes


def _line(axes: Axes, values: np.ndarray) -> None:
    axes.plot(np.arange(values.size), values, "-o", color=style.SOFT, linewidth=1.0, markersize=4.5)
    axes.yaxis.set_major_locator(MaxNLocator(5))


def _days(axes: Axes, one: Watch) -> None:
    step = max(1, -(-len(one.days) // _MOST_DAYS))
    places = range(0, len(one.days), step)
    axes.set_xlim(-0.6, len(one.days) - 0.4)
    axes.set_xticks(places)
    for text in axes.set_xticklabels(
        [say.label(one.days[place][-10:], 10) for place in places], rotation=40, ha="right"
    ):
        text.set_parse_math(False)
