"""Gauge study where people deal with blanks differently, and where blanks were repeated unequally often.

Oracle: expected mean squares by projections and traces (Searle, Casella & McCulloch, Variance Components,
1992, from memory), with design matrices in the test, apart from the package's sums over cells.
"""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from analysis.decide import gauge
from analysis.decide.gauge import study

Table = dict[str, dict[str, list[float]]]


def onto(*factors: list[int]) -> np.ndarray:
    """Projection on the means of the groups that the factors make together."""
    groups = sorted(set(zip(*factors, strict=True)))
    design = np.array([[float(row == group) for group in groups] for row in zip(*factors, strict=True)])
    return design @ np.linalg.pinv(design)


def components(y: np.ndarray, blank: list[int], person: list[int]) -> dict[str, float]:
    """Mean squares and their solution for the components, from E[yᵀQy] = Σ σ²·tr(Q·ZZᵀ)."""
    n = len(y)
    mean, b, p, cell = onto([0] * n), onto(blank), onto(person), onto(blank, person)
    quadratics = {
        "blanks": b - mean,
        "people": p - mean,
        "mixed": cell - b - p + mean,
        "repeats": np.eye(n) - cell,
    }
    same = {
        "blanks": np.equal.outer(blank, blank),
        "people": np.equal.outer(person, person),
        "mixed": np.equal.outer(blank, blank) & np.equal.outer(person, person),
        "repeats": np.eye(n, dtype=bool),
    }
    left = np.array([[np.trace(q @ same[name]) for name in same] for q in quadratics.values()])
    right = np.array([y @ q @ y for q in quadratics.values()])
    return dict(zip(same, np.linalg.solve(left, right), strict=True))


