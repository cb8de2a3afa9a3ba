"""Many run files in, worked-up blanks out: what several commands take, and what they leave out.

The one place where an unreadable file is passed over on request, and where the same recording given twice is
counted once.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.roll.result import MarkRule
from rig.errors import CallError, FileError
from rig.runs import Run, read_run
from rig.settings import Settings
from rig.workup import Flex, Roll, work_blanks


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A file that was passed over."""

    path: str
    """As given."""
    why: str
    """File, line and what is wrong with it, in one line."""


@dataclass(frozen=True, slots=True)
class Intake:
    """Worked-up runs of several blanks."""

    rolls: Mapping[str, Sequence[Roll]]
    """Roll runs by blank."""
    flexes: Mapping[str, Sequence[Flex]]
    """Flex runs by blank."""
    left_out: tuple[LeftOut, ...] = ()
    """Files that could not be used."""
    copies: tuple[str, ...] = ()
    """A plain sentence for each recording that was given more than once."""

    @property
    def blanks(self) -> list[str]:
        """Names of the blanks, those with roll runs first."""
        return list(dict.fromkeys([*self.rolls, *self.flexes]))

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was left out and what was counted once, in plain sentences."""
        return (*(f"left out: {item.why}" for item in self.left_out), *self.copies)

    @property
    def runs(self) -> list[Run]:
        """The recordings, rolls first."""
        works = [work for group in self.rolls.values() for work in group]
        return [work.run for work in works] + [work.run for group in self.flexes.values() for work in group]

    def only(self, blanks: Sequence[str]) -> Intake:
        """Keep some blanks."""
        return Intake(
            {name: works for name, works in self.rolls.items() if name in blanks},
            {name: works for name, works in self.flexes.items() if name in blanks},
            self.left_out,
            self.copies,
        )


def take_in(
    paths: Sequence[str],
    settings: Settings,
    *,
    skip_unreadable: bool = False,
    rule: MarkRule | None = None,
    curve: bool = False,
) -> Intake:
    """Read and work up roll and flex runs.

    Parameters
    ----------
    paths : sequence of str
        Run files.
    settings : Settings
        The shop's settings.
    skip_unreadable : bool
        Go on without a file that cannot be read or whose readings allow no answer, and list it.
    rule, curve
        As in `work_blanks`.

    Raises
    ------
    FileError
        For the first file that cannot be used, unless it may be skipped.
    CallError
        If nothing is left.
    """
    left_out: list[LeftOut] = []
    copies: list[str] = []
    seen: dict[bytes, str] = {}
    runs: list[Run] = []
    for path in paths:
        try:
            run = read_run(path)
        except FileError as fault:
            if not skip_unreadable:
                raise
            left_out.append(LeftOut(path, str(fault)))
            continue
        first = seen.setdefault(_digest(run), path)
        if len(seen) > len(runs):
            runs.append(run)
        elif first == path:
            copies.append(f"{path} is given twice; it counts once.")
        else:
            copies.append(f"{path} is the same recording as {first}; it counts once.")
    while True:
        try:
            rolls, flexes = work_blanks(runs, settings, rule=rule, curve=curve)
            break
        except FileError as fault:
            kept = [run for run in runs if run.path != fault.path]
            if not skip_unreadable or len(kept) == len(runs):
                raise
            left_out.append(LeftOut(fault.path, str(fault)))
            runs = kept
    if not runs:
        raise CallError(
            f"none of the {len(paths)} files can be used (the first: {left_out[0].why})", "give other runs"
        )
    return Intake(rolls, flexes, tuple(left_out), tuple(copies))


def _digest(run: Run) -> bytes:
    """Tell recordings apart by what was recorded, whatever the file is called."""
    header = run.header
    known = hashlib.blake2b(repr((header.kind, header.blank, header.started)).encode(), digest_size=16)
    for name in sorted(run.columns):
        known.update(name.encode())
        known.update(run.columns[name].tobytes())
    return known.digest()
