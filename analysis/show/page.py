"""One self-contained HTML file: a sheet for the batch, then a sheet for each blank to go with the rod.

No script, no network, no image file: figures are inline SVG. Printed, every sheet begins a page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.bend.result import ClassCall, FlexResult
from analysis.decide.batch import BatchResult
from analysis.roll.result import RollResult
from analysis.show import wording as say
from analysis.show.html import Child, Html, name_of, table, tag, trusted
from analysis.show.page_blank import blank_sheet, warnings_block
from analysis.show.page_figures import strip_figures
from analysis.show.page_grade import Graded, grade_section
from analysis.show.rounding import show_direction, show_plane, show_quantity
from analysis.show.stylesheet import CSS
from analysis.units import System

_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
"""Nothing may be fetched or run, whatever a label holds."""


@dataclass(frozen=True, slots=True)
class PageInfo:
    """What stands on every sheet beside the results."""

    shop: str
    """Name of the shop."""
    date: str
    """When it was measured, as it shall be read."""
    operator: str = ""
    """Who measured."""
    calibration: str = ""
    """Which calibration was in force, in one line; empty says that none is stated."""
    units: System = "metric"
    """Display units."""
    title: str = ""
    """Heading of the whole; empty makes one from the blanks."""


@dataclass(frozen=True, slots=True)
class BlankPage:
    """One blank's sheet."""

    name: str
    """Name of the blank."""
    model: str = ""
    """Maker's model."""
    roll: RollResult | None = None
    """Its roll result, with the curve for the figures."""
    flex: FlexResult | None = None
    """Its flex result, with the curve for the figures."""
    notes: tuple[str, ...] = ()
    """The shop's own lines: damage seen, what to watch."""
    rod: tuple[tuple[str, str], ...] = ()
    """What the shop's log says of the finished rod, a word and its text each: guide layout, static test."""
    info: PageInfo | None = None
    """When, by whom and with which calibration this blank was measured; None: as the whole page says."""


def report_page(
    info: PageInfo,
    blanks: Sequence[BlankPage],
    batch: BatchResult | None = None,
    graded: Graded | None = None,
) -> str:
    """Make the whole report as one HTML document.

    Parameters
    ----------
    info : PageInfo
        Shop, date, operator, calibration, units.
    blanks : sequence of BlankPage
        One sheet each, in this order.
    batch : BatchResult, optional
        The verdict; without it the first sheet only lists the blanks.
    graded : Graded, optional
        Which blanks to keep, on the first sheet.
    """
    first = batch is not None or graded is not None or len(blanks) != 1
    sheets: list[Child] = [_first_sheet(info, blanks, batch, graded)] if first else []
    level = 2 if sheets else 1
    sheets += [
        blank_sheet(
            number,
            blank.name,
            blank.model,
            blank.roll,
            blank.flex,
            blank.notes,
            _facts(blank.info or info),
            info.units,
            level,
            rod=blank.rod,
        )
        for number, blank in enumerate(blanks, start=1)
    ]
    return _document(_title(info, blanks), info, sheets)


def blank_page(info: PageInfo, blank: BlankPage) -> str:
    """Make one blank's sheet alone as an HTML document, to hand over with the rod."""
    return report_page(info, [blank])


def _title(info: PageInfo, blanks: Sequence[BlankPage]) -> str:
    if info.title:
        return say.label(info.title, 80)
    if len(blanks) == 1:
        return f"Blank {say.label(blanks[0].name, 60)}"
    models = list(dict.fromkeys(say.label(blank.model, 40) for blank in blanks if blank.model))
    return f"{len(blanks)} blanks" + (f", {models[0]}" if len(models) == 1 else "")


def _document(title: str, info: PageInfo, sheets: Sequence[Child]) -> str:
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name_="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", http_equiv="Content-Security-Policy", content=_POLICY),
        tag("meta", name_="color-scheme", content="light dark"),
        tag("title", title),
        trusted(f"<style>{CSS}</style>"),
    )
    names = [name_of(text, 80) for text in (info.shop, info.date) if text.strip()]
    top = tag("header", tag("p", names[:1], [(" · ", name) for name in names[1:]]))
    foot = tag(
        "footer",
        tag("p", "± is the 95 % half-width. ", say.ANGLES_COUNT),
        class_="screen",
    )
    skip = tag("a", "Skip to the results", href="#results", class_="skip")
    body = tag("body", skip, top, tag("main", sheets, id_="results"), foot)
    return f"<!doctype html>\n{tag('html', head, body, lang='en')}\n"


