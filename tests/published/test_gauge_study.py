"""Repeat studies and circular statistics against published worked examples."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from analysis.angles import mean_direction
from analysis.decide.gauge import angle_study, study

# AIAG Measurement Systems Analysis, 4th ed., worked example: 10 parts, 3 appraisers, 3 trials (as transcribed
# in several public test suites).
AIAG = """
A .29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36
A .41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
A .64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31
B .08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
B .25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
B .07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
C .04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
C -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
C -.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""


def aiag() -> dict[str, dict[str, list[float]]]:
    values: dict[str, dict[str, list[float]]] = {}
    for line in AIAG.split("\n"):
        if line:
            person, *numbers = line.split()
            for part, number in enumerate(numbers):
                values.setdefault(f"part {part + 1}", {}).setdefault(person, []).append(float(number))
    return values


def test_the_manuals_worked_example_is_reproduced() -> None:
    """AIAG MSA 4th ed., tables III-B 7/8: sums of squares, components, %GRR 27.86, 4 categories."""
    found = study(aiag())
    assert found.operators is not None
    assert found.interaction is not None
    assert found.reproducibility is not None
    sums = [x.sum_of_squares for x in (found.operators, found.blanks, found.interaction, found.within)]
    assert sums == pytest.approx([3.1673, 88.3619, 0.3590, 2.7589], abs=5e-5)
    assert [x.dof for x in (found.operators, found.blanks, found.interaction, found.within)] == [2, 9, 18, 60]
    assert found.pooled
    assert found.repeatability == pytest.approx(0.199933, abs=1e-6)
    assert found.reproducibility == pytest.approx(0.226838, abs=1e-6)
    assert found.rig == pytest.approx(0.302373, abs=2e-6)
    assert found.between_blanks == pytest.approx(1.042327, abs=1e-6)
    assert found.total == pytest.approx(1.085300, abs=1e-6)
    assert found.rig_pct == pytest.approx(27.86, abs=0.005)
    assert found.classes == 4


def test_one_way_components_of_a_certified_data_set() -> None:
    """NIST StRD SiRstv (5 × 5), in the SciPy wheel: certified sums of squares and residual SD."""
    path = Path(scipy.stats.__file__).parent / "tests/data/nist_anova/SiRstv.dat"
    if not path.exists():
        pytest.skip("this SciPy was installed without its test data")
    rows = [line.split() for line in path.read_text(encoding="utf-8").splitlines()[60:] if line.strip()]
    values: dict[str, dict[str, list[float]]] = {}
    for group, number in rows:
        values.setdefault(group, {}).setdefault("-", []).append(float(number))
    found = study(values)
    assert found.blanks.sum_of_squares == pytest.approx(5.11462616e-02, rel=1e-7)
    assert found.within.sum_of_squares == pytest.approx(2.1663656e-01, rel=1e-7)
    assert found.repeatability == pytest.approx(0.104076068334656, rel=1e-7)
    assert found.between_blanks**2 == pytest.approx(3.9094748e-04, rel=1e-5)


def test_mean_direction_of_published_angles() -> None:
    """Mardia & Jupp (2000), example 1.1 (roulette): mean 51°, resultant 0.711; and SciPy's circular mean."""
    angles = np.radians([43, 45, 52, 61, 75, 88, 88, 279, 357])
    mean, resultant = mean_direction(angles)
    assert math.degrees(mean) == pytest.approx(51.050177108550, abs=1e-9)
    assert resultant == pytest.approx(0.710990998863, abs=1e-11)
    assert mean == pytest.approx(scipy.stats.circmean(angles))


def test_mean_axis_of_published_axial_data() -> None:
    """Zar, Biostatistical Analysis, ex. 26.7 (data): axis by doubling, against SciPy with period 180°."""
    angles = [35, 40, 40, 45, 45, 55, 60, 215, 220, 225, 225, 235, 235, 240, 245]
    axis, resultant = mean_direction(angles, 180.0)
    assert axis == pytest.approx(47.953007602910, abs=1e-9)
    assert resultant == pytest.approx(0.948433037891, abs=1e-11)
    assert axis == pytest.approx(scipy.stats.circmean(angles, high=180.0))


def test_planes_on_both_sides_of_zero_scatter_little() -> None:
    """{5°, 175°} and {89°, −89° + 180°}: 5° off their axis each way, whatever their numbers look like."""
    found = angle_study(
        {"a": {"": np.radians([5.0, 175.0]).tolist()}, "b": {"": np.radians([89.0, 91.0]).tolist()}}, math.pi
    )
    assert math.degrees(found.widest) == pytest.approx(5.0)
    assert math.degrees(found.repeatability) == pytest.approx(math.sqrt((2 * 25.0 + 2 * 1.0) / 2))


def test_smallest_difference_uses_students_t_for_the_repeats_at_hand() -> None:
    """Two repeats each of two blanks: 2 degrees of freedom, t = 4.303 (table of Student's t, from memory)."""
    found = study({"a": {"": [1.0, 1.2]}, "b": {"": [2.0, 2.2]}})
    assert found.repeatability == pytest.approx(math.sqrt(0.02))
    assert found.smallest_difference == pytest.approx(4.303 * math.sqrt(2.0) * math.sqrt(0.02), rel=2e-4)


def test_people_part_their_angles_as_the_analysis_of_variance_of_a_general_library_says() -> None:
    """Planes of two people on three blanks, across 0°: the same table in statsmodels' two-way analysis."""
    pandas = pytest.importorskip("pandas")
    formula = pytest.importorskip("statsmodels.formula.api", reason="statsmodels is in the dev extra")
    anova = pytest.importorskip("statsmodels.stats.anova")
    rng = np.random.default_rng(11)
    rows = [
        (blank, person, (mean + 2.0 * (person == "p") + rng.normal(0.0, 0.5)) % 180.0)
        for blank, mean in (("a", 0.5), ("b", 90.0), ("c", 178.0))
        for person in ("p", "q")
        for _ in range(4)
    ]
    table: dict[str, dict[str, list[float]]] = {}
    for blank, person, degrees in rows:
        table.setdefault(blank, {}).setdefault(person, []).append(math.radians(degrees))
    found = angle_study(table, math.pi)
    flat = pandas.DataFrame(rows, columns=["blank", "person", "angle"])
    flat["angle"] = (flat["angle"] + 45.0) % 180.0  # off the wrap
    lines = anova.anova_lm(formula.ols("angle ~ C(blank) * C(person)", flat).fit())
    rest, mixed = lines.loc["Residual"], lines.loc["C(blank):C(person)"]
    assert mixed["PR(>F)"] > 0.25  # so the interaction goes into the repeatability
    pooled = (rest["sum_sq"] + mixed["sum_sq"]) / (rest["df"] + mixed["df"])
    between = (lines.loc["C(person)", "mean_sq"] - pooled) / 12.0
    assert math.degrees(found.repeatability) == pytest.approx(math.sqrt(pooled))
    assert math.degrees(found.reproducibility or 0.0) == pytest.approx(math.sqrt(between))
