"""Best sets of k: against brute force, a textbook case, and what measurement error alone would make."""

import itertools
import math

import numpy as np
import pytest

from analysis.decide.match import expected_range, match_sets
from analysis.decide.partition import all_sets, neighbour_bound, partition, set_cost
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, Share


def brute_force(points, k):
    """Smallest total over every division, by trying them all."""

    def divide(rest):
        if len(rest) < k:
            yield ()
            return
        first, others = rest[0], rest[1:]
        if len(rest) % k:  # the first point may also be left over
            yield from divide(others)
        for mates in itertools.combinations(others, k - 1):
            left = tuple(i for i in others if i not in mates)
            for more in divide(left):
                yield ((first, *mates), *more)

    wanted = len(points) // k
    return min(
        sum(set_cost(points[list(group)]) for group in groups)
        for groups in divide(tuple(range(len(points))))
        if len(groups) == wanted
    )


@pytest.mark.parametrize(("n", "k"), [(6, 2), (7, 2), (9, 3), (8, 3), (10, 5), (11, 5), (8, 4), (5, 5)])
def test_division_is_the_best_of_all(n, k):
    points = np.random.default_rng(n * k).standard_normal((n, 2))
    found = partition(points, k)
    assert found.proven
    assert found.total == pytest.approx(brute_force(points, k), abs=1e-9)
    assert found.bound == pytest.approx(found.total, abs=1e-9)
    assert len(found.sets) == n // k
    assert len({i for group in found.sets for i in group}) == n // k * k


def test_every_set_is_listed_once_with_its_cost():
    points = np.random.default_rng(1).standard_normal((9, 3))
    members, costs = all_sets(points, 4)
    assert [tuple(row) for row in members] == list(itertools.combinations(range(9), 4))
    assert costs == pytest.approx([set_cost(points[list(row)]) for row in members])


def test_one_property_alone_is_divided_as_it_lies_in_order():
    # In one dimension neighbours belong together: sorting is optimal for equal sets without left-overs.
    values = np.random.default_rng(2).permutation(np.random.default_rng(3).exponential(1.0, 20))
    found = partition(values[:, None], 5)
    ranked = np.sort(values).reshape(4, 5)
    assert found.total == pytest.approx((ranked[:, -1] - ranked[:, 0]).sum())


def test_clusters_that_are_there_are_found():
    rng = np.random.default_rng(4)
    centres = np.repeat(np.array([[0, 0], [10, 0], [0, 10], [10, 10]], dtype=float), 5, axis=0)
    order = rng.permutation(20)
    found = partition((centres + 0.1 * rng.standard_normal((20, 2)))[order], 5)
    assert all(len({order[i] // 5 for i in group}) == 1 for group in found.sets)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 1])
def test_forty_blanks_in_eight_fives_are_proven(seed):
    """The steps of the proof do not depend on a clock; one second of a quiet processor, given ten minutes."""
    points = np.random.default_rng(seed).standard_normal((40, 3))
    found = partition(points, 5, time_limit_s=600.0)
    assert found.proven
    assert found.bound == pytest.approx(found.total)
    assert found.total == pytest.approx(sum(set_cost(points[list(group)]) for group in found.sets))
    assert sorted(i for group in found.sets for i in group) == list(range(40))


def test_bound_by_neighbours_is_below_the_optimum():
    for seed in range(5):
        points = np.random.default_rng(seed).standard_normal((11, 2))
        assert neighbour_bound(points, 3) <= partition(points, 3).total + 1e-12


@pytest.mark.slow
def test_a_shipment_too_large_to_list_is_divided_well_with_a_stated_gap():
    points = np.random.default_rng(0).standard_normal((90, 2))
    found = partition(points, 5, time_limit_s=8.0)
    assert not found.proven
    assert 0.0 < found.bound < found.total
    assert len({i for group in found.sets for i in group}) == 90


def shipment(values, noise=0.01, shares=()):
    return {
        f"S-{i:02d}": Estimate(float(value), noise, math.inf, tuple(shares)) for i, value in enumerate(values)
    }


def test_sets_hold_names_spreads_and_left_overs():
    loads = [5.0, 6.0, 5.01, 6.02, 7.5]
    result = match_sets({"reference_load": shipment(loads)}, 2)
    assert [one.blanks for one in result.sets] == [("S-00", "S-02"), ("S-01", "S-03")]
    assert result.left_over == ("S-04",)
    assert result.sets[0].spreads["reference_load"] == pytest.approx(100 * 0.01 / 6.0)
    assert result.sets[0].cost == pytest.approx(100 * 0.01 / 6.0 / 5.0)
    assert result.in_order == pytest.approx(100 * (1.0 + 1.01) / 6.0 / 5.0)
    assert result.gain == pytest.approx(1.0 - 0.03 / 2.01)
    assert (result.proven, result.gap) == (True, 0.0)


def test_a_weight_of_zero_takes_a_property_out():
    columns = {"reference_load": shipment([5.0, 6.0, 5.0, 6.0]), "bow": shipment([0.0, 0.0, 0.03, 0.03])}
    by_load = match_sets(columns, 2, weights={"bow": 0.0})
    by_bow = match_sets(columns, 2, weights={"reference_load": 0.0})
    assert {one.blanks for one in by_load.sets} == {("S-00", "S-02"), ("S-01", "S-03")}
    assert {one.blanks for one in by_bow.sets} == {("S-00", "S-01"), ("S-02", "S-03")}


def test_spread_that_is_all_error_is_said_to_be():
    rng = np.random.default_rng(6)
    shared = [Share("calibration", 5.0, shared=True)]
    noisy = match_sets({"reference_load": shipment(5.0 + 0.1 * rng.standard_normal(10), 0.1, shared)}, 5)
    clean = match_sets({"reference_load": shipment(5.0 + 0.1 * rng.standard_normal(10), 0.001, shared)}, 5)
    assert noisy.noise_share > 0.9
    assert any("measurement error alone" in warning for warning in noisy.warnings)
    assert clean.noise_share < 0.05


@pytest.mark.parametrize("sigma", [(1.0, 1.0, 1.0), (0.2, 1.0, 3.0), (0.0, 1.0, 1.0), (0.0, 0.0, 2.0)])
def test_expected_range_agrees_with_drawing(sigma):
    draws = np.random.default_rng(0).standard_normal((400_000, 3)) * sigma
    assert expected_range(np.array(sigma)) == pytest.approx(np.ptp(draws, axis=1).mean(), rel=5e-3)


def test_blanks_without_all_properties_are_left_out_by_name():
    columns = {"reference_load": shipment([5.0, 5.0, 5.1]), "bow": shipment([0.0, 0.0])}
    assert any("S-02" in warning for warning in match_sets(columns, 2).warnings)


def test_too_few_blanks_or_a_set_of_one_are_refused():
    with pytest.raises(ReadingsError, match="one set needs 5"):
        match_sets({"reference_load": shipment([5.0, 5.0])}, 5)
    with pytest.raises(ReadingsError, match="two or more"):
        match_sets({"reference_load": shipment([5.0, 5.0])}, 1)
    with pytest.raises(ReadingsError, match="no tolerance"):
        match_sets({"colour": shipment([5.0, 5.0])}, 2)
