"""The header of a run file: what the bench knew before the first reading.

In the file it is TOML behind ``# `` on each line; here it is one frozen record with a typed field for every
known key. Keys and tables that are not known are kept in `Header.extra` and `Header.tables`.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import UTC, date, datetime
from functools import lru_cache
from typing import Any, Literal

import tomlkit

from rig.errors import FileError

VERSION = 1
"""Version of the run file that is read and written."""

Kind = Literal["roll", "flex", "zero", "weights"]
"""What was recorded: a roll, a flex, the rig with a free tip, or known weights for a calibration."""
KINDS: tuple[Kind, ...] = ("roll", "flex", "zero", "weights")

_MARKER = "blankbench-run"
_LENGTHS = (
    "free_length_m",
    "held_travel_m",
    "station_m",
    "clamped_length_m",
    "length_m",
    "butt_diameter_m",
    "tip_diameter_m",
)
_POSITIVE = (*_LENGTHS, "held_load_N", "mass_g")
_SIGNED = ("mount_deg", "roll_deg", "load_after_N")
_LARGEST = 1e6
"""No length, mass, load or angle of a bench is a larger number in its unit."""
_TEXTS = ("blank", "model", "operator", "notes", "label_power", "label_action")
_CHOICES: dict[str, tuple[str, ...]] = {
    "kind": KINDS,
    "contact": ("held", "free"),
    "held_in": ("chuck", "v-blocks"),
    "pull": ("down", "up", "sideways"),
    "piece": ("whole", "butt", "tip"),
}
_EXAMPLES = {
    _MARKER: f"{_MARKER} = {VERSION}",
    "kind": 'kind = "roll"',
    "blank": 'blank = "A-03"',
    "free_length_m": "free_length_m = 1.80",
}


@dataclass(frozen=True, slots=True)
class Header:
    """What a run says about itself. Lengths in m, loads in N; degrees only in ``_deg``."""

    kind: Kind
    """What was recorded."""
    blank: str
    """Name of the blank."""
    free_length_m: float
    """From the chuck's face to the tip, m."""
    model: str = ""
    """The maker's model, or empty."""
    held_travel_m: float | None = None
    """Travel at which the tip is held in a roll run, m."""
    held_load_N: float | None = None
    """Hanging weight in a roll run, N."""
    mount_deg: float = 0.0
    """Blank angle that faces the pull when the chuck reads 0."""
    roll_deg: float | None = None
    """Blank angle that faced the pull in a flex run."""
    pull: Literal["down", "up", "sideways"] | None = None
    """Which way the rig pulls."""
    started: str = ""
    """Date and time of the first reading, ISO 8601, or empty."""
    operator: str = ""
    """Who recorded it."""
    contact: Literal["held", "free"] = "held"
    """Whether the tip is held sideways or free to move sideways."""
    held_in: Literal["chuck", "v-blocks"] = "chuck"
    """What holds the butt. V-blocks do not turn with the blank, so they have no chuck's part."""
    station_m: float | None = None
    """Where the load acts, m from the chuck's face; None is the tip."""
    clamped_length_m: float | None = None
    """From the butt's end to the chuck's face, m."""
    length_m: float | None = None
    """Length of the whole blank or piece, m."""
    butt_diameter_m: float | None = None
    """Outer diameter of the butt, m."""
    tip_diameter_m: float | None = None
    """Outer diameter of the tip, m."""
    mass_g: float | None = None
    """Mass of the blank, g."""
    piece: Literal["whole", "butt", "tip"] | None = None
    """Which part of a blank in pieces was measured."""
    label_power: str | None = None
    """Power word that the maker's label claims."""
    label_action: str | None = None
    """Action word that the maker's label claims."""
    load_after_N: float | None = None
    """What the load reads with the tip free after a flex run, N: how far its zero has drifted."""
    notes: str = ""
    """Free text."""
    tables: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    """Tables of the header, by name: ``rig``, ``calibration`` and whatever else stood there."""
    extra: Mapping[str, Any] = field(default_factory=dict)
    """Keys that are not known here, kept as they were."""
    lines: Mapping[str, int] = field(default_factory=dict, compare=False, repr=False)
    """Line in the file of each key and table, for messages; empty for a header that was not read."""

    @property
    def when(self) -> datetime | None:
        """`started` as a time, UTC where it names no zone; None if it is missing or no ISO date."""
        return moment_of(self.started)

    def to_toml(self) -> str:
        """Write the header as TOML, one line a key, ending in a newline.

        Raises
        ------
        ValueError
            If a value cannot be written so that the same value is read again.
        """
        plain: dict[str, Any] = {_MARKER: VERSION}
        for entry in fields(self):
            value = getattr(self, entry.name)
            if entry.name not in _NOT_KEYS and value not in (None, ""):
                plain[entry.name] = _storable(value)
        # Plain keys come before tables and lists of tables, or they would belong to them.
        extra = _storable(dict(self.extra))
        plain |= {key: value for key, value in extra.items() if not _holds_tables(value)}
        plain |= {key: value for key, value in extra.items() if _holds_tables(value)}
        plain |= _storable(dict(self.tables))
        text = tomlkit.dumps(plain)
        if tomllib.loads(text) != plain:
            raise ValueError("the header holds a value that TOML cannot carry")
        return text if text.endswith("\n") else text + "\n"


