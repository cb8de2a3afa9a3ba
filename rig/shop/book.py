"""What the journal says when all its entries are put together: shipments, blanks, runs set aside.

The latest value of a fact holds; what it was before stays with it.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.shop.facts import FACTS, REMARKS, SINGLE, Value, fault_of
from rig.shop.journal import Entry, Journal


@dataclass(frozen=True, slots=True)
class Fact:
    """One statement on a blank or a shipment, and what stood there before."""

    value: Value | None
    """A text, or a number in the unit of the fact's name; None where it was taken back."""
    entry: Entry
    """Where it was said, when and by whom."""
    earlier: tuple[Fact, ...] = ()
    """What it was, oldest first."""

    @property
    def reason(self) -> str:
        """Why it was corrected, empty where nothing is said."""
        return str(self.entry.values.get("reason") or "")


@dataclass(frozen=True, slots=True)
class Remark:
    """A line that stands beside others: a note, damage seen, a decision."""

    kind: str
    """``text``, ``damage`` or ``decision``."""
    fact: Fact
    """Its words, and what they were before a correction."""
    number: int
    """Number of the entry that said it first."""


@dataclass(frozen=True, slots=True)
class Shipment:
    """Blanks that came together."""

    name: str
    """Its letter."""
    date: str
    """When it came, ISO."""
    blanks: tuple[str, ...]
    """Names of its blanks."""
    facts: Mapping[str, Fact]
    """What holds for all of them: maker, model, the label's claims, length."""
    entry: Entry
    """Where it stands in the journal."""


@dataclass(frozen=True, slots=True)
class Blank:
    """What the journal knows of one blank."""

    name: str
    """Its name."""
    shipment: str | None = None
    """The shipment it came with."""
    facts: Mapping[str, Fact] = field(default_factory=dict)
    """By name; what holds for its whole shipment is among them."""
    remarks: tuple[Remark, ...] = ()
    """Notes, damage, decisions, oldest first."""

    def text(self, name: str) -> str | None:
        """Give a fact that is a text, None where it is not known."""
        fact = self.facts.get(name)
        return None if fact is None or fact.value is None else str(fact.value)

    def number(self, name: str) -> float | None:
        """Give a fact that is a number, None where it is not known."""
        fact = self.facts.get(name)
        return None if fact is None or fact.value is None else float(fact.value)

    def texts(self, kind: str) -> list[str]:
        """Give the remarks of a kind, oldest first, without those that were taken back."""
        facts = [remark.fact for remark in self.remarks if remark.kind == kind]
        return [str(fact.value) for fact in facts if fact.value is not None]


@dataclass(frozen=True, slots=True)
class Aside:
    """Why a run does not count."""

    reason: str
    """In the words of who set it aside."""
    entry: Entry
    """When and by whom."""


@dataclass(frozen=True, slots=True)
class Book:
    """The journal put together."""

    shipments: Mapping[str, Shipment] = field(default_factory=dict)
    """By name, in the order in which they came."""
    blanks: Mapping[str, Blank] = field(default_factory=dict)
    """By name, in the order of the journal."""
    aside: Mapping[str, Aside] = field(default_factory=dict)
    """Runs that are set aside, by their path within the shop's folder."""
    entries: tuple[Entry, ...] = ()
    """All entries that could be read."""
    warnings: tuple[str, ...] = ()
    """What could not be read and was left out."""

    def blank(self, name: str) -> Blank:
        """Give what is known of a blank, be it nothing."""
        return self.blanks.get(name) or Blank(name)

    def claims(self, name: str) -> tuple[str | None, str | None]:
        """Give what the maker's label of a blank claims: its power word and its action word."""
        blank = self.blank(name)
        return blank.text("label_power"), blank.text("label_action")

    def about(self, name: str) -> tuple[Entry, ...]:
        """List the entries on one blank, its shipment's among them."""
        shipment = self.blank(name).shipment
        return tuple(
            entry
            for entry in self.entries
            if name == entry.values.get("blank")
            or (shipment is not None and shipment == entry.values.get("shipment"))
        )


def read_book(folder: str | os.PathLike[str]) -> Book:
    """Read and put together the journal of a shop's folder; an empty book where there is none.

    Raises
    ------
    FileError
        If the journal cannot be read.
    """
    journal = Journal(folder)
    read = journal.read()
    return fold(read.entries, str(journal.path), read.warnings)


def fold(entries: tuple[Entry, ...], path: str = "", warnings: tuple[str, ...] = ()) -> Book:
    """Put entries together, oldest first; one that does not fit is left out and named in a warning."""
    maker = _Folding()
    said = list(warnings)
    for entry in entries:
        fault = maker.take(entry)
        if fault:
            said.append(f"{path}:{entry.number}: {fault}; this entry was left out")
    return Book(maker.shipments, maker.all_blanks(), maker.aside, entries, tuple(said))


