"""Which column of a table is what: as the builder said, else as its heading says, else it is asked."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from rig.errors import CallError, FileError
from rig.runs.foreign.cells import Cell, read_cell, read_clock
from rig.runs.foreign.table import Table, is_missing
from rig.runs.foreign.units import Quantity, Unit, part_unit, unit_of, units_of

RunKind = Literal["roll", "flex"]
"""What a table may become."""
TARGETS: dict[str, Quantity] = {
    "time_s": "time",
    "load_N": "load",
    "travel_m": "travel",
    "roll_deg": "angle",
    "tip_deg": "angle",
}
"""Columns of a run file and what they hold, in the order they are written."""
_OWN_UNIT = {"time_s": "s", "load_N": "N", "travel_m": "m", "roll_deg": "deg", "tip_deg": "deg"}
_SHORT = {
    "time": "time_s",
    "load": "load_N",
    "force": "load_N",
    "weight": "load_N",
    "travel": "travel_m",
    "ruler": "travel_m",
    "roll": "roll_deg",
    "angle": "roll_deg",
    "clock": "roll_deg",
    "tip": "tip_deg",
    "slope": "tip_deg",
}
_HEADINGS: dict[str, str] = {
    "time_s": r"time|t|timestamp|millis|micros|ms|seconds|sec|elapsed|zeit|temps",
    "load_N": r"load|force|weight|scale|pull|mass|last|kraft|gewicht|charge|load ?cell|cell|f|w",
    "travel_m": r"travel|deflection|displacement|disp|ruler|height|reading|way|weg|durchbiegung"
    r"|fl[eè]che|tip travel|y",
    "roll_deg": r"roll|roll angle|angle|rotation|clock|clock position|position|hour|o'?clock|azimuth"
    r"|winkel|uhr|degrees|deg",
    "tip_deg": r"tip|tip angle|tip slope|slope|neigung",
}
_TIME_WORDS = {"millis": "ms", "micros": "us", "ms": "ms", "seconds": "s", "sec": "s"}
_ANGLE_WORDS = r"clock|clock position|hour|o'?clock|uhr"
_LISTED = 8


class Untold(Exception):  # noqa: N818 - a question, no error of its own
    """Something that the table does not tell and the builder can.

    Parameters
    ----------
    key : str
        What is asked: ``column NAME``, ``unit NAME``, ``kind`` or a key of the header.
    what, do : str
        What cannot be told, and how a call tells it.
    question : str
        The same as a question on a terminal.
    line : int or None
        Row of the file.
    """

    def __init__(self, key: str, what: str, do: str, question: str, line: int | None = None) -> None:
        super().__init__(what)
        self.key, self.what, self.do, self.question, self.line = key, what, do, question, line

    def refused(self, path: str) -> FileError:
        """Say it as an error, where nobody can be asked."""
        return FileError(path, self.line, self.what, self.do)


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the builder said of a table."""

    kind: RunKind | None = None
    """What it is to become."""
    columns: Mapping[str, tuple[str, str | None]] = field(default_factory=dict)
    """Column of the run file → column of the table, and its unit where one was said."""
    values: Mapping[str, str] = field(default_factory=dict)
    """Keys of the header as they were typed."""

    def answered(self, key: str, text: str) -> Wishes:
        """Give the wishes with the answer to a question."""
        if key == "kind":
            return replace(self, kind=_kind(text))
        word, _, name = key.partition(" ")
        if word == "column":
            column, _, unit = text.rpartition(":") if ":" in text else (text, "", "")
            return replace(self, columns={**self.columns, name: (column.strip(), unit.strip() or None)})
        if word == "unit":
            column = self.columns.get(name, ("", None))[0]
            return replace(self, columns={**self.columns, name: (column, text.strip())})
        return replace(self, values={**self.values, key: text})


@dataclass(frozen=True, slots=True)
class Taken:
    """One column that is taken."""

    name: str
    """In the run file."""
    at: int
    """Column of the table, counted from 0."""
    heading: str
    """As the table calls it, or its number."""
    unit: Unit
    """What it is written in."""
    why: str = ""
    """How the unit is known, where that is worth saying."""


