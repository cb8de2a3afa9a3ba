"""Figures by what they draw, not by pixels: places, scales, words, colours, and the SVG text."""

from __future__ import annotations

import itertools
import math
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.colors import to_hex
from show_examples import (
    batch_result,
    degrees,
    flex_result,
    metric,
    roll_curve,
    roll_result,
    sure,
    unknown_roll,
)

from analysis.bend.result import Station
from analysis.roll.result import Mark, Snap
from analysis.show.figures import (
    batch_strip,
    butt_section,
    flex_curve,
    flex_residuals,
    flex_shapes,
    new_figure,
    rigidities,
    rigidity,
    roll_energy,
    roll_polar,
    roll_unrolled,
    strip_height,
    to_svg,
)
from analysis.show.figures.batch import tolerance_band
from analysis.show.figures.bend import residuals
from analysis.show.figures.roll import crest_above
from analysis.show.figures.section import place
from analysis.show.figures.style import MARK, PALETTE, PAPER, SNAP, SOFT, STIFF, spread

DRAWERS = [
    (roll_unrolled, roll_result),
    (roll_energy, roll_result),
    (roll_polar, roll_result),
    (butt_section, roll_result),
    (flex_curve, flex_result),
    (flex_residuals, flex_result),
    (flex_shapes, flex_result),
    (rigidity, flex_result),
]


def drawn(drawer, result, **options):
    _, axes = new_figure(polar=drawer is roll_polar)
    assert drawer(axes, result, **options) is axes
    return axes


def words(axes):
    return "\n".join(text.get_text() for text in axes.texts)


def lines_in(axes, colour):
    return [line for line in axes.lines if to_hex(line.get_color()) == colour]


@pytest.mark.parametrize(("drawer", "make"), DRAWERS)
def test_every_figure_draws_and_touches_no_global_state(drawer, make):
    before = dict(mpl.rcParams)
    axes = drawn(drawer, make())
    assert to_svg(axes.figure, title="a figure").startswith("<svg")
    assert dict(mpl.rcParams) == before


@pytest.mark.parametrize(("drawer", "make"), DRAWERS)
def test_a_result_without_readings_is_said_in_the_figure(drawer, make):
    changes = {"curve": None} if make is roll_result else {"curve": None, "rigidity": ()}
    axes = drawn(drawer, make(**changes))
    if drawer is butt_section:  # it needs no readings, and says the same without them
        assert words(axes) == words(drawn(drawer, make()))
        assert "MARK, snap 1" in words(axes)
    else:
        assert re.search(r"no (readings|rigidity) to draw", words(axes))


@pytest.mark.parametrize("drawer", [roll_unrolled, roll_energy])
def test_planes_stand_at_both_ends_and_the_mark_at_its_angle(drawer):
    axes = drawn(drawer, roll_result())
    at = {
        colour: sorted(float(line.get_xdata()[0]) for line in lines_in(axes, colour))
        for colour in (STIFF, SOFT)
    }
    assert at[STIFF] == pytest.approx([34.0, 214.0])
    assert at[SOFT] == pytest.approx([124.0, 304.0])
    assert [float(line.get_xdata()[0]) for line in lines_in(axes, MARK)] == pytest.approx([119.6])
    assert "mark 119.6°" in words(axes)
    assert "spine" not in words(axes)


@pytest.mark.parametrize("drawer", [roll_unrolled, roll_energy, roll_polar, butt_section])
def test_no_plane_is_drawn_where_none_was_found(drawer):
    axes = drawn(drawer, roll_result(plane_found=False))
    assert not lines_in(axes, STIFF)
    assert not lines_in(axes, SOFT)


def test_a_far_spike_does_not_squash_the_readings():
    curve = roll_curve()
    wild = replace(curve, reading=np.where(curve.left_out > 0.5, 100.0, curve.reading))
    low, high = drawn(roll_unrolled, roll_result(curve=wild)).get_ylim()
    assert 4.0 < low < high < 5.0


def test_a_hanging_weight_is_read_as_travel():
    axes = drawn(roll_unrolled, roll_result(hanging=True))
    assert axes.get_ylabel() == "travel, mm"
    assert drawn(roll_unrolled, roll_result()).get_ylabel() == "load, N"
    assert drawn(roll_unrolled, roll_result(), units="imperial").get_ylabel() == "load, ozf"


def test_polar_view_has_the_index_mark_at_the_top_and_counts_clockwise():
    axes = drawn(roll_polar, roll_result())
    assert axes.get_theta_offset() == pytest.approx(0.5 * math.pi)
    assert axes.get_theta_direction() == -1
    with pytest.raises(TypeError, match="polar"):
        roll_polar(new_figure()[1], roll_result())


