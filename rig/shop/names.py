"""Names for blanks: short, unique in the shop, and legal as a file's name on every computer."""

from __future__ import annotations

import string
from collections.abc import Collection, Iterable, Sequence
from itertools import count, product

from rig.errors import CallError
from rig.runs import safe_name

LONGEST_NAME = 20
"""Characters of a blank's name: what a label and a table take."""
_LETTERS = [letter for letter in string.ascii_uppercase if letter not in "IO"]


def key_of(name: str) -> str:
    """Give what two names must not share: some file systems take capital and small letters as the same.

    Examples
    --------
    >>> key_of("a-03") == key_of("A-03")
    True
    """
    return safe_name(name).casefold()


def check_name(name: str, what: str = "blank") -> str:
    """Give a name back if it can stand on a label and in a file's name.

    Raises
    ------
    CallError
        If it cannot, with a name that could.
    """
    legal = safe_name(name[:200])
    if len(name) > LONGEST_NAME:
        shown = f"{name[:LONGEST_NAME]}…"
        raise CallError(
            f"the name {shown!r} of a {what} has {len(name)} characters",
            f"keep to {LONGEST_NAME}, as in A-03",
        )
    if legal != name:
        raise CallError(
            f"{name!r} cannot be the name of a {what}: it must be legal as a file's name everywhere",
            f"use letters, digits, - and _, as in {legal if legal != 'blank' else 'A-03'}",
        )
    return name


def unique(names: Sequence[str], taken: Iterable[str]) -> None:
    """Refuse names that are taken, or stand there twice.

    Raises
    ------
    CallError
        For the first of them.
    """
    known = {key_of(name): name for name in taken}
    for name in names:
        other = known.get(key_of(name))
        if other is not None:
            same = "" if other == name else f" (as {other})"
            raise CallError(
                f"there is a blank {name} already{same}",
                "give it another name; --adopt if it is this very blank, measured before it was logged",
            )
        known[key_of(name)] = name


def next_prefix(taken: Collection[str]) -> str:
    """Give the next free letter for a shipment: A to Z without I and O, then AA and so on.

    Examples
    --------
    >>> next_prefix(["A", "b", "X-01"]), next_prefix([])
    ('C', 'A')
    """
    used = {name.partition("-")[0].casefold() for name in taken}
    for size in count(1):
        for letters in product(_LETTERS, repeat=size):
            prefix = "".join(letters)
            if prefix.casefold() not in used and safe_name(prefix) == prefix:
                return prefix
    raise AssertionError("letters never run out")


def numbered(prefix: str, number: int) -> list[str]:
    """Number blanks under a prefix, all with as many digits.

    Examples
    --------
    >>> numbered("A", 3)
    ['A-01', 'A-02', 'A-03']
    """
    digits = max(2, len(str(number)))
    return [f"{prefix}-{place:0{digits}d}" for place in range(1, number + 1)]
