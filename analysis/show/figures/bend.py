"""Figures of a flex result: load over travel with residuals, shapes to scale, rigidity along the blank."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from analysis.bend.result import FlexCurve, FlexResult
from analysis.readings import Floats
from analysis.show.figures import style
from analysis.show.figures.roll import NO_CURVE
from analysis.show.rounding import plain_quantity, show_quantity
from analysis.show.wording import label
from analysis.units import System, display

_MOST_DOTS = 500
LINES = (style.STIFF, style.SNAP, style.BOW, style.MARK, style.SOFT, style.INK)
PATTERNS = ("-", (0, (6, 2)), (0, (1.2, 1.5)), (0, (7, 2, 1.5, 2)), (0, (3, 1.5)), (0, (10, 3)))


def flex_curve(axes: Axes, result: FlexResult, *, units: System = "metric") -> Axes:
    """Draw load over travel: readings up and down, the fitted curve, and the reference bend.

    The reference bend is drawn where the blank was rated at the length it was flexed at and the load acted
    at the tip; else its load does not belong to this curve.
    """
    curve = result.curve
    if curve is None:
        return style.empty(axes, NO_CURVE)
    load, travel = display("load", units), display("small length" if units == "metric" else "length", units)
    style.dress(axes, f"travel, {travel.symbol}", f"load, {load.symbol}")
    x, y = travel.per_si * curve.travel_m, load.per_si * curve.load_N
    for way, marker, face, word in _ways(curve):
        axes.plot(
            x[way], y[way], marker, color=style.READING, markerfacecolor=face, markersize=4.0,
            markeredgewidth=0.8, linestyle="none", label=word,
        )  # fmt: skip
    model_x, model_y = travel.per_si * curve.model_travel_m, load.per_si * curve.model_load_N
    axes.plot(model_x, model_y, color=style.INK, linewidth=1.6, label="fit")
    reference = result.reference_load
    same_length = math.isclose(result.rated_length_m, result.free_length_m, rel_tol=1e-6)
    at_tip = result.largest_load_N is not None or not result.hooks_m
    on_curve = same_length and at_tip and not curve.pull_turns
    if reference is not None and math.isfinite(reference.value) and on_curve:
        at, height = travel.per_si * 0.25 * result.rated_length_m, load.per_si * reference.value
        half = load.per_si * reference.ci95
        axes.plot(
            [at, at, 0.0], [0.0, height, height], color=style.MARK, linewidth=1.0, linestyle=style.DASHES
        )
        axes.errorbar(
            at,
            height,
            yerr=half if math.isfinite(half) else None,
            fmt="D",
            color=style.MARK,
            markersize=5,
            capsize=3,
        )
        note = "reference load" + (", carried past the readings" if result.extrapolated else "")
        axes.annotate(
            f"{note}\n{show_quantity(reference, 'load', units).text}", (0.03, height), (0.0, 3.0),
            xycoords=axes.get_yaxis_transform(), textcoords="offset points", ha="left", va="bottom",
            fontsize=style.SMALL, color=style.MARK, linespacing=1.15,
        )  # fmt: skip
    axes.set_xlim(left=0.0)
    axes.set_ylim(bottom=min(0.0, float(np.nanmin(y))) if y.size else 0.0)
    axes.legend(loc="lower right", fontsize=style.SMALL, frameon=False, labelcolor=style.INK)
    return axes


def flex_residuals(axes: Axes, result: FlexResult, *, units: System = "metric") -> Axes:
    """Draw readings minus fit over travel; a loop here is hysteresis, a curve a fit that does not follow."""
    curve = result.curve
    if curve is None:
        return style.empty(axes, NO_CURVE)
    load, travel = display("load", units), display("small length" if units == "metric" else "length", units)
    scale, symbol = (1e3, "mN") if units == "metric" else (load.per_si, load.symbol)
    style.dress(axes, f"travel, {travel.symbol}", f"reading − fit, {symbol}")
    left = scale * residuals(curve)
    axes.axhline(0.0, color=style.INK, linewidth=1.2)
    for way, marker, face, word in _ways(curve):
        axes.plot(
            travel.per_si * curve.travel_m[way], left[way], marker, color=style.READING, markerfacecolor=face,
            markersize=4.0, markeredgewidth=0.8, linestyle="none", label=word,
        )  # fmt: skip
    axes.set_xlim(left=0.0)
    return axes


def residuals(curve: FlexCurve) -> Floats:
    """Load readings minus the fitted curve at the same travel, N, shape (n,); nan beyond the curve's ends."""
    order = np.argsort(curve.model_travel_m)
    fitted = np.interp(
        curve.travel_m, curve.model_travel_m[order], curve.model_load_N[order], left=math.nan, right=math.nan
    )
    return np.asarray(curve.load_N - fitted, dtype=np.float64)


