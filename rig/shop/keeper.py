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

from rig.errors import CallError
from rig.shop.book import fold
from rig.shop.facts import FACTS, REMARKS, SINGLE, Value, cleaned, fault_of, given
from rig.shop.index import list_runs
from rig.shop.journal import Entry, Journal, Read
from rig.shop.names import check_name, key_of, next_prefix, numbered, unique

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

    def write(self, make: Callable[[Read], Sequence[Mapping[str, Any]]]) -> tuple[Entry, ...]:
        """Add entries in this person's name, as `Journal.append` does."""
        return self._journal.append(self._by, make, self._now)

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

        (entry,) = self.write(make)
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
                    if fact is not None and fact.value not in (None, value):
                        raise CallError(
                            f"{blank} has a {FACTS[name].words} already: {fact.value}, "
                            f"by {fact.entry.by} on {fact.entry.at[:10]}",
                            f"use  blankbench log correct {blank}  to change it; the earlier one is kept",
                        )
                    if fact is not None and fact.value == value:
                        own.pop(name)
                if own:
                    entries.append({"what": "note", "blank": blank, **own})
            return entries

        return self.write(make)

    def correct(
        self,
        name: str,
        facts: Mapping[str, Value | None],
        *,
        reason: str = "",
        entry: int | None = None,
        date: str | None = None,
        shipment: bool = False,
        take_back: str | None = None,
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
        take_back : str or None
            Name of a fact or remark of a blank that should not stand there at all; then `facts` is empty.

        Raises
        ------
        CallError
            If there is nothing of the kind to correct.
        """
        plain: dict[str, Any] = _checked(facts, (*SINGLE, *REMARKS))
        if take_back is not None:
            if plain or shipment or date is not None:
                raise CallError("--take-back stands alone", "give it with a blank's name, and say why")
            plain["take_back"] = take_back
        remarks = [key for key in (*plain, take_back) if key in REMARKS]
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
            for key in () if entry is not None else [key for key in plain if key in FACTS]:
                if key not in blank.facts:
                    raise CallError(
                        f"{name} has no {FACTS[key].words} yet", f"use  blankbench log note {name}  to add it"
                    )
            if entry is None and take_back is not None:
                fact = blank.facts.get(take_back)
                if fact is None or fact.value is None:
                    raise CallError(
                        f"{name} has no {FACTS[take_back].words}", "there is nothing to take back"
                    )
            if entry is None:
                return [{"what": "correction", "blank": name, **plain, **why}]
            if not any(entry == remark.number for remark in blank.remarks):
                raise CallError(
                    f"entry {entry} is no note on {name}", f"blankbench log show {name} prints the numbers"
                )
            kinds = [remark.kind for remark in blank.remarks if remark.number == entry]
            if remarks[0] not in kinds and (len(kinds) > 1 or take_back is not None):
                raise CallError(
                    f"entry {entry} has no {FACTS[remarks[0]].words}", f"it has --{' and --'.join(kinds)}"
                )
            return [{"what": "correction", "blank": name, "entry": entry, **plain, **why}]

        return self.write(make)[0]


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
