"""What several commands have in common: options, file patterns, JSON on stdout, the two consoles."""

from __future__ import annotations

import glob
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer
from rich.console import Console

from rig.errors import CallError

if TYPE_CHECKING:
    from rig.workup.intake import LeftOut

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
# Spelt out, as `analysis.roll` has it, so that a command without maths need not load the maths.
Rule = Annotated[
    Literal["snap", "snap-back", "stiff", "soft"] | None,
    typer.Option(
        "--mark",
        help="Where the tape goes: snap, snap-back, stiff or soft. The settings file has the default.",
    ),
]
SkipUnreadable = Annotated[
    bool,
    typer.Option("--skip-unreadable", help="Go on without files that cannot be used, and list them."),
]
Tolerances = Annotated[
    list[str] | None,
    typer.Option(
        "--tolerance",
        metavar="NAME=VALUE",
        help="Allowed spread: percent of the median for reference_load, stiffness, mass; percentage points "
        "for anisotropy; metres for bow, length; plain for bend_centre; a header's own number in its unit. "
        "Repeatable.",
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


@contextmanager
def progress(words: str) -> Iterator[Callable[[int, int], None]]:
    """Show a bar on stderr while many runs are worked up; nothing where stderr is no terminal.

    Yields
    ------
    callable
        Takes the runs done and the runs in all.
    """
    from rich.progress import Progress

    console = messages()
    bar = Progress(console=console, auto_refresh=False, transient=True, disable=not console.is_terminal)
    task = bar.add_task(words, total=None)

    def show(done: int, in_all: int) -> None:
        bar.update(task, completed=done, total=in_all, refresh=True)

    with bar:
        yield show


def expand(patterns: Sequence[str], *, aside: bool = False) -> list[str]:
    """Expand the file patterns that the shell left alone, in the order given.

    Runs that the shop's log has set aside are passed over and named on stderr, unless `aside` asks for them.

    Raises
    ------
    CallError
        Where a pattern fits no file, or all files are set aside.
    FileError
        If the log's journal cannot be read.

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
    from rig.shop import set_aside_among  # a list of ports needs no log

    left_out = {} if aside else set_aside_among(paths)
    if not left_out:
        return paths
    kept = [path for path in paths if path not in left_out]
    if not kept:
        raise CallError(
            "every run given is set aside", "name others, or bring one back: blankbench log bring-back RUN"
        )
    first = next(iter(left_out))
    more = f" and {len(left_out) - 1} more" if len(left_out) > 1 else ""
    line = f"passed over, as set aside in the log: {first} ({left_out[first]}){more}"
    messages().print(line, markup=False, highlight=False, soft_wrap=True)
    return kept


def pairs(given: Sequence[str], option: str, example: str, *, zero: bool = False) -> dict[str, float]:
    """Read ``NAME=VALUE`` pairs.

    Parameters
    ----------
    given : sequence of str
        What stood behind the option each time.
    option, example : str
        The option and one good pair, for messages.
    zero : bool
        Whether zero may be given.

    Raises
    ------
    CallError
        For a pair without a name, a value that is no such number, or a name given twice.

    Examples
    --------
    >>> pairs(["bow=0.004"], "--tolerance", "bow=0.010")
    {'bow': 0.004}
    """
    found: dict[str, float] = {}
    wanted = "of zero or more" if zero else "above zero"
    for pair in given:
        name, equals, text = (part.strip() for part in pair.partition("="))
        if not equals or not name:
            raise CallError(f"{option} {pair} is not NAME=VALUE", f"write it as {option} {example}")
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not (0.0 < value < float("inf") or (zero and value == 0.0)):
            raise CallError(
                f"{option} {pair}: {text or 'nothing'} is not a number {wanted}",
                f"write it as {option} {example}",
            )
        if name in found:
            raise CallError(f"{option} {name} is given twice", "give it once")
        found[name] = value
    return found


def left_out(items: Sequence[LeftOut]) -> list[dict[str, str]]:
    """Give the files that were passed over, for ``--json``."""
    return [{"run": item.path, "why": item.why} for item in items]


def print_json(document: Any) -> None:
    """Write one JSON document to stdout, in plain ASCII so that a console's letters cannot spoil it.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    sys.stdout.write(json.dumps(document, allow_nan=False, indent=2) + "\n")
