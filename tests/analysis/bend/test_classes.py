"""Class words by bands, with their probabilities."""

from __future__ import annotations

import pytest
from scipy.stats import norm

from analysis.bend import DEFAULT_ACTION_BANDS, DEFAULT_POWER_BANDS, Bands
from analysis.errors import BlankbenchError
from analysis.estimate import Estimate, Share


def test_a_value_at_an_edge_belongs_half_to_each_side() -> None:
    call = DEFAULT_POWER_BANDS.call(Estimate(2.2, 0.05))
    assert call.probability("medium-light") == pytest.approx(0.5)
    assert call.probability("medium") == pytest.approx(0.5)
    assert sum(chance for _, chance in call.probabilities) == pytest.approx(1.0)


def test_probabilities_are_the_normal_distributions_between_the_edges() -> None:
    call = DEFAULT_ACTION_BANDS.call(Estimate(0.36, 0.01))
    expected = norm.cdf((0.37 - 0.36) / 0.01) - norm.cdf((0.30 - 0.36) / 0.01)
    assert call.probability("fast") == pytest.approx(expected)
    assert call.name == "fast"


def test_systematic_parts_count_too() -> None:
    bare = DEFAULT_POWER_BANDS.call(Estimate(2.3, 0.01))
    wide = DEFAULT_POWER_BANDS.call(Estimate(2.3, 0.01, shares=(Share("calibration", 0.2),)))
    assert wide.probability("medium-light") > 0.1 > bare.probability("medium-light")


def test_a_value_without_error_has_one_class() -> None:
    assert DEFAULT_POWER_BANDS.call(Estimate(0.5, 0.0)).probability("ultralight") == 1.0


@pytest.mark.parametrize("claim", ["extra heavy", "Extra-Heavy", " EXTRA_HEAVY "])
def test_a_label_may_be_written_in_any_way(claim: str) -> None:
    assert DEFAULT_POWER_BANDS.word(claim, "power") == "extra-heavy"


def test_an_unknown_word_and_bands_out_of_order_are_refused() -> None:
    with pytest.raises(BlankbenchError, match="use one of"):
        DEFAULT_POWER_BANDS.word("stout", "power")
    with pytest.raises(ValueError, match="rise"):
        Bands(("a", "b", "c"), (2.0, 1.0))
    with pytest.raises(ValueError, match="one edge fewer"):
        Bands(("a", "b"), (1.0, 2.0))
