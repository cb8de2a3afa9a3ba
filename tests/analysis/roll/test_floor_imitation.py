"""The mark against an imitation of the floor test: blanks let go from random roll angles, with friction.

The study of 200 blanks is `benchmarks/floor_test.py`; its energies are made from matrices, apart from the
package.
"""

import importlib.util
import sys

import numpy as np
import pytest
from command_line import REPOSITORY


@pytest.fixture(scope="module")
def trials():
    spec = importlib.util.spec_from_file_location("floor_test", REPOSITORY / "benchmarks" / "floor_test.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["floor_test"] = module
    spec.loader.exec_module(module)
    rng = np.random.default_rng(77)
    return [module.trial(rng) for _ in range(60)]


@pytest.mark.slow
def test_where_the_hand_is_sure_the_mark_is_in_its_basin(trials) -> None:
    sure = [each for each in trials if each.sure_by_energy or each.sure_by_place]
    assert len(sure) >= 10
    assert all(each.in_basin for each in sure)


@pytest.mark.slow
def test_the_mark_is_at_the_place_of_rest_or_the_report_names_the_place_that_friction_makes(trials) -> None:
    assert all(each.near_snap for each in trials if each.sure_by_place)
    sure = [each for each in trials if each.sure_by_energy]
    assert any(each.near_all for each in sure)
    assert all(each.near_all or each.shelf_told for each in sure)


@pytest.mark.slow
def test_where_the_widest_basin_is_not_the_firmest_snap_two_snaps_are_told(trials) -> None:
    other = [each for each in trials if not each.widest_is_firmest]
    assert other
    assert all(each.told for each in other)
