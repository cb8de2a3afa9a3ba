"""`match`: pairs and fives out of a shipment, against every division tried by hand."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from command_line import SAMPLES, Run, assert_one_line
from shipment_runs import write_flex, write_roll

KEYS = [
    "model",
    "size",
    "sets",
    "left_over",
    "proven",
    "total_cost",
    "cost_at_least",
    "gap_pct",
    "in_order_cost",
    "gain_pct",
    "noise_pct",
    "metrics",
    "warnings",
    "left_out",
]
POWERS = {"A": 1.00, "B": 1.20, "C": 1.01, "D": 1.21, "E": 1.10, "F": 1.40, "G": 1.11}


@pytest.fixture
def runs(tmp_path: Path) -> list[Path]:
    """Three pairs and one blank, F, that goes with none, mixed up."""
    return [write_flex(tmp_path, name, power, seed=n) for n, (name, power) in enumerate(POWERS.items())]


def test_the_pairs_that_belong_together_are_found(run: Run, runs):
    found = run("match", *runs, "--size", "2", "--json").document
    assert list(found) == KEYS
    assert {frozenset(one["blanks"]) for one in found["sets"]} == {
        frozenset("AC"), frozenset("BD"), frozenset("EG"),
    }  # fmt: skip
    assert (found["left_over"], found["proven"], found["gap_pct"]) == (["F"], True, 0.0)
    assert found["metrics"]["reference_load"] == {
        "tolerance": 5.0, "tolerance_unit": "pct_of_median", "weight": 1.0,
    }  # fmt: skip
    assert found["gain_pct"] > 80.0
    for one in found["sets"]:
        assert 0.0 <= one["spreads"]["reference_load"] < 2.0


def test_no_division_tried_by_hand_is_better(run: Run, runs):
    found = run("match", *runs, "--size", "3", "--weight", "bend_centre=0.5", "--json").document
    values = run("batch", *runs, "--json").document["metrics"]
    load, centre = (values[name]["values"] for name in ("reference_load", "bend_centre"))
    median = sorted(load.values())[3]

    def cost(group: tuple[str, ...]) -> float:
        loads, centres = [load[name] for name in group], [centre[name] for name in group]
        spread = 100.0 * (max(loads) - min(loads)) / median / 5.0
        return spread + 0.5 * (max(centres) - min(centres)) / 0.015

    best = min(
        cost(first) + cost(second)
        for first in itertools.combinations(POWERS, 3)
        for second in itertools.combinations(sorted(set(POWERS) - set(first)), 3)
    )
    assert found["total_cost"] == pytest.approx(best, rel=1e-9)
    assert found["in_order_cost"] == pytest.approx(cost(("A", "B", "C")) + cost(("D", "E", "F")), rel=1e-9)


def test_a_property_of_weight_zero_does_not_count(run: Run, runs):
    found = run("match", *runs, "--size", "2", "--weight", "bend_centre=0", "--json").document
    assert list(found["metrics"]) == ["reference_load"]


def test_the_table_names_the_sets_and_what_is_noise(run: Run, runs):
    outcome = run("match", *runs, "--size", "2")
    said = " ".join(outcome.out.split())
    assert said.startswith("3 sets of 2, the most alike there can be (proven).")
    assert "Left over: F." in said
    assert "pays for noise" in said
    assert max(len(line) for line in outcome.out.splitlines()) <= 80


def test_identical_blanks_are_not_sold_as_a_match(run: Run, tmp_path):
    runs = [write_flex(tmp_path, f"B{n}", 1.0, seed=n) for n in range(6)]
    found = run("match", *runs, "--size", "2", "--json").document
    assert found["noise_pct"] > 50.0
    assert any("sort errors" in warning for warning in found["warnings"])


def test_what_few_blanks_have_does_not_throw_out_the_others(run: Run, tmp_path):
    runs = [write_flex(tmp_path, f"B{n}", seed=n, **({"mass_g": 90.0} if n == 0 else {})) for n in range(5)]
    found = run("match", *runs, "--size", "2", "--json").document
    assert "mass" not in found["metrics"]
    assert any("mass is known for 1 of 5 blanks" in warning for warning in found["warnings"])
    assert len(found["sets"]) == 2
    assert_one_line(run("match", *runs, "--size", "2", "--weight", "mass=1"), "only 1 blanks")


def test_a_blank_without_its_roll_run_is_named(run: Run, tmp_path):
    runs = [write_flex(tmp_path, name, seed=n) for n, name in enumerate("ABC")]
    runs += [write_roll(tmp_path, name, seed=n) for n, name in enumerate("AB")]
    found = run("match", *runs, "--size", "2", "--json").document
    assert {frozenset(one["blanks"]) for one in found["sets"]} == {frozenset("AB")}
    assert any("left out for a missing property: C" in warning for warning in found["warnings"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "--size"),
        (("--size", "1"), "two or more"),
        (("--size", "6"), "one set needs 6"),
        (("--size", "2", "--weight", "reference_load=-1"), "--weight"),
        (("--size", "2", "--weight", "power=1"), "power"),
        (("--size", "2", "--weight", "wall_mm=1"), "wall_mm"),
        (("--size", "2", "--seconds", "0"), "--seconds"),
        (("--size", "2", "--tolerance", "bow"), "--tolerance"),
    ],
)
def test_a_wrong_call_is_one_line(run: Run, words: tuple[str, ...], said: str):
    assert_one_line(run("match", str(SAMPLES / "*.csv"), "--json", *words), said)


def test_blanks_that_do_not_compare_are_refused(run: Run, tmp_path):
    runs = [write_flex(tmp_path, name, seed=n, model=model) for n, (name, model) in enumerate(("AX", "BY"))]
    assert_one_line(run("match", *runs, "--size", "2"), "2 models", "X: A", "Y: B")
    lengths = [write_flex(tmp_path, f"L{n}", seed=n, free_length_m=1.8 + 0.1 * n) for n in range(3)]
    assert_one_line(run("match", *lengths, "--size", "2"), "different free lengths")
    zero = [f"{name}=0" for name in ("reference_load", "bend_centre")]
    assert_one_line(
        run("match", *lengths, "--size", "2", "--weight", zero[0], "--weight", zero[1]), "no property"
    )
