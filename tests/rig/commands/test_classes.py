"""Class bands learnt from labelled runs, through the command line."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from command_line import SAMPLES, Run, assert_one_line


@pytest.fixture
def runs(tmp_path: Path) -> list[Path]:
    """The sample flex runs, all labelled medium, the loads of the first two made a third less."""
    paths = []
    for number, path in enumerate(sorted(SAMPLES.glob("P-*_flex*.csv"))):
        text = path.read_text(encoding="utf-8")
        assert 'label_power = "medium"' in text
        if number < 2:
            lines = text.splitlines()
            top = next(at for at, line in enumerate(lines) if not line.startswith("#"))
            column = lines[top].split(",").index("load_N")
            for at in range(top + 1, len(lines)):
                cells = lines[at].split(",")
                if not lines[at].startswith("#") and cells[column]:
                    cells[column] = f"{float(cells[column]) * 0.67:.5f}"
                lines[at] = ",".join(cells)
            text = "\n".join(lines) + "\n"
        paths.append(tmp_path / path.name)
        paths[-1].write_text(text, encoding="utf-8")
    return paths


def relabel(path: Path, label: str) -> None:
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('label_power = "medium"', f'label_power = "{label}"'), encoding="utf-8")


def test_bands_are_learnt_and_written_to_the_settings(run: Run, runs: list[Path], tmp_path: Path) -> None:
    loads = [record["reference_load_N"] for record in run("flex", *runs, "--json").document]
    for soft in runs[:2]:
        relabel(soft, "medium-light")
    settings = tmp_path / "shop.toml"
    settings.write_text("# our shop\n[shop]\nname = 'Bench'\n", encoding="utf-8")
    answer = run("classes", "learn", *runs, "--settings", settings, "--save", "--json").document
    (edge,) = [edge for edge in answer["power"]["edges"] if edge["learnt"]]
    assert (edge["below"], edge["above"]) == ("medium-light", "medium")
    assert max(loads[:2]) < edge["edge_N"] < min(loads[2:])
    assert answer["power"]["misfits"] == []
    assert "action" not in answer
    assert any("Action" in warning for warning in answer["warnings"])
    text = settings.read_text(encoding="utf-8")
    assert text.startswith("# our shop")
    assert tomllib.loads(text)["classes"]["power"]["edges_N"][2] == edge["edge_N"]
    (record,) = run("flex", runs[0], "--settings", settings, "--json").document
    assert record["power_class"] == "medium-light"


def test_labels_that_teach_nothing_or_contradict_are_told(run: Run, runs: list[Path]) -> None:
    assert_one_line(run("classes", "learn", *runs), "two of these blanks")
    again = runs[0].with_name("again.csv")
    again.write_text(runs[0].read_text(encoding="utf-8"), encoding="utf-8")
    relabel(again, "heavy")
    assert_one_line(run("classes", "learn", *runs, again), "again.csv", "heavy", "medium")
    relabel(runs[1], "stout")
    assert_one_line(run("classes", "learn", *runs), "stout")
