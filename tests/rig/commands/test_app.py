"""The program's start: what is listed is what there is, and the list waits for nothing heavy."""

from __future__ import annotations

import inspect
import subprocess
import sys

import pytest
import typer
from typer.main import get_command

from rig.commands.app import COMMANDS, entry_of

HEAVY = ("numpy", "scipy", "pandas", "matplotlib")


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_says_what_the_command_says_of_itself(name: str) -> None:
    entry = entry_of(name)
    own = get_command(entry).help if isinstance(entry, typer.Typer) else inspect.getdoc(entry)
    assert own is not None
    assert COMMANDS[name] == " ".join(own.strip().split("\n\n")[0].split())


@pytest.mark.parametrize("args", [("--help",), ("--version",), ()])
def test_the_list_of_commands_loads_nothing_heavy(args: tuple[str, ...]) -> None:
    said = subprocess.run(
        [sys.executable, "-c",
         "import sys; from rig.commands import main; main(sys.argv[1:]);"
         f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)", *args],
        capture_output=True, text=True, check=True, encoding="utf-8",
    )  # fmt: skip
    assert said.stderr.strip().endswith("[]")
    assert "blankbench" in said.stdout


def test_a_misspelt_command_is_refused_with_what_was_meant() -> None:
    said = subprocess.run(
        [sys.executable, "-m", "rig", "spin"], capture_output=True, text=True, check=False, encoding="utf-8"
    )
    assert said.returncode == 2
    assert said.stdout == ""
    assert "spine" in said.stderr
    assert said.stderr.count("\n") == 1
