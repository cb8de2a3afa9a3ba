"""The strip round the butt is true to size: millimetres on the page are millimetres of the butt."""

from __future__ import annotations

import io
import math
import re

import pytest
from matplotlib.figure import Figure
from show_examples import roll_result, unknown_roll

from analysis.show.figures.strip import PAPERS, Strip, longest_diameter_m, strip_pages, strips_a_page

DIAMETER_M = 0.014


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


def test_angles_lie_at_their_arc_length_and_grow_to_the_right() -> None:
    (page,) = strip_pages([Strip("P-1", DIAMETER_M, roll_result())])
    turn = math.pi * 1e3 * DIAMETER_M
    left = 12.0
    stiff = sorted(line_named(page, "stiff"))
    soft = sorted(line_named(page, "soft"))
    # plane at 34° in the invented result; words stand 0.7 mm to the right of their lines
    assert stiff == pytest.approx(
        [left + turn * 34.0 / 360.0 + 0.7, left + turn * 214.0 / 360.0 + 0.7], abs=1e-6
    )
    assert soft == pytest.approx(
        [left + turn * 124.0 / 360.0 + 0.7, left + turn * 304.0 / 360.0 + 0.7], abs=1e-6
    )
    (mark,) = line_named(page, "MARK")
    assert mark == pytest.approx(left + turn * 119.6 / 360.0 - 0.9, abs=1e-6)


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
