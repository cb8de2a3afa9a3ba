"""The cheapest way to divide blanks into sets of k: set partitioning, proven optimal where it can be.

Every possible set is a column with a cost. The linear relaxation is solved by column generation in which
*all* columns are priced each round; its duals bound the optimum from below, any partition bounds it from
above, and a column whose reduced cost exceeds the difference cannot be in an optimal partition (reduced-cost
fixing). An integer programme over the few that remain ends the proof (HiGHS through `scipy.optimize`).
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csc_array, vstack

from analysis.readings import Floats

Ints = NDArray[np.int16]

# Columns are sets that may be chosen. Ours, chosen on benchmarks/match.py: time and memory, never the answer.
MOST_COLUMNS = 8_000_000
"""More sets than this are not listed: near ones only, and the bound is that of neighbours."""
_FINAL_COLUMNS = 60_000  # the whole-number program takes so many
_FIRST_COLUMNS = 1_500  # the relaxation begins with so many


@dataclass(frozen=True, slots=True)
class Partition:
    """A division into sets and how good it is."""

    sets: tuple[tuple[int, ...], ...]
    """Indices of the points in each set, cheapest set first."""
    total: float
    """Sum of the sets' costs."""
    bound: float
    """No division can cost less; −inf where no bound was found."""
    proven: bool
    """True if `total` is the smallest possible."""


def set_cost(points: Floats) -> float:
    """Cost of one set: the range along each column of `points` (k, m), added up."""
    return float(np.sum(points.max(axis=0) - points.min(axis=0)))


def all_sets(points: Floats, k: int) -> tuple[Ints, Floats]:
    """List every set of k points with its cost.

    Returns
    -------
    members : ndarray of int16, shape (C, k)
        Indices, rising along each row.
    costs : ndarray, shape (C,)
    """
    n = len(points)
    members = np.arange(n - k + 1, dtype=np.int16)[:, None]
    low = high = points[: n - k + 1]
    for size in range(2, k + 1):
        last = members[:, -1].astype(np.intp)
        count = (n - k + size - 1) - last
        rows = np.repeat(np.arange(len(members)), count)
        start = np.repeat(np.cumsum(count) - count, count)
        new = last[rows] + 1 + np.arange(len(rows)) - start
        members = np.concatenate([members[rows], new[:, None].astype(np.int16)], axis=1)
        low = np.minimum(low[rows], points[new])
        high = np.maximum(high[rows], points[new])
    return members, np.asarray(np.sum(high - low, axis=1))


def near_sets(points: Floats, k: int, also: list[tuple[int, ...]]) -> tuple[Ints, Floats]:
    """List sets of near neighbours: each point with k − 1 of its nearest, and the sets in `also`.

    Returns
    -------
    members, costs
        As `all_sets`, about 1,000 sets a point.
    """
    n = len(points)
    reach = k
    while reach < n and math.comb(reach, k - 1) <= 1000:
        reach += 1
    inner, _ = all_sets(np.zeros((reach - 1, 1)), k - 1) if k > 2 else (np.arange(reach - 1)[:, None], None)
    found = [np.sort(np.array(also, dtype=np.int16), axis=1)]
    for i in range(n):
        nearest = np.argsort(np.abs(points - points[i]).sum(axis=1), kind="stable")
        nearest = nearest[nearest != i][: reach - 1]
        rows = np.concatenate([np.full((len(inner), 1), i), nearest[inner]], axis=1)
        found.append(np.sort(rows.astype(np.int16), axis=1))
    members = np.unique(np.concatenate(found), axis=0)
    return members, np.asarray(np.ptp(points[members], axis=1).sum(axis=1))


def neighbour_bound(points: Floats, k: int) -> float:
    """Bound every division from below: a set costs at least the city-block distance of any two members.

    So a set that holds point i costs at least the distance to its (k−1)-th nearest neighbour; each point
    carries 1/k of its set, and the dearest n mod k points may be the ones left over.
    """
    n = len(points)
    distance = np.abs(points[:, None, :] - points[None, :, :]).sum(axis=2)
    least = np.sort(np.partition(distance, k - 1, axis=1)[:, k - 1])
    return float(least[: n - n % k].sum() / k)


