"""A sheet of labels, one a blank, as an HTML page that prints at true size on A4 and Letter.

A browser lays the text out, so that any script of a name is shown. No script, no network, no image file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from analysis.show.html import Child, Html, tag, trusted
from analysis.show.text import label

Paper = Literal["a4", "letter"]
"""Portrait."""
PAPERS: Final[dict[Paper, tuple[str, float, float]]] = {
    "a4": ("A4", 210.0, 297.0),
    "letter": ("letter", 215.9, 279.4),
}
"""Name for the printer, width and height in mm."""
COLUMNS: Final = 3
ROWS: Final = 9
WIDTH_MM: Final = 60.0
HEIGHT_MM: Final = 28.0
"""Three by nine labels of one size stand on either paper."""
A_PAGE: Final = COLUMNS * ROWS
"""Labels on a page."""
_POLICY = "default-src 'none'; style-src 'unsafe-inline'"


@dataclass(frozen=True, slots=True)
class Label:
    """What goes on one label; what is not known stays empty."""

    blank: str
    """Name of the blank."""
    model: str = ""
    """The maker's model."""
    mark: str = ""
    """Where the tape goes, such as ``120° ± 1°``."""
    power: str = ""
    """Power class as measured."""
    action: str = ""
    """Action class as measured."""
    grade: str = ""
    """The shop's grade."""
    shipment: str = ""
    """With which shipment it came, and when."""


def label_sheet(labels: Sequence[Label], paper: Paper = "a4", skip: int = 0) -> str:
    """Make the pages of labels as one HTML document.

    Parameters
    ----------
    labels : sequence of Label
        In this order, left to right and down.
    paper : {"a4", "letter"}
    skip : int
        Places to leave empty at the start, where a sheet was used already; fewer than a page has.

    Raises
    ------
    ValueError
        If `skip` is not below `A_PAGE`.
    """
    if not 0 <= skip < A_PAGE:
        raise ValueError(f"between 0 and {A_PAGE - 1} places can be left empty")
    name, width, height = PAPERS[paper]
    cells: list[Child] = [tag("li", class_="empty", aria_hidden="true") for _ in range(skip)]
    cells += [_label(item) for item in labels]
    pages = [tag("ol", cells[at : at + A_PAGE], class_="page") for at in range(0, len(cells), A_PAGE)]
    style = _CSS
    for word, value in (
        ("PAPER", name),
        ("PAGEWIDTH", f"{width}mm"),
        ("PAGEHEIGHT", f"{height}mm"),
        ("SIDE", f"{(width - COLUMNS * WIDTH_MM) / 2:.2f}mm"),
        ("TOP", f"{(height - ROWS * HEIGHT_MM) / 2:.2f}mm"),
    ):
        style = style.replace(word, value)
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name_="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", http_equiv="Content-Security-Policy", content=_POLICY),
        tag("title", f"Labels for {len(labels)} blanks"),
        trusted(f"<style>{style}</style>"),
    )
    hint = f"Print on {name.capitalize()} at 100 %, without margins of the printer. Each label is 60 × 28 mm."
    body = tag("body", tag("p", hint, class_="hint"), tag("main", pages))
    return f"<!doctype html>\n{tag('html', head, body, lang='en')}\n"


def _label(item: Label) -> Html:
    size = "name" if len(item.blank) <= 8 else "name long" if len(item.blank) <= 11 else "name longest"
    # Without a measurement the mark is written on by hand: where the tape goes is what a bench needs first.
    mark: Child = [tag("i", "mark "), tag("b", tag("bdi", label(item.mark, 30))) if item.mark else tag("u")]
    lines: list[Child] = [tag("p", mark, _fact("   grade", item.grade), class_="fact")]
    lines += [
        tag("p", _fact(word, value), class_="fact")
        for word, value in (("power", item.power), ("action", item.action))
        if value
    ]
    return tag(
        "li",
        tag("p", tag("bdi", label(item.blank, 24)), class_=size),
        tag("p", tag("bdi", label(item.model, 60)), class_="model"),
        lines,
        tag("p", tag("bdi", label(item.shipment, 60)), class_="from"),
        class_="label",
    )


def _fact(word: str, value: str) -> Child:
    return [tag("i", f"{word} "), tag("b", tag("bdi", label(value, 30)))] if value else None


_CSS = """
@page { size: PAPER; margin: 0; }
* { box-sizing: border-box; margin: 0; padding: 0; }
body { font-family: system-ui, "Segoe UI", Roboto, "Noto Sans", "Liberation Sans", sans-serif; color: #000; }
body { background: #fff; }
.hint { padding: 3mm 15mm; font-size: 11pt; }
.page {
  list-style: none; width: PAGEWIDTH; height: PAGEHEIGHT; padding: TOP SIDE;
  display: grid; grid-template-columns: repeat(3, 60mm); grid-auto-rows: 28mm; align-content: start;
  overflow: hidden;
}
.label { border: 0.2mm dashed #999; padding: 1.6mm 2.4mm; overflow: hidden; position: relative; }
.label p { overflow: hidden; white-space: nowrap; text-overflow: ellipsis; }
.name { font-size: 17pt; line-height: 7mm; height: 7mm; font-weight: 700; }
.label .long { font-size: 12pt; }
.label .longest { font-size: 8pt; line-height: 3.5mm; white-space: normal; overflow-wrap: anywhere; }
.model { font-size: 8pt; line-height: 3.7mm; height: 3.7mm; }
.fact { font-size: 8pt; line-height: 3.5mm; white-space: pre !important; }
.fact i { font-style: normal; color: #444; }
.fact u { display: inline-block; width: 18mm; border-bottom: 0.2mm solid #000; }
.from { font-size: 6.5pt; line-height: 3.1mm; color: #444; position: absolute; bottom: 1.4mm; }
@media screen { .page { border: 1px solid #ccc; margin: 0 auto 8mm; } .hint { text-align: center; } }
@media print { .hint { display: none; } .page + .page { break-before: page; } }
"""
