"""The butt's section as the builder sees it: looking from the butt toward the tip, index mark at the top."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from matplotlib.axes import Axes
from matplotlib.patches import Circle, Wedge

from analysis.roll.result import RollResult
from analysis.show.figures import style
from analysis.show.rounding import show_direction, show_plane, show_quantity
from analysis.units import System

_LABEL_X = 1.55
_LABEL_Y = 1.55
_LABEL_GAP = 0.5


@dataclass(frozen=True, slots=True)
class _Callout:
    """A label beside the ring and the point it belongs to."""

    angle: float
    """Blank angle, rad."""
    radius: float
    """Where the thin line begins; the ring's outer radius is 1."""
    text: str
    """One or two short lines."""
    colour: str
    """Colour of its role."""
    axis: bool = False
    """True for a plane, whose label may stand at either end."""


def place(angle: float, radius: float = 1.0) -> tuple[float, float]:
    """Where a blank angle lies on the drawing: 0 at the top, growing clockwise as seen from the butt.

    Examples
    --------
    >>> x, y = place(math.radians(90.0))
    >>> round(x, 9), round(y, 9)
    (1.0, 0.0)
    """
    return radius * math.sin(angle), radius * math.cos(angle)


def butt_section(axes: Axes, result: RollResult, *, units: System = "metric") -> Axes:
    """Draw the tape, both planes, the snaps and the bow around the butt's section.

    Parameters
    ----------
    axes : Axes
        Ordinary axes, changed and given back.
    result : RollResult
        Needs no curve.
    """
    axes.set_aspect("equal")
    axes.set_axis_off()
    axes.set_xlim(-3.2, 3.2)
    axes.set_ylim(-2.15, 1.8)
    axes.add_patch(Circle((0.0, 0.0), 1.0, facecolor=style.BAND, edgecolor=style.INK, linewidth=1.4))
    axes.add_patch(Circle((0.0, 0.0), 0.72, facecolor=style.PAPER, edgecolor=style.INK, linewidth=1.0))
    callouts = [_Callout(0.0, 1.0, "0° index mark", style.INK)]
    axes.plot([0.0, 0.0], [0.9, 1.0], color=style.INK, linewidth=3.0, solid_capstyle="butt")
    callouts += _planes(axes, result)
    callouts += _snaps(axes, result)
    callouts += _bow(axes, result, units)
    callouts += _mark(axes, result)
    _write(axes, callouts)
    axes.text(
        0.0, -2.12, "seen from the butt, angles clockwise", ha="center", va="bottom", fontsize=style.SMALL,
        color=style.INK,
    )  # fmt: skip
    return axes


def _planes(axes: Axes, result: RollResult) -> list[_Callout]:
    plane = result.stiff_plane
    if plane is None or not result.plane_found:
        return []
    callouts = []
    for offset, word, colour, pattern in (
        (0.0, "stiff plane", style.STIFF, style.DASHES),
        (0.5 * math.pi, "soft plane", style.SOFT, style.DOTS),
    ):
        one, other = place(plane.value + offset, 1.12), place(plane.value + offset + math.pi, 1.12)
        axes.plot([one[0], other[0]], [one[1], other[1]], color=colour, linestyle=pattern, linewidth=1.8)
        shown = show_plane(plane, offset)
        text = f"{word}\n{float(shown.number):.0f}° and {float(shown.number) + 180.0:.0f}°"
        callouts.append(_Callout(plane.value + offset, 1.12, text, colour, axis=True))
    return callouts


def _snaps(axes: Axes, result: RollResult) -> list[_Callout]:
    callouts = []
    for rank, snap in enumerate(result.snaps, start=1):
        angle = snap.angle.value
        axes.plot(
            *place(angle, 1.1),
            marker=(3, 0, 180.0 - math.degrees(angle)),
            color=style.SNAP,
            markersize=9,
            zorder=4,
        )
        if result.mark.angle is not None and math.isclose(result.mark.angle.value, angle, abs_tol=1e-3):
            continue  # the mark's own label says it
        callouts.append(_Callout(angle, 1.16, f"snap {rank}\n{show_direction(snap.angle).text}", style.SNAP))
    return callouts


def _bow(axes: Axes, result: RollResult, units: System) -> list[_Callout]:
    direction = result.bow_direction
    if direction is None or result.bow is None:
        return []
    axes.annotate(
        "", place(direction.value, 0.66), (0.0, 0.0),
        arrowprops={"arrowstyle": "-|>", "color": style.BOW, "linewidth": 2.0, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
    size = show_quantity(result.bow, "small length", units).text
    return [
        _Callout(direction.value, 0.66, f"bow {size}\ntoward {show_direction(direction).number}°", style.BOW)
    ]


def _mark(axes: Axes, result: RollResult) -> list[_Callout]:
    mark = result.mark
    if mark.angle is None:
        return []
    middle = 90.0 - math.degrees(mark.angle.value)
    axes.add_patch(
        Wedge(
            (0.0, 0.0),
            1.3,
            middle - 9.0,
            middle + 9.0,
            width=0.1,
            facecolor=style.MARK,
            edgecolor="none",
            zorder=5,
        )
    )
    rank = next(
        (
            f", snap {rank}"
            for rank, snap in enumerate(result.snaps, start=1)
            if math.isclose(snap.angle.value, mark.angle.value, abs_tol=1e-3)
        ),
        "",
    )
    return [_Callout(mark.angle.value, 1.3, f"MARK{rank}\n{show_direction(mark.angle).text}", style.MARK)]


def _write(axes: Axes, callouts: list[_Callout]) -> None:
    """Stack the labels left and right of the ring, each tied to its point by a thin line."""
    columns: dict[bool, list[_Callout]] = {True: [], False: []}
    for call in sorted(callouts, key=lambda call: call.axis):
        right = place(call.angle)[0] >= 0.0
        if call.axis and len(columns[right]) > len(columns[not right]):
            call, right = replace(call, angle=call.angle + math.pi), not right
        columns[right].append(call)
    for right, column in columns.items():
        heights = style.spread(
            [place(call.angle, 1.3)[1] for call in column], _LABEL_GAP, -_LABEL_Y, _LABEL_Y
        )
        for call, y in zip(column, heights, strict=True):
            x = _LABEL_X if right else -_LABEL_X
            start = place(call.angle, call.radius)
            axes.plot([start[0], x], [start[1], y], color=call.colour, linewidth=0.7, alpha=0.8, zorder=3)
            axes.text(
                x + (0.06 if right else -0.06), y, call.text, ha="left" if right else "right", va="center",
                fontsize=style.SMALL, color=style.word_ink(call.colour), linespacing=1.1,
                fontweight="bold" if call.text.startswith("MARK") else "normal",
            )  # fmt: skip
