"""A check blank measured again and again: has the rig moved since?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.angles import HALF_TURN, difference
from analysis.decide.control import Watch, control_chart
from analysis.decide.properties import words
from analysis.estimate import Estimate
from analysis.show.wording import label
from rig.errors import BlankbenchError, CallError
from rig.runs import Header
from rig.settings import Settings
from rig.shop import list_runs, set_aside_among
from rig.workup.intake import Intake, take_in

FEWEST = 5
"""Occasions from which on limits can be told."""
RECENT = 30
"""So many of a check blank's latest runs of a kind are looked at before a shipment is judged."""
_NAMES = ("reference_load", "bend_centre", "stiffness", "anisotropy", "bow", "stiff_plane")


@dataclass(frozen=True, slots=True)
class Watched:
    """What the check blank says."""

    blank: str
    """Its name."""
    watches: tuple[Watch, ...]
    """One a property."""
    warnings: tuple[str, ...] = ()
    """Plain sentences."""

    @property
    def moved(self) -> tuple[Watch, ...]:
        """Properties in which the rig has moved."""
        return tuple(watch for watch in self.watches if watch.moved_since is not None)


def watch_blank(taken: Intake, blank: str, *, since: str = "", baseline: int | None = None) -> Watched:
    """Chart what the runs of a check blank tell, one value a run, in order of time.

    Parameters
    ----------
    taken : Intake
        Worked-up runs, the check blank's among them.
    blank : str
        Its name.
    since : str
        First day that counts, ISO 8601; empty counts all.
    baseline : int or None
        How many of the first values set the limits; None is all.

    Raises
    ------
    ReadingsError
        For a baseline that is too short or longer than the values.
    """
    columns: dict[str, list[tuple[Header, str, float]]] = {name: [] for name in _NAMES}

    def note(name: str, header: Header, path: str, value: Estimate | None, factor: float = 1.0) -> None:
        early = bool(since) and header.when is not None and header.started[:10] < since
        if value is not None and math.isfinite(value.value) and not early:
            columns[name].append((header, path, value.value * factor))

    for work in taken.rolls.get(blank, ()):
        header, result = work.run.header, work.result
        note("stiffness", header, work.run.path, result.stiffness)
        note("anisotropy", header, work.run.path, result.anisotropy, 100.0)
        note("bow", header, work.run.path, result.bow)
        note("stiff_plane", header, work.run.path, result.stiff_plane if result.plane_found else None)
    for flex in taken.flexes.get(blank, ()):
        note("reference_load", flex.run.header, flex.run.path, flex.result.reference_load)
        note("bend_centre", flex.run.header, flex.run.path, flex.result.bend_centre)
    watches = [_watch(name, column, baseline) for name, column in columns.items() if column]
    undated = [path for column in columns.values() for header, path, _ in column if header.when is None]
    said = [f"{path} states no date and counts as the oldest." for path in dict.fromkeys(undated)]
    return Watched(blank, tuple(watches), (*taken.warnings, *said))


def _watch(name: str, column: Sequence[tuple[Header, str, float]], baseline: int | None) -> Watch:
    ordered = sorted(column, key=lambda entry: (entry[0].when is not None, entry[0].when or 0, entry[1]))
    values = [value for _, _, value in ordered]
    if name == "stiff_plane":
        first = values[0]
        values = [math.degrees(first + difference(value, first, HALF_TURN)) for value in values]
    days = tuple(header.started[:10] if header.when else Path(path).name for header, path, _ in ordered)
    chart = control_chart(values, baseline) if len(values) >= FEWEST else None
    return Watch(name, tuple(values), days, tuple(path for _, path, _ in ordered), chart)


def beside_check_blank(taken: Intake, settings: Settings, *, needed: int = 1) -> Intake:
    """Take the check blank out of a shipment, and say first where it shows that the rig has moved.

    Its runs are those among the given ones, else the latest in the shop's folder of runs.

    Parameters
    ----------
    needed : int
        Blanks that must be left.

    Raises
    ------
    CallError
        If too few blanks are left beside the check blank.
    """
    blank, since = settings.rig.check_blank, settings.rig.check_since or ""
    if blank is None:
        return taken
    if blank in taken.blanks:
        others = taken.only([name for name in taken.blanks if name != blank])
        if len(others.blanks) < needed:
            raise CallError(f"these runs are of the check blank {label(blank)}", "use blankbench control")
        watched = watch_blank(taken, blank, since=since)
    else:
        others = taken
        paths = _latest(settings.shop.runs, blank)
        if not paths:
            return taken
        try:
            watched = watch_blank(take_in(paths, settings, skip_unreadable=True), blank, since=since)
        except BlankbenchError as error:
            return replace(taken, notes=(*taken.notes, f"the check blank could not be looked at: {error}"))
    return replace(others, notes=(*others.notes, *moved_words(watched)))


def moved_words(watched: Watched) -> list[str]:
    """Warn of a rig that has moved, in one sentence; nothing while it holds."""
    if not watched.moved:
        return []
    said = ", ".join(f"{words(watch.name)} since {watch.moved_since}" for watch in watched.moved)
    return [
        f"the check blank {label(watched.blank)} says that the rig has moved ({said}): what was measured from"
        " then on does not compare. blankbench control shows it."
    ]


def _latest(folder: str, blank: str) -> list[str]:
    """Latest runs of a blank in the shop's folder, those set aside left out."""
    if not Path(folder).is_dir():
        return []
    paths = []
    of_blank = [line for line in list_runs(folder).runs if line.blank == blank]
    for kind in ("roll", "flex"):
        lines = [line for line in of_blank if line.kind == kind]
        paths += [str(Path(folder) / line.path) for line in sorted(lines, key=lambda line: line.order)][
            -RECENT:
        ]
    aside = set_aside_among(paths)
    return [path for path in paths if path not in aside]
