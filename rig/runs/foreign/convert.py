"""A table that is understood becomes a run: header, columns in SI, and what is to be said about them."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from analysis.readings import Floats
from rig.errors import CallError, FileError
from rig.runs.foreign.cells import Cell, read_cell, read_clock, read_moment
from rig.runs.foreign.table import Table
from rig.runs.foreign.understand import TARGETS, Taken, Understood, Untold
from rig.runs.foreign.units import Quantity, unit_of
from rig.runs.header import VERSION, Header, parse_header
from rig.runs.readings import AT_REST

_IN_UNITS: dict[str, Quantity] = {
    "free_length_m": "travel",
    "held_travel_m": "travel",
    "station_m": "travel",
    "clamped_length_m": "travel",
    "length_m": "travel",
    "butt_diameter_m": "travel",
    "tip_diameter_m": "travel",
    "held_load_N": "load",
    "load_after_N": "load",
    "mount_deg": "angle",
    "roll_deg": "angle",
}
_OWN = {"travel": "m", "load": "N", "angle": "deg", "time": "s"}
_NUMBERS = ("mass_g",)
_BARE = {re.sub(r"_(m|N|deg|g)$", "", key): key for key in (*_IN_UNITS, *_NUMBERS)}
_SAME_LOAD = 1e-3
"""A weight that hangs all the while is written alike in every row."""


@dataclass(frozen=True, slots=True)
class Converted:
    """A run made of a table."""

    header: Header
    """What the run says of itself."""
    columns: dict[str, Floats]
    """By name, shape (rows,)."""
    warnings: tuple[str, ...]
    """What was taken for granted or passed over."""
    said: Mapping[str, Any] = field(default_factory=dict)
    """Keys of the header that came with the call."""


def convert(
    table: Table,
    found: Understood,
    values: Mapping[str, str],
    *,
    resolution: Mapping[str, float] | None = None,
    at_rest: bool = False,
) -> Converted:
    """Make a run of a table.

    Parameters
    ----------
    table : Table
        The cells.
    found : Understood
        Which of them are what.
    values : mapping of str to str
        Keys of the header as typed; a length, load or angle may carry its unit.
    resolution : mapping or None
        Smallest step that the reading was taken to, by column, in its unit.
    at_rest : bool
        Whether the readings were taken while nothing moved, though they carry a time.

    Raises
    ------
    Untold
        Where a key of the header is missing.
    FileError
        With the row of a cell that cannot be used.
    CallError
        For a value that cannot be read.
    """
    timed = found.column("time_s") is not None
    warnings = list(found.warnings)
    columns: dict[str, Floats] = {}
    for each in found.taken:
        columns[each.name] = _column(table, each, timed, warnings)
    header_values = header_value_set(values)
    if found.kind == "roll":
        _holding(table, columns, header_values, found)
    for key, question in (("blank", "Name of the blank?"), ("free_length_m", "Free length, with its unit?")):
        if key not in header_values:
            raise Untold(
                key,
                f"the run needs {key}, and a table does not tell it",
                f"say it, as in --set {key}={'A-03' if key == 'blank' else '1.80'}",
                question,
            )
    if timed:
        _set_time(table, columns, warnings)
    else:
        columns = {"time_s": np.arange(len(table.rows), dtype=float), **columns}
    if found.passed:
        shown = ", ".join(found.passed[:6]) + (" …" if len(found.passed) > 6 else "")
        warnings.append(f"Not taken: column{'s' * (len(found.passed) > 1)} {shown}.")
    lines = _header_lines(table, found, header_values, not timed or at_rest, resolution)
    header = parse_header(lines, table.path, [1] * len(lines))
    return Converted(header, columns, tuple(warnings), header_values)


def header_value_set(values: Mapping[str, str]) -> dict[str, Any]:
    """Read header keys as they are typed, each with its unit where it carries one.

    Raises
    ------
    CallError
        For a value that cannot be read.

    Examples
    --------
    >>> header_value_set({"free_length": "180cm", "blank": "A-03"})
    {'free_length_m': 1.8, 'blank': 'A-03'}
    """
    out: dict[str, Any] = {}
    for typed, text in values.items():
        key = _BARE.get(typed, typed)
        if key in ("held_weight", "held_weight_g", "weight"):
            key = "held_load_N"
            text = f"{text} g" if re.fullmatch(r"[\d.,\s]+", text) else text
        out[key] = header_value(key, text)
    return out


def header_value(key: str, text: str) -> Any:
    """Read one value of the header; see `header_value_set`."""
    quantity = _IN_UNITS.get(key)
    if quantity is None and key not in _NUMBERS:
        return _plain(text)
    cell = read_cell(text.replace(",", "."), "point")
    unit = None
    if isinstance(cell, Cell) and cell.value is not None:
        if quantity is None:
            if cell.unit in ("", "g"):
                return cell.value
        else:
            unit = unit_of(cell.unit or _OWN[quantity], quantity)
            if unit is not None:
                return cell.value * unit.factor
    raise CallError(
        f"--set {key}={text}: {text or 'nothing'} is no value for it",
        f"write it as --set {key}=1.80"
        + ("" if quantity is None else f" or with its unit: {_OWN[quantity]}"),
    )


def _plain(text: str) -> Any:
    """A key that is not known here: true, false or a number if it reads as one, else words."""
    return {"true": True, "false": False}.get(text, text)


def _column(table: Table, each: Taken, timed: bool, warnings: list[str]) -> Floats:
    """Convert a column; the row of the first bad cell is named."""
    out = np.full(len(table.rows), np.nan)
    clock = each.unit.name == "clock"
    missing = 0
    for at, (row, line) in enumerate(zip(table.rows, table.lines, strict=True)):
        text = row[each.at]
        value = _special(text, each)
        if value is None:
            cell = read_cell(text, table.decimal)
            if isinstance(cell, str):
                raise FileError(
                    table.path,
                    line,
                    f"column {each.heading}: '{text[:20]}' {cell}",
                    "correct the cell, or empty it",
                )
            if cell.value is None:
                _refuse_gap(table, each, line, timed)
                missing += 1
                continue
            if cell.unit:
                _refuse_other_unit(table, each, cell.unit, line)
            value = cell.value
        if clock and not 0.0 <= value < 13.0:
            raise FileError(
                table.path, line, f"clock position {value:g}: a dial goes from 1 to 12", "correct the cell"
            )
        out[at] = value * each.unit.factor
        if clock:
            out[at] %= 360.0
    if missing:
        warnings.append(f"Column {each.heading}: {missing} missing readings are left out.")
    return out


def _special(text: str, each: Taken) -> float | None:
    """Hours and minutes of a dial or of the day, in the column's unit."""
    if ":" not in text and "h" not in text:
        return None
    if each.unit.name == "clock":
        return read_clock(text)
    if each.name == "time_s":
        return None if (moment := read_moment(text)) is None else moment / each.unit.factor
    return None


