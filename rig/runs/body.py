"""The readings of a run file: text to columns, as fast as a general CSV reader and stricter.

A general reader pads short rows, takes infinity for a number and leaves text behind as text. Here the body
goes through the same C parser, framed by checks that cost a few passes over the bytes; only when one of
them fails does a slow walk look for the exact line.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rig.errors import FileError

_NUMBER_BYTES = b"0123456789+-.,eE\n"
_NUMBER = re.compile(rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_BARE_EXPONENT = re.compile(rb"[eE][+-]?[,\n]|[,\n][+-]?[eE]")
_PIECE = 1 << 15
_SHOWN = 30


def parse_body(
    body: bytes, names: Sequence[str], path: str, lines: Sequence[int]
) -> dict[str, NDArray[np.float64]]:
    """Read whole lines of comma-separated numbers.

    Parameters
    ----------
    body : bytes
        Readings only, each line ended by a line feed; no comments.
    names : sequence of str
        Names of the columns, two or more.
    path : str
        The file, for messages.
    lines : sequence of int
        Line in the file of each row.

    Returns
    -------
    dict of str to ndarray, shape (rows,)
        By column; a missing cell (empty, or ``nan`` in any case) is nan.

    Raises
    ------
    FileError
        With the line of the first cell or row that cannot be used.
    """
    values = _fast(body, len(lines), len(names))
    if values is None:
        values = _slow(body, names, path, lines)
    return dict(zip(names, values, strict=True))


def _fast(body: bytes, rows: int, width: int) -> list[NDArray[np.float64]] | None:
    """Read the columns through the C parser; None where anything at all is out of the ordinary."""
    # In pieces, so that no second copy of the body is made.
    rest = b"".join(
        body[at : at + _PIECE].translate(None, _NUMBER_BYTES) for at in range(0, len(body), _PIECE)
    )
    if rest:
        if rest.translate(None, b"nNaA"):
            return None
        body = body.lower()
        if body.count(b"nan") * 3 != len(rest) or b"-n" in body or b"+n" in body:
            return None
    if (b"e" in body or b"E" in body) and _BARE_EXPONENT.search(body):
        return None
    frame = None if rest else _parse(body, missing=False)
    if frame is None:
        # Short rows and empty cells look alike to the parser: only now are the commas counted.
        if body.count(b",") != rows * (width - 1):
            return None
        frame = _parse(body, missing=True)
    if frame is None or frame.shape != (rows, width):
        return None
    columns = [np.ascontiguousarray(column) for column in frame.to_numpy().T]
    for column in columns:
        # A finite sum has no infinity in it, and needs no array to say so.
        if not math.isfinite(column.sum()) and np.isinf(column).any():
            return None
    return columns


def _parse(body: bytes, *, missing: bool) -> pd.DataFrame | None:
    """Parse numbers; with `missing`, an empty cell and ``nan`` are nan, without, they are a fault (None)."""
    try:
        return pd.read_csv(
            io.BytesIO(body),
            header=None,
            dtype=np.float64,
            engine="c",
            low_memory=False,
            na_filter=missing,
            keep_default_na=False,
            na_values=["", "nan"],
        )
    except ValueError:  # the parser's own errors are ValueErrors too
        return None


def _slow(body: bytes, names: Sequence[str], path: str, lines: Sequence[int]) -> list[NDArray[np.float64]]:
    """Go cell by cell: the same columns, or the first fault. Blanks round a number are no fault."""
    values = np.empty((len(names), len(lines)))
    for row, line in enumerate(body.split(b"\n")[:-1]):
        cells = line.split(b",")
        if len(cells) != len(names):
            raise FileError(
                path,
                lines[row],
                f"this line has {_count(len(cells), line)} where the columns are {len(names)}",
                "correct or remove the line",
            )
        for column, cell in enumerate(cells):
            values[column, row] = _cell(cell, names[column], path, lines[row])
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
