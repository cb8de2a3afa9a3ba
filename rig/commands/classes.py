"""`blankbench classes learn`: where a shop's classes of power and action end, from labels it trusts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Literal

import typer
from rich.table import Table

from analysis.bend import Bands
from analysis.bend.classes import Example, Lesson, learn
from analysis.decide import combine
from analysis.estimate import Estimate
from analysis.show.records import Json
from analysis.units import System, display
from rig.commands import options
from rig.errors import CallError, FileError
from rig.settings import Settings, edit_settings, load_settings, settings_path
from rig.workup.one_run import Flex, read_runs, work_flex

Kind = Literal["power", "action"]
_EDGES = {"power": "edges_N", "action": "edges"}


def classes(
    what: Annotated[Literal["learn"], typer.Argument(help="learn: fit the bands to labelled blanks.")],
    runs: options.Runs,
    save: Annotated[
        bool, typer.Option("--save", help="Write the learnt bands into the settings file.")
    ] = False,
    as_json: options.AsJson = False,
    units: options.Units = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Learn where the classes end from blanks whose labels you trust.

    The runs' headers carry the labels: label_power and label_action.

    Example: blankbench classes learn runs/*flex* --save
    """
    del what
    settings = load_settings(settings_file)
    works = [work_flex(run, settings) for run in read_runs(options.expand(runs), "flex")]
    lessons, passed = lessons_from(works, settings)
    saved = None
    if save:
        saved = str(settings_file or settings.path or settings_path())
        edit_settings(saved, _changes(lessons))
    if as_json:
        document: dict[str, Json] = {kind: _record(kind, lesson) for kind, lesson in lessons.items()}
        options.print_json({**document, "warnings": list(passed), "saved_to": saved})
        return
    console = options.out()
    for kind, lesson in lessons.items():
        console.print(_table(kind, lesson, units or settings.shop.units))
        for misfit in lesson.misfits:
            console.print(
                f"{misfit.example.name} is labelled {misfit.example.label}; these bands say {misfit.called} "
                f"(chance of the label {100.0 * misfit.probability:.0f} %)."
            )
    for warning in passed:
        console.print(warning)
    console.print(f"Written to {saved}." if saved else "Nothing was changed; --save writes the edges.")


def lessons_from(works: Sequence[Flex], settings: Settings) -> tuple[dict[Kind, Lesson], tuple[str, ...]]:
    """Learn what the labels of these runs allow; and say what could not be learnt.

    Raises
    ------
    FileError
        If two runs of a blank carry different labels.
    CallError
        If nothing can be learnt.
    """
    lessons: dict[Kind, Lesson] = {}
    passed = []
    for kind, bands in (("power", settings.power_bands), ("action", settings.action_bands)):
        which: Kind = "power" if kind == "power" else "action"
        examples = _examples(works, which, bands)
        if len({example.label for example in examples}) < 2:
            passed.append(
                f"{which.capitalize()}: {len(examples)} labelled blanks of fewer than two classes: "
                "nothing learnt."
            )
            continue
        lessons[which] = learn(examples, bands, by_ratio=which == "power")
    if not lessons:
        raise CallError(
            "no two of these blanks carry labels of different classes",
            "put label_power or label_action into the runs' headers, and give runs of two classes at least",
        )
    return lessons, tuple(passed)


def _examples(works: Sequence[Flex], kind: Kind, bands: Bands) -> list[Example]:
    """Blanks with a label, the runs of each put together."""
    labels: dict[str, str] = {}
    values: dict[str, list[Estimate]] = {}
    for work in works:
        header, result = work.run.header, work.result
        claim = header.label_power if kind == "power" else header.label_action
        value = result.reference_load if kind == "power" else result.bend_centre
        if claim is None or value is None:
            continue
        label = bands.word(claim, kind)
        if labels.setdefault(header.blank, label) != label:
            raise FileError(
                work.run.path,
                header.lines.get(f"label_{kind}"),
                f"blank {header.blank} is labelled {label} here and {labels[header.blank]} in another run",
                "correct one of the two",
            )
        values.setdefault(header.blank, []).append(value)
    return [Example(blank, combine(values[blank]), label) for blank, label in labels.items()]


def _changes(lessons: Mapping[Kind, Lesson]) -> dict[str | tuple[str, ...], object]:
    changes: dict[str | tuple[str, ...], object] = {}
    for kind, lesson in lessons.items():
        changes["classes", kind, "names"] = list(lesson.bands.names)
        changes["classes", kind, _EDGES[kind]] = list(lesson.bands.edges)
    return changes


def _record(kind: Kind, lesson: Lesson) -> dict[str, Json]:
    unit = "_N" if kind == "power" else ""
    return {
        "names": list(lesson.bands.names),
        "edges": [
            {
                "below": edge.below,
                "above": edge.above,
                f"edge{unit}": edge.value,
                f"low{unit}": edge.low,
                f"high{unit}": edge.high,
                f"was{unit}": edge.was,
                "learnt": edge.learnt,
            }
            for edge in lesson.edges
        ],
        "misfits": [
            {
                "blank": misfit.example.name,
                "label": misfit.example.label,
                "class": misfit.called,
                "label_probability": misfit.probability,
            }
            for misfit in lesson.misfits
        ],
    }


def _table(kind: Kind, lesson: Lesson, units: System) -> Table:
    how = display("load", units) if kind == "power" else None
    scale, symbol = (how.per_si, how.symbol) if how else (1.0, "")
    head = "power, by the reference load" if kind == "power" else "action, by the bend centre"
    table = Table(
        "edge", f"{symbol or 'value'}", "19 times in 20", "was", title=f"Classes of {head}", box=None
    )
    for edge in lesson.edges:
        span = f"{scale * edge.low:.3g} to {scale * edge.high:.3g}"
        table.add_row(
            f"{edge.below} / {edge.above}",
            f"{scale * edge.value:.4g}",
            span if edge.learnt else "kept: no labels on both sides",
            f"{scale * edge.was:.4g}",
        )
    return table
