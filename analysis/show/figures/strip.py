"""Strips to print at true size and wrap round the butt: degrees, planes, snaps, bow and the mark.

Everything is drawn in millimetres of the page. The edge with the arrow goes toward the tip; then, with the
print outside, blank angles grow to the right: clockwise for someone at the butt looking toward the tip.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analysis.roll.result import RollResult
from analysis.show import wording as say
from analysis.show.figures import style
from analysis.show.rounding import show_direction

PAPERS: dict[str, tuple[float, float]] = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
"""Landscape pages: width and height, mm."""
Paper = Literal["a4", "letter"]
_INCH = 25.4
_TALL = 35.0
_PLANES, _BOW, _MARK, _SNAPS = 0.6, 7.2, 12.4, 21.2
"""Feet of the bands for the words of each kind, mm above the strip's lower edge."""
_LINE = 0.45
"""Width of an upright word, mm a point of its size."""
_TAB = 8.0
_EDGE = 12.0
_PITCH = 47.0
_TOP = 34.0
_PRINT_SO = "Print at 100 %, without fitting to the page, and lay a ruler on these scales before you cut."


@dataclass(frozen=True, slots=True)
class Strip:
    """What goes on one strip."""

    blank: str
    """Name of the blank."""
    diameter_m: float
    """Outer diameter of the butt where the strip goes, m."""
    result: RollResult
    """What was found."""


