"""`flex --at-load`, `--strain-limit`, `--radius-limit`: where the blank works hardest."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import SAMPLES, Run, assert_one_line

FLEX = next(SAMPLES.glob("P-1_flex*"))


@pytest.fixture
def sizes(tmp_path: Path) -> Path:
    """Diameters from 2.2 mm at the tip to 12 mm, as a spreadsheet writes them."""
    path = tmp_path / "sizes.csv"
    path.write_text("# measured\nfrom_tip_m,diameter_m\n0,0.0022\n1.0,0.0065\n2.2,0.012\n", encoding="utf-8")
    return path


def test_where_it_works_hardest_stands_in_json_and_always_with_the_caution(run: Run, sizes: Path) -> None:
    asked = ("--at-load", "3", "--diameters", str(sizes), "--strain-limit", "0.4", "--radius-limit", "1.2")
    (result,) = run("flex", FLEX, *asked, "--json").document
    at = result["at_load"]
    assert at["load_N"] == 3.0
    assert 0.0 < at["from_tip_m"] < 2.1
    assert at["radius_m"] == pytest.approx(1.0 / at["curvature_per_m"])
    assert 0.0 < at["curvature_ci95_per_m"] < 0.3 * at["curvature_per_m"]
    assert 0.05 < at["strain_pct"] < 2.0
    strain, radius = result["limits"]
    assert strain["strain_limit_pct"] == pytest.approx(0.4)
    assert radius["radius_limit_m"] == pytest.approx(1.2)
    assert 0.0 < strain["load_ci95_N"] < strain["load_N"]
    assert any("never a licence to load further" in said for said in result["cautions"])
    table = " ".join(run("flex", FLEX, *asked).out.split())
    assert "never a licence to load further" in table.replace("! ", "")
    assert "Where it works hardest at 3 N" in table


def test_a_limit_alone_and_the_load_that_reaches_it_agree(run: Run) -> None:
    (result,) = run("flex", FLEX, "--radius-limit", "120cm", "--json").document
    assert result["at_load"] is None
    (limit,) = result["limits"]
    (again,) = run("flex", FLEX, "--at-load", str(limit["load_N"]), "--json").document
    assert again["at_load"]["radius_m"] == pytest.approx(1.2, rel=1e-3)
    assert again["at_load"]["strain_pct"] is None


def test_a_limit_that_no_load_reaches_is_not_made_up(run: Run) -> None:
    (result,) = run("flex", FLEX, "--radius-limit", "10cm", "--json").document
    assert result["limits"][0]["load_N"] is None
    assert "not reached" in run("flex", FLEX, "--radius-limit", "10cm").out


def test_a_load_beyond_what_the_run_tried_is_said(run: Run) -> None:
    (result,) = run("flex", FLEX, "--at-load", "40", "--json").document
    assert any("nobody has tried" in said for said in result["cautions"])
    (calm,) = run("flex", FLEX, "--at-load", "1", "--json").document
    assert not any("nobody has tried" in said for said in calm["cautions"])


def test_two_ends_in_the_header_serve_as_a_straight_taper_and_that_is_said(run: Run, tmp_path: Path) -> None:
    text = FLEX.read_text(encoding="utf-8")
    own = tmp_path / "own.csv"
    both = "# pull = \n# butt_diameter_m = 0.0124\n# tip_diameter_m = 0.0022\n"
    line = next(line for line in text.splitlines(keepends=True) if line.startswith("# pull"))
    own.write_text(text.replace(line, both.replace("# pull = \n", line)), encoding="utf-8")
    (result,) = run("flex", own, "--at-load", "3", "--json").document
    assert result["at_load"]["strain_pct"] > 0.0
    assert any("straight taper" in said for said in result["cautions"])


def test_without_being_asked_nothing_is_said_of_it(run: Run) -> None:
    (result,) = run("flex", FLEX, "--json").document
    assert "at_load" not in result
    assert "licence" not in run("flex", FLEX).out


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["--at-load", "0"], "above zero"),
        (["--at-load", "nan"], "above zero"),
        (["--strain-limit", "0.4"], "needs the diameters of P-1"),
        (["--strain-limit", "-1"], "above zero"),
        (["--at-load", "1e9"], "smaller load"),
    ],
)
def test_what_cannot_be_answered_is_one_line(run: Run, asked: list[str], said: str) -> None:
    assert_one_line(run("flex", FLEX, *asked, "--json"), said)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("s,d\n0,0.002\n", ":1: the columns"),
        ("", "the columns"),
        ("from_tip_m,diameter_m\n0,0.002\nx,0.004\n", ":3: two numbers"),
        ("from_tip_m,diameter_m\n0,2.2\n2.1,12\n", ":2: no blank is 2.2 m thick"),
        ("from_tip_m,diameter_m\n-1,0.002\n2.1,0.012\n", ":2: a distance"),
        ("from_tip_m,diameter_m\n1,0.002\n1,0.012\n", "two different distances"),
        ("from_tip_m,diameter_m\n0,0.002\n1.5,0.012\n", "measure from the tip to the chuck"),
    ],
)
def test_diameters_that_cannot_be_used_are_one_line(run: Run, tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "sizes.csv"
    path.write_text(text, encoding="utf-8")
    assert_one_line(run("flex", FLEX, "--at-load", "2", "--diameters", path, "--json"), said)


def test_missing_diameters_and_those_for_nothing_are_refused(run: Run, tmp_path: Path, sizes: Path) -> None:
    missing = tmp_path / "none.csv"
    assert_one_line(run("flex", FLEX, "--at-load", "2", "--diameters", missing, "--json"), "none.csv")
    assert_one_line(run("flex", FLEX, "--diameters", sizes, "--json"), "--diameters alone")
