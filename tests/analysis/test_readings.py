"""Readings of a size that no bench has are refused with their row, and so is a run in another unit."""

import numpy as np
import pytest

from analysis.errors import ReadingsError
from analysis.readings import refuse_unbelievable


def test_the_first_reading_beyond_any_bench_is_named_with_its_row() -> None:
    with pytest.raises(ReadingsError, match=r"load of 1e\+09 N is more than any bench") as caught:
        refuse_unbelievable(np.array([1.0, np.nan, 1e9, 1e12]), "load", "N")
    assert caught.value.row == 2


def test_a_run_in_a_unit_a_million_times_too_large_is_asked_for_its_unit() -> None:
    with pytest.raises(ReadingsError, match=r"travel never passes 4\.5e-07 m"):
        refuse_unbelievable(np.array([0.0, 4.5e-7, np.nan]), "travel", "m")


def test_a_zero_or_an_absent_channel_is_no_question_of_size() -> None:
    refuse_unbelievable(np.zeros(3), "load", "N")
    refuse_unbelievable(np.full(3, np.nan), "load", "N")
    refuse_unbelievable(np.array([0.0, 1e-12]), "angle", "rad")
