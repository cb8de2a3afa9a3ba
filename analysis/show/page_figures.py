"""The figures of a page as elements: drawing, what a screen reader says, and a caption."""

from __future__ import annotations

from collections.abc import Callable

from matplotlib.axes import Axes

from analysis.bend.result import FlexResult
from analysis.decide.batch import BatchResult
from analysis.roll.result import RollResult
from analysis.show import figures as draw
from analysis.show import wording as say
from analysis.show.html import Html, tag, trusted
from analysis.show.rounding import CANNOT_TELL, show_direction, show_plane, show_quantity
from analysis.units import System

_WIDTH = 4.5
_HEIGHT = 2.55


def figure_element(
    ident: str,
    title: str,
    caption: str,
    paint: Callable[[Axes], object],
    *,
    width: float = _WIDTH,
    height: float = _HEIGHT,
    polar: bool = False,
    class_: str | None = None,
) -> Html:
    """Draw one figure and wrap it with its caption.

    Parameters
    ----------
    ident : str
        Prefix of the ids inside, unique in the page.
    title : str
        What a screen reader says instead of the drawing.
    caption : str
        One line beneath.
    paint : callable
        Draws on the axes it is given.
    """
    figure, axes = draw.new_figure(width, height, polar=polar)
    paint(axes)
    svg = trusted(draw.to_svg(figure, title=title, ident=ident))
    return tag("figure", svg, tag("figcaption", caption), class_=class_)


def strip_figures(batch: BatchResult, units: System) -> list[Html]:
    """Make a strip chart for each property of a batch."""
    made = []
    for number, metric in enumerate(batch.metrics, start=1):
        words = say.metric_words(metric.name)
        spread = say.spread_words(metric.spread, metric, units)
        tolerance = say.spread_words(metric.tolerance, metric, units)
        title = (
            f"{words} of {len(metric.values)} blanks: "
            f"spread {spread}, tolerance {tolerance}, {metric.verdict}."
        )
        made.append(
            figure_element(
                f"strip-{number}",
                title,
                f"{words}: {metric.verdict}",
                lambda axes, metric=metric: draw.batch_strip(  # type: ignore[misc]
                    axes, metric, units=units, odd_one_out=batch.odd_one_out
                ),
                width=3.3,
                height=draw.strip_height(len(metric.values)),
            )
        )
    return made


def section_figure(ident: str, roll: RollResult, units: System) -> Html:
    """Make the drawing of the butt's section."""
    plane = show_plane(roll.stiff_plane if roll.plane_found else None).text
    title = (
        f"Section of the butt: mark at {show_direction(roll.mark.angle).text}, stiff plane {plane}, "
        f"{len(roll.snaps)} snap positions."
    )
    return figure_element(
        f"{ident}-section",
        title,
        "The butt, seen from the butt toward the tip.",
        lambda axes: draw.butt_section(axes, roll, units=units),
        width=4.1,
        height=2.75,
    )


def roll_figures(ident: str, roll: RollResult, units: System) -> list[Html]:
    """Make readings over the roll, energy over the roll, and the polar view (screen only)."""
    if roll.curve is None:
        return []
    snaps = say.listing([show_direction(snap.angle).text for snap in roll.snaps]) or CANNOT_TELL
    reading = "Travel" if roll.hanging else "Load"
    return [
        figure_element(
            f"{ident}-roll",
            f"{reading} over one turn with the fitted curve; mark at {show_direction(roll.mark.angle).text}.",
            "Dots: readings; crosses: left out. Line: fit with its half-width.",
            lambda axes: draw.roll_unrolled(axes, roll, units=units),
        ),
        figure_element(
            f"{ident}-energy",
            f"Bending energy over one turn; snaps in its valleys at {snaps}.",
            "A bent blank rolls into a valley and snaps; arrow: what holds it.",
            lambda axes: draw.roll_energy(axes, roll, units=units),
        ),
        figure_element(
            f"{ident}-polar",
            f"{reading} around the blank, index mark at the top, clockwise.",
            f"{reading} around the blank as seen from the butt; the middle is not zero.",
            lambda axes: draw.roll_polar(axes, roll, units=units),
            height=3.2,
            polar=True,
            class_="screen",
        ),
    ]


def flex_figures(ident: str, flex: FlexResult, units: System) -> list[Html]:
    """Make load over travel, rigidity, shapes to scale, and residuals (screen only)."""
    made = []
    load = show_quantity(flex.reference_load, "load", units).text
    if flex.curve is not None:
        made.append(
            figure_element(
                f"{ident}-flex",
                f"Load over travel with the fitted curve; reference load {load}.",
                "Load over travel; dashed: the reference bend.",
                lambda axes: draw.flex_curve(axes, flex, units=units),
            )
        )
    if len(flex.rigidity) > 1:
        made.append(
            figure_element(
                f"{ident}-rigidity",
                "Rigidity along the blank from the chuck to the tip, with its half-width.",
                "How stiff the blank is along its length (log scale).",
                lambda axes: draw.rigidity(axes, flex, units=units),
            )
        )
    if flex.curve is None:
        return made
    if flex.curve.shapes:
        made.append(
            figure_element(
                f"{ident}-shapes",
                f"The blank's shape at {len(flex.curve.shapes)} loads, drawn to scale.",
                "The blank under load, drawn to scale; the pull points down.",
                lambda axes: draw.flex_shapes(axes, flex, units=units),
                class_="screen",
            )
        )
    made.append(
        figure_element(
            f"{ident}-left",
            "Readings minus fit over travel.",
            "What the fit leaves over (filled: loading, open: unloading); a loop is hysteresis.",
            lambda axes: draw.flex_residuals(axes, flex, units=units),
            class_="screen",
        )
    )
    return made
