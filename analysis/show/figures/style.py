"""One palette and a few habits that all figures share.

The seven colours stay at least 25 units of CIELAB apart for normal sight and for a viewer without red,
green or blue cones, and all but the readings' grey reach a contrast of 3 to 1 on white (a test computes
both). Nothing hangs on colour alone: each role has its own line or marker, and a label stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure

INK: Final = "#1d2630"
"""Text, axes, fitted curves."""
READING: Final = "#8b97a3"
"""Readings as they came."""
STIFF: Final = "#2420cc"
"""Stiff plane: dashed."""
SOFT: Final = "#1490ee"
"""Soft plane: dotted."""
SNAP: Final = "#c17712"
"""Snap positions: triangles."""
MARK: Final = "#7a1f7e"
"""The mark: a thick line, as tape."""
BOW: Final = "#1c6b45"
"""Natural bow: an arrow."""
PALETTE: Final = {
    "ink": INK, "reading": READING, "stiff": STIFF, "soft": SOFT, "snap": SNAP, "mark": MARK, "bow": BOW
}  # fmt: skip
"""Every role and its colour."""

WORDS: Final = {SOFT: "#0a62ad", SNAP: "#8a5000"}
"""Darker inks for words in two colours that are too light for small text."""

PAPER: Final = "#ffffff"
"""Ground of every figure, also on a dark page."""
GRID: Final = "#e3e7eb"
"""Lines to read values by."""
BAND: Final = "#ccd6e0"
"""Half-width bands and shaded areas."""

FONT: Final = 9.0
"""Size of labels in points; figures are at most 4.6 inches wide, so that a phone shows them readable."""
SMALL: Final = 8.0
"""Size of tick labels and notes."""
DASHES: Final = (0, (6, 2.5))
"""Line pattern of the stiff plane."""
DOTS: Final = (0, (1.2, 1.8))
"""Line pattern of the soft plane."""


@dataclass(frozen=True, slots=True)
class Tag:
    """A label that wants to stand at a place along an axis and may be moved a little."""

    at: float
    """Where it belongs."""
    text: str
    """What it says."""
    colour: str
    """Colour of its role."""


def new_figure(width: float = 4.5, height: float = 3.1, *, polar: bool = False) -> tuple[Figure, Axes]:
    """Make a figure and its axes without touching any global state.

    Parameters
    ----------
    width, height : float
        Inches.
    polar : bool
        True for `roll_polar`.
    """
    figure = Figure(figsize=(width, height), layout="constrained", facecolor=PAPER)
    axes = figure.add_subplot(projection="polar" if polar else None)
    return figure, axes


def word_ink(colour: str) -> str:
    """Give the ink for words that belong to a role's colour: at least 4.5 to 1 on paper."""
    return WORDS.get(colour, colour)


def dress(axes: Axes, x: str = "", y: str = "") -> Axes:
    """Give axes their labels, a light grid and no box."""
    axes.set_facecolor(PAPER)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(READING)
    axes.grid(visible=True, color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=SMALL, colors=INK, length=3.0)
    axes.set_xlabel(x, fontsize=FONT, color=INK)
    axes.set_ylabel(y, fontsize=FONT, color=INK)
    return axes


def empty(axes: Axes, why: str) -> Axes:
    """Say in the middle of otherwise empty axes why there is nothing to see."""
    axes.set_axis_off()
    axes.text(
        0.5, 0.5, why, transform=axes.transAxes, ha="center", va="center", fontsize=FONT, color=INK,
        parse_math=False,
    )  # fmt: skip
    return axes


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Move places along a line apart until neighbours are `gap` away, staying in [low, high].

    The places keep their order and move as little as possible (least squares; solved by pooling adjacent
    places that collide). Where there is no room, they are spaced evenly.

    Returns
    -------
    list of float
        In the order of `wanted`.

    Examples
    --------
    >>> spread([10.0, 11.0, 50.0], 4.0, 0.0, 100.0)
    [8.5, 12.5, 50.0]
    """
    count = len(wanted)
    if count == 0:
        return []
    gap = min(gap, (high - low) / (count - 1)) if count > 1 else gap
    order = sorted(range(count), key=lambda index: wanted[index])
    # With the gaps taken out the places must not decrease: isotonic regression by pooling.
    pools: list[list[float]] = []
    for rank, index in enumerate(order):
        pools.append([wanted[index] - rank * gap])
        while len(pools) > 1 and math.fsum(pools[-2]) / len(pools[-2]) > math.fsum(pools[-1]) / len(
            pools[-1]
        ):
            last = pools.pop()
            pools[-1].extend(last)
    top = high - (count - 1) * gap
    flat = [min(max(math.fsum(pool) / len(pool), low), top) for pool in pools for _ in pool]
    placed = [0.0] * count
    for rank, index in enumerate(order):
        placed[index] = flat[rank] + rank * gap
    return placed


def tags_above(axes: Axes, tags: Sequence[Tag], row: float, gap: float, low: float, high: float) -> None:
    """Write labels above the axes at their x, moved apart where they would touch.

    Parameters
    ----------
    row : float
        Height of the text's foot in axes units (1 is the upper edge).
    gap : float
        Least distance between neighbours in data units.
    low, high : float
        The x range that the labels' middles stay in.
    """
    for tag, x in zip(tags, spread([tag.at for tag in tags], gap, low, high), strict=True):
        axes.text(
            x, row, tag.text, transform=axes.get_xaxis_transform(), ha="center", va="bottom",
            fontsize=SMALL, color=word_ink(tag.colour), clip_on=False, parse_math=False,
        )  # fmt: skip
