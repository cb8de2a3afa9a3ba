"""The strip round the butt is true to size: millimetres on the page are millimetres of the butt."""

from __future__ import annotations

import io
import math
import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from show_examples import roll_result, unknown_roll

from analysis.estimate import Estimate
from analysis.show.figures.strip import PAPERS, Strip, longest_diameter_m, strip_pages, strips_a_page

DIAMETER_M = 0.014
LEFT = 12.0
SVG = "{http://www.w3.org/2000/svg}"


def millimetres(page: Figure, x: float, y: float) -> tuple[float, float]:
    """Where a data point lies on the paper, mm from its lower left corner."""
    pixels = page.axes[0].transData.transform((x, y))
    return tuple(float(p) / page.dpi * 25.4 for p in pixels)  # type: ignore[return-value]


def line_named(page: Figure, word: str) -> list[float]:
    """Places along the page, mm, of the texts that stand beside lines with this word."""
    return [
        millimetres(page, *text.get_position())[0] for text in page.axes[0].texts if text.get_text() == word
    ]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_millimetre_on_the_axes_is_a_millimetre_on_the_paper(paper: str) -> None:
    (page,) = strip_pages([Strip("P-1", DIAMETER_M, roll_result())], paper)  # type: ignore[arg-type]
    width, height = page.get_size_inches()
    assert (25.4 * width, 25.4 * height) == pytest.approx(PAPERS[paper])
    start, end = millimetres(page, 0.0, 0.0), millimetres(page, 100.0, 50.0)
    assert end[0] - start[0] == pytest.approx(100.0, abs=1e-6)
    assert end[1] - start[1] == pytest.approx(50.0, abs=1e-6)


def drawn(page: Figure) -> dict[str, float]:
    """Places along the paper, mm, of every named line and marker, read back from the file that is printed."""
    file = io.StringIO()
    page.savefig(file, format="svg")
    places = {}
    for group in ElementTree.fromstring(file.getvalue()).iter(f"{SVG}g"):
        name = group.get("id", "")
        if re.fullmatch(r"plane-\d|mark|snap-\d", name):
            used = group.find(f".//{SVG}use")
            x = used.get("x") if used is not None else group.find(f"{SVG}path").get("d").split()[1]  # type: ignore[union-attr]
            places[name] = float(x) / 72.0 * 25.4  # type: ignore[arg-type]
    return places


@pytest.mark.parametrize("diameter_m", [0.006, DIAMETER_M, 0.03])
def test_lines_in_the_file_lie_at_their_arc_length_and_grow_to_the_right(diameter_m: float) -> None:
    result = roll_result()
    (page,) = strip_pages([Strip("P-1", diameter_m, result)])
    found, turn = drawn(page), math.pi * 1e3 * diameter_m

    def at(angle: float) -> float:
        return LEFT + turn * (angle % (2.0 * math.pi)) / (2.0 * math.pi)

    wanted = {f"plane-{n}": at(result.stiff_plane.value + n * 0.5 * math.pi) for n in range(4)}  # type: ignore[union-attr]
    wanted |= {f"snap-{n}": at(snap.angle.value) for n, snap in enumerate(result.snaps, start=1)}
    wanted |= {"mark": at(result.mark.angle.value)}  # type: ignore[union-attr]
    assert found == pytest.approx(wanted, abs=1e-3)


@pytest.mark.parametrize("bow_deg", range(0, 360, 15))
@pytest.mark.parametrize("diameter_m", [0.010, DIAMETER_M])
def test_words_touch_neither_each_other_nor_the_tab_nor_the_mark(diameter_m: float, bow_deg: int) -> None:
    result = roll_result()
    turned = replace(result, bow_direction=Estimate(math.radians(bow_deg), 0.01))
    (page,) = strip_pages([Strip("P-1", diameter_m, turned)])
    canvas = FigureCanvasAgg(page)
    renderer = canvas.get_renderer()
    to_mm = 25.4 / page.dpi
    words = {"stiff", "soft", "bow", "MARK", "snap 1", "snap 2"}
    boxes = [t.get_window_extent(renderer) for t in page.axes[0].texts if t.get_text() in words]
    assert len(boxes) == 8
    for number, box in enumerate(boxes):
        assert box.x1 * to_mm <= LEFT + math.pi * 1e3 * diameter_m + 0.3
        for other in boxes[:number]:
            apart = max(box.x0 - other.x1, other.x0 - box.x1, box.y0 - other.y1, other.y0 - box.y1)
            assert apart * to_mm > -0.15


def test_the_printed_file_has_the_papers_size() -> None:
    (page,) = strip_pages([Strip("P-1", DIAMETER_M, roll_result())], "a4")
    file = io.BytesIO()
    page.savefig(file, format="pdf")
    box = re.search(rb"/MediaBox \[ ?([0-9. ]+)\]", file.getvalue())
    assert box is not None
    numbers = [float(number) for number in box[1].split()]
    assert numbers[2] / 72.0 * 25.4 == pytest.approx(297.0, abs=0.1)
    assert numbers[3] / 72.0 * 25.4 == pytest.approx(210.0, abs=0.1)


def test_many_blanks_fill_several_pages_and_a_thick_one_is_refused() -> None:
    many = [Strip(f"P-{n}", DIAMETER_M, roll_result()) for n in range(strips_a_page() + 1)]
    assert len(strip_pages(many)) == 2
    with pytest.raises(ValueError, match="diameters up to"):
        strip_pages([Strip("thick", longest_diameter_m() * 1.01, roll_result())])


def test_what_cannot_be_told_is_not_drawn() -> None:
    (page,) = strip_pages([Strip("P-4", DIAMETER_M, unknown_roll())])
    assert line_named(page, "stiff") == []
    assert line_named(page, "MARK") == []
