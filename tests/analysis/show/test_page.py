"""The page: nothing fetched or run, every label escaped, headings and tables that can be read aloud."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st
from show_examples import batch_result, degrees, flex_result, metric, roll_result, sure, unknown_roll

from analysis.roll.result import Mark
from analysis.show.html import Html, name_of, table, tag
from analysis.show.page import BlankPage, PageInfo, blank_page, report_page

INFO = PageInfo("Invented Rod Works", "4 May 2026", "R. Example", "load ±0.4 %, 2026-05-01")
VOID = {"meta", "br", "hr", "link"}
SVG_ALLOWED = {"svg", "g", "path", "use", "text", "tspan", "defs", "clipPath", "rect", "style", "title"}


class Reader(HTMLParser):
    """Checks nesting and collects what the tests ask for."""

    def __init__(self):
        super().__init__()
        self.open, self.elements, self.text = [], [], []

    def handle_starttag(self, name, attributes):
        self.elements.append((name, dict(attributes), list(self.open)))
        if name not in VOID:
            self.open.append(name)

    def handle_startendtag(self, name, attributes):
        self.elements.append((name, dict(attributes), list(self.open)))

    def handle_endtag(self, name):
        assert self.open.pop() == name

    def handle_data(self, data):
        if not self.open or self.open[-1] != "style":
            self.text.append(data)

    def named(self, *names):
        return [attributes for name, attributes, _ in self.elements if name in names]


def read(page):
    reader = Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


@pytest.fixture(scope="module")
def page():
    blanks = [
        BlankPage("A-01", "example model", roll_result(), flex_result(), ("chip at the tip",)),
        BlankPage("A-04", "example model", unknown_roll(), None),
    ]
    return report_page(INFO, blanks, batch_result(warnings=("A-02 was measured on another day",)))


HOSTILE = "<script>alert(1)</script>\" onload='x' &lt; \u202e ../../x"


def test_page_is_well_formed_and_fetches_and_runs_nothing(page):
    reader = read(page)
    assert not reader.named("script", "img", "link", "iframe", "object", "form", "image", "foreignObject")
    assert not re.search(r"@import|url\((?!#)|javascript:", page)
    for _, attributes, _ in reader.elements:
        assert not any(key.startswith("on") for key in attributes)
        for key in ("href", "src", "xlink:href"):
            assert attributes.get(key, "#").startswith("#")
    policy = next(
        made for made in reader.named("meta") if made.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy["content"].startswith("default-src 'none'")


def test_every_id_is_unique_and_every_reference_is_met(page):
    reader = read(page)
    ids = [attributes["id"] for _, attributes, _ in reader.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    for _, attributes, _ in reader.elements:
        for key in ("href", "xlink:href"):
            if key in attributes:
                assert attributes[key][1:] in ids
        if "aria-labelledby" in attributes:
            assert attributes["aria-labelledby"] in ids


def test_headings_do_not_skip_a_level(page):
    levels = [int(name[1]) for name, _, _ in read(page).elements if re.fullmatch(r"h[1-6]", name)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later <= earlier + 1 for earlier, later in itertools.pairwise(levels))


def test_a_page_of_one_blank_has_its_own_first_heading():
    reader = read(blank_page(INFO, BlankPage("A-01", "", roll_result())))
    levels = [name for name, _, _ in reader.elements if re.fullmatch(r"h[1-6]", name)]
    assert levels[0] == "h1"


def test_tables_have_captions_and_scoped_heads_and_drawings_have_words(page):
    reader = read(page)
    assert len(reader.named("caption")) == len(reader.named("table")) > 4
    assert all(made.get("scope") in ("col", "row") for made in reader.named("th"))
    drawings = reader.named("svg")
    assert len(drawings) >= 10
    assert all(made.get("role") == "img" and made.get("aria-labelledby") for made in drawings)
    assert len(reader.named("figcaption")) == len(reader.named("figure"))
    assert reader.named("html")[0]["lang"] == "en"


def test_a_sheet_says_mark_planes_snaps_power_and_where_they_come_from():
    text = " ".join(
        read(blank_page(INFO, BlankPage("A-01", "example model", roll_result(), flex_result()))).text
    )
    for word in (
        "Mark 119.60° ± 0.80°", "34.00° ± 0.41°", "124.00° ± 0.41°", "held by 36.1 ± 2.2 mJ",
        "3.10 ± 0.40 mm",
        "17.310 ± 0.090 N·m²", "4.522 ± 0.021 N", "0.4031 ± 0.0021", "medium (90 %)", "4 May 2026",
        "R. Example",
        "load ±0.4 %, 2026-05-01", "Invented Rod Works",
    ):  # fmt: skip
        assert word in text
    assert "spine" not in text.lower()


def test_a_missing_calibration_and_operator_are_said():
    text = " ".join(read(blank_page(PageInfo("Shop", "today"), BlankPage("A", "", roll_result()))).text)
    assert "not stated: half-widths hold no calibration part" in text


def test_a_shop_without_a_name_leaves_no_gap():
    text = " ".join(read(blank_page(PageInfo("", "today"), BlankPage("A", "", roll_result()))).text)
    assert "(no name)" not in text
    assert "Shop" not in text


def test_nothing_is_claimed_where_nothing_is_known():
    text = " ".join(read(blank_page(INFO, BlankPage("A-04", "", unknown_roll()))).text)
    assert "No mark" in text
    assert "none stands out of the noise" in text
    assert "Not flexed" in text
    assert "Only 90° of the turn is covered; roll at least 120°." in text
    assert "nan" not in text


def test_batch_sheet_says_verdict_odd_one_and_what_to_measure_again(page):
    text = " ".join(read(page).text)
    assert "Not consistent: these 5 blanks differ" in text
    assert "Odd one out:" in text
    assert "roll A-01 and A-05 three more times each" in text
    assert "A-02 was measured on another day." in text


def test_hostile_labels_stay_text_everywhere():
    info = PageInfo(*(HOSTILE,) * 4, title=HOSTILE)
    roll = roll_result(warnings=(HOSTILE,), mark=Mark(degrees(1.0, 1.0), "snap", None, HOSTILE))
    flex = flex_result(warnings=(HOSTILE,))
    bad = metric(
        HOSTILE,
        "undecided",
        values={HOSTILE: sure(1.0, 0.1)},
        advice=HOSTILE,
        unit=HOSTILE,
        tolerance_unit=HOSTILE,
    )
    batch = batch_result(metrics=(bad,), odd_one_out=HOSTILE, odd_why=HOSTILE, warnings=(HOSTILE,))
    page = report_page(
        info, [BlankPage(HOSTILE, HOSTILE, roll, flex, (HOSTILE,), ((HOSTILE, HOSTILE),))] * 2, batch
    )
    assert "<script" not in page
    assert "\u202e" not in page
    reader = read(page)
    assert not any(key.startswith("on") for _, attributes, _ in reader.elements for key in attributes)
    assert "<script>alert(1)</script>" in "".join(reader.text)


def test_a_very_long_name_is_cut_and_a_right_to_left_one_keeps_its_direction_to_itself():
    page = blank_page(INFO, BlankPage("y" * 10_000, "شركة", roll_result(curve=None)))
    assert "y" * 100 not in page
    assert "<bdi>شركة</bdi>" in page


def test_units_reach_tables_and_figures():
    page = blank_page(replace(INFO, units="imperial"), BlankPage("A", "", roll_result(), flex_result()))
    text = " ".join(read(page).text)
    assert "16.265 ± 0.077 ozf" in text
    assert " N·m²" not in text
    assert "load, ozf" in text


def test_the_same_results_make_the_same_bytes():
    blank = BlankPage("A", "", roll_result(), flex_result())
    assert blank_page(INFO, blank) == blank_page(INFO, blank)


def test_a_hanging_weight_and_a_tie_are_shown():
    mark = Mark(degrees(3.2, 0.8), "snap", math.radians(183.2), "two snaps equally firm")
    text = " ".join(read(blank_page(INFO, BlankPage("A", "", roll_result(hanging=True, mark=mark)))).text)
    assert "183.20° serves as well" in text
    assert "travel, mm" in text


def test_print_begins_a_page_for_every_sheet_and_dark_is_for_screens_alone(page):
    assert ".sheet + .sheet { break-before: page; }" in page
    assert "@media screen and (prefers-color-scheme: dark)" in page
    assert page.count('class="sheet"') == 3


def test_colours_of_words_reach_four_and_a_half_to_one():
    # WCAG 2.1, success criterion 1.4.3 and its definition of relative luminance.
    page = blank_page(INFO, BlankPage("A"))
    light, dark = re.findall(r":root \{(.*?)\}", page, re.DOTALL)[:2]

    def luminance(colour):
        part = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
        line = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in part]
        return 0.2126 * line[0] + 0.7152 * line[1] + 0.0722 * line[2]

    for scheme in (light, dark):
        colour = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", scheme))
        for ground in ("paper", "card"):
            for word in ("ink", "soft", "mark", "yes", "no", "open", "link"):
                one, other = sorted((luminance(colour[word]), luminance(colour[ground])))
                assert (other + 0.05) / (one + 0.05) >= 4.5, (word, ground)


# -- the builder behind it ---------------------------------------------------------------------------------
@given(st.text(), st.text())
def test_text_never_becomes_markup(body, value):
    made = tag("p", body, title=value)
    reader = read(made.replace("\r", "\n"))
    assert reader.named("p") == [{"title": value.replace("\r", "\n")}]
    assert "".join(reader.text) == body.replace("\r", "\n")


def test_markup_goes_in_as_it_is_and_nothing_is_left_out():
    assert (
        tag("p", [tag("b", "x"), None, " & "], class_="a b", aria_label=None)
        == '<p class="a b"><b>x</b> &amp; </p>'
    )
    assert isinstance(tag("p"), Html)
    assert tag("meta", charset="utf-8") == '<meta charset="utf-8">'
    with pytest.raises(ValueError, match="element"):
        tag("p onclick")


def test_a_name_without_a_visible_sign_is_still_there():
    assert name_of("\u200b\n") == "<bdi>(no name)</bdi>"


def test_table_heads_name_rows_and_columns():
    made = table("caption", ["a", "b"], [["x", "1"]])
    assert '<th scope="col">a</th><th scope="col">b</th>' in made
    assert '<th scope="row">x</th><td>1</td>' in made
