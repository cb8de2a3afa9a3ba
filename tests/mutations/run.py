"""Spoil one decisive line at a time and see whether a test notices.

    python tests/mutations/run.py [NAME …] [--jobs N]

`list.toml` holds the mutations. First their tests must pass without any; then each is put into a copy of the
tree, the tests that must catch it are run there, and it is said to be killed or to have survived. A name
stands for every mutation whose name begins with it. Exit status 1 if one survives, if its old text does not
stand exactly once in its file, or if its tests do not run or fail without it.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
LIST = Path(__file__).with_name("list.toml")
_PARTS = ("analysis", "rig", "tests", "benchmarks", "sample_runs", "firmware_notes", "docs", "pyproject.toml")
_FAILED = 1
"""Exit status of pytest where tests ran and one failed."""


@dataclass(frozen=True, slots=True)
class Mutation:
    """One spoilt line."""

    name: str
    """What is spoilt, in a few words joined by dashes."""
    file: str
    """Where, from the root of the repository."""
    old: str
    """Text that stands exactly once in the file."""
    new: str
    """What is put in its place."""
    tests: tuple[str, ...]
    """What must catch it, as pytest takes it."""

    def spoilt(self, root: Path) -> str:
        """Give the file's text with the mutation in it.

        Raises
        ------
        ValueError
            If the old text does not stand there exactly once, or nothing would change.
        """
        path = root / self.file
        if not path.is_file():
            raise ValueError(f"there is no {self.file}")
        text = path.read_text(encoding="utf-8")
        count = text.count(self.old)
        if count != 1:
            raise ValueError(f"its old text stands {count} times in {self.file}")
        if self.new == self.old:
            raise ValueError("its new text is the old one")
        return text.replace(self.old, self.new)

    def missing(self, root: Path) -> list[str]:
        """Name the tests that are not there: no such file, or no such function in it."""
        out = []
        for test in self.tests:
            path, _, name = test.partition("::")
            plain = name.partition("[")[0]
            where = root / path
            if not where.exists() or (plain and f"def {plain}(" not in where.read_text(encoding="utf-8")):
                out.append(test)
        return out


def mutations(path: Path = LIST) -> list[Mutation]:
    """Read the list."""
    with path.open("rb") as file:
        entries = tomllib.load(file)["mutation"]
    return [Mutation(**{**entry, "tests": tuple(entry["tests"])}) for entry in entries]


def copied(root: Path, to: Path) -> Path:
    """Copy what the tests need, without caches."""
    for part in _PARTS:
        source = root / part
        if source.is_dir():
            shutil.copytree(source, to / part, ignore=shutil.ignore_patterns("__pycache__", "*.pyc"))
        elif source.exists():
            shutil.copy2(source, to / part)
    return to


def run_tests(root: Path, tests: Sequence[str]) -> tuple[int, str]:
    """Run tests against the packages of this tree alone; exit status of pytest and what it printed."""
    home = {"PYTHONPATH": str(root), "PYTHONDONTWRITEBYTECODE": "1", "MPLBACKEND": "Agg"}
    call = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--no-header", *tests]
    done = subprocess.run(call, cwd=root, env={**os.environ, **home}, capture_output=True, text=True)
    return done.returncode, done.stdout + done.stderr


def trial(mutation: Mutation, root: Path) -> tuple[bool, str]:
    """Run one mutation in a copy; whether it was killed, and a line about it."""
    begun = time.monotonic()
    try:
        text = mutation.spoilt(root)
    except ValueError as fault:
        return False, f"cannot be made: {fault}"
    with tempfile.TemporaryDirectory(prefix="mutation-") as room:
        copy = copied(root, Path(room))
        (copy / mutation.file).write_text(text, encoding="utf-8")
        status, said = run_tests(copy, mutation.tests)
    took = f"({time.monotonic() - begun:.0f} s)"
    if status == _FAILED:
        return True, f"killed {took}"
    if status == 0:
        return False, f"SURVIVED {took}"
    return False, f"tests did not run {took}\n{said[-2000:]}"


def plain(chosen: Iterable[Mutation], root: Path) -> str:
    """Run all tests named without any mutation; what was printed where one fails, else nothing."""
    tests = sorted({test for mutation in chosen for test in mutation.tests})
    with tempfile.TemporaryDirectory(prefix="mutation-") as room:
        status, said = run_tests(copied(root, Path(room)), tests)
    return said if status else ""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the mutations named, all by default."""
    parser = argparse.ArgumentParser(description="Spoil one decisive line at a time; do the tests notice?")
    parser.add_argument("names", nargs="*", metavar="NAME", help="how the mutations' names begin")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="so many at a time")
    parser.add_argument(
        "--spoilt-alone", action="store_true", help="do not run the tests without a mutation first"
    )
    call = parser.parse_args(arguments)
    chosen = [
        each for each in mutations() if not call.names or any(each.name.startswith(n) for n in call.names)
    ]
    if not chosen:
        parser.error("no mutation has such a name")
    if not call.spoilt_alone:
        fault = plain(chosen, REPOSITORY)
        if fault:
            print(fault)
            print("the tests fail without any mutation")
            return 1
    alive = []
    with ThreadPoolExecutor(max(1, call.jobs)) as pool:
        outcomes = pool.map(lambda each: trial(each, REPOSITORY), chosen)
        for mutation, (killed, line) in zip(chosen, outcomes, strict=True):
            print(f"{mutation.name}: {line}", flush=True)
            if not killed:
                alive.append(mutation.name)
    print(f"{len(chosen) - len(alive)} of {len(chosen)} killed")
    if alive:
        print(f"not killed: {', '.join(alive)}")
    return 1 if alive else 0


if __name__ == "__main__":
    sys.exit(main())