def crossed(mixed: float, seed: int = 4, b: int = 6, o: int = 3, r: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Readings (b, o, r) in which people deal with blanks differently by so much, and the plain rest."""
    rng = np.random.default_rng(seed)
    rest = 3.0 * rng.standard_normal((b, 1, 1)) + 1.5 * rng.standard_normal((1, o, 1))
    rest = rest + 0.4 * rng.standard_normal((b, o, r))
    return rest + mixed * rng.standard_normal((b, o, 1)), rest


def as_table(values: np.ndarray) -> Table:
    return {
        str(i): {"ABC"[j]: [float(x) for x in cell] for j, cell in enumerate(row)}
        for i, row in enumerate(values)
    }


@pytest.mark.parametrize("seed", range(5))
def test_components_with_an_interaction_are_those_of_the_expected_mean_squares(seed: int) -> None:
    values, _ = crossed(1.0, seed)
    b, o, r = values.shape
    places = list(itertools.product(range(b), range(o), range(r)))
    found = study(as_table(values))
    expected = components(values.ravel(), [p[0] for p in places], [p[1] for p in places])
    assert not found.pooled
    assert min(expected.values()) > 0.0  # else a component is cut off at zero, and the test tests less
    assert found.repeatability**2 == pytest.approx(expected["repeats"])
    assert (found.reproducibility or 0.0) ** 2 == pytest.approx(expected["people"] + expected["mixed"])
    assert found.between_blanks**2 == pytest.approx(expected["blanks"])
    # Satterthwaite by its definition: 2·(E)²/Var, the mean squares being independent χ².
    squares = [found.within, found.interaction, found.operators]
    parts = np.array([1.0 - 1.0 / r, 1.0 / r - 1.0 / (b * r), 1.0 / (b * r)])
    means = np.array([line.mean_square for line in squares if line is not None])
    freedom = np.array([line.dof for line in squares if line is not None])
    total = parts @ means
    assert total == pytest.approx(found.rig**2)
    assert found.dof == pytest.approx(2.0 * total**2 / np.sum(2.0 * (parts * means) ** 2 / freedom))


def test_the_interaction_goes_into_the_repeats_where_its_f_test_gives_more_than_a_quarter() -> None:
    """The AIAG manual's usual level of 25 %: F of people-and-blanks over repeats."""
    mixed, rest = crossed(1.0)

    def at(size: float) -> np.ndarray:
        return np.asarray(rest + size * (mixed - rest))

    def p_value(size: float) -> float:
        y = at(size)
        b, o, r = y.shape
        cell = y.mean(axis=2)
        off = cell - cell.mean(axis=1, keepdims=True) - cell.mean(axis=0) + cell.mean()
        mixed_square = r * np.sum(off**2) / ((b - 1) * (o - 1))
        within = np.sum((y - cell[:, :, None]) ** 2) / (b * o * (r - 1))
        return float(stats.f.sf(mixed_square / within, (b - 1) * (o - 1), b * o * (r - 1)))

    edge = brentq(lambda size: p_value(size) - 0.25, 0.1, 1.0)
    assert p_value(1.05 * edge) < 0.25 < p_value(0.95 * edge)
    assert study(as_table(at(0.95 * edge))).pooled
    assert not study(as_table(at(1.05 * edge))).pooled


def test_the_manuals_example_without_pooling(monkeypatch: pytest.MonkeyPatch) -> None:
    """AIAG MSA 4th ed. example, components of the unpooled analysis (computed; EV .2144 also published)."""
    source = Path(__file__).parents[2] / "published" / "test_gauge_study.py"
    lines = source.read_text(encoding="utf-8").split('AIAG = """')[1].split('"""')[0].split("\n")
    values: Table = {}
    for line in filter(None, lines):
        person, *numbers = line.split()
        for part, number in enumerate(numbers):
            values.setdefault(str(part), {}).setdefault(person, []).append(float(number))
    monkeypatch.setattr(gauge, "POOL_LEVEL", 1.0)
    found = study(values)
    assert not found.pooled
    assert found.repeatability == pytest.approx(0.2144347, abs=1e-7)
    assert found.reproducibility == pytest.approx(0.2283044, abs=1e-7)
    assert found.rig == pytest.approx(0.3132174, abs=1e-7)
    assert found.between_blanks == pytest.approx(1.0433945, abs=1e-7)
    assert found.total == pytest.approx(1.0893931, abs=1e-7)
    assert found.rig_pct == pytest.approx(28.7516, abs=1e-4)


@pytest.mark.parametrize("sizes", [(2, 2, 9), (1, 3, 5, 7), (4, 2, 2, 8, 3)])
def test_unequal_repeats_count_by_the_expected_mean_square_of_the_blanks(sizes: tuple[int, ...]) -> None:
    """ISO 5725-2 has the same n̄; here tr(Q·ZZᵀ) from the design itself."""
    rng = np.random.default_rng(sum(sizes))
    groups = [3.0 * i + 0.5 * rng.standard_normal(size) for i, size in enumerate(sizes)]
    label = [i for i, size in enumerate(sizes) for _ in range(size)]
    y, n, k = np.concatenate(groups), sum(sizes), len(sizes)
    between = onto(label) - onto([0] * n)
    within = np.eye(n) - onto(label)
    repeat = y @ within @ y / (n - k)
    same = np.equal.outer(label, label)
    expected = (y @ between @ y - np.trace(between) * repeat) / np.trace(between @ same)
    found = study({str(i): {"": group.tolist()} for i, group in enumerate(groups)})
    assert found.repeatability == pytest.approx(math.sqrt(repeat))
    assert found.between_blanks == pytest.approx(math.sqrt(expected))


@pytest.mark.parametrize(("ratio", "classes"), [(2.10, 2), (2.14, 3), (3.54, 4), (3.56, 5), (0.3, 1)])
def test_classes_are_1_41_times_the_blanks_over_the_rig(ratio: float, classes: int) -> None:
    """AIAG MSA 4th ed.: ndc = 1.41·PV/GRR, cut to whole; √2 would give 5 at 3.54."""
    # Two blanks d apart, two repeats 2·e apart: repeat² = 2e², between² = d²/2 − e².
    e = 1.0
    d = math.sqrt(2.0 * (2.0 * e**2 * ratio**2 + e**2))
    found = study({"a": {"": [-e, e]}, "b": {"": [d - e, d + e]}})
    assert found.between_blanks / found.rig == pytest.approx(ratio)
    assert found.classes == classes
