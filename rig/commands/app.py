"""The program: one typer application, one place where an error becomes one line."""

from __future__ import annotations

import keyword
import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import version
from typing import Annotated

import typer
from typer.main import get_command

from rig.errors import BlankbenchError

_ABOUT = (
    "Reads the bench rig and says where to mark a blank, what power and action it has, "
    "and whether blanks are alike."
)

COMMANDS = (
    "demo",
    "ports",
    "virtual",
    "calibrate",
    "sniff",
    "record",
    "import",
    "enter",
    "spine",
    "flex",
    "batch",
    "grade",
    "match",
    "compare",
    "control",
    "report",
    "repeat",
    "mark",
    "classes",
    "log",
)
"""In the order of the help; each is the function of that name in the module of that name
(with a ``_`` behind it where Python keeps the word for itself)."""


def application(names: Sequence[str] = COMMANDS) -> typer.Typer:
    """Build the program with the commands called `names`.

    Only their modules are loaded: a plot library that a command does not need would double its start.
    """
    app = typer.Typer(
        name="blankbench",
        help=_ABOUT,
        epilog="New here? Run: blankbench demo",
        add_completion=False,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
        rich_markup_mode="rich",
    )
    app.callback()(_start)
    for name in names:
        word = f"{name}_" if keyword.iskeyword(name) else name
        entry = getattr(import_module(f"rig.commands.{word}"), word)
        if isinstance(entry, typer.Typer):
            app.add_typer(entry, name=name)
        else:
            app.command(name)(entry)
    return app


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"blankbench {version('blankbench')}")
        raise typer.Exit


def _start(
    debug: Annotated[
        bool, typer.Option("--debug", help="On an error, show where in the program it arose.")
    ] = False,
    show_version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version and stop."),
    ] = False,
) -> None:
    """Take the options that stand before the command."""


def _refuse(text: str) -> int:
    """Say in one line what is wrong, and give the exit status.

    A file's name may hold signs that move the cursor or turn the writing direction: they are shown, not sent.
    """
    line = " ".join(text.split())
    shown = "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in line)
    sys.stderr.write(f"blankbench: {shown}\n")
    return 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit status.

    0 done; 1 done and the answer is no or undecided (where ``--check`` asks for it); 2 the input or the
    call is wrong: one line on stderr.
    """
    args = list(sys.argv[1:] if argv is None else argv)
    for stream in (sys.stdout, sys.stderr):
        # A label may hold any letter; a console that cannot show one must not end the run.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    debug = "--debug" in args
    asked = next((word for word in args if not word.startswith("-")), None)
    command = get_command(application((asked,) if asked in COMMANDS else COMMANDS))
    try:
        status = command.main(args=args, prog_name="blankbench", standalone_mode=False)
    except BlankbenchError as error:
        if debug:
            raise
        return _refuse(str(error))
    except typer.TyperException as error:
        if debug:
            raise
        return _refuse(f"{error.format_message().rstrip('.')}; see blankbench --help")
    except typer.Abort:
        return _refuse("stopped; nothing was changed")
    return status if isinstance(status, int) else 0


__all__ = ["COMMANDS", "main"]
