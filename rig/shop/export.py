"""The log as a file for other programs: CSV for a spreadsheet, JSON, Parquet."""

from __future__ import annotations

import csv
import importlib
import io
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rig.errors import CallError, FileError

_STARTS_A_FORMULA = tuple("=+-@＝＋－＠")
Row = Mapping[str, Any]
"""One line: numbers, texts, lists of texts, or None, by column."""


def write_csv(path: Path, columns: Sequence[str], rows: Sequence[Row]) -> None:
    """Write a CSV file (RFC 4180, UTF-8 with the mark that spreadsheets look for).

    A text that a spreadsheet would take for a formula gets an apostrophe in front (OWASP, "CSV Injection");
    lists are put together with ``; ``.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([_cell(row.get(name)) for name in columns] for row in rows)
    _write(path, stream.getvalue().encode("utf-8-sig", "backslashreplace"))


def write_json(path: Path, what: str, rows: Sequence[Row]) -> None:
    """Write one JSON document: ``{"blanks": […]}`` or ``{"runs": […]}``."""
    text = json.dumps({what: [dict(row) for row in rows]}, allow_nan=False, indent=2)
    _write(path, (text + "\n").encode("ascii"))


def write_parquet(path: Path, columns: Mapping[str, str], rows: Sequence[Row]) -> None:
    """Write a Parquet file.

    Parameters
    ----------
    path : Path
    columns : mapping of str to {"text", "number", "count", "texts"}
        By name, what its values are; the columns' types do not depend on the rows.
    rows : sequence of mappings

    Raises
    ------
    CallError
        If pyarrow is not installed.
    """
    try:
        arrow = importlib.import_module("pyarrow")
        parquet = importlib.import_module("pyarrow.parquet")
    except ImportError:
        raise CallError(
            "a Parquet file needs pyarrow, which is not installed", "pip install pyarrow, or export --csv"
        ) from None
    types = {
        "text": arrow.string(),
        "number": arrow.float64(),
        "count": arrow.int64(),
        "texts": arrow.list_(arrow.string()),
    }
    table = arrow.table(
        {
            name: arrow.array([_plain(row.get(name)) for row in rows], types[form])
            for name, form in columns.items()
        }
    )
    stream = arrow.BufferOutputStream()
    parquet.write_table(table, stream)
    _write(path, stream.getvalue().to_pybytes())


def _plain(value: Any) -> Any:
    """Make text that UTF-8 can carry: a file's name may hold bytes that no text has."""
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode("utf-8")
    return [_plain(item) for item in value] if isinstance(value, list) else value


def _cell(value: Any) -> str | int | float:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return value
    text = "; ".join(value) if isinstance(value, list) else str(value)
    hidden = text.lstrip()
    return f"'{text}" if text[:1] in ("\t", "\r", "\n") or hidden.startswith(_STARTS_A_FORMULA) else text


def _write(path: Path, data: bytes) -> None:
    fresh = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        fresh.write_bytes(data)
        os.replace(fresh, path)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        fresh.unlink(missing_ok=True)
        raise FileError(path, None, f"the file cannot be written ({reason})", "name another") from error