def moment_of(text: str) -> datetime | None:
    """Read an ISO date and time, UTC where it names no zone; None for any other text."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


_NOT_KEYS = ("tables", "extra", "lines")
_KEYS = frozenset(entry.name for entry in fields(Header)) - set(_NOT_KEYS)


def parse_header(lines: Sequence[str], path: str, numbers: Sequence[int]) -> Header:
    """Read and check a header.

    Parameters
    ----------
    lines : sequence of str
        Header lines without their ``#``.
    path : str
        The file, as the user named it, for messages.
    numbers : sequence of int
        Line number in the file of each of `lines`.

    Raises
    ------
    FileError
        With the line, if the header is no TOML, misses a key or holds a wrong value.
    """
    try:
        values = _values(lines)
    except tomllib.TOMLDecodeError as error:
        raise _toml_fault(error, lines, path, numbers) from None

    places: dict[str, int] = {}
    for text, number in zip(lines, numbers, strict=True):
        key = text.partition("=")[0].partition("]")[0].strip(" [\"'")
        places.setdefault(key, number)

    def refuse(key: str, what: str, do: str) -> FileError:
        return FileError(path, places.get(key, numbers[0]), what, do)

    if _MARKER in values and (type(values[_MARKER]) is not int or values[_MARKER] != VERSION):
        raise refuse(
            _MARKER,
            f"this run file has version {_shown(values[_MARKER])}, which is not known here",
            f"only version {VERSION} can be read; use a newer blankbench or record again",
        )
    for key, example in _EXAMPLES.items():
        if key not in values:
            raise FileError(
                path, numbers[0], f"the header does not give {key}", f"add a line such as  # {example}"
            )
    _check_values(values, refuse)
    _check_roll(values, refuse)
    return _build(values, places)


def _values(lines: Sequence[str]) -> dict[str, Any]:
    """Parse the header; lines and tables that a shop's runs have in common are parsed once for all of them.

    A header is nearly always one key a line, then tables. Each of these is TOML by itself, and together they
    are the header unless two name the same key; anything else is left to the parser as a whole.
    """
    first = next((at for at, line in enumerate(lines) if line.lstrip().startswith("[")), len(lines))
    values: dict[str, Any] = {}
    count = 0
    try:
        for part in (*lines[:first], "\n".join(lines[first:])):
            parsed = _parsed(part)
            values.update(parsed)
            count += len(parsed)
    except tomllib.TOMLDecodeError:
        count = -1  # a value that runs over lines, or a fault: only the whole can tell
    return values if count == len(values) else tomllib.loads("\n".join(lines))


@lru_cache(maxsize=1024)
def _parsed(text: str) -> dict[str, Any]:
    return tomllib.loads(text)


def _check_values(values: Mapping[str, Any], refuse: Any) -> None:
    """Refuse known keys of the wrong type or out of range."""
    for key, value in values.items():
        if key in _TEXTS and (not isinstance(value, str) or (key == "blank" and not value.strip())):
            raise refuse(
                key, f"{key} must be text, not {_shown(value)}", f'put it in quotes, as in  # {key} = "A-03"'
            )
        if key in _CHOICES and value not in _CHOICES[key]:
            words = ", ".join(_CHOICES[key])
            raise refuse(
                key,
                f"{key} {_shown(value)} is not known",
                f'use one of: {words}, as in  # {key} = "{words.split(",")[0]}"',
            )
        if key in _POSITIVE + _SIGNED and not _is_number(value):
            raise refuse(
                key,
                f"{key} must be a number, not {_shown(value)}",
                f"write it without quotes, as in  # {key} = 1.5",
            )
        if key in _POSITIVE and not value > 0:
            raise refuse(
                key, f"{key} must be above zero, not {_shown(value)}", "measure it and correct the line"
            )
        if key in _POSITIVE + _SIGNED and abs(value) > _LARGEST:
            raise refuse(key, f"{key} {_shown(value)} is more than any bench has", "check its unit")
        if key == "started" and not isinstance(value, str | date):
            raise refuse(
                key,
                f"started must be a date, not {_shown(value)}",
                'write it as  # started = "2026-05-04T09:30:00Z"',
            )
    for key in ("held_travel_m", "station_m"):
        if key in values and values[key] > values["free_length_m"]:
            raise refuse(
                key,
                f"{key} {_shown(values[key])} is more than the free length {_shown(values['free_length_m'])}",
                "give both in metres",
            )


def _check_roll(values: Mapping[str, Any], refuse: Any) -> None:
    """Refuse a roll run that holds neither its travel nor its load, or both."""
    if values["kind"] != "roll":
        return
    held = [key for key in ("held_travel_m", "held_load_N") if key in values]
    if not held:
        raise refuse(
            "kind",
            "this roll run says neither held_travel_m nor held_load_N",
            "add the travel at which the tip was held, as in  # held_travel_m = 0.45",
        )
    if len(held) == 2:
        raise refuse(
            "held_load_N",
            "this roll run gives both held_travel_m and held_load_N",
            "keep held_travel_m if the tip was held, held_load_N if a weight hung from it",
        )


def _build(values: Mapping[str, Any], places: Mapping[str, int]) -> Header:
    given: dict[str, Any] = {}
    tables: dict[str, Mapping[str, Any]] = {}
    extra: dict[str, Any] = {}
    for key, value in values.items():
        if key in _KEYS:
            if key == "started":
                given[key] = value if isinstance(value, str) else value.isoformat()
            else:
                given[key] = float(value) if key in _POSITIVE + _SIGNED else value
        elif isinstance(value, dict):
            tables[key] = value
        elif key != _MARKER:
            extra[key] = value
    return Header(**given, tables=tables, extra=extra, lines=places)


def _toml_fault(
    error: tomllib.TOMLDecodeError, lines: Sequence[str], path: str, numbers: Sequence[int]
) -> FileError:
    """Say what is wrong with the header's text, with its line in the file."""
    text = str(error)
    found = re.search(r"\(at line (\d+)", text)
    index = min(int(found[1]), len(lines)) - 1 if found else len(lines) - 1
    reason = re.sub(r"\s*\(at .*", "", text)
    line = lines[index]
    key = line.partition("=")[0].strip()
    if line.rstrip().endswith((",,", ";;")):
        what, do = "the header was rewritten by a spreadsheet", "use the file as it was recorded"
    elif "overwrite" in reason.lower() or "twice" in reason.lower() or "duplicate" in reason.lower():
        what, do = f"the header gives {_shown(key)} twice", "keep one of the two lines"
    elif "=" not in line:
        what, do = f"header line {_shown(line.strip())} is not `key = value`", "correct or remove the line"
    else:
        what = f"the header's value of {_shown(key)} cannot be read ({reason[:1].lower()}{reason[1:]})"
        do = 'put text in quotes and write numbers with a point, as in  # blank = "A-03"'
    return FileError(path, numbers[index], what, do)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _shown(value: object) -> str:
    """Cut and clean a value for a one-line message."""
    text = value if isinstance(value, str) else str(value)
    if isinstance(value, bool):
        text = text.lower()
    text = "".join(c if c.isprintable() else "?" for c in text)
    text = text if len(text) <= 40 else text[:37] + "..."
    return f"'{text}'" if isinstance(value, str) else text


def _holds_tables(value: object) -> bool:
    return isinstance(value, list) and any(isinstance(item, dict) for item in value)


def _storable(value: Any) -> Any:
    """Make a value that TOML can carry: lone surrogates replaced, ``None`` entries left out."""
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode("utf-8")
    if isinstance(value, Mapping):
        return {str(_storable(str(k))): _storable(v) for k, v in value.items() if v is not None}
    if isinstance(value, list | tuple):
        return [_storable(v) for v in value]
    if isinstance(value, float):
        return float(value)  # numpy's floats are floats by another name
    return value
