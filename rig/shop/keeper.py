"""Writing into the log: shipments, notes, corrections, runs set aside and brought back.

Whatever is checked against the journal is checked while no other program can write, so that two of them
never give one name to two blanks.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from rig.errors import CallError, FileError
from rig.shop.book import fold
from rig.shop.facts import FACTS, REMARKS, SINGLE, Value, cleaned, fault_of, given
from rig.shop.index import list_runs
from rig.shop.journal import Entry, Journal, Read
from rig.shop.names import check_name, key_of, next_prefix, numbered, unique
from rig.shop.place import path_within

LARGEST_SHIPMENT = 2000
"""Blanks of one shipment at most."""
LONGEST_REASON = 500
"""Characters of a reason at most."""


class Keeper:
    """Writes into the journal of one folder in one person's name.

    Parameters
    ----------
    folder : str or path
        The shop's folder of runs; made where it is not there yet.
    by : str
        Who says it.
    now : callable
        Replaced in tests.
    """

    def __init__(
        self, folder: str | os.PathLike[str], by: str, now: Callable[[], datetime] = datetime.now
    ) -> None:
        self.folder = Path(folder)
        self._journal = Journal(folder)
        self._by = cleaned(by)[:80]
        self._now = now
        if not self._by:
            raise CallError("nobody is named who says it", "give your name with --by")

    def add(
        self,
        date: str,
        count: int,
        facts: Mapping[str, Value | None],
        names: Sequence[str] = (),
        prefix: str | None = None,
        *,
        adopt: bool = False,
    ) -> tuple[str, tuple[str, ...]]:
        """Log a shipment and name its blanks.

        Parameters
        ----------
        date : str
            When it came, ISO.
        count : int
            How many blanks.
        facts : mapping
            What holds for all of them, by the names of `SINGLE`.
        names : sequence of str
            The blanks' names, `count` of them; empty gives them the shipment's letter and a number.
        prefix : str or None
            The shipment's letter or word; None takes the next free one.
        adopt : bool
            Whether the names may be those of blanks that were measured or noted before their shipment was
            logged.

        Returns
        -------
        shipment, names : str, tuple of str

        Raises
        ------
        CallError
            If a name is not legal or taken, or the numbers do not fit.
        """
        if not 1 <= count <= LARGEST_SHIPMENT:
            raise CallError(f"a shipment of {count} blanks", f"give --count, from 1 to {LARGEST_SHIPMENT}")
        if names and len(names) != count:
            raise CallError(
                f"{len(names)} names for {count} blanks", "give as many names as blanks, or none at all"
            )
        if prefix is not None:
            check_name(prefix, "shipment")
        for name in names:
            check_name(name)
        plain = _checked(facts, SINGLE)
        measured = {run.blank for run in list_runs(self.folder).runs}

        def make(read: Read) -> list[dict[str, Any]]:
            book = fold(read.entries)
            letter = prefix or next_prefix([*book.shipments, *book.blanks, *measured])
            if key_of(letter) in map(key_of, book.shipments):
                raise CallError(
                    f"there is a shipment {letter} already", "give another --prefix, or leave it out"
                )
            called = list(names) or [check_name(name) for name in numbered(letter, count)]
            known = [name for name in book.blanks if not (adopt and book.blanks[name].shipment is None)]
            unique(called, known if adopt else [*known, *measured])
            return [{"what": "shipment", "shipment": letter, "date": date, **plain, "blanks": called}]

        (entry,) = self._journal.append(self._by, make, self._now)
        return entry.values["shipment"], tuple(entry.values["blanks"])

    def note(self, blanks: Sequence[str], facts: Mapping[str, Value | None]) -> tuple[Entry, ...]:
        """Note something on one blank or several.

        Raises
        ------
        CallError
            If a blank is not known, nothing is noted, or a fact is known already with another value.
        """
        plain = _checked(facts, (*SINGLE, *REMARKS))
        if not plain:
            raise CallError("there is nothing to note", "give at least one option, as in --mass 96.2")
        measured = {run.blank for run in list_runs(self.folder).runs}

        def make(read: Read) -> list[dict[str, Any]]:
            book = fold(read.entries)
            entries = []
            for blank in dict.fromkeys(blanks):
                _known(blank, [*book.blanks, *measured], "blank")
                own = dict(plain)
                for name, value in plain.items():
                    fact = book.blank(blank).facts.get(name)
                    if fact is not None and fact.value != value:
                        raise CallError(
                            f"{blank} has a {FACTS[name].words} already: {fact.value}, "
                            f"by {fact.entry.by} on {fact.entry.at[:10]}",
                            f"use  blankbench log correct {blank}  to change it; the earlier one is kept",
                        )
                    if fact is not None:
                        own.pop(name)
                if own:
                    entries.append({"what": "note", "blank": blank, **own})
            return entries

        return self._journal.append(self._by, make, self._now)

    def correct(
        self,
        name: str,
        facts: Mapping[str, Value | None],
        *,
        reason: str = "",
        entry: int | None = None,
        date: str | None = None,
        shipment: bool = False,
    ) -> Entry:
        """Put a new value over an earlier one; both are kept.

        Parameters
        ----------
        name : str
            The blank; the shipment where `shipment` is true.
        facts : mapping
            The right values.
        reason : str
            Why, in the words of who corrects.
        entry : int or None
            Number of the note whose text is corrected.
        date : str or None
            The right day on which the shipment came.
        shipment : bool
            Whether `name` is a shipment.

        Raises
        ------
        CallError
            If there is nothing of the kind to correct.
        """
        plain: dict[str, Any] = _checked(facts, (*SINGLE, *REMARKS))
        remarks = [key for key in plain if key in REMARKS]
        if date is not None:
            plain["date"] = date
        if not plain:
            raise CallError("there is nothing to correct", "give the right value, as in --mass 95.8")
        if entry is None and remarks:
            raise CallError(
                f"which {FACTS[remarks[0]].words} is to be corrected?",
                f"give its number with --entry; blankbench log show {name} prints it",
            )
        if entry is not None and (len(plain) != 1 or not remarks):
            raise CallError(
                "--entry corrects the text of one note",
                "give it --text, --damage or --decision alone",
            )
        if date is not None and not shipment:
            raise CallError("a blank has no date of its own", "correct its shipment: --shipment")
        why = {"reason": cleaned(reason)[:LONGEST_REASON]} if reason.strip() else {}

        def make(read: Read) -> list[dict[str, Any]]:
            book = fold(read.entries)
            if shipment:
                _known(name, list(book.shipments), "shipment")
                return [{"what": "correction", "shipment": name, **plain, **why}]
            _known(name, list(book.blanks), "blank")
            blank = book.blanks[name]
            for key in plain:
                if entry is None and key not in blank.facts:
                    raise CallError(
                        f"{name} has no {FACTS[key].words} yet", f"use  blankbench log note {name}  to add it"
                    )
            if entry is None:
                return [{"what": "correction", "blank": name, **plain, **why}]
            if not any(entry == remark.number for remark in blank.remarks):
                raise CallError(
                    f"entry {entry} is no note on {name}", f"blankbench log show {name} prints the numbers"
                )
            kinds = [remark.kind for remark in blank.remarks if remark.number == entry]
            if len(kinds) > 1 and remarks[0] not in kinds:
                raise CallError(
                    f"entry {entry} holds {len(kinds)} texts", f"correct --{' or --'.join(kinds)}"
                )
            return [{"what": "correction", "blank": name, "entry": entry, **plain, **why}]

        return self._journal.append(self._by, make, self._now)[0]

    def set_aside(self, runs: Sequence[str | os.PathLike[str]], reason: str) -> tuple[str, ...]:
        """Set runs aside: the files stay as they are, and do not count until they are brought back.

        Returns
        -------
        tuple of str
            Their paths within the folder.

        Raises
        ------
        CallError
            Without a reason, or for a run outside the folder or set aside already.
        FileError
            If one is no run file.
        """
        why = cleaned(reason)[:LONGEST_REASON]
        if not why:
            raise CallError("a run is set aside for a reason", "give --reason, as in --reason 'tip slipped'")
        paths = [self.inside(run) for run in runs]
        lines = {run.path: run for run in list_runs(self.folder).runs}
        for path in paths:
            if path not in lines:
                raise FileError(
                    self.folder / path,
                    None,
                    "this is no run of the shop",
                    "blankbench log --runs lists them",
                )

        def make(read: Read) -> list[dict[str, Any]]:
            aside = fold(read.entries).aside
            for path in paths:
                if path in aside:
                    raise CallError(
                        f"{path} was set aside already by {aside[path].entry.by}: {aside[path].reason}",
                        "leave it so, or bring it back",
                    )
            return [
                {"what": "set-aside", "run": path, "blank": lines[path].blank, "reason": why}
                for path in paths
            ]

        self._journal.append(self._by, make, self._now)
        return tuple(paths)

    def bring_back(self, runs: Sequence[str | os.PathLike[str]], reason: str = "") -> tuple[str, ...]:
        """Bring runs back that were set aside.

        Raises
        ------
        CallError
            For a run that is not set aside.
        """
        paths = [self.inside(run) for run in runs]
        why = {"reason": cleaned(reason)[:LONGEST_REASON]} if reason.strip() else {}

        def make(read: Read) -> list[dict[str, Any]]:
            aside = fold(read.entries).aside
            for path in paths:
                if path not in aside:
                    raise CallError(f"{path} is not set aside", "blankbench log --set-aside lists those")
            return [
                {
                    "what": "bring-back",
                    "run": path,
                    "blank": str(aside[path].entry.values.get("blank")),
                    **why,
                }
                for path in paths
            ]

        self._journal.append(self._by, make, self._now)
        return tuple(paths)

    def inside(self, run: str | os.PathLike[str]) -> str:
        """Give a run's path within the folder; a name that is not there is looked for in the folder.

        Raises
        ------
        CallError
            If it lies outside.
        """
        named = os.fspath(run)
        found = path_within(self.folder, named) or path_within(self.folder, os.path.join(self.folder, named))
        if found is None:
            raise CallError(
                f"{named} lies outside the shop's folder {self.folder}",
                "name a run in it, or give --folder",
            )
        return found


def _checked(facts: Mapping[str, Value | None], allowed: Sequence[str]) -> dict[str, Value]:
    plain = {name: value for name, value in given(facts).items() if name in allowed}
    for name, value in plain.items():
        fault = fault_of(name, value)
        if fault:
            raise CallError(fault, "correct it and say it again")
    return plain


def _known(name: str, names: Sequence[str], what: str) -> None:
    if name in names:
        return
    same = [known for known in names if key_of(known) == key_of(name)]
    close = same or difflib.get_close_matches(name[:60], names, 1)
    do = f"did you mean {close[0]}?" if close else "blankbench log lists those there are"
    raise CallError(f"there is no {what} {name[:60]} in the log or in the runs", do)
