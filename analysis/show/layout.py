"""How tables stand on the terminal: columns, a page of parts, warnings beneath."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from rich import box
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from analysis.show import wording as say

_WORDS = frozenset({"power", "action", "verdict", "inside ±?", "what", "why", "set", "since"})
"""Heads of columns that hold words and stand at the left."""


def columns(first: str, *others: str) -> Table:
    """Make a header line, names at the left, numbers at the right."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column(first, overflow="fold")
    for name in others:
        table.add_column(name, justify="left" if name in _WORDS else "right", overflow="fold")
    return table


def page(
    title: Text, table: Table, below: Sequence[RenderableType], warnings: Sequence[str]
) -> RenderableType:
    """Put a title, its table, what stands beneath and the warnings on one page."""
    parts: list[RenderableType] = [title, Padding(table, (0, 0, 0, 1))]
    parts += [Padding(part, (0, 0, 0, 1)) for part in (*below, *warning_lines(warnings))]
    return Group(*parts)


def warning_lines(warnings: Iterable[str]) -> Iterator[RenderableType]:
    """Warnings as lines that start with ``!`` and keep their indent where they wrap."""
    for warning in warnings:
        line = Table.grid(padding=(0, 1))
        line.add_row(Text("!", style="bold yellow"), Text(say.label(warning, 500), style="yellow"))
        yield line