@dataclass(frozen=True, slots=True)
class Understood:
    """What a table is."""

    kind: RunKind
    """What it becomes."""
    taken: tuple[Taken, ...]
    """Columns that are taken, in the order they are written."""
    passed: tuple[str, ...]
    """Headings of columns that are not."""
    warnings: tuple[str, ...]
    """What was taken for granted, in plain sentences."""

    def column(self, name: str) -> Taken | None:
        """Find a column by its name in the run file."""
        return next((each for each in self.taken if each.name == name), None)


def _kind(text: str) -> RunKind:
    word = text.strip().lower()
    if word == "roll":
        return "roll"
    if word == "flex":
        return "flex"
    raise CallError(f"{text.strip() or 'nothing'} is no kind of run", "say roll or flex")


def column_wish(text: str) -> tuple[str, tuple[str, str | None]]:
    """Read ``NAME=COLUMN[:UNIT]``; the last colon parts the unit.

    Raises
    ------
    CallError
        If it is not of that form, or NAME is no column of a run.

    Examples
    --------
    >>> column_wish("load=Cell: raw:g")
    ('load_N', ('Cell: raw', 'g'))
    """
    name, equals, rest = text.partition("=")
    name, rest = name.strip(), rest.strip()
    example = "--column load_N=Load:g"
    if not equals or not rest:
        raise CallError(f"--column {text} is not NAME=COLUMN[:UNIT]", f"write it as {example}")
    target = {each.lower(): each for each in TARGETS}.get(name.lower()) or _SHORT.get(name.lower())
    if target is None:
        raise CallError(
            f"--column {text}: a run has no column {name or 'without a name'}",
            "use one of: " + ", ".join(TARGETS),
        )
    column, colon, unit = rest.rpartition(":")
    if not colon:
        return target, (rest, "" if name in _SHORT else None)
    return target, (column.strip(), unit.strip())


def understand(table: Table, wishes: Wishes) -> Understood:
    """Find which columns are what.

    Raises
    ------
    Untold
        Where neither the builder nor the table says it.
    FileError
        Where what was said does not fit the table, with the row.
    """
    warnings: list[str] = []
    places = {name: _place(table, name, *said) for name, said in wishes.columns.items()}
    if len({at for at, _ in places.values()}) < len(places):
        raise FileError(table.path, table.heading_line, "one column is named for two things", "name another")
    by_heading = _by_heading(table, {at for at, _ in places.values()}, set(places))
    for name, at in by_heading.items():
        places[name] = (at, None)
    kind = wishes.kind or _told_kind(places, table)
    need = {"roll": ["roll_deg"], "flex": ["load_N", "travel_m"]}[kind]
    hung = any(key in wishes.values for key in ("held_load_N", "held_load"))
    if kind == "roll" and not {"load_N", "travel_m"} & set(places):
        need.append("travel_m" if hung else "load_N")
    for name in need:
        if name not in places:
            raise Untold(
                f"column {name}",
                f"which column holds the {_WORDS[name]} cannot be told; there are {_listing(table)}",
                f"say it, as in --column {name}=COLUMN:UNIT",
                f"Which column is the {_WORDS[name]} ({name})? Name or number, and :UNIT",
                table.heading_line,
            )
    if kind == "flex":
        places.pop("roll_deg", None)  # one side faced the pull: a key of the header
    taken = []
    for name in TARGETS:
        if name in places:
            at, said_unit = places[name]
            said = wishes.columns.get(name)
            unit, why = _unit(table, name, at, said_unit, said is not None and said[1] is None, warnings)
            taken.append(Taken(name, at, _own_heading(table, at), unit, why))
    used = {each.at for each in taken}
    passed = tuple(_heading(table, at) for at in range(table.width) if at not in used and _holds(table, at))
    return Understood(kind, tuple(taken), passed, tuple(warnings))


_WORDS = {
    "time_s": "time",
    "load_N": "load",
    "travel_m": "travel",
    "roll_deg": "roll angle",
    "tip_deg": "tip slope",
}


def _told_kind(places: Mapping[str, tuple[int, str | None]], table: Table) -> RunKind:
    if "roll_deg" in places:
        return "roll"
    if {"load_N", "travel_m"} <= set(places):
        return "flex"
    raise Untold(
        "kind",
        f"whether this is a roll or a flex cannot be told; its columns are {_listing(table)}",
        "say it with --kind roll or --kind flex, and name the columns: --column load_N=COLUMN:UNIT",
        "Is this a roll or a flex?",
        table.heading_line,
    )


