"""Fixtures of the command line's tests."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from command_line import SAMPLES, Outcome, Run

from rig.commands import main


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run the command line in this process, without the settings of whoever runs the tests."""
    monkeypatch.setenv("XDG_CONFIG_HOME", "/nonexistent-for-tests")
    monkeypatch.setenv("APPDATA", "/nonexistent-for-tests")
    monkeypatch.delenv("BLANKBENCH_SETTINGS", raising=False)
    monkeypatch.setenv("COLUMNS", "80")

    def call(*arguments: str | Path) -> Outcome:
        capfd.readouterr()
        status = main([str(argument) for argument in arguments])
        out, err = capfd.readouterr()
        return Outcome(status, out, err)

    return call


@pytest.fixture(scope="session")
def truth() -> dict[str, dict[str, Any]]:
    """What the sample runs were made from, by blank."""
    tables = tomllib.loads((SAMPLES / "truth.toml").read_text(encoding="utf-8"))
    return {table["blank"]: table for table in tables["blank"]}


@pytest.fixture
def in_folder(tmp_path: Path) -> Iterator[Path]:
    """A folder of its own to stand in."""
    before = Path.cwd()
    os.chdir(tmp_path)
    yield tmp_path
    os.chdir(before)
