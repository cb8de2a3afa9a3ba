"""A file of cells from anywhere: encoding, separator, decimal sign and headings found, nothing converted.

A table is text cells with the row of the file they stood in. What the numbers mean is not asked here.
"""

from __future__ import annotations

import codecs
import csv
import os
import re
import zipfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Literal

from rig.errors import CallError, FileError
from rig.runs.foreign.units import is_unit

Decimal = Literal["point", "comma"]
"""Sign between whole numbers and fractions."""

_SEPARATORS = (";", "\t", ",", "|")
_SEPARATOR_WORDS = {";": "semicolons", "\t": "tabs", ",": "commas", "|": "bars", " ": "blanks", "": "sheet"}
_NUMBER = re.compile(r"[-+−]?(?:\d[\d.,' \u00a0]*|[.,]\d+)(?:[eE][-+]?\d+)?")
_VALUE = re.compile(rf"(?:{_NUMBER.pattern})\s*[^\d\s]{{0,12}}$")
_MOMENT = re.compile(r"(?:\d{4}-\d\d-\d\d[T ])?\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?(?:Z|[+-]\d\d:?\d\d)?$")
_MISSING = ("", "nan", "n/a", "na", "-", "--", "null", "none")
_COMMENTS = ("#", "//", "%")
_LARGEST = 64 * 1024 * 1024
_MOST_COLUMNS = 1000


@dataclass(frozen=True, slots=True)
class Table:
    """Cells of a file, as text."""

    path: str
    """The file, as it was named."""
    names: tuple[str, ...] | None
    """Headings, one a column; None where the file has none."""
    units: tuple[str, ...] | None
    """What stands in a line of units of its own; None where there is none."""
    rows: tuple[tuple[str, ...], ...]
    """Cells, each row as wide as the table."""
    lines: tuple[int, ...]
    """Row of the file of each, counted from 1."""
    heading_line: int | None
    """Row of the file of the headings."""
    separator: str
    """Between cells; empty for a spreadsheet."""
    decimal: Decimal
    """Sign of the numbers."""
    encoding: str
    """How the bytes were read."""

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.rows[0])

    @property
    def separator_words(self) -> str:
        """What parts the cells, for a person."""
        return _SEPARATOR_WORDS[self.separator]


def is_missing(cell: str) -> bool:
    """Tell whether a cell says that there is no reading."""
    return cell.strip().lower() in _MISSING


def read_table(
    path: str | os.PathLike[str], *, decimal: Decimal | None = None, sheet: str | None = None
) -> Table:
    """Read a file of cells.

    Parameters
    ----------
    path : str or path
        Delimited text in any usual encoding, or an ``.xlsx`` workbook.
    decimal : {"point", "comma"} or None
        Sign of the numbers; None finds it.
    sheet : str or None
        Sheet of a workbook; None is the first that holds anything.

    Raises
    ------
    FileError
        If it cannot be read as a table, with the row.
    CallError
        If a workbook is given and its reader is not installed.
    """
    name = os.fspath(path)
    data = _bytes(name)
    if data.startswith(b"PK\x03\x04"):
        return _sheet_table(name, sheet, decimal)
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise FileError(name, None, "this is an old binary workbook", "save it as .xlsx or as CSV text")
    text, encoding = _decoded(data, name)
    return _text_table(name, text, encoding, decimal)


def _bytes(name: str) -> bytes:
    try:
        with open(name, "rb") as file:
            data = file.read(_LARGEST + 1)
    except FileNotFoundError:
        raise FileError(name, None, "there is no such file", "check the name") from None
    except (OSError, ValueError) as error:
        if os.path.isdir(name):
            raise FileError(name, None, "this is a folder", "name the table in it") from None
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(name, None, f"the file cannot be read ({reason})", "check its name") from None
    if len(data) > _LARGEST:
        raise FileError(name, None, "the file is larger than 64 MB", "import it in parts")
    if not data.strip():
        raise FileError(name, None, "the file is empty", "name another one")
    return data


