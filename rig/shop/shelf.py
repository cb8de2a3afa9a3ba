"""Every blank the shop knows: what the journal says of it beside the runs that measured it; find and sort."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from fnmatch import fnmatchcase
from functools import cached_property
from typing import Any, Literal

from rig.shop.book import Aside, Blank, Book, Shipment, read_book
from rig.shop.index import Listing, RunLine, list_runs

SortKey = Literal["blank", "date", "model", "maker", "shipment", "operator", "runs"]
"""What a list can be sorted by."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which blanks and runs are asked for; what is None or false asks for nothing."""

    find: str | None = None
    """Text anywhere: name, model, maker, job, rod, notes, decisions, the runs' notes."""
    blank: str | None = None
    """Name or pattern, such as ``A-*``."""
    model: str | None = None
    """Part of the model's name."""
    maker: str | None = None
    """Part of the maker's name."""
    shipment: str | None = None
    """Name of the shipment."""
    operator: str | None = None
    """Part of the name of who measured."""
    kind: str | None = None
    """Kind of run."""
    since: str | None = None
    """First day of measuring, ISO."""
    until: str | None = None
    """Last day of measuring, ISO."""
    unmeasured: bool = False
    """Only blanks without a run that counts."""
    aside: bool = False
    """Only runs that are set aside, and their blanks."""

    @property
    def of_runs(self) -> bool:
        """Whether it asks for something that only a run has."""
        return self.aside or any((self.operator, self.kind, self.since, self.until))

    def takes_run(self, run: RunLine, aside: bool) -> bool:
        """Whether a run is among those asked for."""
        return (
            (not self.aside or aside)
            and self.kind in (None, run.kind)
            and _within(self.operator, run.operator)
            and (self.since is None or run.day >= self.since)
            and (self.until is None or "" < run.day <= self.until)
        )


@dataclass(frozen=True)
class Item:
    """One blank: what is known of it and what was measured."""

    blank: Blank
    """From the journal; empty but for its name where the journal knows nothing."""
    shipment: Shipment | None
    """The shipment it came with."""
    runs: tuple[RunLine, ...]
    """Runs that count, oldest first."""
    aside: tuple[RunLine, ...]
    """Runs that are set aside, oldest first."""

    @property
    def name(self) -> str:
        """Name of the blank."""
        return self.blank.name

    @cached_property
    def model(self) -> str:
        """The model from the journal, else from the latest run that states one."""
        said = self.blank.text("model")
        return said or next((run.model for run in reversed((*self.aside, *self.runs)) if run.model), "")

    @property
    def maker(self) -> str:
        """The maker, or empty."""
        return self.blank.text("maker") or ""

    @property
    def latest(self) -> RunLine | None:
        """The run recorded last among those that count."""
        return self.runs[-1] if self.runs else None

    def count(self, kind: str) -> int:
        """How many runs of a kind count."""
        return sum(run.kind == kind for run in self.runs)

    def words(self) -> Iterable[str]:
        """Give every text that a search looks through."""
        yield from (self.name, self.model)
        facts = [*self.blank.facts.values(), *(remark.fact for remark in self.blank.remarks)]
        yield from (str(fact.value) for fact in facts if fact.value is not None)
        for run in (*self.runs, *self.aside):
            yield from (run.model, run.operator, run.notes, run.path)


