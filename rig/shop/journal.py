"""The shop's journal: one append-only text file, one entry a line, each dated and by whom.

An entry is one line of JSON, so that a person reads it in any editor and a cut or spoilt line costs that
line alone. Its number is its line in the file. Nothing in the file is ever changed; corrections are entries.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any

from rig.errors import FileError
from rig.shop.lock import locked

JOURNAL_NAME = "shop-journal.txt"
"""Stands in the shop's folder of runs; opens by a double click."""
VERSION = 1
"""Version of the journal that is read and written."""
_MARKER = "blankbench-journal"
_WHAT = ("shipment", "note", "correction", "set-aside", "bring-back")


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the journal."""

    number: int
    """Its line in the file, counted from 1: what `log correct` names it by."""
    at: str
    """When, ISO 8601."""
    by: str
    """By whom."""
    what: str
    """``shipment``, ``note``, ``correction``, ``set-aside`` or ``bring-back``."""
    values: Mapping[str, Any]
    """Whatever else it says."""


@dataclass(frozen=True, slots=True)
class Read:
    """The journal as read."""

    entries: tuple[Entry, ...] = ()
    """In the order of the file."""
    warnings: tuple[str, ...] = ()
    """Lines that could not be read and were left out."""
    begun: bool = False
    """Whether the line that says what the file is stands there."""


class Journal:
    """The journal of one folder.

    Parameters
    ----------
    folder : str or path
        The shop's folder of runs; neither folder nor journal need be there yet.
    """

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.path = Path(folder) / JOURNAL_NAME

    def read(self) -> Read:
        """Read all entries; a line that is none is left out and named in a warning.

        Raises
        ------
        FileError
            If the file cannot be read, or is of another version or no journal.
        """
        try:
            data = self.path.read_bytes()
        except FileNotFoundError:
            return Read()
        except OSError as error:
            raise self._fault(f"the journal cannot be read ({error.strerror})", "check the file") from error
        return self._parse(data)

    def append(
        self,
        by: str,
        make: Callable[[Read], Sequence[Mapping[str, Any]]],
        now: Callable[[], datetime] = datetime.now,
    ) -> tuple[Entry, ...]:
        """Add entries, all or none, while no other program can write.

        Parameters
        ----------
        by : str
            By whom.
        make : callable
            Gets the journal as it stands and gives the new entries, each with its ``what``; what it raises
            leaves the journal as it was.
        now : callable
            Replaced in tests.

        Returns
        -------
        tuple of Entry
            As written.

        Raises
        ------
        FileError
            If the journal cannot be read or written.
        """
        flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            file = os.open(self.path, flags, 0o666)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise self._fault(f"the journal cannot be written ({reason})", "check the folder") from error
        try:
            with locked(file):
                return self._append(file, by, make, now)
        except OSError as error:
            do = "see whether the disk is full or another program holds the file"
            raise self._fault(f"the journal cannot be written ({error.strerror})", do) from error
        finally:
            os.close(file)

    def _append(
        self,
        file: int,
        by: str,
        make: Callable[[Read], Sequence[Mapping[str, Any]]],
        now: Callable[[], datetime],
    ) -> tuple[Entry, ...]:
        data = self.path.read_bytes()
        before = self._parse(data)
        fresh = make(before)
        at = now().astimezone().isoformat(timespec="seconds")
        top = "" if before.begun else _TOP
        if data and not data.endswith(b"\n"):
            top = "\n" + top  # an entry that was cut off keeps a line of its own
        start = (data.decode("utf-8", "replace") + top).count("\n") + 1
        lines = [_line({"at": at, "by": by, **entry}) for entry in fresh]
        text = (top + "".join(lines)).encode("utf-8")
        while text and lines:
            text = text[os.write(file, text) :]
        os.fsync(file)
        return tuple(
            Entry(start + place, at, by, entry["what"], MappingProxyType(dict(entry)))
            for place, entry in enumerate(fresh)
        )

    def _parse(self, data: bytes) -> Read:
        entries: list[Entry] = []
        warnings: list[str] = []
        seen = False
        for number, raw in enumerate(data.removeprefix(b"\xef\xbb\xbf").split(b"\n"), start=1):
            if not raw.strip():
                continue
            try:
                values = json.loads(raw)
            except (ValueError, RecursionError):
                values = None
            if not seen and values is None and _TOP.encode().startswith(raw):
                continue  # the plug was pulled while the journal was begun
            if not seen and not (isinstance(values, dict) and _MARKER in values):
                raise self._fault("this is no journal of a shop", "restore it from a backup", number)
            if not seen and values[_MARKER] != VERSION:
                shown = str(values[_MARKER])[:20]
                raise self._fault(
                    f"this journal has version {shown}, which is not known here", "use a newer blankbench", 1
                )
            if not seen:
                seen = True
                continue
            entry = _entry(number, values)
            if entry is None:
                warnings.append(f"{self.path}:{number}: this line cannot be read; it was left out")
            elif entry.what not in _WHAT:
                warnings.append(f"{self.path}:{number}: this entry is of no known kind; it was left out")
            else:
                entries.append(entry)
        return Read(tuple(entries), tuple(warnings), seen)

    def _fault(self, what: str, do: str, line: int | None = None) -> FileError:
        return FileError(self.path, line, what, do)


def _entry(number: int, values: object) -> Entry | None:
    if not isinstance(values, dict):
        return None
    at, by, what = (values.pop(key, None) for key in ("at", "by", "what"))
    if not (isinstance(at, str) and isinstance(by, str) and isinstance(what, str)):
        return None
    return Entry(number, at, by, what, MappingProxyType(values))


def _line(values: Mapping[str, Any]) -> str:
    """One line of JSON in letters as they are; signs that do not print are written as their codes."""
    text = json.dumps(dict(values), ensure_ascii=False, allow_nan=False)
    if not text.isprintable():
        text = "".join(sign if sign.isprintable() else json.dumps(sign)[1:-1] for sign in text)
    return text + "\n"


_TOP = _line({_MARKER: VERSION, "about": "append only; one entry a line"})
