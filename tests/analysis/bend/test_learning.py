"""Class bands learnt from labels, against brute force and against edges that made the labels."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import norm

from analysis.bend import DEFAULT_ACTION_BANDS, DEFAULT_POWER_BANDS, Bands
from analysis.bend.classes import Example, learn
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, Share


def labelled(values: dict[str, list[float]], error: float = 0.0) -> list[Example]:
    return [
        Example(f"{label}-{n}", Estimate(value, error), label)
        for label, group in values.items()
        for n, value in enumerate(group)
    ]


def test_three_classes_by_brute_force() -> None:
    """Posterior on a plain two-dimensional grid, the model written out again: medians within a grid step."""
    bands = Bands(("low", "middle", "high"), (0.4, 0.6))
    values = {"low": [0.30, 0.36, 0.45], "middle": [0.42, 0.5, 0.55], "high": [0.57, 0.7]}
    places = np.linspace(0.0, 1.1, 551)
    first, second = np.meshgrid(places, places, indexing="ij")
    weight = np.zeros_like(first)
    for eye in (0.03, 0.06, 0.12, 0.24, 0.48):
        chance = np.where(second > first, norm.pdf(first, 0.4, 0.2) * norm.pdf(second, 0.6, 0.2), 0.0)
        for label, group in values.items():
            for value in group:
                under = norm.cdf((first - value) / (0.2 * eye)), norm.cdf((second - value) / (0.2 * eye))
                part = {"low": under[0], "middle": under[1] - under[0], "high": 1.0 - under[1]}[label]
                chance = chance * (0.97 * np.maximum(part, 0.0) + 0.03 / 3)
        weight += chance
    lesson = learn(labelled(values), bands, by_ratio=False)
    for edge, axis in zip(lesson.edges, (1, 0), strict=True):
        below = np.cumsum(weight.sum(axis=axis)) / weight.sum()
        low, middle, high = np.interp((0.025, 0.5, 0.975), below, places)
        assert edge.value == pytest.approx(middle, abs=0.01)
        assert edge.low == pytest.approx(low, abs=0.01)
        assert edge.high == pytest.approx(high, abs=0.01)
        assert edge.learnt


def test_edges_that_made_the_labels_lie_inside_their_half_widths() -> None:
    rng = np.random.default_rng(5)
    inside = []
    for _ in range(25):
        true = np.log([0.9, 1.3, 2.0, 2.8, 4.2, 6.5]) + 0.06 * rng.standard_normal(6)
        load = rng.uniform(0.0, 1.8, 25)
        seen = np.searchsorted(np.sort(true), load + 0.04 * rng.standard_normal(25))
        examples = [
            Example(str(n), Estimate(float(np.exp(x)), 0.01 * float(np.exp(x))), DEFAULT_POWER_BANDS.names[k])
            for n, (x, k) in enumerate(zip(load, seen, strict=True))
        ]
        lesson = learn(examples, DEFAULT_POWER_BANDS, by_ratio=True)
        inside += [
            edge.low <= np.exp(at) <= edge.high
            for edge, at in zip(lesson.edges, np.sort(true), strict=True)
            if edge.learnt
        ]
        assert all(a.value < b.value for a, b in itertools.pairwise(lesson.edges))
    # 95 % of about 95; fewer than 88 % has a probability below 1 %
    assert np.mean(inside) >= 0.88


def test_an_edge_falls_into_the_gap_between_two_groups() -> None:
    groups = {"fast": [0.33, 0.34, 0.35], "moderate-fast": [0.41, 0.42, 0.43]}
    lesson = learn(labelled(groups), DEFAULT_ACTION_BANDS, by_ratio=False)
    edge = lesson.edges[1]
    assert 0.35 < edge.value < 0.41
    assert 0.33 < edge.low < edge.value < edge.high < 0.43


def test_one_wrong_label_is_listed_and_moves_no_edge_far() -> None:
    groups = {"light": [1.1, 1.2, 1.25, 1.3, 1.35, 1.4], "medium-light": [1.6, 1.7, 1.8, 1.9, 2.0]}
    clean = learn(labelled(groups), DEFAULT_POWER_BANDS, by_ratio=True)
    groups["light"].append(1.95)
    spoilt = learn(labelled(groups), DEFAULT_POWER_BANDS, by_ratio=True)
    assert spoilt.edges[1].value == pytest.approx(clean.edges[1].value, rel=0.06)
    (misfit,) = spoilt.misfits
    assert misfit.example.name == "light-6"
    assert misfit.called == "medium-light"
    assert misfit.probability < 0.01
    assert clean.misfits == ()


def test_an_edge_that_no_label_speaks_of_stays_where_it_was() -> None:
    groups = {"light": [1.2, 1.3], "medium-light": [1.7, 1.9]}
    lesson = learn(labelled(groups), DEFAULT_POWER_BANDS, by_ratio=True)
    assert [edge.learnt for edge in lesson.edges] == [False, True, False, False, False, False]
    assert lesson.bands.edges[2:] == DEFAULT_POWER_BANDS.edges[2:]
    assert lesson.bands.edges[0] == DEFAULT_POWER_BANDS.edges[0]


def test_kept_edges_give_way_to_learnt_ones_so_that_all_rise() -> None:
    groups = {"light": [3.0, 3.2, 3.3], "medium-light": [5.5, 5.8]}
    lesson = learn(labelled(groups), DEFAULT_POWER_BANDS, by_ratio=True)
    assert 3.3 < lesson.bands.edges[1] < 5.5
    assert all(a < b for a, b in itertools.pairwise(lesson.bands.edges))


def test_what_all_blanks_of_a_rig_share_does_not_blur_its_edges() -> None:
    groups = {"fast": [0.33, 0.34, 0.35], "moderate-fast": [0.41, 0.42, 0.43]}
    shared = [
        Example(e.name, e.value.with_shares([Share("travel calibration", 0.03, shared=True)]), e.label)
        for e in labelled(groups)
    ]
    plain, wide = (learn(x, DEFAULT_ACTION_BANDS, by_ratio=False) for x in (labelled(groups), shared))
    assert plain.edges == wide.edges


def test_one_class_alone_teaches_nothing() -> None:
    with pytest.raises(ReadingsError, match="two classes"):
        learn(labelled({"fast": [0.33, 0.34]}), DEFAULT_ACTION_BANDS, by_ratio=False)
