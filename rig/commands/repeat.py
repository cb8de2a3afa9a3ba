"""`blankbench repeat`: how well rig and hands repeat, from the same blanks chucked again."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from rich.table import Table

from analysis.angles import difference
from analysis.decide import AngleStudy, GaugeStudy, angle_study, study
from analysis.errors import ReadingsError
from analysis.estimate import Estimate
from analysis.roll.result import Mark
from analysis.show.records import Json
from analysis.units import System, display
from rig.commands import options
from rig.settings import load_settings
from rig.workup.intake import take_in
from rig.workup.one_run import Flex, Roll

_PROPERTIES = {
    "reference_load": ("power (reference load)", "load", "N"),
    "bend_centre": ("action (bend centre)", "", "1"),
    "stiffness": ("stiffness", "stiffness", "N/m"),
    "anisotropy": ("anisotropy", "", "pct_points"),
    "bow": ("natural bow", "small length", "m"),
}
"""Metric → words, display quantity, unit of the record."""


def repeat(
    runs: options.Runs,
    skip_unreadable: options.SkipUnreadable = False,
    as_json: options.AsJson = False,
    units: options.Units = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Say how well the rig repeats: the same blanks chucked and measured again, by one or several people.

    Example: blankbench repeat runs/*.csv
    """
    settings = load_settings(settings_file)
    with options.progress("Working up the runs") as progress:
        taken = take_in(options.expand(runs), settings, skip_unreadable=skip_unreadable, progress=progress)
    for words in taken.warnings:  # a recording given twice would repeat itself
        options.messages().print(words, markup=False)
    studies, planes, marks = studies_of(taken.rolls, taken.flexes)
    if as_json:
        options.print_json(
            {
                "metrics": {name: _record(name, found) for name, found in studies.items()},
                "stiff_plane": _angle_record(planes),
                "mark": _angle_record(marks),
            }
        )
        return
    options.out().print(_table(studies, planes, marks, units or settings.shop.units))


def studies_of(
    rolls: Mapping[str, Sequence[Roll]], flexes: Mapping[str, Sequence[Flex]]
) -> tuple[dict[str, GaugeStudy], AngleStudy | None, AngleStudy | None]:
    """Study every property that was measured again.

    Raises
    ------
    ReadingsError
        If nothing was measured twice.
    """
    values: dict[str, dict[str, dict[str, list[float]]]] = {}
    planes: dict[str, dict[str, list[float]]] = {}
    tapes: dict[str, list[tuple[str, Mark]]] = {}

    def note(metric: str, blank: str, person: str, found: Estimate | None, factor: float = 1.0) -> None:
        if found is not None and math.isfinite(found.value):
            by = values.setdefault(metric, {}).setdefault(blank, {})
            by.setdefault(person, []).append(found.value * factor)

    for blank, works in rolls.items():
        for work in works:
            person, result = work.run.header.operator, work.result
            note("stiffness", blank, person, result.stiffness)
            note("anisotropy", blank, person, result.anisotropy, 100.0)
            note("bow", blank, person, result.bow)
            if result.plane_found and result.stiff_plane is not None:
                planes.setdefault(blank, {}).setdefault(person, []).append(result.stiff_plane.value)
            if result.mark.angle is not None:
                tapes.setdefault(blank, []).append((person, result.mark))
    for blank, bent in flexes.items():
        for flexed in bent:
            note("reference_load", blank, flexed.run.header.operator, flexed.result.reference_load)
            note("bend_centre", blank, flexed.run.header.operator, flexed.result.bend_centre)
    marks = {blank: _one_place(taped) for blank, taped in tapes.items()}
    studies, trouble = {}, None
    for name in _PROPERTIES:
        if name in values:
            try:
                studies[name] = study(values[name])
            except ReadingsError as error:
                trouble = trouble or error
    if not studies and trouble is not None:
        raise trouble
    return studies, _angles(planes, math.pi), _angles(marks, 2.0 * math.pi)


def _one_place(tapes: Sequence[tuple[str, Mark]]) -> dict[str, list[float]]:
    """Give a blank's marks by person; where two places serve alike, the one where the others are."""
    choices = [
        [place for place in (mark.angle.value, mark.tie) if place is not None]
        for _, mark in tapes
        if mark.angle is not None
    ]

    def about(centre: float) -> list[float]:
        return [min(places, key=lambda place: abs(difference(place, centre))) for places in choices]

    centres = [place for places in choices for place in places]
    best = min(centres, key=lambda centre: sum(difference(place, centre) ** 2 for place in about(centre)))
    by: dict[str, list[float]] = {}
    for (person, _), place in zip(tapes, about(best), strict=True):
        by.setdefault(person, []).append(place)
    return by


def _angles(found: Mapping[str, Mapping[str, Sequence[float]]], period: float) -> AngleStudy | None:
    try:
        return angle_study(found, period) if found else None
    except ReadingsError:  # measured once, or not found by all: no study of this angle
        return None


def _record(name: str, found: GaugeStudy) -> dict[str, Json]:
    return {
        "unit": _PROPERTIES[name][2],
        "repeatability_sd": found.repeatability,
        "reproducibility_sd": found.reproducibility,
        "between_blanks_sd": found.between_blanks if math.isfinite(found.between_blanks) else None,
        "rig_pct_of_total": found.rig_pct if math.isfinite(found.rig_pct) else None,
        "classes": found.classes or None,
        "smallest_difference": found.smallest_difference,
        "degrees_of_freedom": found.dof,
    }


def _angle_record(found: AngleStudy | None) -> dict[str, Json] | None:
    if found is None:
        return None
    return {
        "repeatability_sd_deg": math.degrees(found.repeatability),
        "reproducibility_sd_deg": None
        if found.reproducibility is None
        else math.degrees(found.reproducibility),
        "smallest_difference_deg": math.degrees(found.smallest_difference),
        "degrees_of_freedom": found.dof,
        "widest_deg": math.degrees(found.widest),
    }


def _table(
    studies: Mapping[str, GaugeStudy], planes: AngleStudy | None, marks: AngleStudy | None, units: System
) -> Table:
    table = Table(
        "property", "one person", "people", "blanks", "tells apart", "smallest difference",
        title="How well it repeats (standard deviations)", box=None, pad_edge=False,
    )  # fmt: skip
    for name, found in studies.items():
        words, quantity, _ = _PROPERTIES[name]
        how = display(quantity, units) if quantity else None
        scale, symbol = (how.per_si, how.symbol) if how else (1.0, "%" if name == "anisotropy" else "")

        def shown(value: float | None, scale: float = scale) -> str:
            return "one only" if value is None or math.isnan(value) else f"{value * scale:.2g}"

        table.add_row(
            f"{words} {symbol}".rstrip(),
            shown(found.repeatability),
            shown(found.reproducibility),
            shown(found.between_blanks),
            f"{found.classes} classes" if found.classes > 1 else "no classes" if found.classes else "",
            shown(found.smallest_difference),
        )
    for words, angles in (("stiff plane °", planes), ("mark °", marks)):
        if angles is not None:
            people = angles.reproducibility
            table.add_row(
                words,
                f"{math.degrees(angles.repeatability):.2g}",
                "one only" if people is None else f"{math.degrees(people):.2g}",
                "",
                "",
                f"{math.degrees(angles.smallest_difference):.2g}",
            )
    table.caption = (
        "One person: the same blank chucked again. Two blanks, each measured once, differ in earnest only if "
        "they differ by more than the smallest difference."
    )
    return table
