"""Reading a run file: one recording, header first, readings after it.

The file is text that a spreadsheet opens: header lines are ``# `` and TOML, then one line of column names,
then readings. Comment lines among the readings are the recorder's marks. Nothing is guessed: what cannot be
read is refused with its line, and what was left out is said in `Run.warnings`.
"""

from __future__ import annotations

import codecs
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import FileError
from rig.runs.body import parse_body
from rig.runs.header import Header, parse_header
from rig.runs.marks import Event, split_marks

RAW_OF = {
    "load_N": "load_counts",
    "roll_deg": "angle_counts",
    "travel_m": "travel_counts",
    "tip_deg": "tip_counts",
}
"""Engineering column → the column of raw counts it comes from."""

_UTF16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_MARKER_LINE = re.compile(r'\s*["\']?blankbench-run')
_HEADER_BYTES = 1 << 16
_SANE_LENGTH_M = 15.0


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One recording, as read."""

    path: str
    """The file, as it was named by the caller."""
    header: Header
    """What the run says about itself."""
    columns: Mapping[str, NDArray[np.float64]]
    """Readings by column, each shape (n,), in the file's order; a missing reading is nan."""
    lines: range | NDArray[np.int64]
    """Line in the file of each reading, counted from 1, length n."""
    warnings: tuple[str, ...] = ()
    """What was left out or looks wrong, in plain sentences."""
    events: tuple[Event, ...] = ()
    """The recorder's marks, in order."""

    def __len__(self) -> int:
        return len(self.lines)

    def line_of(self, row: int | None) -> int | None:
        """Give the line in the file of the reading `row`, counted from 0; None where there is none."""
        return None if row is None or not 0 <= row < len(self.lines) else int(self.lines[row])


def read_run(path: str | os.PathLike[str]) -> Run:
    """Read one run file.

    Parameters
    ----------
    path : str or path
        The file.

    Raises
    ------
    FileError
        If the file is missing or is not a run that can be used as a whole, with the line.
    """
    name = os.fspath(path)
    data = _read_bytes(name)
    text, tail = _whole_lines(data, name)
    header, names, start, line = _parse_top(text, name)
    needed = _needed_columns(header, names, name, line)
    body, at, marked, events, warnings = split_marks(text, start, line + 1)
    if tail.strip():
        last = text.count(b"\n") + 1
        warnings.append(
            f"line {last}, the last, has no line end and was left out: the recording was cut off there"
        )
    if len(body) == at:
        raise FileError(name, line, "the run has no readings", "record it again")
    if b";" in text[text.rfind(b"\n", 0, start - 1) + 1 : start]:
        body, at = _decimal_points(body[at:], name, line), 0
    first = line + 1
    line_of = (lambda row: first + row) if marked is None else (lambda row: int(marked[row]))
    columns = parse_body(body, at, names, name, line_of)
    lines = range(first, first + len(columns[names[0]])) if marked is None else marked
    for column in needed:
        if np.isnan(columns[column][0]) and np.isnan(columns[column]).all():
            raise FileError(name, line, f"column {column} holds no reading at all", "record the run again")
    warnings += _doubts(header, columns, lines)
    return Run(name, header, columns, lines, tuple(warnings), events)


def read_header(path: str | os.PathLike[str]) -> Header:
    """Read the header of a run alone, without its readings.

    Raises
    ------
    FileError
        As `read_run`, for the header and the line of column names.
    """
    name = os.fspath(path)
    data = _read_bytes(name, _HEADER_BYTES)
    text, _ = _whole_lines(data, name)
    try:
        return _parse_top(text, name)[0]
    except FileError:
        if len(data) < _HEADER_BYTES:
            raise
        return _parse_top(_whole_lines(_read_bytes(name), name)[0], name)[0]


def _read_bytes(name: str, size: int = -1) -> bytes:
    try:
        with open(name, "rb") as file:
            data = file.read(size)
    except FileNotFoundError:
        raise FileError(name, None, "there is no such file", "check the name") from None
    except (OSError, ValueError) as error:
        if isinstance(error, OSError) and os.path.isdir(name):
            raise FileError(name, None, "this is a folder", "name the run files in it") from None
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(
            name, None, f"the file cannot be read ({reason})", "check its name and permissions"
        ) from None
    if not data.strip():
        raise FileError(name, None, "the file is empty", "record the run again")
    return data