def _decoded(data: bytes, name: str) -> tuple[str, str]:
    for mark, encoding in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF32_LE, "utf-32"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if data.startswith(mark):
            try:
                return data.decode(encoding), encoding.removesuffix("-sig")
            except UnicodeDecodeError:
                raise FileError(name, 1, f"the text is cut or no {encoding}", "save it as UTF-8") from None
    odd, even = data[1:400:2], data[0:400:2]
    for part, encoding in ((odd, "utf-16-le"), (even, "utf-16-be")):
        if len(part) > 3 and part.count(0) > 0.6 * len(part):
            try:
                return data.decode(encoding), encoding
            except UnicodeDecodeError:
                break
    if b"\0" in data:
        raise FileError(name, 1, "this is not a text file", "name a table, or save it as CSV text")
    try:
        return data.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        # Windows-1252 leaves five bytes undefined; Latin-1 takes them.
        try:
            return data.decode("cp1252"), "windows-1252"
        except UnicodeDecodeError:
            return data.decode("latin-1"), "latin-1"


def _text_table(name: str, text: str, encoding: str, decimal: Decimal | None) -> Table:
    whole = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    lines = [
        (number, line)
        for number, line in enumerate(whole, 1)
        if line.strip() and not line.lstrip().startswith(_COMMENTS)
    ]
    told = None
    if lines and lines[0][1].lower().startswith("sep=") and len(lines[0][1].strip()) <= 5:
        told = lines.pop(0)[1][4:5] or "\t"
    if not lines:
        raise FileError(name, None, "the file holds no readings", "name a table of numbers")
    separator = told or _separator([line for _, line in lines])
    cells = [(number, _cells(line, separator)) for number, line in lines]
    return _table(name, cells, separator, encoding, decimal)


def _cells(line: str, separator: str) -> list[str]:
    if separator == " ":
        return line.split()
    row = next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    return [cell.strip() for cell in row]


def _separator(lines: Sequence[str]) -> str:
    """Find the separator by which most lines have the same number of cells with numbers in them."""
    best, best_score = ",", 0.0
    for candidate in (*_SEPARATORS, " "):
        rows = [_cells(line, candidate) for line in lines[:300]]
        rows = [row for row in rows if _is_data(row)]
        widths = Counter(len(row) for row in rows)
        if not widths:
            continue
        width, count = widths.most_common(1)[0]
        # Blanks part words and numbers from units too, so they come last, and a bit worse.
        score = count / min(len(lines), 300) * (0.8 if candidate == " " else 1.0)
        if width >= 2 and score > best_score + 1e-9:
            best, best_score = candidate, score
    return best


def _is_value(cell: str) -> bool:
    return bool(_VALUE.match(cell) or _MOMENT.match(cell))


def _is_data(row: Sequence[str]) -> bool:
    """Tell whether a row holds readings: two or more cells, the first ones numbers, or most of them."""
    told = [cell for cell in row if not is_missing(cell)]
    numbers = sum(_is_value(cell) for cell in told)
    return numbers >= 1 and 2 * numbers >= len(told)


def _table(
    name: str,
    cells: Sequence[tuple[int, list[str]]],
    separator: str,
    encoding: str,
    decimal: Decimal | None,
) -> Table:
    cells = [(number, row) for number, row in cells if any(cell.strip() for cell in row)]
    first = next((at for at, (_, row) in enumerate(cells) if len(row) > 1 and _is_data(row)), None)
    if first is None:
        if any(_is_data(row) for _, row in cells):
            raise FileError(
                name, cells[0][0], "only one column of numbers was found", "part the columns by ; or tabs"
            )
        raise FileError(name, None, "no row of numbers was found", "name a table of readings")
    width = Counter(len(row) for _, row in cells[first:]).most_common(1)[0][0]
    heading = units = None
    heading_line = None
    above = [(number, row) for number, row in cells[:first]]
    if above and _is_units(above[-1][1], width):
        units = tuple(_fitted(above.pop()[1], width))
    if above:
        number, row = above[-1]
        while row and not row[-1]:
            row = row[:-1]
        if 1 < len(row) <= width or len(row) == width:
            heading, heading_line = tuple(_fitted(row, width)), number
        elif len(row) > width:
            width, heading, heading_line = len(row), tuple(row), number
    rows: list[tuple[str, ...]] = []
    for number, row in cells[first:]:
        extra = [cell for cell in row[width:] if cell]
        if extra or (len(row) < width and separator):
            raise FileError(
                name,
                number,
                f"this row has {len(row)} cells, and the table has {width} columns"
                + (" (a decimal comma between commas?)" if separator == "," and extra else ""),
                "give every row the same cells, an empty one where nothing was read",
            )
        rows.append(tuple(_fitted(row, width)))
    if width > _MOST_COLUMNS:
        raise FileError(name, cells[first][0], f"the table has {width} columns", "keep those of the readings")
    found = decimal or _decimal(rows, separator, name, [number for number, _ in cells[first:]])
    return Table(
        name,
        heading,
        units,
        tuple(rows),
        tuple(number for number, _ in cells[first:]),
        heading_line,
        separator,
        found,
        encoding,
    )


