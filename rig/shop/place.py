"""Where a run stands: within which shop's folder, and what that shop's journal says of it."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from rig.shop.book import Book, read_book
from rig.shop.journal import JOURNAL_NAME


def path_within(folder: str | os.PathLike[str], path: str | os.PathLike[str]) -> str | None:
    """Give a path as seen from a folder, with ``/``; None where it lies outside."""
    root, full = os.path.realpath(folder), os.path.realpath(path)
    try:
        inside = os.path.relpath(full, root)
    except ValueError:  # another drive
        return None
    parts = inside.split(os.sep)
    return None if parts[0] == os.pardir or os.path.isabs(inside) else "/".join(parts)


def set_aside_among(paths: Iterable[str]) -> dict[str, str]:
    """Find those of some run files that are set aside, each with the reason.

    The journal that counts is the nearest one above a run. A journal that cannot be read is refused.

    Raises
    ------
    FileError
        If a journal cannot be read.
    """
    books: dict[str, tuple[str, Book] | None] = {}
    found = {}
    for path in paths:
        folder = os.path.dirname(os.path.realpath(path))
        if folder not in books:
            root = journal_above(folder)
            books[folder] = None if root is None else (root, read_book(root))
        known = books[folder]
        if known is not None:
            inside = path_within(known[0], path)
            if inside is not None and inside in known[1].aside:
                found[path] = known[1].aside[inside].reason
    return found


def journal_above(folder: str | os.PathLike[str]) -> str | None:
    """Give the nearest folder, this one or one above it, that holds a journal; None where there is none."""
    place = Path(os.path.realpath(folder))
    return next((str(at) for at in (place, *place.parents) if (at / JOURNAL_NAME).is_file()), None)
