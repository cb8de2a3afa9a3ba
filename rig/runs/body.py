"""The readings of a run file: text to columns, as fast as a general CSV reader and stricter.

A general reader pads short rows, takes infinity for a number and leaves text behind as text. Here the body
goes through the same C parser, asked so that it refuses all of that where nothing is missing; missing cells
take a second, checked way; and only when that fails too does a slow walk look for the exact line.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import FileError

_NUMBER_BYTES = b"0123456789+-.,eE\n"
_NUMBER = re.compile(rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_BARE_EXPONENT = re.compile(rb"[eE][+-]?[,\n]|[,\n][+-]?[eE]")
_SMALL = 100_000
_SHOWN = 30


def parse_body(
    body: bytes, at: int, names: Sequence[str], path: str, line_of: Callable[[int], int]
) -> dict[str, NDArray[np.float64]]:
    """Read whole lines of comma-separated numbers.

    Parameters
    ----------
    body : bytes
        Text whose end is readings only, each line ended by a line feed; no comments.
    at : int
        Where the readings begin in it.
    names : sequence of str
        Names of the columns, two or more.
    path : str
        The file, for messages.
    line_of : callable
        Line in the file of a row counted from 0.

    Returns
    -------
    dict of str to ndarray, shape (rows,)
        By column; a missing cell (empty, or ``nan`` in any case) is nan.

    Raises
    ------
    FileError
        With the line of the first cell or row that cannot be used.
    """
    values = _complete(body, at, len(names))
    if values is None:
        body = body[at:]
        values = _with_gaps(body, len(names)) or _slow(body, names, path, line_of)
    return dict(zip(names, values, strict=True))


def _complete(body: bytes, at: int, width: int) -> list[NDArray[np.float64]] | None:
    """Read columns where every cell is a finite number; None where one is not, or anything else is unusual.

    Without its filter for missing values the parser takes an empty cell, a short row, a blank line and a
    quoted number for faults, so that no pass over the bytes is needed to rule them out.
    """
    if body.find(b"\r", at) >= 0 or body.startswith(codecs.BOM_UTF8, at) or not _plain_exponents(body, at):
        return None
    columns = _parse(body, at, width, missing=False)
    if columns is None or not all(np.isfinite(column).all() for column in columns):
        return None
    return columns


def _with_gaps(body: bytes, width: int) -> list[NDArray[np.float64]] | None:
    """Read columns with missing cells; None where a cell is anything but a number, nothing or ``nan``."""
    rest = body.translate(None, _NUMBER_BYTES)
    if rest.translate(None, b"nNaA"):
        return None
    body = body.lower()
    if body.count(b"nan") * 3 != len(rest) or b"-n" in body or b"+n" in body or not _plain_exponents(body, 0):
        return None
    columns = _parse(body, 0, width, missing=True)
    # Here short rows are filled up silently: the commas tell.
    if columns is None or body.count(b",") != columns[0].size * (width - 1):
        return None
    return None if any(np.isinf(column).any() for column in columns) else columns


def _plain_exponents(body: bytes, at: int) -> bool:
    """Tell whether every exponent has its digits on both sides, which the parser does not ask for."""
    there = body.find(b"e", at) >= 0 or body.find(b"E", at) >= 0
    return not there or _BARE_EXPONENT.search(body, at) is None


def _parse(body: bytes, at: int, width: int, *, missing: bool) -> list[NDArray[np.float64]] | None:
    """Parse numbers; with `missing`, an empty cell and ``nan`` are nan. None: the parser found a fault."""
    import pandas as pd  # loaded where readings are read: a list of headers does without it

    # pandas 3 reads every decimal to the nearest float of itself; before, it has to be asked.
    before_3 = int(pd.__version__.partition(".")[0]) < 3
    exact: dict[str, Any] = {"float_precision": "round_trip"} if before_3 else {}
    source = io.BytesIO(body)
    source.seek(at)
    try:
        frame = pd.read_csv(
            source,
            header=None,
            dtype=np.float64,
            engine="c",
            quoting=csv.QUOTE_NONE,
            skip_blank_lines=False,
            low_memory=False,
            na_filter=missing,
            keep_default_na=False,
            na_values=["", "nan"],
            **exact,
        )
    except ValueError:  # the parser's own errors are ValueErrors too
        return None
    if frame.shape[1] != width:
        return None
    if frame.size > _SMALL:
        return [frame[column].to_numpy() for column in range(width)]
    return list(np.ascontiguousarray(frame.to_numpy().T))  # one copy costs less than asking for each column


def _slow(
    body: bytes, names: Sequence[str], path: str, line_of: Callable[[int], int]
) -> list[NDArray[np.float64]]:
    """Go cell by cell: the same columns, or the first fault. Blanks round a number are no fault."""
    lines = body.split(b"\n")[:-1]
    values = np.empty((len(names), len(lines)))
    for row, line in enumerate(lines):
        cells = line.split(b",")
        if len(cells) != len(names):
            raise FileError(
                path,
                line_of(row),
                f"this line has {_count(len(cells), line)} where the columns are {len(names)}",
                "correct or remove the line",
            )
        for column, cell in enumerate(cells):
            values[column, row] = _cell(cell, names[column], path, line_of(row))
    return list(values)


def _cell(cell: bytes, name: str, path: str, line: int) -> float:
    text = cell.strip(b" \t")
    if not text or text.lower() == b"nan":
        return float("nan")
    if _NUMBER.fullmatch(text):
        number = float(text)
        if np.isfinite(number):
            return number
    elif text.lower().lstrip(b"+-") not in (b"inf", b"infinity"):
        shown = "".join(c if c.isprintable() else "?" for c in text[:_SHOWN].decode("utf-8", "replace"))
        dots = "..." if len(text) > _SHOWN else ""
        raise FileError(
            path,
            line,
            f"'{shown}{dots}' in column {name} is not a number",
            "correct it, or leave the cell empty for a missing reading",
        )
    raise FileError(
        path,
        line,
        f"the value in column {name} is infinite",
        "leave the cell empty if the reading is missing",
    )


def _count(cells: int, line: bytes) -> str:
    if not line.strip():
        return "nothing on it"
    return "1 cell" if cells == 1 else f"{cells} cells"