def _facts(info: PageInfo) -> Html:
    """Date, operator, calibration: what makes a number worth keeping."""
    rows = (
        ("Measured", info.date),
        ("By", info.operator or "not stated"),
        ("Calibration", info.calibration or "not stated: half-widths hold no calibration part"),
        ("Shop", info.shop),
    )
    pairs = [(tag("dt", name), tag("dd", name_of(text, 200))) for name, text in rows if text.strip()]
    return tag("dl", pairs, class_="facts")


def _first_sheet(
    info: PageInfo, blanks: Sequence[BlankPage], batch: BatchResult | None, graded: Graded | None
) -> Html:
    parts: list[Child] = [tag("h1", name_of(_title(info, blanks), 80))]
    if graded is not None:
        parts += grade_section(graded, info.units)
        if batch is not None:
            parts.append(tag("h2", "Are they alike", class_="sub"))
    if batch is not None:
        parts.append(tag("p", say.verdict_words(batch), class_=f"verdict {_slug(batch.verdict)}"))
        parts += _odd_and_todo(batch)
        parts.append(_metrics_table(batch, info.units))
        parts.append(tag("div", strip_figures(batch, info.units), class_="figures strips"))
        parts.append(_values_table(batch, info.units))
    parts.append(_glance_table(blanks, info.units))
    said = (*(batch.warnings if batch else ()), *(graded.result.warnings if graded else ()))
    if said:
        parts.append(warnings_block(tuple(dict.fromkeys(said)), 2))
    parts.append(_facts(info))
    return tag("section", parts, class_="sheet", id_="batch")


def _odd_and_todo(batch: BatchResult) -> list[Child]:
    parts: list[Child] = []
    if batch.odd_one_out is not None:
        why = tag("bdi", say.sentence(batch.odd_why))
        parts.append(tag("p", "Odd one out: ", tag("strong", name_of(batch.odd_one_out)), ". ", why))
    todo = [metric for metric in batch.metrics if metric.advice]
    if todo:
        parts.append(tag("h2", "What to measure again", class_="sub"))
        parts.append(
            tag(
                "ul",
                [
                    tag(
                        "li",
                        f"{say.metric_words(metric.name)}: ",
                        tag("bdi", say.sentence(metric.advice, lower=True)),
                    )
                    for metric in todo
                ],
                class_="todo",
            )
        )
    return parts


def _metrics_table(batch: BatchResult, units: System) -> Html:
    rows = [
        [
            say.metric_words(metric.name),
            say.spread_words(metric.spread, metric, units),
            say.spread_words(metric.tolerance, metric, units),
            say.chance(metric.probability_within),
            tag("p", metric.verdict, class_=f"word {_slug(metric.verdict)}"),
        ]
        for metric in batch.metrics
    ]
    caption = "Spread: largest minus smallest measured value; loads and stiffness in percent of the median."
    return table(
        caption, ["Property", "Spread", "Tolerance", "Chance within", "Verdict"], rows, class_="metrics"
    )


def _values_table(batch: BatchResult, units: System) -> Html:
    heads: list[Child] = ["Blank"]
    for metric in batch.metrics:
        symbol = say.metric_display(metric, units).symbol
        heads.append(f"{say.metric_words(metric.name)}{f', {symbol}' if symbol else ''}")
    names = dict.fromkeys(name for metric in batch.metrics for name in metric.values)
    rows = [
        [
            tag("span", name_of(name, 24), class_="odd" if name == batch.odd_one_out else None),
            *(say.show_metric(metric.values.get(name), metric, units).bare for metric in batch.metrics),
        ]
        for name in names
    ]
    caption = "Values with their 95 % half-widths; the bars above leave out what all blanks of a rig share."
    return table(caption, heads, rows, class_="values")


def _glance_table(blanks: Sequence[BlankPage], units: System) -> Html | None:
    if not blanks:
        return None
    rows = []
    for number, blank in enumerate(blanks, start=1):
        roll, flex = blank.roll, blank.flex
        plane = roll.stiff_plane if roll is not None and roll.plane_found else None
        rows.append(
            [
                tag("a", name_of(blank.name, 24), href=f"#blank-{number}"),
                show_direction(roll.mark.angle).text if roll else "not rolled",
                show_plane(plane).text if roll else "not rolled",
                show_quantity(flex.even_blank_rigidity, "rigidity", units).text if flex else "not flexed",
                _likeliest(flex.power_class) if flex else "not flexed",
                _likeliest(flex.action_class) if flex else "not flexed",
            ]
        )
    heads = ["Blank", "Mark", "Stiff plane", "Even-blank rigidity", "Power", "Action"]
    caption = f"The blanks at a glance. {say.ANGLES_COUNT}"
    return table(caption, heads, rows, class_="glance")


def _likeliest(call: ClassCall | None) -> str:
    """Name the likeliest class, with its chance where another is possible."""
    return say.class_words(call).split(" or ")[0]


def _slug(verdict: str) -> str:
    return verdict.replace(" ", "-")
