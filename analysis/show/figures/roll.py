"""Figures of a roll result: readings over the turn (unrolled and polar), and energy under load."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.projections.polar import PolarAxes
from matplotlib.transforms import Transform

from analysis.readings import Floats
from analysis.roll.result import RollCurve, RollResult
from analysis.show.figures import style
from analysis.show.figures.style import Tag
from analysis.show.rounding import plain_quantity
from analysis.units import Display, System, display

NO_CURVE = "no readings to draw"
"""What stands in a figure whose result carries no curve."""
_MOST_DOTS = 600
_DEG = math.degrees(1.0)


def roll_unrolled(axes: Axes, result: RollResult, *, units: System = "metric") -> Axes:
    """Draw readings, fit and half-width band over one turn, with planes, snaps and the mark.

    Parameters
    ----------
    axes : Axes
        Ordinary axes, changed and given back.
    result : RollResult
        With its curve, or a sentence is drawn instead.
    """
    curve = result.curve
    if curve is None:
        return style.empty(axes, NO_CURVE)
    how = _reading_display(result, units)
    style.dress(axes, "blank angle that faces the pull, °", f"{_reading_word(result)}, {how.symbol}")
    _dots(axes, curve, how, angle_factor=_DEG)
    degrees, model, half = curve.grid * _DEG, how.per_si * curve.model, how.per_si * curve.model_ci95
    axes.fill_between(degrees, model - half, model + half, color=style.BAND, linewidth=0, zorder=2)
    axes.plot(degrees, model, color=style.INK, linewidth=1.6, zorder=3)
    _turn_axis(axes)
    _room_below(axes, 0.16)
    _planes_and_mark(axes, result)
    for rank, snap in enumerate(result.snaps, start=1):
        at = snap.angle.value * _DEG % 360.0
        axes.plot(
            at, 0.035, "^", transform=axes.get_xaxis_transform(), color=style.SNAP, markersize=7, zorder=5
        )
        _beside(axes, at, 0.035, f"snap {rank}", style.SNAP)
    return axes


def roll_energy(axes: Axes, result: RollResult, *, units: System = "metric") -> Axes:
    """Draw the bending energy over the roll: snaps in the valleys, barriers as arrows, the mark.

    The arrow of a snap rises from the valley to the lower of its two neighbouring crests, which is what
    the barrier means; its label is the barrier of the result, corrected where the result says so.
    """
    curve = result.curve
    if curve is None:
        return style.empty(axes, NO_CURVE)
    how = display("energy", units)
    style.dress(axes, "blank angle that faces the pull, °", f"bending energy, {how.symbol}")
    degrees, energy = curve.grid * _DEG, how.per_si * curve.energy
    axes.fill_between(degrees, 0.0, energy, color=style.BAND, linewidth=0, alpha=0.6)
    axes.plot(degrees, energy, color=style.INK, linewidth=1.6)
    _turn_axis(axes)
    height = float(energy.max())
    axes.set_ylim(-0.22 * height if height > 0 else -1.0, 1.12 * height if height > 0 else 1.0)
    _planes_and_mark(axes, result)
    for rank, snap in enumerate(result.snaps, start=1):
        at = snap.angle.value * _DEG % 360.0
        foot, crest = crest_above(curve.grid, energy, snap.angle.value)
        axes.plot(at, foot, "^", color=style.SNAP, markersize=7, zorder=5)
        axes.annotate(
            "", (at, crest), (at, foot), arrowprops={"arrowstyle": "|-|,widthA=0.25,widthB=0.25",
            "color": style.SNAP, "linewidth": 1.2},
        )  # fmt: skip
        held = plain_quantity(float(f"{snap.barrier.value:.3g}"), "energy", units)
        _beside(axes, at, foot + 0.5 * (crest - foot), held, style.SNAP, axes.transData)
        _beside(axes, at, foot - 0.11 * height, f"snap {rank}", style.SNAP, axes.transData)
    return axes


def roll_polar(axes: Axes, result: RollResult, *, units: System = "metric") -> Axes:
    """Draw the reading around the blank as seen from the butt: index mark at the top, clockwise.

    Parameters
    ----------
    axes : Axes
        With ``projection="polar"``. The middle is not zero: the scale shows the change over the turn.

    Raises
    ------
    TypeError
        If the axes are not polar.
    """
    if not isinstance(axes, PolarAxes):
        raise TypeError("roll_polar needs polar axes")
    curve = result.curve
    if curve is None:
        return style.empty(axes, NO_CURVE)
    how = _reading_display(result, units)
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(-1)
    axes.set_facecolor(style.PAPER)
    axes.spines["polar"].set_color(style.READING)
    axes.grid(visible=True, color=style.GRID, linewidth=0.7)
    axes.tick_params(labelsize=style.SMALL, colors=style.INK, pad=1)
    _dots(axes, curve, how, angle_factor=1.0)
    model = how.per_si * curve.model
    axes.plot(curve.grid, model, color=style.INK, linewidth=1.6, zorder=3)
    swing = max(float(np.ptp(model)), 1e-9 * float(np.abs(model).max()) + 1e-300)
    low, high = float(model.min()) - 1.2 * swing, float(model.max()) + 0.5 * swing
    axes.set_ylim(low, high)
    axes.set_yticks([float(model.min()), float(model.max())])
    digits = max(0, 2 - math.floor(math.log10(swing)))
    axes.set_yticklabels(
        [f"{model.min():.{digits}f}", f"{model.max():.{digits}f} {how.symbol}"],
        bbox={"facecolor": style.PAPER, "edgecolor": "none", "alpha": 0.8, "pad": 0.6}, zorder=6,
    )  # fmt: skip
    axes.set_rlabel_position(22.5)
    if result.plane_found and result.stiff_plane is not None:
        plane = result.stiff_plane.value
        for turn, colour, pattern in ((0.0, style.STIFF, style.DASHES), (0.5, style.SOFT, style.DOTS)):
            for end in (plane + turn * math.pi, plane + (turn + 1.0) * math.pi):
                axes.plot([end, end], [low, high], color=colour, linestyle=pattern, linewidth=1.6)
    for snap in result.snaps:
        axes.plot(snap.angle.value, high - 0.06 * (high - low), "o", color=style.SNAP, markersize=7, zorder=5)
    if result.mark.angle is not None:
        at = result.mark.angle.value
        arc = np.linspace(at - 0.09, at + 0.09, 9)
        axes.plot(
            arc, np.full(arc.size, high), color=style.MARK, linewidth=6, solid_capstyle="butt", clip_on=False
        )
    return axes


def crest_above(grid: Floats, energy: Floats, snap: float) -> tuple[float, float]:
    """Energy at a snap and at the lower of its two neighbouring crests.

    Parameters
    ----------
    grid : ndarray, shape (m,)
        Blank angles over one turn, rad, increasing; the end may repeat the start.
    energy : ndarray, shape (m,)
        In any unit.
    snap : float
        Blank angle of the snap, rad.

    Returns
    -------
    foot, crest : float
        In the unit of `energy`.
    """
    closed = math.isclose(float(grid[-1] - grid[0]), 2.0 * math.pi, rel_tol=1e-6)
    angles, values = (grid[:-1], energy[:-1]) if closed else (grid, energy)
    start = int(np.argmin(np.abs(np.angle(np.exp(1j * (angles - snap))))))
    # From the valley itself, so that a grid point beside it does not end the climb at once.
    while True:
        lower = min(
            (start - 1) % values.size, (start + 1) % values.size, key=lambda index: float(values[index])
        )
        if values[lower] >= values[start]:
            break
        start = lower
    crests = []
    for step in (1, -1):
        around = np.roll(values, -start) if step == 1 else np.roll(values[::-1], -(values.size - 1 - start))
        falls = np.nonzero(np.diff(around) < 0.0)[0]
        crests.append(float(around[falls[0]]) if falls.size else float(around.max()))
    return float(values[start]), min(crests)


def _reading_display(result: RollResult, units: System) -> Display:
    return display("small length" if result.hanging else "load", units)


def _reading_word(result: RollResult) -> str:
    return "travel" if result.hanging else "load"


def _dots(axes: Axes, curve: RollCurve, how: Display, *, angle_factor: float) -> None:
    """Draw readings as dots, left-out ones as crosses; thinned evenly where there are very many."""
    out = curve.left_out > 0.5
    kept = np.nonzero(~out)[0]
    kept = kept[:: max(1, math.ceil(kept.size / _MOST_DOTS))]
    angle, value = np.mod(curve.roll, 2.0 * math.pi) * angle_factor, how.per_si * curve.reading
    points = np.column_stack([angle[kept], value[kept]])
    points = points[np.isfinite(points).all(axis=1)]
    # One path of dots (round ends, hardly any length) instead of one element a reading: a fifth of the bytes.
    ends = np.repeat(points, 2, axis=0)
    ends[1::2, 0] += 5e-4 * 2.0 * math.pi * angle_factor
    path = Path(ends, np.tile([Path.MOVETO, Path.LINETO], len(points)))
    dots = PathPatch(
        path, facecolor="none", edgecolor=style.READING, linewidth=2.2, capstyle="round", zorder=1
    )
    dots.set_snap(False)
    dots.set_gid("readings")
    axes.add_patch(dots)
    used = np.concatenate([value[kept], how.per_si * curve.model])
    used = used[np.isfinite(used)]
    low, high = (float(used.min()), float(used.max())) if used.size else (0.0, 1.0)
    margin = 0.08 * (high - low) or 1e-3 * abs(high) or 1.0
    low, high = low - margin, high + margin
    shown = np.nonzero(out & np.isfinite(value))[0][:_MOST_DOTS]
    # A spike far away stands at the edge, where it does not squash what the fit used.
    axes.plot(
        angle[shown],
        np.clip(value[shown], low + 0.025 * (high - low), high - 0.025 * (high - low)),
        "x",
        color=style.READING,
        markersize=4.5,
        zorder=1,
    )
    axes.set_ylim(low, high)


def _turn_axis(axes: Axes) -> None:
    axes.set_xlim(0.0, 360.0)
    axes.set_xticks(range(0, 361, 45))


def _room_below(axes: Axes, part: float) -> None:
    low, high = axes.get_ylim()
    axes.set_ylim(low - part * (high - low), high)


def _planes_and_mark(axes: Axes, result: RollResult) -> None:
    """Lines for both ends of each plane and for the mark, labels in two rows above."""
    tags: list[Tag] = []
    if result.plane_found and result.stiff_plane is not None:
        plane = result.stiff_plane.value * _DEG
        for turn, word, colour, pattern in (
            (0.0, "stiff", style.STIFF, style.DASHES),
            (90.0, "soft", style.SOFT, style.DOTS),
        ):
            for end in ((plane + turn) % 360.0, (plane + turn + 180.0) % 360.0):
                axes.axvline(end, color=colour, linestyle=pattern, linewidth=1.3, zorder=1.5)
                tags.append(Tag(end, word, colour))
    style.tags_above(axes, tags, 1.01, 32.0, 8.0, 352.0)
    if result.mark.angle is not None:
        at = result.mark.angle.value * _DEG % 360.0
        axes.axvline(at, color=style.MARK, linewidth=2.4, alpha=0.85, zorder=1.6)
        style.tags_above(axes, [Tag(at, f"mark {at:.1f}°", style.MARK)], 1.09, 1.0, 28.0, 332.0)


def _beside(
    axes: Axes, at: float, height: float, text: str, colour: str, transform: Transform | None = None
) -> None:
    """Write to the right of a place in the turn, to the left of it near the end."""
    side, away = ("left", 6.0) if at < 290.0 else ("right", -6.0)
    axes.text(
        at + away, height, text, transform=transform or axes.get_xaxis_transform(), ha=side, va="center",
        fontsize=style.SMALL, color=style.word_ink(colour), zorder=6,
        bbox={"facecolor": style.PAPER, "edgecolor": "none", "alpha": 0.8, "pad": 0.8},
    )  # fmt: skip
