"""Long lists as plain text: ten thousand lines in a fraction of a second, aligned, cut to the width."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len, set_cell_size

from analysis.show.text import label

_GAP = "  "
_LEAST = 6


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a list."""

    head: str
    """What stands above it."""
    flexible: bool = False
    """Whether its cells may be cut where the list is wider than the page."""
    right: bool = False
    """Whether it is pushed to the right, as numbers are."""


def list_text(columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int) -> str:
    """Lay out a list, a line each, ending in a line feed.

    Parameters
    ----------
    columns : sequence of Column
    rows : sequence of sequences of str
        A cell for each column; signs that move the cursor are taken out here.
    width : int
        Cells of the page. Flexible columns are cut to it, widest first; the others never are.

    Examples
    --------
    >>> print(list_text([Column("blank"), Column("runs", right=True)], [["A-01", "12"]], 80), end="")
    blank  runs
    -----  ----
    A-01     12
    """
    table = [[_clean(cell) for cell in row] for row in rows]
    sizes = [
        max([cell_len(column.head), *(_cells(row[at]) for row in table)]) for at, column in enumerate(columns)
    ]
    room = width - len(_GAP) * (len(columns) - 1)
    while sum(sizes) > room:
        wide = [at for at, column in enumerate(columns) if column.flexible and sizes[at] > _LEAST]
        if not wide:
            break
        sizes[max(wide, key=lambda at: sizes[at])] -= 1
    lines = [[column.head for column in columns], ["-" * size for size in sizes], *table]
    text = []
    for line in lines:
        cells = [
            _fit(cell, size, column.right) for cell, size, column in zip(line, sizes, columns, strict=True)
        ]
        text.append(_GAP.join(cells).rstrip())
    return "\n".join(text) + "\n"


def _clean(text: str) -> str:
    return text if text.isascii() and text.isprintable() and len(text) <= 200 else label(text, 200)


def _cells(text: str) -> int:
    return len(text) if text.isascii() else cell_len(text)


def _fit(text: str, size: int, right: bool) -> str:
    cells = _cells(text)
    if cells > size:
        return set_cell_size(text, size - 1) + "…"
    blank = " " * (size - cells)
    return blank + text if right else text + blank
