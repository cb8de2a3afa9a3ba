"""Text that came from outside, made safe to show. Needs no results, so a list of names loads no maths."""

from __future__ import annotations

import unicodedata


def label(text: str, limit: int = 60) -> str:
    r"""Make a name that came from outside safe to show: one line, no control signs, cut where too long.

    Control characters, line breaks and the invisible marks that turn the writing direction become spaces,
    so that a name can neither move the cursor nor reorder what stands beside it.

    Examples
    --------
    >>> label("A-03\x1b[2J")
    'A-03 [2J'
    >>> label("x" * 100, limit=5)
    'xxxx…'
    """
    head = text[: 4 * limit]
    clean = "".join(" " if unicodedata.category(sign)[0] in "CZ" else sign for sign in head)
    clean = " ".join(clean.split())
    if len(clean) <= limit and len(head) == len(text):
        return clean
    return clean[: limit - 1].rstrip() + "…"
