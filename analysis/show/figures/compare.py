"""Several blanks over each other: load over travel, and rigidity against the first blank's."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from analysis.bend.result import FlexResult
from analysis.readings import Floats
from analysis.show.figures import style
from analysis.show.figures.bend import LINES, PATTERNS
from analysis.show.figures.roll import NO_CURVE
from analysis.show.wording import label
from analysis.units import System, display

_WITH_BANDS = 3
"""Bands are drawn for up to so many blanks; more would hide each other."""
_PERCENT = 100.0


def flex_curves(axes: Axes, rows: Sequence[tuple[str, FlexResult]], *, units: System = "metric") -> Axes:
    """Draw the fitted load over travel of several blanks, each to the largest load it was bent with.

    Parameters
    ----------
    rows : sequence of (name, FlexResult)
        With their curves.
    """
    drawn = [(name, result.curve) for name, result in rows if result.curve is not None]
    if not drawn:
        return style.empty(axes, NO_CURVE)
    load, travel = display("load", units), display("small length" if units == "metric" else "length", units)
    style.dress(axes, f"travel, {travel.symbol}", f"load, {load.symbol}")
    for index, (name, curve) in enumerate(drawn):
        axes.plot(
            travel.per_si * curve.model_travel_m, load.per_si * curve.model_load_N,
            color=LINES[index % len(LINES)], linestyle=PATTERNS[index % len(PATTERNS)], linewidth=1.6,
            label=label(name, 20),
        )  # fmt: skip
    axes.set_xlim(left=0.0)
    axes.set_ylim(bottom=0.0)
    _legend(axes, "upper left")
    return axes


def rigidity_ratio(axes: Axes, rows: Sequence[tuple[str, FlexResult]], *, units: System = "metric") -> Axes:
    """Draw by how much each blank is stiffer than the first, at the same distance from the tip.

    The bands hold what the blanks do not share: an error of the rig's scale is the same in both.

    Parameters
    ----------
    rows : sequence of (name, FlexResult)
        Two blanks or more; the first is the one to compare with.
    """
    drawn = [(name, result) for name, result in rows if len(result.rigidity) > 1]
    if len(drawn) < 2:
        return style.empty(axes, "two blanks are needed to compare")
    length = display("length", units)
    (first_name, first), *others = drawn
    style.dress(axes, f"from the tip, {length.symbol}", f"stiffer than {label(first_name, 20)}, %")
    axes.axhline(0.0, color=LINES[0], linewidth=1.6)
    base_at = np.array([station.from_tip_m for station in first.rigidity])[::-1]
    base = np.log([station.rigidity.value for station in first.rigidity])[::-1]
    base_half = _relative(first)[::-1]
    seen: list[float] = [0.0]
    for index, (name, result) in enumerate(others, start=1):
        at = np.array([station.from_tip_m for station in result.rigidity])[::-1]
        here = np.log([station.rigidity.value for station in result.rigidity])[::-1]
        both = at <= base_at[-1] * (1.0 + 1e-9)
        x = at[both]
        more = np.expm1(here[both] - np.interp(x, base_at, base))
        half = np.hypot(_relative(result)[::-1][both], np.interp(x, base_at, base_half)) * (1.0 + more)
        colour = LINES[index % len(LINES)]
        if len(drawn) <= _WITH_BANDS:
            low, high = _PERCENT * (more - half), _PERCENT * (more + half)
            axes.fill_between(length.per_si * x, low, high, color=colour, alpha=0.18, linewidth=0)
        axes.plot(
            length.per_si * x, _PERCENT * more, color=colour, linestyle=PATTERNS[index % len(PATTERNS)],
            linewidth=1.6, label=label(name, 20),
        )  # fmt: skip
        middle = (x > 0.1 * base_at[-1]) & np.isfinite(half)
        reach = (
            more + (half if len(drawn) <= _WITH_BANDS else 0.0),
            more - (half if len(drawn) <= _WITH_BANDS else 0.0),
        )
        seen += [_PERCENT * float(side[middle].max()) for side in reach if middle.any()]
        seen += [_PERCENT * float(side[middle].min()) for side in reach if middle.any()]
    low, high = min(seen), max(seen)
    room = 0.15 * max(high - low, 1.0)
    axes.set_ylim(low - room, high + 2.0 * room)  # what stands out next to the tip is cut off
    axes.set_xlim(0.0, length.per_si * float(base_at[-1]))
    axes.xaxis.set_major_locator(MaxNLocator(6))
    _legend(axes, "upper right")
    if len(drawn) <= _WITH_BANDS:
        axes.text(
            0.02, 0.97, "band: 95 % half-width", transform=axes.transAxes, ha="left", va="top",
            fontsize=style.SMALL, color=style.INK,
        )  # fmt: skip
    return axes


def _relative(result: FlexResult) -> Floats:
    """Relative 95 % half-widths of the rigidity without what all blanks of the rig share."""
    values = [(station.rigidity.own_ci95, station.rigidity.value) for station in result.rigidity]
    return np.asarray(np.nan_to_num([half / value for half, value in values]), dtype=float)


def _legend(axes: Axes, where: Literal["upper left", "upper right"]) -> None:
    axes.legend(
        loc=where, fontsize=style.SMALL, frameon=False, labelcolor=style.INK, handlelength=3.0, ncols=2
    )