def _refuse_gap(table: Table, each: Taken, line: int, timed: bool) -> None:
    """Among readings by hand a gap is a slip; in a log it is a missing reading."""
    if not timed and each.name != "tip_deg":
        word = {"load_N": "weight or load", "travel_m": "travel", "roll_deg": "roll angle"}[each.name]
        raise FileError(
            table.path, line, f"the {word} is missing in this row", "fill it in, or remove the row"
        )


def _refuse_other_unit(table: Table, each: Taken, written: str, line: int) -> None:
    unit = unit_of(written, TARGETS[each.name])
    if unit is None:
        raise FileError(
            table.path,
            line,
            f"column {each.heading}: {written[:20]} is no unit that is known here",
            "correct the cell, or write numbers alone",
        )
    if unit.factor != each.unit.factor:
        raise FileError(
            table.path,
            line,
            f"two units in one column: {each.heading} is in {each.unit.name}, and here in {unit.name}",
            "write the column in one unit",
        )


def _holding(table: Table, columns: dict[str, Floats], values: dict[str, Any], found: Understood) -> None:
    """Find what was held in a roll table: the tip, or a weight that hung from it."""
    load, travel = columns.get("load_N"), columns.get("travel_m")
    if "held_load_N" in values or "held_travel_m" in values:
        if "held_load_N" in values and travel is None:
            raise FileError(
                table.path,
                table.heading_line,
                "a weight hung from the tip, and no column holds the travel",
                "say it, as in --column travel_m=COLUMN:mm",
            )
        if "held_load_N" not in values and load is None:
            raise FileError(
                table.path,
                table.heading_line,
                "the tip was held, and no column holds the load",
                "say it, as in --column load_N=COLUMN:g",
            )
        return
    if load is not None and travel is not None:
        if float(np.nanmax(load) - np.nanmin(load)) <= _SAME_LOAD * abs(float(np.nanmax(load))):
            values["held_load_N"] = float(np.nanmean(load))  # one weight hung, and the travel was read
        else:
            values["held_travel_m"] = float(np.nanmean(travel))
        return
    key, example, words = (
        ("held_travel_m", "0.45", "how far the tip was held")
        if load is not None
        else ("held_load_N", "300g", "which weight hung from the tip")
    )
    raise Untold(
        key,
        f"{words} cannot be told from the table",
        f"say it, as in --set {key}={example}",
        f"{words[:1].upper()}{words[1:]} ({key}), with its unit?",
    )