def flex_shapes(axes: Axes, result: FlexResult, *, units: System = "metric") -> Axes:
    """Draw the blank to scale at a few loads, the pull pointing down."""
    curve = result.curve
    if curve is None or not curve.shapes:
        return style.empty(axes, NO_CURVE)
    how = display("length", units)
    style.dress(axes, f"along the chuck's axis, {how.symbol}", f"toward the pull, {how.symbol}")
    axes.set_aspect("equal")
    length = how.per_si * result.free_length_m
    axes.plot([0.0, length], [0.0, 0.0], color=style.READING, linewidth=1.0, linestyle=style.DOTS)
    axes.plot([-0.05 * length, 0.0], [0.0, 0.0], color=style.INK, linewidth=6.0, solid_capstyle="butt")
    for load, x, y in curve.shapes:
        axes.plot(how.per_si * x, how.per_si * y, color=style.INK, linewidth=1.5)
        tip = (how.per_si * float(x[-1]), how.per_si * float(y[-1]))
        axes.plot(*tip, "o", color=style.MARK, markersize=4)
        axes.annotate(
            plain_quantity(float(f"{load:.3g}"), "load", units), tip, (5, 0), textcoords="offset points",
            ha="left", va="center", fontsize=style.SMALL, color=style.MARK,
        )  # fmt: skip
    axes.set_xlim(-0.06 * length, 1.17 * length)
    deepest = max(float(np.max(y)) for _, _, y in curve.shapes) * how.per_si
    axes.set_ylim(1.1 * deepest + 0.03 * length, -0.08 * length)
    return axes


def rigidity(axes: Axes, result: FlexResult, *, units: System = "metric") -> Axes:
    """Draw rigidity along the blank with its half-width band, on a log scale: it spans decades."""
    return rigidities(axes, [("", result)], units=units)


def rigidities(axes: Axes, rows: Sequence[tuple[str, FlexResult]], *, units: System = "metric") -> Axes:
    """Draw the rigidity of one or several blanks over each other, each named where its line begins.

    Parameters
    ----------
    rows : sequence of (name, FlexResult)
        Bands are drawn for up to three blanks; more would hide each other.
    """
    drawn = [(name, result) for name, result in rows if len(result.rigidity) > 1]
    if not drawn:
        return style.empty(axes, "no rigidity to draw")
    how, length = display("rigidity", units), display("length", units)
    style.dress(axes, f"from the chuck, {length.symbol}", f"rigidity, {how.symbol}")
    axes.set_yscale("log")
    lowest, highest = math.inf, 0.0
    for index, (name, result) in enumerate(drawn):
        s = length.per_si * np.array([station.s_m for station in result.rigidity])
        value = how.per_si * np.array([station.rigidity.value for station in result.rigidity])
        half = how.per_si * np.array([station.rigidity.ci95 for station in result.rigidity])
        colour = style.INK if len(drawn) == 1 else LINES[index % len(LINES)]
        floor = 0.02 * value
        lower, upper = np.maximum(value - np.nan_to_num(half), floor), value + np.nan_to_num(half)
        if len(drawn) <= 3:
            shade = style.BAND if len(drawn) == 1 else colour
            axes.fill_between(
                s, lower, upper, color=shade, alpha=1.0 if len(drawn) == 1 else 0.18, linewidth=0
            )
        axes.plot(
            s,
            value,
            color=colour,
            linestyle=PATTERNS[index % len(PATTERNS)],
            linewidth=1.6,
            label=label(name, 20),
        )
        lowest, highest = (
            min(lowest, float(value.min()), float(lower[:-1].min())),
            max(highest, float(upper.max())),
        )
    axes.set_ylim(max(lowest, 1e-4 * highest) / 1.25, 1.25 * highest)
    _plain_log_ticks(axes)
    if len(drawn) > 1:
        axes.legend(
            loc="lower left", fontsize=style.SMALL, frameon=False, labelcolor=style.INK, handlelength=3.0
        )
    else:
        axes.text(
            0.98, 0.95, "line: best value\nband: 95 % half-width", transform=axes.transAxes, ha="right",
            va="top", fontsize=style.SMALL, color=style.INK,
        )  # fmt: skip
    return axes


def _ways(curve: FlexCurve) -> list[tuple[NDArray[np.intp], str, str, str]]:
    """Give indices, marker, face and word of readings while loading, unloading and held, thinned evenly."""
    step = max(1, math.ceil(curve.load_N.size / _MOST_DOTS))
    ways: list[tuple[NDArray[np.intp], str, str, str]] = []
    for mask, marker, face, word in (
        (curve.loading > 0.5, "o", style.READING, "loading"),
        (curve.loading < -0.5, "o", style.PAPER, "unloading"),
        (np.abs(curve.loading) <= 0.5, "s", style.READING, "held"),
    ):
        chosen = np.nonzero(mask)[0][::step]
        if chosen.size:
            ways.append((chosen, marker, face, word))
    return ways


def _plain_log_ticks(axes: Axes) -> None:
    """Label a log axis with plain numbers, 1, 2, 5 in each decade."""
    low, high = axes.get_ylim()
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    steps = (1.0, 2.0, 5.0) if high / low < 200.0 else (1.0,)
    ticks = [step * 10.0**decade for decade in decades for step in steps]
    axes.set_yticks([tick for tick in ticks if low <= tick <= high])
    axes.set_yticks([], minor=True)
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_major_locator(MaxNLocator(6))