class _Folding:
    """Takes one entry after the other."""

    def __init__(self) -> None:
        self.shipments: dict[str, Shipment] = {}
        self.aside: dict[str, Aside] = {}
        self._of: dict[str, str] = {}
        self._facts: dict[str, dict[str, Fact]] = {}
        self._remarks: dict[str, dict[tuple[int, str], Remark]] = {}

    def take(self, entry: Entry) -> str | None:
        """Take an entry, or say what is wrong with it."""
        values = entry.values
        for name in FACTS:
            if name in values and (fault := fault_of(name, values[name])):
                return fault
        if entry.what == "shipment":
            return self._shipment(entry)
        if entry.what in ("set-aside", "bring-back"):
            return self._run(entry)
        if isinstance(values.get("shipment"), str):
            return self._correct_shipment(entry)
        blank = values.get("blank")
        if not isinstance(blank, str) or not blank:
            return "it names no blank"
        if entry.what == "correction" and "entry" in values:
            return self._correct_remark(blank, entry)
        facts = self._facts.setdefault(blank, {})
        remarks = self._remarks.setdefault(blank, {})
        for name in SINGLE:
            if name in values:
                facts[name] = _over(facts.get(name), values[name], entry)
            elif name == values.get("take_back"):
                facts[name] = _over(facts.get(name), None, entry)
        for kind in REMARKS:
            if kind in values:
                remarks[entry.number, kind] = Remark(kind, Fact(values[kind], entry), entry.number)
        return None

    def _shipment(self, entry: Entry) -> str | None:
        name, date, blanks = (entry.values.get(key) for key in ("shipment", "date", "blanks"))
        if not isinstance(name, str) or not isinstance(date, str) or name in self.shipments:
            return "it names no shipment of its own, or no date"
        if not isinstance(blanks, list) or not all(isinstance(blank, str) for blank in blanks):
            return "it does not list its blanks"
        facts = {key: Fact(entry.values[key], entry) for key in SINGLE if key in entry.values}
        self.shipments[name] = Shipment(name, date, tuple(blanks), facts, entry)
        for blank in blanks:
            self._of.setdefault(blank, name)
            self._facts.setdefault(blank, {})
        return None

    def _correct_shipment(self, entry: Entry) -> str | None:
        values = entry.values
        old = self.shipments.get(values["shipment"])
        if old is None:
            return "it is on a shipment that is not there"
        facts = dict(old.facts)
        for name in SINGLE:
            if name in values:
                facts[name] = _over(facts.get(name), values[name], entry)
        date = values.get("date", old.date)
        if not isinstance(date, str):
            return "its date is no text"
        self.shipments[old.name] = Shipment(old.name, date, old.blanks, facts, old.entry)
        return None

    def _correct_remark(self, blank: str, entry: Entry) -> str | None:
        remarks = self._remarks.get(blank, {})
        of = [key for key in remarks if key[0] == entry.values["entry"]]
        back = entry.values.get("take_back")
        kinds = [kind for kind in REMARKS if kind in entry.values or kind == back]
        for number, kind in of:
            if kinds == [kind] or (len(of) == 1 and kinds == ["text"]):
                old = remarks[number, kind]
                new = entry.values.get(kinds[0])
                remarks[number, kind] = Remark(kind, _over(old.fact, new, entry), number)
                return None
        return "it corrects a remark that is not there"

    def _run(self, entry: Entry) -> str | None:
        run = entry.values.get("run")
        if not isinstance(run, str) or not run:
            return "it names no run"
        if entry.what == "set-aside":
            self.aside[run] = Aside(str(entry.values.get("reason") or ""), entry)
        else:
            self.aside.pop(run, None)
        return None

    def all_blanks(self) -> dict[str, Blank]:
        """Put each blank's own facts over its shipment's."""
        blanks = {}
        for name in dict.fromkeys([*self._of, *self._facts]):
            shipment = self._of.get(name)
            facts = dict(self.shipments[shipment].facts) if shipment else {}
            for key, fact in self._facts.get(name, {}).items():
                below = facts.get(key)
                earlier = () if below is None else (*below.earlier, Fact(below.value, below.entry))
                facts[key] = Fact(fact.value, fact.entry, (*earlier, *fact.earlier))
            ordered = {key: facts[key] for key in SINGLE if key in facts}
            remarks = self._remarks.get(name, {})
            blanks[name] = Blank(name, shipment, ordered, tuple(remarks[key] for key in sorted(remarks)))
        return blanks


def _over(old: Fact | None, value: Any, entry: Entry) -> Fact:
    """Put a new value over an old one, which stays beneath it."""
    earlier = () if old is None else (*old.earlier, Fact(old.value, old.entry))
    return Fact(value, entry, earlier)
