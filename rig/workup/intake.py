"""Many run files in, worked-up blanks out: what several commands take, and what they leave out.

The one place where an unreadable file is passed over on request, and where the same recording given twice is
counted once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from analysis.roll.result import MarkRule
from rig.errors import CallError
from rig.runs import Run
from rig.settings import Settings
from rig.workup.many import work_files
from rig.workup.one_run import Flex, Roll

Work = TypeVar("Work", Roll, Flex)


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
    notes: tuple[str, ...] = ()
    """What else must be said before any result, in plain sentences."""

    @property
    def blanks(self) -> list[str]:
        """Names of the blanks, those with roll runs first."""
        return list(dict.fromkeys([*self.rolls, *self.flexes]))

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was left out, what was counted once, and what must be said first, in plain sentences."""
        return (*self.notes, *(f"left out: {item.why}" for item in self.left_out), *self.copies)

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
            self.notes,
        )


def take_in(
    paths: Sequence[str],
    settings: Settings,
    *,
    skip_unreadable: bool = False,
    rule: MarkRule | None = None,
    curve: bool = False,
    progress: Callable[[int, int], None] = lambda done, in_all: None,
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
    rule, curve, progress
        As in `rig.workup.many.work_files`.

    Raises
    ------
    FileError
        For the first file that cannot be used, unless it may be skipped.
    CallError
        If nothing is left.
    """
    copies = [f"{path} is given twice; it counts once." for path, n in Counter(paths).items() if n > 1]
    worked = work_files(
        list(dict.fromkeys(paths)),
        settings,
        rule=rule,
        curve=curve,
        skip_unreadable=skip_unreadable,
        progress=progress,
    )
    left_out = tuple(LeftOut(fault.path, str(fault)) for fault in worked.skipped)
    if not worked.rolls and not worked.flexes:
        raise CallError(
            f"none of the {len(paths)} files can be used (the first: {left_out[0].why})", "give other runs"
        )
    first: dict[str, str] = {}
    for path, recording in worked.recordings.items():
        before = first.setdefault(recording, path)
        if before != path:
            copies.append(f"{path} is the same recording as {before}; it counts once.")
    once = set(first.values())
    return Intake(
        {blank: rolled for blank, works in worked.rolls.items() if (rolled := _of(works, once))},
        {blank: bent for blank, works in worked.flexes.items() if (bent := _of(works, once))},
        left_out,
        tuple(dict.fromkeys(copies)),
    )


def _of(works: Sequence[Work], paths: Collection[str]) -> list[Work]:
    return [work for work in works if work.run.path in paths]
