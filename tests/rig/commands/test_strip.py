"""`spine --strip`: a file to print, from the diameter given or stated."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import SAMPLES, Run, assert_one_line

ROLL = str(next(SAMPLES.glob("P-1_roll*")))


@pytest.mark.parametrize(("name", "begins"), [("strip.pdf", b"%PDF"), ("strip.svg", b"<?xml")])
def test_a_strip_is_written_where_asked(run: Run, tmp_path: Path, name: str, begins: bytes) -> None:
    outcome = run("spine", ROLL, "--strip", tmp_path / name, "--diameter", "14.2mm", "--json")
    assert outcome.status == 0, outcome.err
    assert (tmp_path / name).read_bytes().startswith(begins)


def test_a_missing_diameter_a_wrong_name_and_a_tree_trunk_are_told(run: Run, tmp_path: Path) -> None:
    assert_one_line(run("spine", ROLL, "--strip", tmp_path / "s.pdf", "--json"), "diameter", "P-1")
    assert_one_line(run("spine", ROLL, "--strip", tmp_path / "s.docx", "--diameter", "14mm"), ".pdf")
    assert_one_line(run("spine", ROLL, "--strip", tmp_path / "s.pdf", "--diameter", "30cm"), "thick")