def _place(table: Table, name: str, column: str, unit: str | None) -> tuple[int, str | None]:
    """Find a column that the builder named, by heading or number."""
    found = _find(table, column)
    if found is None and unit:
        # The colon may belong to the heading itself.
        whole = _find(table, f"{column}:{unit}")
        if whole is not None:
            return whole, unit if unit_of(unit, TARGETS[name]) else None
    if found is None:
        raise FileError(
            table.path,
            table.heading_line,
            f"there is no column {column or 'without a name'}; there are {_listing(table)}",
            f"say it by name or number, as in --column {name}=1:{_OWN_UNIT[name]}",
        )
    return found, unit or None


def _find(table: Table, column: str) -> int | None:
    names = table.names or ()
    for key in (str, _bare, lambda text: _bare(part_unit(text)[0])):
        wanted = key(column)
        found = [at for at, heading in enumerate(names) if key(heading) == wanted]
        if len(found) > 1:
            raise FileError(
                table.path,
                table.heading_line,
                f"there are two columns {column}",
                f"say which by its number, {found[0] + 1} or {found[1] + 1}",
            )
        if found:
            return found[0]
    if re.fullmatch(r"\d{1,4}", column.strip()) and 1 <= int(column) <= table.width:
        return int(column) - 1
    return None


def _bare(text: str) -> str:
    """Give a heading without blanks and capitals, which are typed as one likes."""
    return "".join(text.lower().split())


def _by_heading(table: Table, used: set[int], named: set[str]) -> dict[str, int]:
    """Find the columns whose heading alone says what they are; two that say the same are a question."""
    found: dict[str, int] = {}
    for name, pattern in _HEADINGS.items():
        if name in named or table.names is None:
            continue
        for rank in (0, 1):
            hits = [
                at
                for at, heading in enumerate(table.names)
                if at not in used
                and _holds(table, at)
                and _fits(heading, name, pattern, exact=rank == 0)
                and _right_unit(table, at, name)
            ]
            if len(hits) > 1:
                shown = " and ".join(_heading(table, at) for at in hits[:3])
                raise Untold(
                    f"column {name}",
                    f"columns {shown} could both be the {_WORDS[name]}",
                    f"say which, as in --column {name}={hits[0] + 1}:UNIT",
                    f"Which column is the {_WORDS[name]}: {shown}?",
                    table.heading_line,
                )
            if hits:
                found[name] = hits[0]
                used = used | {hits[0]}
                break
    return found


def _fits(heading: str, name: str, pattern: str, *, exact: bool) -> bool:
    if exact:
        return heading.strip() == name
    bare = re.sub(r"[\s_]+", " ", part_unit(heading)[0]).strip(" :").lower()
    whole = re.sub(r"[\s_]+", " ", heading).strip(" :").lower()
    return bool(re.fullmatch(pattern, bare) or re.fullmatch(pattern, whole))


def _right_unit(table: Table, at: int, name: str) -> bool:
    """A heading's unit may speak against what its word says: a scale in mm is no load."""
    written = _written_unit(table, at)
    return written is None or unit_of(written, TARGETS[name]) is not None or not _known(written)


def _known(text: str) -> bool:
    return any(unit_of(text, quantity) for quantity in ("load", "travel", "angle", "time"))


def _written_unit(table: Table, at: int) -> str | None:
    """Unit in the line of units or in the heading."""
    if table.units is not None and table.units[at].strip("[](){} "):
        return table.units[at].strip("[](){} ")
    return None if table.names is None else part_unit(table.names[at])[1]