def test_section_counts_clockwise_from_the_top():
    assert place(0.0) == pytest.approx((0.0, 1.0))
    assert place(0.5 * math.pi) == pytest.approx((1.0, 0.0))
    axes = drawn(butt_section, roll_result(mark=Mark(degrees(90.0, 1.0), "snap", None, "")))
    tape = next(patch for patch in axes.patches if to_hex(patch.get_facecolor()) == MARK)
    assert 0.5 * (tape.theta1 + tape.theta2) == pytest.approx(0.0)  # to the right


def test_section_has_planes_snaps_bow_and_tape_at_their_angles():
    """Clock angles by hand: an angle a lies toward (sin a, cos a)."""
    axes = drawn(butt_section, roll_result())

    def angles(xs, ys):
        return [math.degrees(math.atan2(x, y)) % 360.0 for x, y in zip(xs, ys, strict=True)]

    for colour, ends in ((STIFF, [34.0, 214.0]), (SOFT, [124.0, 304.0])):
        thick = [line for line in lines_in(axes, colour) if line.get_linewidth() > 1.0]
        assert len(thick) == 1
        assert sorted(angles(*thick[0].get_data())) == pytest.approx(ends)
    snaps = [line for line in lines_in(axes, SNAP) if len(line.get_xdata()) == 1]
    assert sorted(angles(*np.hstack([line.get_data() for line in snaps]))) == pytest.approx([119.6, 309.2])
    (arrow,) = [text for text in axes.texts if getattr(text, "arrow_patch", None) is not None]
    assert angles(*[[each] for each in arrow.xy]) == pytest.approx([100.0])
    assert arrow.get_position() == (0.0, 0.0)
    (tape,) = [patch for patch in axes.patches if to_hex(patch.get_facecolor()) == MARK]
    assert 90.0 - 0.5 * (tape.theta1 + tape.theta2) == pytest.approx(119.6)
    for said in ("0° index mark", "34° and 214°", "124° and 304°", "MARK, snap 1", "snap 2", "toward 100.0°"):
        assert said in words(axes), said


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0.0, 359.9), min_size=1, max_size=4), st.floats(0.0, 179.9), st.floats(0.0, 359.9))
def test_section_labels_never_touch(angles, plane, bow):
    snaps = tuple(Snap(degrees(angle, 1.0), sure(0.01, 0.001), "both") for angle in angles)
    result = roll_result(
        snaps=snaps,
        stiff_plane=degrees(plane, 1.0),
        bow_direction=degrees(bow, 5.0),
        mark=Mark(snaps[0].angle, "snap", None, ""),
    )
    axes = drawn(butt_section, result)
    for side in ("left", "right"):
        heights = sorted(
            text.get_position()[1] for text in axes.texts if text.get_ha() == side and text.get_text()
        )
        assert all(above - below >= 0.43 for below, above in itertools.pairwise(heights))


def test_barrier_rises_to_the_lower_of_the_two_crests():
    # U = cos 2θ + 0.3 cos θ: valleys near 90° and 270°, crests of 1.3 at 0° and 0.7 at 180°.
    grid = np.linspace(0.0, 2.0 * math.pi, 721)
    energy = np.cos(2 * grid) + 0.3 * np.cos(grid)
    foot, crest = crest_above(grid, energy, math.acos(-0.075))
    assert foot == pytest.approx(-1.0 - 0.3**2 / 8.0, abs=1e-4)
    assert crest == pytest.approx(0.7, abs=1e-4)


@pytest.mark.parametrize("shift", [0.0, 1.0, 3.0, 6.2])
def test_barrier_of_a_single_snap_is_crest_minus_trough_wherever_the_turn_begins(shift):
    grid = np.linspace(0.0, 2.0 * math.pi, 721)
    foot, crest = crest_above(grid, -np.cos(grid - shift), shift)
    assert (foot, crest) == (pytest.approx(-1.0, abs=1e-4), pytest.approx(1.0, abs=1e-4))


def test_residuals_are_readings_minus_the_curve_at_the_same_travel():
    curve = flex_result().curve
    straight = replace(
        curve, model_travel_m=np.array([0.0, 1.0]), model_load_N=np.array([0.0, 10.0]),
        travel_m=np.array([0.1, 0.5, 1.5]), load_N=np.array([1.2, 4.9, 15.0]),
    )  # fmt: skip
    left = residuals(straight)
    assert left[:2] == pytest.approx([0.2, -0.1])
    assert math.isnan(left[2])