def strips_a_page(paper: Paper = "a4") -> int:
    """How many strips fit on a page."""
    return int((PAPERS[paper][1] - _TOP - _EDGE) // _PITCH)


def longest_diameter_m(paper: Paper = "a4") -> float:
    """Largest diameter whose strip fits on a page, m."""
    return (PAPERS[paper][0] - 2.0 * _EDGE - _TAB) / math.pi * 1e-3


def strip_pages(strips: Sequence[Strip], paper: Paper = "a4") -> list[Figure]:
    """Draw strips one above the other, with a ruler on each page to check the printed scale.

    Parameters
    ----------
    strips : sequence of Strip
        One a blank.
    paper : {"a4", "letter"}
        Landscape.

    Raises
    ------
    ValueError
        If a strip is longer than the page.
    """
    if any(not 0.0 < strip.diameter_m <= longest_diameter_m(paper) for strip in strips):
        raise ValueError(f"a strip must fit on the page: diameters up to {longest_diameter_m(paper):.3f} m")
    pages = []
    count = strips_a_page(paper)
    for start in range(0, len(strips), count):
        figure, axes = _page(paper)
        for place, strip in enumerate(strips[start : start + count]):
            draw_strip(axes, strip, _EDGE, PAPERS[paper][1] - _TOP - _PITCH * place - _TALL)
        pages.append(figure)
    return pages


def draw_strip(axes: Axes, strip: Strip, left: float, bottom: float) -> None:
    """Draw one strip on axes that are in millimetres.

    Parameters
    ----------
    axes : Axes
        One data unit is one millimetre.
    strip : Strip
        What to draw.
    left, bottom : float
        Its lower left corner: blank angle 0.
    """
    turn = math.pi * strip.diameter_m * 1e3
    top = bottom + _TALL

    def at(angle: float) -> float:
        return left + turn * (angle % (2.0 * math.pi)) / (2.0 * math.pi)

    xs = [left, left + turn, left + turn, left, left]
    axes.plot(xs, [bottom, bottom, top, top, bottom], color=style.INK, linewidth=0.6)
    axes.fill_between([left + turn, left + turn + _TAB], bottom, top, color=style.GRID, linewidth=0)
    axes.text(
        left + turn + 0.5 * _TAB,
        bottom + 0.5 * _TALL,
        "glue here, under 0°",
        rotation=90,
        ha="center",
        va="center",
        fontsize=6.0,
        color=style.INK,
    )
    _scale(axes, at, turn, top)
    _lines(axes, strip.result, at, bottom, top)
    axes.text(
        left,
        top + 1.0,
        f"↑ this edge toward the tip     blank {say.label(strip.blank, 24)}",
        va="bottom",
        ha="left",
        fontsize=7.0,
        color=style.INK,
    )
    words = [f"turn {turn:.1f} mm, diameter {1e3 * strip.diameter_m:.2f} mm"]
    if strip.result.mark.angle is not None:
        words.append(f"mark {show_direction(strip.result.mark.angle).text}")
    axes.text(left, bottom - 1.0, "     ".join(words), va="top", ha="left", fontsize=7.0, color=style.INK)


def _scale(axes: Axes, place: Callable[[float], float], turn: float, top: float) -> None:
    """Degrees along the upper edge, as close as a turn of that length (mm) has room for."""
    step = 10 if turn >= 90.0 else 15 if turn >= 50.0 else 30
    for degrees in range(0, 360, 5):
        x = place(math.radians(degrees))
        tall = 3.2 if degrees % step == 0 else 1.6
        axes.plot([x, x], [top, top - tall], color=style.INK, linewidth=0.5)
    for degrees in range(0, 360, 3 * step if turn < 50.0 else 2 * step):
        x = place(math.radians(degrees))
        side: Literal["left", "center"] = "left" if degrees == 0 else "center"
        axes.text(
            x + (0.4 if degrees == 0 else 0.0),
            top - 3.6,
            f"{degrees}°",
            ha=side,
            va="top",
            fontsize=6.0,
            color=style.INK,
        )


class _Words:
    """Words along the strip, upright, each in the band of its kind and on the side that is free."""

    def __init__(self, axes: Axes, left: float, right: float, tape: float | None) -> None:
        self._axes, self._left, self._right, self._tape = axes, left, right, tape
        self._taken: dict[float, list[float]] = {}

    def write(self, x: float, height: float, word: str, colour: str, size: float = 5.5) -> None:
        """Write a word beside the line at `x`, its foot at `height` (mm); words of a band do not touch."""
        wide = size * _LINE
        taken = self._taken.setdefault(height, [])
        sides = [x + 0.6, x - 0.6 - wide]
        fits = [
            side
            for side in sides
            if side >= self._left
            and side + wide <= self._right
            and all(abs(side - other) >= wide for other in taken)
        ]
        free = [s for s in fits if self._tape is None or not s - 0.4 < self._tape < s + wide + 0.4]
        start = (free or fits or sides)[0]
        taken.append(start)
        self._axes.text(
            start, height, word, rotation=90, ha="left", va="bottom", fontsize=size, color=colour,
            weight="bold" if size > 6.0 else "normal", zorder=6,
            bbox={"facecolor": style.PAPER, "edgecolor": "none", "pad": 0.1},
        )  # fmt: skip


def _lines(
    axes: Axes, result: RollResult, place: Callable[[float], float], bottom: float, top: float
) -> None:
    """Planes, snaps, bow and the mark, each with its own line and a word along it in its kind's own band."""
    upper = top - 7.0
    left, middle = place(0.0), place(math.pi)
    tape = None if result.mark.angle is None else place(result.mark.angle.value)
    words = _Words(axes, left, 2.0 * middle - left, tape)
    plane = result.stiff_plane if result.plane_found else None
    if plane is not None:
        for quarter in range(4):
            x = place(plane.value + 0.5 * math.pi * quarter)
            soft = quarter % 2 == 1
            colour, pattern = (style.SOFT, style.DOTS) if soft else (style.STIFF, style.DASHES)
            axes.plot(
                [x, x],
                [bottom, upper],
                color=colour,
                linewidth=0.9,
                linestyle=pattern,
                gid=f"plane-{quarter}",
            )
            words.write(x, bottom + _PLANES, "soft" if soft else "stiff", style.WORDS.get(colour, colour))
    if tape is not None:
        x = tape
        axes.plot([x, x], [bottom, top], color=style.MARK, linewidth=2.2, solid_capstyle="butt", gid="mark")
        words.write(x, bottom + _MARK, "MARK", style.MARK, 6.5)
    if result.bow_direction is not None:
        x = place(result.bow_direction.value)
        axes.annotate(
            "", (x, bottom + _MARK), (x, bottom + _BOW - 0.5),
            arrowprops={"arrowstyle": "->", "color": style.BOW}, zorder=5,
        )  # fmt: skip
        words.write(x, bottom + _BOW, "bow", style.BOW)
    for rank, snap in enumerate(result.snaps, start=1):
        x = place(snap.angle.value)
        axes.plot(
            [x], [upper + 1.0], marker="^", color=style.SNAP, markersize=4.5, linestyle="none",
            markeredgecolor=style.PAPER, markeredgewidth=0.5, zorder=5, gid=f"snap-{rank}",
        )  # fmt: skip
        words.write(x, bottom + _SNAPS, f"snap {rank}", style.WORDS[style.SNAP])


def _page(paper: Paper) -> tuple[Figure, Axes]:
    width, height = PAPERS[paper]
    figure = Figure(figsize=(width / _INCH, height / _INCH), facecolor=style.PAPER)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, width)
    axes.set_ylim(0.0, height)
    axes.set_axis_off()
    y = height - 14.0
    axes.plot([_EDGE, _EDGE + 100.0], [y, y], color=style.INK, linewidth=0.6)
    for mm in range(101):
        tall = 4.0 if mm % 10 == 0 else 2.6 if mm % 5 == 0 else 1.6
        axes.plot([_EDGE + mm, _EDGE + mm], [y, y + tall], color=style.INK, linewidth=0.4)
    axes.text(_EDGE + 101.5, y, "100 mm", fontsize=7.0, va="bottom", color=style.INK)
    for sixteenth in range(4 * 16 + 1):
        x = _EDGE + 130.0 + sixteenth * _INCH / 16.0
        tall = 4.0 if sixteenth % 16 == 0 else 2.6 if sixteenth % 8 == 0 else 1.6
        axes.plot([x, x], [y, y + tall], color=style.INK, linewidth=0.4)
    axes.plot([_EDGE + 130.0, _EDGE + 130.0 + 4.0 * _INCH], [y, y], color=style.INK, linewidth=0.6)
    axes.text(_EDGE + 131.5 + 4.0 * _INCH, y, "4 in", fontsize=7.0, va="bottom", color=style.INK)
    axes.text(_EDGE, y - 2.0, _PRINT_SO, fontsize=8.0, va="top", color=style.INK)
    return figure, axes