def _unit(
    table: Table, name: str, at: int, said: str | None, own: bool, warnings: list[str]
) -> tuple[Unit, str]:
    quantity = TARGETS[name]
    heading = _heading(table, at)
    written = _written_unit(table, at)
    if said:
        unit = unit_of(said, quantity)
        if unit is None:
            raise FileError(
                table.path,
                table.heading_line,
                f"{said} is no unit of a {_WORDS[name]} that is known here",
                f"use one of: {units_of(quantity)}",
            )
        there = None if written is None else unit_of(written, quantity)
        if there is not None and there.factor != unit.factor:
            warnings.append(f"Column {heading} says {there.name}; it is taken as {unit.name}, as you said.")
        return unit, "as you said"
    if written is not None:
        unit = unit_of(written, quantity)
        if unit is not None:
            return unit, "from the heading"
        if not re.search(r"\d", written) and "[" in heading:
            raise FileError(
                table.path,
                table.heading_line,
                f"column {heading}: {written} is no unit of a {_WORDS[name]} that is known here",
                f"use one of: {units_of(quantity)}, as in --column {name}={at + 1}:{_OWN_UNIT[name]}",
            )
    if quantity == "angle" and any(read_clock(row[at]) is not None for row in table.rows):
        return _sure("clock", quantity), "hours and minutes"
    in_cells = _cell_unit(table, name, at) if quantity != "time" or not _moments(table, at) else None
    if in_cells is not None:
        return in_cells, "behind the numbers"
    bare = part_unit(table.names[at])[0].strip(" :").lower() if table.names is not None else ""
    if quantity == "time":
        if bare in _TIME_WORDS:
            return _sure(_TIME_WORDS[bare], quantity), "from the heading"
        if _moments(table, at):
            return _sure("s", quantity), "times of day"
    if quantity == "angle" and re.fullmatch(_ANGLE_WORDS, bare):
        return _sure("clock", quantity), "from the heading"
    if own or (table.names is not None and table.names[at].strip() == name):
        return _sure(_OWN_UNIT[name], quantity), "the run file's own"
    if quantity == "angle" and (bare in ("degrees", "deg") or _largest(table, at) >= 100.0):
        if bare not in ("degrees", "deg"):
            warnings.append(
                f"Column {heading} names no unit; it reaches 100 or more, so it is taken as degrees."
            )
        return _sure("deg", quantity), "from its size"
    raise Untold(
        f"unit {name}",
        f"column {heading} names no unit",
        f"say it, as in --column {name}={_shown(heading)}:{_EXAMPLE[quantity]} (known: {units_of(quantity)})",
        f"What is column {heading} in ({units_of(quantity)})?",
        table.heading_line,
    )


_EXAMPLE: dict[Quantity, str] = {"load": "g", "travel": "mm", "angle": "deg", "time": "ms"}


def _sure(name: str, quantity: Quantity) -> Unit:
    unit = unit_of(name, quantity)
    assert unit is not None
    return unit


def _moments(table: Table, at: int) -> bool:
    return any(":" in row[at] for row in table.rows)


def _largest(table: Table, at: int) -> float:
    sizes = [
        abs(cell.value)
        for row in table.rows
        if isinstance(cell := read_cell(row[at], table.decimal), Cell) and cell.value is not None
    ]
    return max(sizes, default=0.0)


def _cell_unit(table: Table, name: str, at: int) -> Unit | None:
    """Unit that stands behind the numbers of a column; two of them in one column are refused."""
    first: tuple[str, int] | None = None
    for row, line in zip(table.rows, table.lines, strict=True):
        cell = read_cell(row[at], table.decimal)
        if not isinstance(cell, Cell) or not cell.unit:
            continue
        if first is None:
            first = (cell.unit, line)
    if first is None:
        return None
    unit = unit_of(first[0], TARGETS[name])
    if unit is None:
        raise FileError(
            table.path,
            first[1],
            f"{first[0]} is no unit of a {_WORDS[name]} that is known here",
            f"use one of: {units_of(TARGETS[name])}",
        )
    return unit


def _own_heading(table: Table, at: int) -> str:
    """Give the heading as it stands, or the number where there is none."""
    heading = table.names[at].strip() if table.names is not None else ""
    return heading or str(at + 1)


def _heading(table: Table, at: int) -> str:
    if table.names is None or not table.names[at].strip():
        return str(at + 1)
    return _shown(table.names[at].strip())


def _shown(text: str) -> str:
    clean = "".join(sign if sign.isprintable() else "?" for sign in text)
    return clean if len(clean) <= 30 else clean[:27] + "..."


def _holds(table: Table, at: int) -> bool:
    return any(not is_missing(row[at]) for row in table.rows)


def _listing(table: Table) -> str:
    shown = [_heading(table, at) for at in range(min(table.width, _LISTED))]
    more = table.width - len(shown)
    return f"{table.width} columns: " + ", ".join(shown) + (f" and {more} more" if more > 0 else "")