def _is_units(row: Sequence[str], width: int) -> bool:
    told = [cell.strip("[](){} ") for cell in row if cell.strip("[](){} ")]
    return len(told) > 0 and len(row) <= width and all(is_unit(cell) for cell in told)


def _fitted(row: Sequence[str], width: int) -> list[str]:
    return [*row[:width], *[""] * (width - len(row))]


def _decimal(rows: Sequence[Sequence[str]], separator: str, name: str, lines: Sequence[int]) -> Decimal:
    """Find the decimal sign; refuse where 1,234 could be either."""
    unsure: int | None = None
    for line, row in zip(lines, rows, strict=True):
        for cell in row:
            found = _NUMBER.match(cell)
            if found is None or _MOMENT.match(cell) or "," not in found[0]:
                continue
            number = found[0].lstrip("+-−")
            if "." in number:
                return "comma" if number.rfind(",") > number.rfind(".") else "point"
            whole, _, rest = number.partition(",")
            if len(rest) != 3 or whole in ("", "0") or len(whole) > 3:
                return "point" if number.count(",") > 1 else "comma"
            unsure = unsure or line
    if unsure is not None and not any("." in cell for row in rows for cell in row):
        raise FileError(
            name,
            unsure,
            "a comma in front of three digits may be a decimal comma or part thousands",
            "say which with --decimal comma or --decimal point",
        )
    return "point"


def _sheet_table(name: str, sheet: str | None, decimal: Decimal | None) -> Table:
    try:
        from openpyxl import load_workbook
        from openpyxl.utils.exceptions import InvalidFileException
    except ImportError:
        raise CallError(
            f"{name} is a workbook, and the reader for it is not installed",
            "pip install 'blankbench[spreadsheet]', or save it as CSV text",
        ) from None
    try:
        book = load_workbook(name, read_only=True, data_only=True)
    except (InvalidFileException, zipfile.BadZipFile, KeyError, ValueError, OSError) as error:
        raise FileError(
            name, None, "this is no workbook that can be read", "save it as .xlsx or as CSV text"
        ) from error
    try:
        if sheet is not None and sheet not in book.sheetnames:
            raise FileError(
                name, None, f"there is no sheet {sheet}", "use one of: " + ", ".join(book.sheetnames[:10])
            )
        for title in [sheet] if sheet is not None else book.sheetnames:
            page = book[title]
            if not hasattr(page, "iter_rows"):
                continue
            cells = list(_sheet_rows(page.iter_rows(values_only=True)))
            if cells:
                return _table(name, cells, "", "workbook", decimal or "point")
    finally:
        book.close()
    raise FileError(name, None, "the workbook holds no readings", "name another one")


def _sheet_rows(rows: Iterator[tuple[object, ...]]) -> Iterator[tuple[int, list[str]]]:
    for number, row in enumerate(rows, 1):
        cells = [_sheet_cell(cell) for cell in row]
        while cells and not cells[-1]:
            cells.pop()
        if cells:
            yield number, cells


def _sheet_cell(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime | date | time):
        return cell.isoformat(" ") if isinstance(cell, datetime) else cell.isoformat()
    if isinstance(cell, float):
        return repr(cell)
    return str(cell).strip()
