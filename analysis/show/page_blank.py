"""One blank's sheet: the mark, what the blank is, and how it is known; made to go with the rod."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.bend.result import FlexResult
from analysis.roll.result import RollResult
from analysis.show import wording as say
from analysis.show.html import Child, Html, name_of, table, tag
from analysis.show.page_figures import flex_figures, roll_figures, section_figure
from analysis.show.rounding import (
    CANNOT_TELL,
    plain_quantity,
    show,
    show_direction,
    show_percent,
    show_plane,
    show_quantity,
)
from analysis.units import System


def blank_sheet(
    number: int,
    name: str,
    model: str,
    roll: RollResult | None,
    flex: FlexResult | None,
    notes: Sequence[str],
    facts: Html,
    units: System,
    level: int = 2,
    *,
    rod: Sequence[tuple[str, str]] = (),
) -> Html:
    """Make one blank's sheet.

    Parameters
    ----------
    number : int
        Its place in the page, from 1; makes its anchor ``blank-1``.
    name, model : str
        As they came; escaped here.
    roll : RollResult or None
        Without it the sheet says that the blank was not rolled.
    flex : FlexResult or None
        Without it the sheet says that the blank was not flexed.
    notes : sequence of str
        The shop's own lines.
    facts : Html
        Date, operator and calibration.
    units : {"metric", "imperial"}
        Display units.
    level : int
        Level of the sheet's heading: 1 where the blank stands alone.
    rod : sequence of (str, str)
        What the log says of the finished rod, a word and its text each.
    """
    ident = f"blank-{number}"
    title: list[Child] = ["Blank ", name_of(name)]
    if model:
        title.append(tag("span", " ", name_of(model), class_="model"))
    parts: list[Child] = [tag(f"h{level}", title)]
    if roll is None:
        parts.append(tag("p", "Not rolled: no mark, planes or snaps."))
    else:
        parts.append(_mark_line(roll))
        parts.append(
            tag("div", _roll_findings(roll, units), section_figure(ident, roll, units), class_="pair")
        )
    if flex is None:
        parts.append(tag("p", "Not flexed: no power or action."))
    else:
        parts.append(_flex_findings(flex, units))
    drawn = (roll_figures(ident, roll, units) if roll else []) + (
        flex_figures(ident, flex, units) if flex else []
    )
    if drawn:
        parts.append(tag("div", drawn, class_="figures"))
    warnings = [*(roll.warnings if roll else ()), *(flex.warnings if flex else ())]
    parts += [warnings_block(warnings, level + 1), *_from_the_shop(notes, rod, level), facts]
    return tag("section", parts, class_="sheet with-rod" if rod else "sheet", id_=ident)


def _from_the_shop(notes: Sequence[str], rod: Sequence[tuple[str, str]], level: int) -> list[Child]:
    """What the log says of the finished rod, and the shop's own lines."""
    parts: list[Child] = []
    if rod:
        rod_rows = [[say.label(word), tag("bdi", say.label(text, 500))] for word, text in rod]
        parts.append(table("The finished rod.", [], rod_rows, class_="rod"))
    if notes:
        lines = [tag("li", tag("bdi", say.label(note, 500))) for note in notes]
        parts += [tag(f"h{level + 1}", "Notes", class_="sub"), tag("ul", lines, class_="todo")]
    return parts


def warnings_block(warnings: Sequence[str], level: int) -> Html | None:
    """List warnings in plain words under a heading of this level; nothing where there are none."""
    if not warnings:
        return None
    lines = [tag("li", tag("bdi", say.sentence(warning))) for warning in dict.fromkeys(warnings)]
    return tag("div", tag(f"h{level}", "Mind this", class_="sub"), tag("ul", lines), class_="warnings")


def _mark_line(roll: RollResult) -> Html:
    words = say.mark_words(roll.mark)
    shown = show_direction(roll.mark.angle)
    head = f"Mark {shown.text}" if shown.known else "No mark"
    return tag("p", tag("strong", head), " ", tag("bdi", words), class_="mark")


def _roll_findings(roll: RollResult, units: System) -> Html:
    rows: list[list[Child]] = []
    for rank, snap in enumerate(roll.snaps, start=1):
        held = show_quantity(snap.barrier, "energy", units).text
        rows.append(
            [
                f"Snap {rank}",
                show_direction(snap.angle).text,
                f"held by {held}, {say.CAUSE_WORDS[snap.cause]}",
            ]
        )
    if not roll.snaps:
        rows.append(["Snap", CANNOT_TELL, ""])
    plane = roll.stiff_plane if roll.plane_found else None
    for word, offset in (("Stiff plane", 0.0), ("Soft plane", 0.5 * math.pi)):
        shown = show_plane(plane, offset)
        note = say.plane_ends(shown) if shown.known else "none stands out of the noise"
        rows.append([word, shown.text, note])
    rows.append(["Anisotropy", show_percent(roll.anisotropy).text, "stiff against soft plane"])
    toward = show_direction(roll.bow_direction)
    bow = show_quantity(roll.bow, "small length", units)
    rows.append(["Natural bow", bow.text, f"toward {toward.text}" if toward.known else ""])
    at = plain_quantity(roll.travel_m, "small length" if units == "metric" else "length", units)
    rows.append(["Stiffness", show_quantity(roll.stiffness, "stiffness", units).text, f"at {at} of travel"])
    further = say.further_words(roll, units)
    said = (f"Rolled: {say.feel_words(roll)}.", further, say.ANGLES_COUNT)
    caption: list[Child] = [" ".join(filter(None, said))]
    if roll.snaps and not roll.barrier_corrected:
        caption.append(f" {say.BARRIERS_HIGH}")
    return table(caption, [], rows, class_="findings")


def _flex_findings(flex: FlexResult, units: System) -> Html:
    rated = plain_quantity(flex.rated_length_m, "length", units)
    past = "carried past the readings; " if flex.extrapolated else ""
    stiffness = show_quantity(flex.initial_stiffness, "stiffness", units)
    rows: list[list[Child]] = [
        ["Even-blank rigidity", show_quantity(flex.even_blank_rigidity, "rigidity", units).text,
         "power without the length: compares any two blanks"],
        ["Reference load", show_quantity(flex.reference_load, "load", units).text,
         f"{past}bends {rated} by a quarter of it"],
        ["Power", say.class_words(flex.power_class), say.label_words(flex.label_power_probability)],
        ["Bend centre", show(flex.bend_centre, decimals=4).text,
         "where it bends, from the tip; an even tube: 0.667"],
        ["Action", say.class_words(flex.action_class), say.label_words(flex.label_action_probability)],
        ["First stiffness", stiffness.text, "at small travel"],
    ]  # fmt: skip
    if flex.hysteresis is not None:
        rows.append(["Hysteresis", show_percent(flex.hysteresis).text, "loading above unloading"])
    return table("Flexed: power and action.", [], rows, class_="findings")
