"""`report --into x.pdf`: printed by a browser, or one line that says what to do instead."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from command_line import SAMPLES, Run, assert_one_line

from rig.commands.printing import ENVIRONMENT, find_browser

RUNS = sorted(str(path) for path in SAMPLES.glob("P-1_*.csv"))


@pytest.mark.slow
@pytest.mark.skipif(find_browser() is None, reason="no Chromium on the path")
@pytest.mark.parametrize(("paper", "points"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_the_report_is_printed_on_the_paper_asked_for(
    run: Run, tmp_path: Path, paper: str, points: tuple[int, int]
) -> None:
    outcome = run("report", *RUNS, "--into", tmp_path / "batch.pdf", "--paper", paper)
    assert outcome.status == 0, outcome.err
    data = (tmp_path / "batch.pdf").read_bytes()
    assert data.startswith(b"%PDF")
    box = re.search(rb"/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]", data)
    assert box is not None
    assert (float(box[1]), float(box[2])) == pytest.approx(points, abs=1.5)


def test_without_a_browser_the_way_out_is_said(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(ENVIRONMENT, str(tmp_path / "no-such-browser"))
    assert_one_line(run("report", *RUNS, "--into", tmp_path / "batch.pdf"), "batch.pdf", ".html")
    assert not (tmp_path / "batch.pdf").exists()


def test_another_ending_is_refused(run: Run, tmp_path: Path) -> None:
    assert_one_line(run("report", *RUNS, "--into", tmp_path / "batch.docx"), ".docx", ".pdf")


@pytest.mark.slow
@pytest.mark.skipif(find_browser() is None, reason="no Chromium on the path")
def test_labels_are_printed_too(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "runs"
    folder.mkdir()
    added = run(
        "log", "add", "--maker", "Example", "--model", "Ex", "--count", "3", "--by", "T", "--folder", folder
    )
    assert added.status == 0, added.err
    outcome = run("log", "labels", "--into", tmp_path / "labels.pdf", "--folder", folder)
    assert outcome.status == 0, outcome.err
    assert (tmp_path / "labels.pdf").read_bytes().startswith(b"%PDF")
    assert_one_line(run("log", "labels", "--into", tmp_path / "labels.odt", "--folder", folder), ".pdf")
