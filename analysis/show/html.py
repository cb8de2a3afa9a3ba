"""A small builder for HTML in which forgetting to escape is not possible: only `tag` makes markup.

Text that did not come out of `tag` (or `trusted`) is escaped wherever it is put in.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import escape
from typing import TypeAlias

from analysis.show.text import label

_NAME = re.compile(r"[a-z][a-z0-9-]*\Z")
_VOID = frozenset({"br", "hr", "link", "meta"})


class Html(str):
    """Markup that is safe to put into a page as it is."""

    __slots__ = ()


Child: TypeAlias = "str | Iterable[Child] | None"
"""What may stand inside an element: markup, text that will be escaped, several of them, or nothing."""


def tag(name: str, *children: Child, **attributes: str | None) -> Html:
    """Make one element.

    Parameters
    ----------
    name : str
        Element name.
    children
        `Html` goes in as it is, any other text escaped, None not at all.
    attributes
        An underscore at the end is dropped (``class_``), others become hyphens (``aria_label``); None
        leaves the attribute out.

    Examples
    --------
    >>> tag("p", "a < b", class_="note")
    '<p class="note">a &lt; b</p>'
    """
    if not _NAME.match(name):
        raise ValueError(f"not an element: {name!r}")
    parts = [name]
    for key, value in attributes.items():
        if value is not None:
            parts.append(f'{key.rstrip("_").replace("_", "-")}="{escape(value, quote=True)}"')
    opening = f"<{' '.join(parts)}>"
    if name in _VOID:
        return Html(opening)
    return Html(f"{opening}{join(children)}</{name}>")


def join(children: Iterable[Child]) -> Html:
    """Put children behind each other, escaping what is not markup."""
    return Html("".join(_piece(child) for child in children))


def _piece(child: Child) -> str:
    if child is None:
        return ""
    if isinstance(child, Html):
        return str(child)
    if isinstance(child, str):
        return escape(child, quote=True)
    return join(child)


def trusted(markup: str) -> Html:
    """Take markup that our own code has made, such as a figure, as it is."""
    return Html(markup)


def name_of(text: str, limit: int = 60) -> Html:
    """Show a name that came from outside: cut where too long, its writing direction kept to itself."""
    return tag("bdi", label(text, limit) or "(no name)")


def table(
    caption: Child, head: Sequence[Child], rows: Iterable[Sequence[Child]], *, class_: str | None = None
) -> Html:
    """Make a table with a caption, column heads and a head for each row; wide ones scroll by themselves.

    Parameters
    ----------
    caption : Child
        What the table shows.
    head : sequence of Child
        Column heads; empty for a table of findings, which has row heads alone.
    rows : iterable of sequences
        The first cell of each is its head.
    """
    top = tag("thead", tag("tr", [tag("th", cell, scope="col") for cell in head])) if head else None
    body = [tag("tr", tag("th", row[0], scope="row"), [tag("td", cell) for cell in row[1:]]) for row in rows]
    grid = tag("table", tag("caption", caption), top, tag("tbody", body), class_=class_)
    return tag("div", grid, class_="scroll", tabindex="0", role="group", aria_label="table")
