"""Results kept beside the runs, so that nothing unchanged is worked up twice.

One text file in the folder of the runs, a line a blank: a key made of the runs' contents, the settings and
the program, and what came out. Every line stands by itself and carries a check: one that is cut off, damaged
or of another version is passed over, and deleting the file loses nothing but time. Nothing in it is executed:
what it may hold is a short list of result records.
"""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import os
from collections.abc import Callable
from datetime import date, datetime, time
from pathlib import Path
from typing import Any, get_args, get_type_hints

import numpy as np

from analysis.bend.result import FlexResult
from analysis.roll.result import RollResult
from rig.runs import Event, Header

FILE_NAME = ".blankbench-results.jsonl"
"""Name of the file beside the runs; safe to delete."""


def _records(*roots: type) -> dict[str, type]:
    """Find every record that these are made of, by name."""
    found: dict[str, type] = {}
    open_ = list(roots)
    while open_:
        kind = open_.pop()
        if dataclasses.is_dataclass(kind) and isinstance(kind, type):
            if kind.__name__ not in found:
                found[kind.__name__] = kind
                open_ += get_type_hints(kind).values()
        else:
            open_ += get_args(kind)
    return found


_RECORDS = _records(RollResult, FlexResult, Header, Event)
_FIELDS = {
    name: tuple(field.name for field in dataclasses.fields(kind) if field.init)
    for name, kind in _RECORDS.items()
}
_MOMENTS: dict[str, Callable[[str], Any]] = {
    "datetime": datetime.fromisoformat,
    "date": date.fromisoformat,
    "time": time.fromisoformat,
}
_STALE = 64
"""So many lines that nobody asked for are left in the file before it is written anew."""


def encode(value: Any) -> str:
    """Write records, tuples, lists, mappings, arrays and plain values as one line of text.

    Raises
    ------
    TypeError
        For anything else.
    """
    return json.dumps(_plain(value), ensure_ascii=True, separators=(",", ":"))


def decode(text: str) -> Any:
    """Read what `encode` wrote.

    Raises
    ------
    ValueError, TypeError, KeyError
        If the text is anything else.
    """
    return _whole(json.loads(text))


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, float):
        return float(value)
    if isinstance(value, int | np.integer):
        return int(value)
    name = type(value).__name__
    if _RECORDS.get(name) is type(value):
        return {"record": name, "of": [_plain(getattr(value, field)) for field in _FIELDS[name]]}
    if isinstance(value, np.ndarray):
        data = np.ascontiguousarray(value, dtype="<f8")
        return {"array": list(value.shape), "of": base64.b64encode(data.tobytes()).decode("ascii")}
    if isinstance(value, tuple | list):
        return {type(value).__name__: [_plain(item) for item in value]}
    if isinstance(value, dict):
        return {"map": [[str(key), _plain(item)] for key, item in value.items()]}
    if name in _MOMENTS:
        return {"moment": name, "of": value.isoformat()}
    raise TypeError(f"a {name} is no result")


def _whole(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    if "record" in value:
        name = value["record"]
        parts = [_whole(part) for part in value["of"]]
        return _RECORDS[name](**dict(zip(_FIELDS[name], parts, strict=True)))
    if "array" in value:
        data = np.frombuffer(base64.b64decode(value["of"]), dtype="<f8")
        return data.astype(np.float64).reshape(value["array"])
    if "tuple" in value:
        return tuple(_whole(item) for item in value["tuple"])
    if "list" in value:
        return [_whole(item) for item in value["list"]]
    if "map" in value:
        return {key: _whole(item) for key, item in value["map"]}
    return _MOMENTS[value["moment"]](value["of"])


class Kept:
    """The file of kept results in one folder.

    Parameters
    ----------
    folder : Path
        Of the runs. Where it cannot be written, results are not kept and nothing else changes.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE_NAME
        self._lines = self._load()
        self._used: set[str] = set()
        self._writable = True

    def __len__(self) -> int:
        return len(self._lines)

    def find(self, key: str) -> Any | None:
        """Give what is kept under a key; None where there is nothing, or nothing that can be read."""
        text = self._lines.get(key)
        if text is None:
            return None
        try:
            found = decode(text)
        except (ValueError, TypeError, KeyError):
            return None
        self._used.add(key)
        return found

    def add(self, key: str, text: str) -> None:
        """Keep an encoded result: one line, written at once."""
        self._lines[key] = text
        self._used.add(key)
        if self._writable:
            try:
                with self.path.open("ab") as file:
                    file.write(_line(key, text).encode("ascii"))
            except OSError:
                self._writable = False

    def tidy(self) -> None:
        """Write the file anew where much of it is no longer asked for."""
        stale = len(self._lines) - len(self._used)
        if not self._writable or stale <= max(_STALE, len(self._used)):
            return
        beside = self.path.with_name(f"{FILE_NAME}.{os.getpid()}")
        try:
            text = "".join(_line(key, self._lines[key]) for key in self._lines if key in self._used)
            beside.write_bytes(text.encode("ascii"))
            beside.replace(self.path)
        except OSError:
            self._writable = False

    def _load(self) -> dict[str, str]:
        try:
            data = self.path.read_bytes()
        except OSError:
            return {}
        lines = {}
        for line in data.decode("ascii", "replace").split("\n")[:-1]:
            key, _, rest = line.partition(" ")
            check, _, text = rest.partition(" ")
            if check == _check(key, text):
                lines[key] = text
        return lines


def _line(key: str, text: str) -> str:
    return f"{key} {_check(key, text)} {text}\n"


def _check(key: str, text: str) -> str:
    """Tell a whole line from one that was cut off or spoilt."""
    return hashlib.blake2b(f"{key} {text}".encode(), digest_size=8).hexdigest()