def _whole_lines(data: bytes, name: str) -> tuple[bytes, bytes]:
    """Bytes up to the last line end, lines ended by LF alone, and what stood after it."""
    save = "save it as UTF-8 text"
    odd, even = data[1:200:2], data[0:200:2]
    if data.startswith(_UTF16) or (len(odd) > 3 and (not odd.strip(b"\0") or not even.strip(b"\0"))):
        raise FileError(name, 1, "the file is UTF-16 text", save)
    data = data.removeprefix(codecs.BOM_UTF8)
    if b"\r" in data:
        if b"\n" not in data:
            raise FileError(name, 1, "the lines end in CR alone", "save it with LF or CRLF line ends")
        data = data.replace(b"\r\n", b"\n")
    end = data.rfind(b"\n") + 1
    text = data[:end]
    if b"\0" in text or (not text and b"\0" in data):
        line = data.count(b"\n", 0, data.index(b"\0")) + 1
        raise FileError(name, line, "this is not a text file", "name a run file, or use a backup of it")
    if not text and not data.startswith(b"#"):
        raise _no_run(name)
    return text, data[end:]


def _parse_top(text: bytes, name: str) -> tuple[Header, list[str], int, int]:
    """Header, column names, offset of the first reading and line of the column names."""
    comments: list[str] = []
    numbers: list[int] = []
    start = 0
    line = 0
    while True:
        end = text.find(b"\n", start)
        if end < 0:
            raise FileError(
                name,
                line + 1,
                "the file ends inside its header",
                "the recording was cut off; record it again",
            )
        raw = text[start:end]
        line += 1
        start = end + 1
        try:
            content = raw.decode("utf-8")
        except UnicodeDecodeError as error:
            if not comments and not raw.startswith(b"#"):
                raise _no_run(name) from None
            raise FileError(
                name,
                line,
                f"byte 0x{raw[error.start]:02X} is no UTF-8; this looks like Latin-1 or Windows-1252 text",
                "save it as UTF-8 text",
            ) from None
        if content.startswith("#"):
            comments.append(content[2:] if content.startswith("# ") else content[1:])
            numbers.append(line)
        elif content.strip():
            break
    if not any(_MARKER_LINE.match(comment) for comment in comments):
        raise _no_run(name)
    header = parse_header(comments, name, numbers)
    return header, _column_names(content, name, line), start, line


def _no_run(name: str) -> FileError:
    return FileError(name, 1, "this is not a run file", "a run file begins with  # blankbench-run = 1")


def _column_names(content: str, name: str, line: int) -> list[str]:
    separator = ";" if ";" in content else ","
    names = [cell.strip(" ").removeprefix('"').removesuffix('"') for cell in content.split(separator)]
    if "\t" in content:
        raise FileError(name, line, "the columns are separated by tabs", "separate them by commas")
    for at, column in enumerate(names):
        if re.fullmatch(r"[-+]?[0-9.]+(e[-+]?[0-9]+)?", column):
            raise FileError(
                name, line, "the line of column names is missing", "put it in front of the readings"
            )
        if not column:
            raise FileError(name, line, f"column {at + 1} has no name", "name it or remove it")
        if column in names[:at]:
            raise FileError(name, line, f"column {column} stands there twice", "keep one of them")
    return names


def _decimal_points(body: bytes, name: str, line: int) -> bytes:
    """Semicolons and decimal commas, as many spreadsheets write them, to commas and points."""
    if b"," in body and b"." in body:
        raise FileError(
            name,
            line,
            "semicolons separate the columns, and the numbers have both commas and points",
            "save it with commas between columns and points in numbers",
        )
    return body.translate(bytes.maketrans(b",;", b".,"))


def _needed_columns(header: Header, names: list[str], name: str, line: int) -> list[str]:
    """Refuse a run without the columns of its kind; raw counts stand in for a column not yet calibrated."""
    needed = {
        "roll": ("time_s", "travel_m" if header.held_load_N is not None else "load_N", "roll_deg"),
        "flex": ("time_s", "load_N", "travel_m"),
        "zero": ("time_s",),
        "weights": ("time_s",),
    }[header.kind]
    found: list[str] = []
    for column in needed:
        there = [given for given in (column, RAW_OF.get(column, column)) if given in names]
        if not there:
            raise FileError(
                name,
                line,
                f"a {header.kind} run needs a column {column}, and there is only {_listed(names)}",
                f"add it, or rename the column that holds it to {column}",
            )
        found += there[:1]
    return found


def _listed(names: list[str]) -> str:
    text = "".join(c if c.isprintable() else "?" for c in ", ".join(names))
    return text if len(text) <= 120 else text[:117] + "..."


def _doubts(
    header: Header, columns: Mapping[str, NDArray[np.float64]], lines: range | NDArray[np.int64]
) -> list[str]:
    """Say what can be read but looks wrong."""
    found = []
    time = columns.get("time_s")
    if time is not None and not bool((time[1:] >= time[:-1]).all()):
        rows = np.flatnonzero(~np.isnan(time))
        back = np.flatnonzero(np.diff(time[rows]) < 0)
        if back.size:
            row = rows[back[0] + 1]
            found.append(
                f"line {lines[row]}: the time runs backwards (to {time[row]:g} s); "
                "the readings are kept in the order of the file"
            )
    if header.free_length_m > _SANE_LENGTH_M:
        found.append(f"the free length is {header.free_length_m:g} m: was it meant in another unit?")
    return found
