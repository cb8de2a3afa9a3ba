"""What several commands have in common: options, file patterns, JSON on stdout, the two consoles."""

from __future__ import annotations

import glob
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.console import Console

from analysis.roll.result import MarkRule
from rig.errors import CallError

Runs = Annotated[
    list[str], typer.Argument(metavar="RUN…", help="Run files, or a pattern such as 'runs/*roll*'.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
Units = Annotated[
    Literal["metric", "imperial"] | None,
    typer.Option("--units", help="Units to show: metric or imperial. The settings file has the default."),
]
SettingsFile = Annotated[
    Path | None,
    typer.Option(
        "--settings",
        metavar="FILE",
        help="The shop's settings file (default: the one of this computer's user).",
    ),
]
Rule = Annotated[
    MarkRule | None,
    typer.Option(
        "--mark",
        help="Where the tape goes: snap, snap-back, stiff or soft. The settings file has the default.",
    ),
]
FiguresInto = Annotated[
    Path | None,
    typer.Option("--figures", metavar="FOLDER", help="Also draw the figures, as SVG files in this folder."),
]


def out() -> Console:
    """The console for results, on stdout."""
    return Console()


def messages() -> Console:
    """The console for messages, on stderr."""
    return Console(stderr=True)


def expand(patterns: Sequence[str]) -> list[str]:
    """Expand the file patterns that the shell left alone, in the order given.

    Raises
    ------
    CallError
        Where a pattern fits no file.

    Examples
    --------
    >>> expand(["no-pattern.csv"])
    ['no-pattern.csv']
    """
    paths: list[str] = []
    for pattern in patterns:
        if not glob.has_magic(pattern) or Path(pattern).exists():
            paths.append(pattern)
            continue
        found = sorted(glob.glob(pattern))
        if not found:
            raise CallError(f"no file fits the pattern {pattern}", "check the folder and the pattern")
        paths.extend(found)
    return paths


def print_json(document: Any) -> None:
    """Write one JSON document to stdout, in plain ASCII so that a console's letters cannot spoil it.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    sys.stdout.write(json.dumps(document, allow_nan=False, indent=2) + "\n")