def test_reference_load_belongs_to_the_length_it_was_rated_at():
    assert "reference load" in words(drawn(flex_curve, flex_result()))
    assert "reference load" not in words(drawn(flex_curve, flex_result(rated_length_m=2.1)))
    assert "carried past the readings" in words(drawn(flex_curve, flex_result(extrapolated=True)))


def test_shapes_are_drawn_to_scale_and_the_pull_points_down():
    axes = drawn(flex_shapes, flex_result())
    assert axes.get_aspect() == 1.0
    bottom, top = axes.get_ylim()
    assert bottom > top
    assert "5.6 N" in words(axes)


def test_rigidity_band_is_the_half_width_on_a_log_scale():
    stations = tuple(Station(s, 1.0 - s, sure(10.0 ** (1.0 - s), 0.1)) for s in (0.0, 0.5, 1.0))
    axes = drawn(rigidity, flex_result(rigidity=stations))
    assert axes.get_yscale() == "log"
    band = axes.collections[0].get_paths()[0].vertices
    assert band[:, 1].max() == pytest.approx(10.1)
    assert band[:, 1].min() == pytest.approx(0.9)


def test_a_half_width_beyond_the_value_does_not_break_the_log_scale():
    stations = tuple(Station(s, 1.0 - s, sure(1.0, 5.0)) for s in (0.0, 0.5, 1.0))
    low, high = drawn(rigidity, flex_result(rigidity=stations)).get_ylim()
    assert 0.0 < low < 1.0 < high


def test_several_blanks_are_told_apart_by_line_and_name():
    _, axes = new_figure()
    rigidities(axes, [(name, flex_result()) for name in ("A-01", "A-02", "$x$")])
    assert (
        len({line.get_linestyle() for line in axes.lines}) > 1
        or len({line._dash_pattern for line in axes.lines}) > 1
    )
    assert [text.get_text() for text in axes.get_legend().get_texts()] == ["A-01", "A-02", "$x$"]


def test_strip_has_a_row_for_each_blank_with_its_own_half_width():
    _, axes = new_figure(height=strip_height(5))
    batch_strip(axes, metric(), odd_one_out="A-04")
    assert [text.get_text() for text in axes.get_yticklabels()] == ["A-01", "A-02", "A-03", "A-04", "A-05"]
    bars = [bar.lines[2][0].get_segments()[0] for bar in axes.containers]
    halves = [0.5 * (segment[1, 0] - segment[0, 0]) for segment in bars]
    # The calibration that all blanks share is not in the bars: 1.96 standard errors of 0.01 N are.
    assert halves == pytest.approx([0.0196] * 5, abs=1e-4)
    assert to_hex(axes.get_yticklabels()[3].get_color()) == MARK


@given(st.lists(st.floats(-100.0, 100.0), min_size=1, max_size=9), st.floats(0.01, 50.0))
def test_band_holds_as_many_values_as_any_band_of_its_width(values, width):
    low, high = tolerance_band(values, width)
    assert high - low == pytest.approx(width, abs=1e-9)

    def held(start):
        return sum(start - 1e-9 <= value <= start + width + 1e-9 for value in values)

    assert held(low) >= max(sum(start <= value <= start + width for value in values) for start in values)


def test_a_tolerance_that_is_no_width_draws_no_band():
    assert tolerance_band([1.0], 0.0) is None
    assert tolerance_band([1.0], math.nan) is None
    _, axes = new_figure()
    batch_strip(axes, metric(tolerance=math.nan))
    assert not axes.patches
    assert "no values" in words(batch_strip(new_figure()[1], metric(values={})))


@given(st.lists(st.floats(0.0, 100.0), max_size=8), st.floats(0.1, 40.0))
def test_spread_labels_keep_order_gap_and_range(wanted, gap):
    placed = spread(wanted, gap, 0.0, 100.0)
    room = min(gap, 100.0 / max(len(wanted) - 1, 1))
    assert all(-1e-9 <= place <= 100.0 + 1e-9 for place in placed)
    for (one, at_one), (other, at_other) in itertools.pairwise(sorted(zip(wanted, placed, strict=True))):
        assert one <= other
        assert abs(at_other - at_one) >= room - 1e-9


