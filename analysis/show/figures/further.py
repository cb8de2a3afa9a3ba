"""Where the snaps go as the blank is bent further."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes

from analysis.roll.more_snaps import REFERENCE, second_snap_travel, stages
from analysis.roll.result import RollResult
from analysis.show.figures import style
from analysis.units import System, display

_STEPS = 160


def roll_further(axes: Axes, result: RollResult, *, units: System = "metric") -> Axes:
    """Draw the snap positions over the travel, from a small one to the reference bend.

    Parameters
    ----------
    axes : Axes
        Ordinary axes, changed and given back.
    result : RollResult
        Needs no curve.
    """
    how = display("small length", units)
    most = max(REFERENCE * result.free_length_m, result.travel_m)
    found = stages(result, np.linspace(0.02 * most, most, _STEPS).tolist())
    if not found:
        return style.empty(axes, "no snap can be told")
    style.dress(axes, f"travel, {how.symbol}", "blank angle that faces the pull, °")
    axes.set_ylim(0.0, 360.0)
    axes.set_yticks(range(0, 361, 45))
    axes.set_xlim(0.0, how.per_si * most)
    plane = result.stiff_plane if result.plane_found else None
    if plane is not None:
        for end in (0.5 * math.pi, 1.5 * math.pi):
            angle = math.degrees((plane.value + end) % (2.0 * math.pi))
            axes.axhline(angle, color=style.SOFT, linestyle=style.DOTS, linewidth=1.4)
            axes.annotate("soft plane", (0.99, angle), xycoords=("axes fraction", "data"), ha="right",
                          va="bottom", color=style.SOFT, fontsize=style.SMALL)  # fmt: skip
    if result.bow_direction is not None:
        angle = math.degrees(result.bow_direction.value)
        axes.annotate("bow", (0.0, angle), xytext=(4, 0), textcoords="offset points", va="center",
                      color=style.BOW, fontsize=style.SMALL)  # fmt: skip
    for rank, (size, word) in enumerate(((3.2, "firmest snap"), (1.6, "second snap"))):
        points = [
            (how.per_si * stage.travel_m, math.degrees(stage.angles[rank]))
            for stage in found
            if len(stage.angles) > rank
        ]
        if points:
            x, y = zip(*points, strict=True)
            axes.plot(x, y, ".", color=style.SNAP, markersize=size, label=word)
    edge = second_snap_travel(result)
    if edge is not None and edge < most:
        axes.axvline(how.per_si * edge, color=style.READING, linewidth=1.0)
        axes.annotate("two snaps from here", (how.per_si * edge, 352.0), xytext=(3, 0), va="top",
                      textcoords="offset points", color=style.INK, fontsize=style.SMALL)  # fmt: skip
    axes.plot([how.per_si * result.travel_m] * 2, [0.0, 12.0], color=style.MARK, linewidth=2.0)
    axes.legend(loc="center right", fontsize=style.SMALL, frameon=False)
    return axes
