"""The strip chart of a batch: each blank's value and half-width against a band as wide as the tolerance."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from analysis.decide.batch import Metric
from analysis.show.figures import style
from analysis.show.wording import label, metric_display, metric_words, spread_words
from analysis.units import System


def batch_strip(
    axes: Axes, metric: Metric, *, units: System = "metric", odd_one_out: str | None = None
) -> Axes:
    """Draw one property of all blanks, the first at the top.

    Half-widths leave out what all blanks of the rig share, which does not count between them. The band is
    as wide as the tolerance and stands where it holds most blanks: all within it is what consistent means.

    Parameters
    ----------
    axes : Axes
        Ordinary axes; `strip_height` gives a fitting height in inches.
    metric : Metric
        One property of a batch.
    odd_one_out : str, optional
        The blank to draw in the mark's colour.
    """
    known = [(name, value) for name, value in metric.values.items() if math.isfinite(value.value)]
    if not known:
        return style.empty(axes, "no values to draw")
    how = metric_display(metric, units)
    factor, unit = how.per_si, how.symbol
    style.dress(axes, f"{metric_words(metric.name)}{f', {unit}' if unit else ''}")
    axes.grid(visible=False, axis="y")
    values = [value.value * factor for _, value in known]
    band = tolerance_band(values, _tolerance(metric, values, factor))
    if band is not None:
        axes.axvspan(*band, color=style.BAND, alpha=0.7, linewidth=0)
        words = f"as wide as the tolerance: {spread_words(metric.tolerance, metric, units)}"
        axes.text(
            0.5 * (band[0] + band[1]), 1.02, words, transform=axes.get_xaxis_transform(), ha="center",
            va="bottom", fontsize=style.SMALL, color=style.INK,
        )  # fmt: skip
    for row, (name, value) in enumerate(known):
        odd = name == odd_one_out
        half = value.own_ci95 * factor
        axes.errorbar(
            value.value * factor, row, xerr=half if math.isfinite(half) else None, fmt="D" if odd else "o",
            color=style.MARK if odd else style.INK, markersize=6 if odd else 5, capsize=4, linewidth=1.4,
        )  # fmt: skip
    axes.set_yticks(range(len(known)))
    for text, (name, _) in zip(
        axes.set_yticklabels([label(name, 16) for name, _ in known], fontsize=style.FONT), known, strict=True
    ):
        text.set_parse_math(False)
        if name == odd_one_out:
            text.set_color(style.MARK)
            text.set_fontweight("bold")
    axes.set_ylim(len(known) - 0.4, -0.6)
    axes.xaxis.set_major_locator(MaxNLocator(6))
    axes.tick_params(axis="y", length=0)
    return axes


def strip_height(count: int) -> float:
    """Height in inches of a strip chart of `count` blanks."""
    return 0.95 + 0.24 * max(count, 1)


def tolerance_band(values: Sequence[float], width: float) -> tuple[float, float] | None:
    """Where a band of a given width holds the most values, centred on those it holds.

    Parameters
    ----------
    values : sequence of float
        Finite.
    width : float
        In the unit of the values; None comes back where it is not a positive number.

    Examples
    --------
    >>> tolerance_band([1.0, 1.2, 3.0], 0.5)
    (0.85, 1.35)
    """
    if not (math.isfinite(width) and width > 0.0):
        return None
    ordered = np.sort(np.asarray(values, dtype=float))
    held = np.searchsorted(ordered, ordered + width * (1.0 + 1e-12), side="right") - np.arange(ordered.size)
    first = int(np.argmax(held))
    inside = ordered[first : first + int(held[first])]
    middle = 0.5 * float(inside[0] + inside[-1])
    return round(middle - 0.5 * width, 12), round(middle + 0.5 * width, 12)


def _tolerance(metric: Metric, values: Sequence[float], factor: float) -> float:
    """Give the tolerance in the shown unit of the values."""
    if metric.tolerance_unit == "pct_of_median":
        return metric.tolerance / 100.0 * abs(float(np.median(values)))
    return metric.tolerance * factor