@dataclass(frozen=True)
class Shelf:
    """The journal and the runs of one folder."""

    folder: str
    """The shop's folder of runs."""
    book: Book
    """The journal put together."""
    listing: Listing
    """The runs and what cannot be read."""

    @cached_property
    def items(self) -> dict[str, Item]:
        """All blanks by name: those of the journal first, then those that only runs name."""
        by: dict[str, list[RunLine]] = {name: [] for name in self.book.blanks}
        for run in self.listing.runs:
            by.setdefault(run.blank, []).append(run)
        items = {}
        for name, runs in by.items():
            blank = self.book.blank(name)
            shipment = self.book.shipments.get(blank.shipment or "")
            counting = tuple(run for run in runs if run.path not in self.book.aside)
            aside = tuple(run for run in runs if run.path in self.book.aside)
            items[name] = Item(blank, shipment, counting, aside)
        return items

    def aside(self, run: RunLine) -> Aside | None:
        """Why a run is set aside; None where it counts."""
        return self.book.aside.get(run.path)

    def blanks(self, wanted: Wanted, sort: SortKey = "blank", *, reverse: bool = False) -> list[Item]:
        """Give the blanks asked for; each with those of its runs that are asked for."""
        found = []
        for item in self.items.values():
            if not _takes_blank(wanted, item):
                continue
            runs = tuple(run for run in item.runs if wanted.takes_run(run, False))
            aside = tuple(run for run in item.aside if wanted.takes_run(run, True))
            if wanted.of_runs and not (runs or aside):
                continue
            found.append(Item(item.blank, item.shipment, runs, aside))
        return sorted(found, key=_BLANK_KEYS[sort], reverse=reverse)

    def runs(self, wanted: Wanted, sort: SortKey = "date", *, reverse: bool = False) -> list[RunLine]:
        """Give the runs asked for."""
        items = self.items
        takes = {name: _takes_blank(wanted, item) for name, item in items.items()}
        found = [
            run
            for run in self.listing.runs
            if takes[run.blank] and wanted.takes_run(run, run.path in self.book.aside)
        ]
        keys: dict[SortKey, Callable[[RunLine], Any]] = {
            "date": lambda run: run.order,
            "blank": lambda run: natural(run.blank),
            "model": lambda run: natural(items[run.blank].model),
            "maker": lambda run: natural(items[run.blank].maker),
            "shipment": lambda run: natural(items[run.blank].blank.shipment or ""),
            "operator": lambda run: natural(run.operator),
            "runs": lambda run: len(items[run.blank].runs),
        }
        return sorted(found, key=keys[sort], reverse=reverse)


def read_shelf(folder: str | os.PathLike[str], *, rebuild: bool = False) -> Shelf:
    """Read the journal and list the runs of a shop's folder.

    Raises
    ------
    FileError
        If the journal cannot be read.
    """
    return Shelf(os.fspath(folder), read_book(folder), list_runs(folder, rebuild=rebuild))


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """Make a key that sorts numbers within text by their size.

    Examples
    --------
    >>> sorted(["A-10", "A-2", "a-1"], key=natural)
    ['a-1', 'A-2', 'A-10']
    """
    return tuple(
        (0, int(part), "") if part.isdecimal() and len(part) < 20 else (1, 0, part)
        for part in re.split(r"(\d+)", text.casefold())
        if part
    )


_NEVER = datetime.min.replace(tzinfo=UTC)
_BLANK_KEYS: dict[SortKey, Callable[[Item], Any]] = {
    "blank": lambda item: natural(item.name),
    "date": lambda item: item.latest.order if item.latest else (_NEVER, ""),
    "model": lambda item: (natural(item.model), natural(item.name)),
    "maker": lambda item: (natural(item.maker), natural(item.name)),
    "shipment": lambda item: (natural(item.blank.shipment or ""), natural(item.name)),
    "operator": lambda item: (natural(item.latest.operator if item.latest else ""), natural(item.name)),
    "runs": lambda item: (len(item.runs), natural(item.name)),
}


def _takes_blank(wanted: Wanted, item: Item) -> bool:
    if wanted.blank is not None:
        name, pattern = item.name.casefold(), wanted.blank.casefold()
        if name != pattern and not fnmatchcase(name, pattern):
            return False
    if wanted.shipment is not None and (item.blank.shipment or "").casefold() != wanted.shipment.casefold():
        return False
    if not (_within(wanted.model, item.model) and _within(wanted.maker, item.maker)):
        return False
    if wanted.unmeasured and item.runs:
        return False
    return wanted.find is None or any(_within(wanted.find, text) for text in item.words())


def _within(part: str | None, text: str) -> bool:
    return part is None or part.casefold() in text.casefold()