def _set_time(table: Table, columns: dict[str, Floats], warnings: list[str]) -> None:
    """Count time from the first reading; a clock that runs backwards is said."""
    time = columns["time_s"]
    known = np.flatnonzero(np.isfinite(time))
    if not known.size:
        raise FileError(table.path, table.lines[0], "the column of times is empty", "leave it out")
    time -= time[known[0]]
    back = np.flatnonzero(np.diff(time[known]) < 0.0)
    if back.size:
        line = table.lines[int(known[back[0] + 1])]
        warnings.append(f"Row {line}: the time runs backwards; the readings stay in the order of the file.")


def _header_lines(
    table: Table,
    found: Understood,
    values: Mapping[str, Any],
    at_rest: bool,
    resolution: Mapping[str, float] | None,
) -> list[str]:
    """Write the header as the TOML that a run file would carry, to be checked as any other."""
    import tomlkit

    digest = hashlib.sha256(Path(table.path).read_bytes()).hexdigest()
    plain: dict[str, Any] = {"blankbench-run": VERSION, "kind": found.kind, **values}
    if at_rest:
        plain["taken"] = AT_REST
    if resolution:
        plain["resolution"] = {name: float(step) for name, step in resolution.items()}
    plain["imported"] = {
        "file": Path(table.path).name,
        "digest": f"sha256:{digest}",
        "columns": {each.name: f"{each.heading}:{each.unit.name}" for each in found.taken},
    }
    return tomlkit.dumps(plain).splitlines()


def resolution_of(texts: list[str]) -> dict[str, float]:
    """Read ``--resolution`` options such as ``1mm``, ``5g``, ``1deg``: the smallest step of a reading.

    Raises
    ------
    CallError
        For one that is no positive number with a unit.

    Examples
    --------
    >>> resolution_of(["1mm", "1deg"])
    {'travel_m': 0.001, 'roll_deg': 1.0}
    """
    out: dict[str, float] = {}
    names: dict[Quantity, str] = {"load": "load_N", "travel": "travel_m", "angle": "roll_deg"}
    for text in texts:
        cell = read_cell(text.replace(",", "."), "point")
        hit = None
        if isinstance(cell, Cell) and cell.value is not None and cell.value > 0.0 and cell.unit:
            for quantity, name in names.items():
                unit = unit_of(cell.unit, quantity)
                if unit is not None:
                    hit = (name, cell.value * unit.factor)
        if hit is None:
            raise CallError(f"--resolution {text} is no step of a reading", "write it as 1mm, 5g or 1deg")
        out[hit[0]] = hit[1]
    return out
