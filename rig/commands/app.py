"""The program: one typer application, one place where an error becomes one line."""

from __future__ import annotations

import keyword
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import version
from typing import Annotated, Any

import typer
from typer.main import get_command

from rig.errors import BlankbenchError

_ABOUT = (
    "Reads the bench rig and says where to mark a blank, what power and action it has, "
    "and whether blanks are alike."
)

_ALGEBRA_THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""One thread in the algebra library unless the user says otherwise: the fits are small and gain nothing
from more, and beside several worker processes more threads only stand in each other's way."""
COMMANDS = {
    "demo": "Roll and flex five invented blanks on a simulated rig, judge them, and compare with the truth.",
    "ports": "List the serial ports, or ask one who is behind it.",
    "virtual": "Start a simulated rig and print its port; Ctrl-C stops it.",
    "calibrate": "Calibrate one channel of the rig; the result is dated and kept in every run.",
    "sniff": "Find out what a sketch prints, so that record takes its lines.",
    "record": "Record one run from the rig. Ctrl-C ends it; what was recorded is a whole run.",
    "import": "Make a run file of a table: a spreadsheet, a notebook typed in, another program's log.",
    "enter": "Enter readings by hand; what is typed is kept at once, and the answer so far is shown.",
    "spine": "Find the stiff plane, the bow, the snaps and where the tape goes, from roll runs.",
    "flex": "Rate power and action, and measure the rigidity along the blank, from flex runs.",
    "batch": "Say whether blanks are alike, from their roll and flex runs given together.",
    "grade": "Say which blanks of a shipment to keep, against what you want of the model.",
    "match": "Divide a shipment into sets whose blanks are as alike as can be.",
    "compare": "Say whether the maker's blank has changed between two shipments of one model.",
    "control": "Say whether the rig has moved, from a check blank that is measured again and again.",
    "report": "Write one page for the batch and one a blank to hand over with the rod.",
    "repeat": (
        "Say how well the rig repeats: the same blanks chucked and measured again, by one or several people."
    ),
    "mark": (
        "Guide the hand to the angle that gets the tape: which way to turn, how far, and when it is there."
    ),
    "classes": "Learn where the classes end from blanks whose labels you trust.",
    "log": "List the blanks that the shop knows: find, filter, sort. The commands below add to the log.",
}
"""By name, in the order of the help: its first line there. Each is the function of that name in the module of
that name (with a ``_`` behind it where Python keeps the word for itself); a test holds the lines to it."""


def application(asked: str | None = None) -> typer.Typer:
    """Build the program with the command called `asked`; without one, with the names and first lines of all.

    Only that command's module is loaded: the list of commands must not wait for numpy and a plot library.
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
    if asked in COMMANDS:
        entry = entry_of(asked)
        if isinstance(entry, typer.Typer):
            app.add_typer(entry, name=asked)
        else:
            app.command(asked)(entry)
    else:
        for name, line in COMMANDS.items():
            app.command(name, help=line)(_listed)
    return app


def entry_of(name: str) -> Any:
    """Load one command: a function, or an application of its own where it has sub-commands."""
    word = f"{name}_" if keyword.iskeyword(name) else name
    return getattr(import_module(f"rig.commands.{word}"), word)


def _listed() -> None:
    """Stand for a command in the list of commands; it is never called."""


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
    for variable in _ALGEBRA_THREADS:
        os.environ.setdefault(variable, "1")
    debug = "--debug" in args
    asked = next((word for word in args if not word.startswith("-")), None)
    command = get_command(application(asked))
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
