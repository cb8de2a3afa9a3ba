"""A list of the runs in a folder that is quick to read again: a cache, never the truth.

What a run's header says is kept by path, size and time of change. Missing, stale, cut off, of another
version or full of rubbish: then the headers are read again.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.errors import FileError
from rig.runs import Header, moment_of, read_header
from rig.runs.folder import SUFFIX

INDEX_NAME = "shop-index.json"
"""Stands beside the journal; safe to delete."""
VERSION = 1
"""Version of the index; any other is read as none."""
_SETTLED_NS = 2_000_000_000
"""A file changed less than this ago may change again without its time showing it: FAT counts in 2 s."""


@dataclass(frozen=True, slots=True)
class RunLine:
    """One run as its header tells it, without its readings."""

    path: str
    """Within the shop's folder, with ``/`` between its parts."""
    kind: str
    """``roll``, ``flex``, ``zero`` or ``weights``."""
    blank: str
    """Name of the blank."""
    model: str
    """The maker's model, or empty."""
    started: str
    """Date and time, or empty."""
    operator: str
    """Who recorded it, or empty."""
    calibration: str
    """Date of the calibration in force, or empty."""
    free_length_m: float
    """From the chuck's face to the tip, m."""
    notes: str
    """Free text of the header."""

    @property
    def order(self) -> tuple[datetime, str]:
        """Sorts by the time of recording; a run without a date counts as the oldest."""
        return moment_of(self.started) or datetime.min.replace(tzinfo=UTC), self.path

    @property
    def day(self) -> str:
        """The date of recording as written in the run, empty where there is none."""
        return self.started[:10] if moment_of(self.started) else ""


@dataclass(frozen=True, slots=True)
class Listing:
    """What is in the folder."""

    runs: tuple[RunLine, ...] = ()
    """Oldest first."""
    faults: tuple[FileError, ...] = ()
    """Files that cannot be read as runs."""
    gone: tuple[str, ...] = ()
    """Runs that were there when the index was last written, and are not now."""
    read_again: int = 0
    """Headers that had to be read."""


_NAMES = tuple(entry.name for entry in fields(RunLine))[1:]
_FAULT = ("line", "what", "do")


@dataclass(frozen=True, slots=True)
class _Kept:
    """One file of the index: its stamp, and the row of its run or its fault."""

    stamp: tuple[int, int]
    row: list[Any]
    fault: bool = field(default=False)


def list_runs(folder: str | os.PathLike[str], *, rebuild: bool = False) -> Listing:
    """List the runs of a folder and the folders in it from their headers.

    Parameters
    ----------
    folder : str or path
        The shop's folder; one that is not there has no runs.
    rebuild : bool
        Read every header again, whatever the index says.

    Notes
    -----
    The index is written again where something changed; where that is not possible, nothing is lost but time.
    """
    root = os.fspath(folder)
    before = {} if rebuild else _load(root)
    after: dict[str, _Kept] = {}
    read_again = 0
    now = time.time_ns()
    unsettled: set[str] = set()
    for path, stamp in _files(root, ""):
        kept = before.get(path)
        if kept is None or kept.stamp != stamp:
            fresh = _look(root, path, stamp)
            read_again += 1
            if fresh is None:
                continue
            kept = fresh
        after[path] = kept
        blocked = kept.fault and kept.row[0] is None  # no right to read it, say: its time will not tell
        if blocked or stamp[1] > now - _SETTLED_NS:
            unsettled.add(path)
    stored = {path: kept for path, kept in after.items() if path not in unsettled}
    if stored != before:
        _save(root, stored)
    runs, faults = [], []
    for path, kept in after.items():
        if kept.fault:
            faults.append(FileError(os.path.join(root, *path.split("/")), *kept.row))
        else:
            runs.append(RunLine(path, *kept.row))
    gone = tuple(path for path, kept in before.items() if path not in after and not kept.fault)
    runs.sort(key=lambda run: run.order)
    return Listing(tuple(runs), tuple(faults), gone, read_again)


def _files(root: str, below: str) -> Iterator[tuple[str, tuple[int, int]]]:
    """Paths of run files with size and time of change; links to other folders are not followed."""
    try:
        with os.scandir(os.path.join(root, below)) as items:
            found = sorted(items, key=lambda item: item.name)
    except OSError:
        return  # the folder is not there, or went away
    for item in found:
        inside = f"{below}/{item.name}" if below else item.name
        with suppress(OSError):  # a file that went away between the two looks
            if item.is_dir(follow_symlinks=False):
                yield from _files(root, inside)
            elif item.name.endswith(SUFFIX):
                status = item.stat()
                yield inside, (status.st_size, status.st_mtime_ns)


def _look(root: str, path: str, stamp: tuple[int, int]) -> _Kept | None:
    """Read a header; None where the file went away meanwhile."""
    name = os.path.join(root, *path.split("/"))
    try:
        return _Kept(stamp, _row(read_header(name)))
    except FileError as error:
        return _Kept(stamp, [error.line, error.what, error.do], True) if os.path.exists(name) else None


def _row(header: Header) -> list[Any]:
    dated = header.tables.get("calibration", {}).get("dated", "")
    said = {"calibration": str(dated)}
    return [said[name] if name in said else getattr(header, name) for name in _NAMES]


def _load(root: str) -> dict[str, _Kept]:
    """Read the index; an empty one where it is of no use, without the rows that are spoilt."""
    try:
        document = json.loads(Path(root, INDEX_NAME).read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    if not isinstance(document, dict) or document.get("blankbench-index") != VERSION:
        return {}
    if document.get("fields") != list(_NAMES) or not isinstance(document.get("files"), dict):
        return {}
    kept = {}
    for path, value in document["files"].items():
        if isinstance(value, list) and len(value) == 4 and type(value[0]) is type(value[1]) is int:
            size, changed, row, fault = value
            if isinstance(row, list) and (_is_fault(row) if fault is True else _is_row(row)):
                kept[path] = _Kept((size, changed), row, fault is True)
    return kept


def _is_row(row: list[Any]) -> bool:
    if len(row) != len(_NAMES):
        return False
    return all(
        isinstance(value, float) if name == "free_length_m" else isinstance(value, str)
        for name, value in zip(_NAMES, row, strict=True)
    )


def _is_fault(row: list[Any]) -> bool:
    if len(row) != len(_FAULT):
        return False
    line, what, do = row
    return (line is None or type(line) is int) and isinstance(what, str) and isinstance(do, str)


def _save(root: str, kept: Mapping[str, _Kept]) -> None:
    """Write the index beside the old one and put it in its place in one step."""
    document = {
        "blankbench-index": VERSION,
        "about": "a cache of the run files' headers; safe to delete",
        "fields": list(_NAMES),
        "files": {path: [*entry.stamp, entry.row, entry.fault] for path, entry in kept.items()},
    }
    place = Path(root, INDEX_NAME)
    fresh = place.with_name(f"{INDEX_NAME}.{os.getpid()}.new")
    try:
        fresh.write_text(json.dumps(document), encoding="utf-8")
        os.replace(fresh, place)
    except OSError:
        with suppress(OSError):
            fresh.unlink()