# -- the palette -------------------------------------------------------------------------------------------
# What a viewer without one kind of cone sees: Machado, Oliveira & Fernandes 2009, severity 1, linear RGB
# (from memory; each row adds up to 1, so that greys stay grey).
SIGHT = {
    "normal": np.eye(3),
    "no red cones": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "no green cones": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "no blue cones": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
# IEC 61966-2-1 (sRGB) to CIE 1931 XYZ, D65, from memory.
TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


def linear(colour):
    part = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    xyz = TO_XYZ @ np.clip(rgb, 0.0, 1.0) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("sight", SIGHT)
def test_palette_stays_apart_for_every_kind_of_sight(sight):
    matrix = SIGHT[sight]
    assert matrix.sum(axis=1) == pytest.approx(np.ones(3), abs=2e-5)
    for one, other in itertools.combinations(PALETTE.values(), 2):
        assert np.linalg.norm(lab(matrix @ linear(one)) - lab(matrix @ linear(other))) > 25.0


@pytest.mark.parametrize("role", [role for role in PALETTE if role != "reading"])
def test_palette_reaches_three_to_one_on_paper(role):
    # WCAG 2.1, success criterion 1.4.11: graphical objects need a contrast of 3 to 1.
    assert PAPER == "#ffffff"
    assert 1.05 / ((TO_XYZ @ linear(PALETTE[role]))[1] + 0.05) > 3.0


@pytest.mark.parametrize("drawer", [roll_unrolled, roll_energy, butt_section, flex_curve, flex_shapes])
def test_words_reach_four_and_a_half_to_one_on_paper(drawer):
    # WCAG 2.1, success criterion 1.4.3: small text needs a contrast of 4.5 to 1.
    axes = drawn(drawer, flex_result() if drawer in (flex_curve, flex_shapes) else roll_result())
    for text in axes.texts:
        assert 1.05 / ((TO_XYZ @ linear(to_hex(text.get_color())))[1] + 0.05) > 4.5, text.get_text()


# -- the SVG text ------------------------------------------------------------------------------------------
def svg(ident="one", title="Load over the roll", **changes):
    return to_svg(drawn(roll_unrolled, roll_result(**changes)).figure, title=title, ident=ident)


def test_the_same_figure_gives_the_same_bytes():
    assert svg() == svg()


def test_ids_are_the_figures_own_and_every_reference_is_met():
    text = svg("blank-3")
    ids = re.findall(r'\bid="([^"]*)"', text)
    assert len(ids) == len(set(ids))
    assert all(one.startswith("blank-3") for one in ids)
    references = set(re.findall(r'href="#([^"]*)"', text)) | set(re.findall(r"url\(#([^)]*)\)", text))
    assert references <= set(ids)
    assert not set(re.findall(r'\bid="([^"]*)"', svg("other"))) & set(ids)


def test_svg_is_one_well_formed_element_that_a_screen_reader_can_name():
    root = ElementTree.fromstring(svg(title='Mark at 5° & "snap" <b>'))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert root.get("role") == "img"
    assert root.find("{http://www.w3.org/2000/svg}title").text == 'Mark at 5° & "snap" <b>'
    assert root.get("aria-labelledby") == "one-title"
    assert root.get("width") == "324pt"
    assert root.get("viewBox")


def test_svg_styles_nothing_outside_itself_and_holds_no_date():
    text = svg()
    assert all(rule.startswith("#one ") for rule in re.findall(r"<style[^>]*>(.*?)\{", text))
    assert "<metadata" not in text
    assert "http" not in re.sub(r'xmlns(:xlink)?="[^"]*"', "", text)


def test_text_stays_text_and_names_cannot_break_out():
    _, axes = new_figure()
    hostile = "<script>$x"
    batch_strip(axes, metric(values={hostile: sure(1.0, 0.1), "شركة": sure(1.1, 0.1), "竿": sure(1.2, 0.1)}))
    text = to_svg(axes.figure, title="t", ident="s")
    assert "<script" not in text
    assert "&lt;script&gt;$x" in text
    assert "شركة" in text
    assert "竿" in text


def test_a_poor_id_is_refused():
    for ident in ("", "1a", 'a"b', "a b"):
        with pytest.raises(ValueError, match="id"):
            to_svg(new_figure()[0], title="t", ident=ident)


def test_unknown_results_draw_too():
    for drawer in (roll_unrolled, roll_energy, roll_polar, butt_section):
        drawn(drawer, unknown_roll())
    for made in batch_result().metrics:
        batch_strip(new_figure()[1], made)


def test_snaps_are_drawn_at_their_angles():
    axes = drawn(roll_unrolled, roll_result())
    at = sorted(float(line.get_xdata()[0]) for line in lines_in(axes, SNAP))
    assert at == pytest.approx([119.6, 309.2])
