"""Figures into a folder: one SVG file a figure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from matplotlib.axes import Axes

from analysis.show import figures
from rig.errors import FileError
from rig.runs import safe_name
from rig.workup import Flex, Roll


def save_roll_figures(works: Sequence[Roll], folder: Path) -> list[Path]:
    """Draw each roll run unrolled, as polar, as energy and as the butt's section."""
    kinds: tuple[tuple[str, Callable[..., Axes], dict[str, Any]], ...] = (
        ("roll", figures.roll_unrolled, {}),
        ("polar", figures.roll_polar, {"polar": True}),
        ("energy", figures.roll_energy, {}),
        ("section", figures.butt_section, {"width": 3.6, "height": 3.6}),
    )
    return [_save(folder, work, what, function, shape) for work in works for what, function, shape in kinds]


def save_flex_figures(works: Sequence[Flex], folder: Path) -> list[Path]:
    """Draw each flex run's curve, residuals, shapes and rigidity, and all rigidities over each other."""
    kinds: tuple[tuple[str, Callable[..., Axes], dict[str, Any]], ...] = (
        ("flex", figures.flex_curve, {}),
        ("residuals", figures.flex_residuals, {"height": 2.2}),
        ("shapes", figures.flex_shapes, {}),
        ("rigidity", figures.rigidity, {}),
    )
    paths = [_save(folder, work, what, function, shape) for work in works for what, function, shape in kinds]
    if len(works) > 1:
        figure, axes = figures.new_figure()
        figures.rigidities(axes, [(work.run.header.blank, work.result) for work in works])
        paths.append(
            write_text(folder / "rigidities.svg", figures.to_svg(figure, title="Rigidity of all blanks"))
        )
    return paths


def _save(
    folder: Path, work: Roll | Flex, what: str, draw: Callable[..., Axes], shape: dict[str, Any]
) -> Path:
    figure, axes = figures.new_figure(**shape)
    draw(axes, work.result)
    blank = work.run.header.blank
    name = f"{safe_name(Path(work.run.path).stem)}_{what}.svg"
    return write_text(folder / name, figures.to_svg(figure, title=f"{blank}: {what}"))


def write_text(path: Path, text: str) -> Path:
    """Write a file, making its folder.

    Raises
    ------
    FileError
        If that is not possible.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise FileError(
            path, None, f"the file cannot be written ({error.strerror})", "name another folder"
        ) from error
    return path
