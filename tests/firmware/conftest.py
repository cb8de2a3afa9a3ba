"""Built once for all tests of the sketch."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from command_line import Outcome, Run
from firmware_board import build_core, build_for_board, build_simulator

from rig.commands import main


@pytest.fixture(scope="session")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("firmware")


@pytest.fixture(scope="session")
def core(workshop: Path) -> ctypes.CDLL:
    return build_core(workshop)


@pytest.fixture(scope="session")
def elf(workshop: Path) -> Path:
    return build_for_board(workshop)


@pytest.fixture(scope="session")
def simulator(workshop: Path) -> Path:
    return build_simulator(workshop)


@pytest.fixture
def show(capfd: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Print a measured number among pytest's own lines."""

    def write(text: str) -> None:
        with capfd.disabled():
            sys.stdout.write(f"\n{text}\n")

    return write


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Run the command line in this process and in a folder of its own."""
    monkeypatch.setenv("XDG_CONFIG_HOME", os.devnull)
    monkeypatch.setenv("APPDATA", os.devnull)
    monkeypatch.delenv("BLANKBENCH_SETTINGS", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str | Path) -> Outcome:
        capfd.readouterr()
        status = main([str(argument) for argument in arguments])
        out, err = capfd.readouterr()
        return Outcome(status, out, err)

    return call
