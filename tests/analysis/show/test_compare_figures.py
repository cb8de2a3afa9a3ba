"""Several blanks over each other, by what is drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from show_examples import flex_result

from analysis.bend.result import Station
from analysis.estimate import Estimate, Share
from analysis.show.figures import flex_curve, flex_curves, new_figure, rigidity_ratio


def stations(length: float, factor: float) -> tuple[Station, ...]:
    """Rigidity in proportion to the square of the distance from the tip plus a bit; 1 % own, 2 % shared."""
    out = []
    for s in np.linspace(0.0, length, 13):
        value = factor * (0.1 + (length - s) ** 2)
        shared = Share("load calibration", 0.02 * value, shared=True)
        out.append(Station(s, length - s, Estimate(value, 0.01 * value / 1.959964, shares=(shared,))))
    return tuple(out)


def test_a_blank_is_compared_at_the_same_distance_from_the_tip_whatever_its_length() -> None:
    """The second is 10 % stiffer and reaches 0.3 m further into the chuck."""
    _, axes = new_figure()
    first, second = flex_result(rigidity=stations(1.8, 1.0)), flex_result(rigidity=stations(1.8, 1.1))
    longer = flex_result(rigidity=stations(2.1, 1.1), free_length_m=2.1)
    rigidity_ratio(axes, [("A", first), ("B", second), ("C", longer)])
    _, same, long = axes.lines
    assert np.asarray(same.get_ydata()) == pytest.approx(10.0, abs=1e-9)
    inside = np.asarray(long.get_xdata()) > 0.2  # next to the tip the first's stations are far apart
    assert np.asarray(long.get_ydata())[inside] == pytest.approx(10.0, abs=1.0)
    assert float(np.max(long.get_xdata())) <= 1.8
    band = axes.collections[0].get_paths()[0].vertices
    half = 0.01 * np.sqrt(2.0) * 110.0  # what both share is not in it
    assert band[:, 1].max() - 10.0 == pytest.approx(half, rel=1e-6)
    assert axes.get_ylabel() == "stiffer than A, %"


def test_many_blanks_have_no_bands_and_one_alone_nothing_to_compare_with() -> None:
    _, axes = new_figure()
    rows = [(name, flex_result(rigidity=stations(1.8, 1.0 + 0.01 * at))) for at, name in enumerate("ABCDE")]
    rigidity_ratio(axes, rows)
    assert not axes.collections
    assert len(axes.lines) == 5
    _, alone = new_figure()
    rigidity_ratio(alone, rows[:1])
    assert any("two blanks" in text.get_text() for text in alone.texts)


def test_curves_of_several_blanks_are_told_apart_by_pattern_and_name() -> None:
    _, axes = new_figure()
    flex_curves(axes, [(name, flex_result()) for name in ("A-01", "A-02")])
    assert [text.get_text() for text in axes.get_legend().get_texts()] == ["A-01", "A-02"]
    assert len({str(line._dash_pattern) for line in axes.lines}) == 2
    assert float(np.max(axes.lines[0].get_xdata())) > 100.0  # mm
    _, none = new_figure()
    flex_curves(none, [("A", flex_result(curve=None))])
    assert not none.lines


def test_the_reference_bend_is_not_drawn_where_no_load_acted_at_the_tip() -> None:
    _, tip = new_figure()
    flex_curve(tip, replace(flex_result(), hooks_m=(1.8,), largest_load_N=5.0))
    _, hook = new_figure()
    flex_curve(hook, replace(flex_result(), hooks_m=(1.2,)))
    assert any("reference load" in text.get_text() for text in tip.texts)
    assert not any("reference load" in text.get_text() for text in hook.texts)
