"""The marks that a recorder leaves among the readings, as comment lines that other readers pass over."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

_BLANK = b" \t\n"
_LINE_END = ord("\n")


@dataclass(frozen=True, slots=True)
class Event:
    """A mark that the recorder left among the readings, such as the load limit passed or a reset."""

    name: str
    """What happened."""
    row: int
    """How many readings stood before it."""
    line: int
    """Its line in the file."""
    detail: Mapping[str, Any] = field(default_factory=dict)
    """Whatever else it states."""


def split_marks(
    text: bytes, start: int, first: int
) -> tuple[bytes, int, NDArray[np.int64] | None, tuple[Event, ...], list[str]]:
    """Take out comment lines and blank lines at the end.

    Parameters
    ----------
    text : bytes
        Whole lines.
    start : int
        Where the readings begin in it.
    first : int
        Line in the file of the first reading.

    Returns
    -------
    body, at : bytes, int
        Readings only, from `at` on: `text` itself where it needs no change.
    lines : ndarray or None
        Line in the file of each; None: they stand one below the other.
    events, warnings : tuple, list
        The recorder's marks, and what could not be read of them.
    """
    if len(text) == start or text[-2:-1] in _BLANK:
        text, start = text[start:].rstrip(_BLANK), 0
        text += b"\n" if text else b""
    hash_at = text.find(b"#", start)
    if hash_at < 0:
        return text, start, None, (), []
    pieces: list[bytes] = []
    numbers: list[NDArray[np.int64]] = []
    events: list[Event] = []
    warnings: list[str] = []
    line, rows = first, 0
    while True:
        end = hash_at if hash_at >= 0 else len(text)
        if hash_at > start and text[hash_at - 1 : hash_at] != b"\n":
            hash_at = text.find(b"#", hash_at + 1)  # inside a reading, where it is a fault
            continue
        there = _count_lines(text, start, end)
        if there:
            pieces.append(text[start:end])
            numbers.append(np.arange(line, line + there))
        line, rows = line + there, rows + there
        if hash_at < 0:
            break
        start = text.index(b"\n", hash_at) + 1
        _read_mark(text[hash_at + 1 : start], rows, line, events, warnings)
        line += 1
        hash_at = text.find(b"#", start)
    if not pieces:
        return b"", 0, None, tuple(events), warnings
    body = pieces[0] if len(pieces) == 1 else b"".join(pieces)
    if body[-2:-1] in _BLANK:  # blank lines in front of the last mark
        body = body.rstrip(_BLANK) + b"\n" if body.strip() else b""
        rows = _count_lines(body, 0, len(body))
    events = [replace(event, row=min(event.row, rows)) for event in events]
    return body, 0, np.concatenate(numbers)[:rows], tuple(events), warnings


def _count_lines(text: bytes, start: int, end: int) -> int:
    # Lines are short: comparing all bytes at once is faster than finding one line end after the other.
    return int(np.count_nonzero(np.frombuffer(text, np.uint8)[start:end] == _LINE_END)) if text else 0


def _read_mark(text: bytes, row: int, line: int, events: list[Event], warnings: list[str]) -> None:
    try:
        mark = tomllib.loads(text.decode("utf-8").strip()).get("event")
    except ValueError:  # neither TOML nor UTF-8
        if text.lstrip().startswith(b"event"):
            warnings.append(f"line {line}: a mark of the recorder cannot be read and was left out")
        return
    if isinstance(mark, dict):
        detail = dict(mark)
        events.append(Event(str(detail.pop("name", "")), row, line, detail))