def partition(points: Floats, k: int, *, time_limit_s: float = 20.0) -> Partition:
    """Divide n points into ⌊n/k⌋ sets of k with the smallest sum of costs; n mod k points are left over.

    Parameters
    ----------
    points : ndarray, shape (n, m)
        Properties, already scaled and weighted; a set costs the sum of its ranges (`set_cost`).
    k : int
        Size of a set, 2 ≤ k ≤ n.
    time_limit_s : float
        After this long the best division so far is given with its bound.

    Returns
    -------
    Partition
        Proven where there are at most `MOST_COLUMNS` sets and time suffices. With more, only sets of near
        neighbours are tried and the bound is the plain `neighbour_bound`.
    """
    n = len(points)
    if not 2 <= k <= n:
        raise ValueError("a set has at least two blanks and at most all of them")
    deadline = time.monotonic() + time_limit_s
    best = improve(points, in_rows(points, k), k)
    some = math.comb(n, k) > MOST_COLUMNS
    members, costs = near_sets(points, k, best) if some else all_sets(points, k)
    bound, reduced, basis = _relax(members, costs, n, n // k, best, deadline)
    total = sum(set_cost(points[list(group)]) for group in best)
    slack = 1e-9 * (1.0 + total)
    if total - bound <= slack and not some:
        return _finish(points, best, bound, True)
    few = basis[np.argsort(reduced[basis])[:4000]]
    found, _, _ = _whole(members, costs, few, n, n // k, 0.25 * time_limit_s)
    if found is not None:
        better = improve(points, found, k)
        if _total(points, better) < total:
            best, total = better, _total(points, better)
    kept = np.flatnonzero(reduced <= total - bound + slack)
    cut = len(kept) > _FINAL_COLUMNS
    if cut:
        kept = kept[np.argpartition(reduced[kept], _FINAL_COLUMNS)[:_FINAL_COLUMNS]]
    left = max(deadline - time.monotonic(), 0.5)
    found, dual, done = _whole(members, costs, kept, n, n // k, left)
    if found is not None and _total(points, found) < total:
        best, total = found, _total(points, found)
    if some:
        return _finish(points, best, neighbour_bound(points, k), False)
    if done and not cut:
        return _finish(points, best, total, True)
    return _finish(points, best, bound if cut else min(max(bound, dual), total), False)


def _total(points: Floats, groups: list[tuple[int, ...]]) -> float:
    return sum(set_cost(points[list(group)]) for group in groups)


def _finish(points: Floats, groups: list[tuple[int, ...]], bound: float, proven: bool) -> Partition:
    ordered = sorted(groups, key=lambda group: set_cost(points[list(group)]))
    return Partition(tuple(tuple(sorted(group)) for group in ordered), _total(points, groups), bound, proven)


def in_rows(points: Floats, k: int) -> list[tuple[int, ...]]:
    """Sort by the sum of the properties and take k at a time: a quick first division."""
    order = np.argsort(points.sum(axis=1), kind="stable")
    return [tuple(int(i) for i in order[j : j + k]) for j in range(0, len(order) - k + 1, k)]


def improve(points: Floats, groups: list[tuple[int, ...]], k: int) -> list[tuple[int, ...]]:
    """Swap pairs between sets (and with those left over) as long as the total falls."""
    n = len(points)
    used = np.array(groups, dtype=np.intp).reshape(-1)
    rest = np.setdiff1d(np.arange(n), used)
    sets = np.array(groups, dtype=np.intp)
    for _ in range(50):
        before = np.ptp(points[sets], axis=1).sum(axis=1)
        better = False
        for a in range(len(sets)):
            for i in range(k):
                gain, move = 1e-12, None
                for b in range(a + 1, len(sets)):
                    mine = np.repeat(sets[a][None], k, axis=0)
                    mine[:, i] = sets[b]
                    theirs = np.repeat(sets[b][None], k, axis=0)
                    np.fill_diagonal(theirs, sets[a][i])
                    after = np.ptp(points[mine], axis=1).sum(axis=1) + np.ptp(points[theirs], axis=1).sum(
                        axis=1
                    )
                    j = int(np.argmin(after))
                    if before[a] + before[b] - after[j] > gain:
                        gain, move = float(before[a] + before[b] - after[j]), (b, j)
                for j in range(len(rest)):
                    mine_ = sets[a].copy()
                    mine_[i] = rest[j]
                    saved = float(before[a]) - set_cost(points[mine_])
                    if saved > gain:
                        gain, move = saved, (-1, j)
                if move is not None:
                    b, j = move
                    if b >= 0:
                        sets[a][i], sets[b][j] = sets[b][j], sets[a][i]
                    else:
                        sets[a][i], rest[j] = rest[j], sets[a][i]
                    before = np.ptp(points[sets], axis=1).sum(axis=1)
                    better = True
        if not better:
            break
    return [tuple(int(i) for i in row) for row in sets]


def _matrix(members: Ints, columns: NDArray[np.intp], n: int) -> csc_array:
    """Incidence of points (rows) in the chosen columns, with a last row that counts sets."""
    k = members.shape[1]
    rows = members[columns].astype(np.int32).reshape(-1)
    place = np.arange(0, k * len(columns) + 1, k, dtype=np.int32)
    incidence = csc_array((np.ones(len(rows)), rows, place), shape=(n, len(columns)))
    return csc_array(vstack([incidence, csc_array(np.ones((1, len(columns))))]))


def _relax(
    members: Ints,
    costs: Floats,
    n: int,
    sets: int,
    start: list[tuple[int, ...]],
    deadline: float,
) -> tuple[float, Floats, NDArray[np.intp]]:
    """Solve the linear relaxation; give its bound, all reduced costs, and the columns it used."""
    chosen = np.unique(
        np.concatenate(
            [
                np.argpartition(costs, min(_FIRST_COLUMNS, len(costs) - 1))[:_FIRST_COLUMNS],
                _find(members, start, n),
                *(_cheapest_with(members, costs, i) for i in range(n)),
            ]
        )
    )
    whole = n == sets * members.shape[1]
    bound, best = -math.inf, costs.copy()
    solve: Any = linprog  # takes sparse matrices, which its published types do not know
    while True:
        matrix = _matrix(members, chosen, n)
        if whole:
            solved = solve(costs[chosen], A_eq=matrix[:n], b_eq=np.ones(n), method="highs-ipm")
            prices, level = np.asarray(solved.eqlin.marginals), 0.0
        else:
            solved = solve(
                costs[chosen],
                A_ub=matrix[:n],
                b_ub=np.ones(n),
                A_eq=matrix[[n]],
                b_eq=[sets],
                method="highs-ipm",
            )
            prices, level = np.asarray(solved.ineqlin.marginals), float(solved.eqlin.marginals[0])
        reduced = costs - level
        for column in range(members.shape[1]):
            reduced -= prices[members[:, column]]
        least = float(reduced.min())
        value = float(prices.sum()) + sets * (level + min(least, 0.0))
        if value > bound:
            # Shifted by `least`, every reduced cost is ≥ 0 and `value` is a true lower bound.
            bound, best = value, reduced - min(least, 0.0)
        if least >= -1e-9 or time.monotonic() > deadline:
            return bound, best, chosen
        count = min(_FIRST_COLUMNS, len(reduced) - 1)
        fresh = np.argpartition(reduced, count)[:count]
        chosen = np.union1d(chosen, fresh[reduced[fresh] < -1e-9])


def _find(members: Ints, groups: list[tuple[int, ...]], n: int) -> NDArray[np.intp]:
    """Indices of given sets among all columns."""
    base = n ** np.arange(members.shape[1])[::-1].astype(np.int64)
    keys = members.astype(np.int64) @ base
    wanted = np.array([sorted(group) for group in groups], dtype=np.int64) @ base
    return np.asarray(np.searchsorted(keys, wanted), dtype=np.intp)


def _cheapest_with(members: Ints, costs: Floats, point: int, count: int = 30) -> NDArray[np.intp]:
    holds = np.flatnonzero(np.any(members == point, axis=1))
    if len(holds) <= count:
        return holds
    return np.asarray(holds[np.argpartition(costs[holds], count)[:count]])


def _whole(
    members: Ints, costs: Floats, columns: NDArray[np.intp], n: int, sets: int, limit_s: float
) -> tuple[list[tuple[int, ...]] | None, float, bool]:
    """Solve the integer programme over some columns: sets, its lower bound, whether it was finished."""
    whole = n == sets * members.shape[1]
    low = np.append(np.full(n, 1.0 if whole else 0.0), float(sets))
    solved = milp(
        costs[columns],
        integrality=np.ones(len(columns), dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(_matrix(members, columns, n), low, np.append(np.ones(n), float(sets))),
        options={"time_limit": limit_s, "mip_rel_gap": 0.0},
    )
    if solved.x is None:
        return None, -math.inf, False
    picked = columns[np.asarray(solved.x) > 0.5]
    dual = solved.mip_dual_bound
    groups = [tuple(int(i) for i in members[column]) for column in picked]
    return groups, -math.inf if dual is None else float(dual), bool(solved.status == 0)
