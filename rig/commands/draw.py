"""Figures into a folder: one SVG file a figure."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages

from analysis.show import figures
from analysis.show.figures.strip import Paper, Strip, longest_diameter_m, strip_pages
from rig.errors import CallError, FileError
from rig.runs import safe_name
from rig.workup.one_run import Flex, Joint, Roll


def save_roll_figures(works: Sequence[Roll], folder: Path) -> list[Path]:
    """Draw each roll run unrolled, as polar, as energy and as the butt's section."""
    kinds: tuple[tuple[str, Callable[..., Axes], dict[str, Any]], ...] = (
        ("roll", figures.roll_unrolled, {}),
        ("polar", figures.roll_polar, {"polar": True}),
        ("energy", figures.roll_energy, {}),
        ("further", figures.roll_further, {}),
        ("section", figures.butt_section, {"width": 3.6, "height": 3.6}),
    )
    return [_save(folder, work, what, function, shape) for work in works for what, function, shape in kinds]


def save_joint_figures(works: Sequence[Joint], folder: Path) -> list[Path]:
    """Draw what needs no single run: the butt's section, and where snaps go as the blank is bent further."""
    kinds: tuple[tuple[str, Callable[..., Axes], dict[str, Any]], ...] = (
        ("joint-further", figures.roll_further, {}),
        ("joint-section", figures.butt_section, {"width": 3.6, "height": 3.6}),
    )
    singles = [Roll(work.runs[0], work.result) for work in works]
    return [_save(folder, work, what, draw, shape) for work in singles for what, draw, shape in kinds]


def save_flex_figures(works: Sequence[Flex], folder: Path) -> list[Path]:
    """Draw each flex run's curve, residuals, shapes and rigidity, and all blanks over each other."""
    kinds: tuple[tuple[str, Callable[..., Axes], dict[str, Any]], ...] = (
        ("flex", figures.flex_curve, {}),
        ("residuals", figures.flex_residuals, {"height": 2.2}),
        ("shapes", figures.flex_shapes, {}),
        ("rigidity", figures.rigidity, {}),
    )
    paths = [_save(folder, work, what, function, shape) for work in works for what, function, shape in kinds]
    if len(works) > 1:
        rows = [(work.run.header.blank, work.result) for work in works]
        together: tuple[tuple[str, Callable[..., Axes], str], ...] = (
            ("rigidities", figures.rigidities, "Rigidity of all blanks"),
            ("curves", figures.flex_curves, "Load over travel of all blanks"),
            ("compared", figures.rigidity_ratio, "Rigidity against the first blank's"),
        )
        for name, draw, title in together:
            figure, axes = figures.new_figure()
            draw(axes, rows)
            paths.append(write_text(folder / f"{name}.svg", figures.to_svg(figure, title=title)))
    return paths


def save_strips(works: Sequence[Roll], path: Path, diameter_m: float | None, paper: Paper) -> list[Path]:
    """Write a strip for each blank, true to size, as PDF or SVG.

    Parameters
    ----------
    works : sequence of Roll
        One strip each.
    path : Path
        Ends in .pdf or .svg; an SVG file holds one page, further pages get a number.
    diameter_m : float or None
        Of the butt, m; None takes what each run states.
    paper : {"a4", "letter"}
        Landscape.

    Raises
    ------
    CallError
        If a diameter is missing or too large, or the name ends otherwise.
    """
    kind = path.suffix.lower()
    if kind not in (".pdf", ".svg"):
        raise CallError(f"--strip {path} is neither .pdf nor .svg", "give a name such as strip.pdf")
    strips = []
    for work in works:
        header = work.run.header
        size = diameter_m or header.butt_diameter_m
        if size is None:
            raise CallError(
                f"the butt's diameter of {header.blank} is not known",
                "measure it where the strip goes: --diameter 14.2mm",
            )
        if size > longest_diameter_m(paper):
            raise CallError(
                f"a butt of {1e3 * size:.0f} mm is too thick for a strip on this paper",
                f"check --diameter; {1e3 * longest_diameter_m(paper):.0f} mm is the most",
            )
        strips.append(Strip(header.blank, size, work.result))
    pages = strip_pages(strips, paper)
    if kind == ".pdf":
        stream = io.BytesIO()
        with PdfPages(stream, metadata={"CreationDate": None, "Title": "Strips for the butt"}) as file:
            for page in pages:
                file.savefig(page)
        return [write_bytes(path, stream.getvalue())]
    paths = []
    for number, page in enumerate(pages, start=1):
        stream = io.BytesIO()
        page.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
        place = path if number == 1 else path.with_name(f"{path.stem}-{number}{path.suffix}")
        paths.append(write_bytes(place, stream.getvalue()))
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
    return write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, data: bytes) -> Path:
    """Write a file, making its folder.

    Raises
    ------
    FileError
        If that is not possible.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as error:
        raise FileError(
            path, None, f"the file cannot be written ({error.strerror})", "name another folder"
        ) from error
    return path
