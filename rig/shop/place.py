"""Where a run stands: within which shop's folder, and what that shop's journal says of it."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from rig.shop.book import Book, read_book
from rig.shop.journal import JOURNAL_NAME


def path_within(folder: str | os.PathLike[str], path: str | os.PathLike[str]) -> str | None:
    """Give a path as seen from a folder, with ``/``; None where it lies outside."""
    # A link inside the folder counts as what it is called there, as it does in the list of runs.
    above, name = os.path.split(os.path.abspath(path))
    root, full = os.path.realpath(folder), os.path.normpath(os.path.join(os.path.realpath(above), name))
    try:
        inside = os.path.relpath(full, root)
    except ValueError:  # another drive
        return None
    parts = inside.split(os.sep)
    return None if parts[0] == os.pardir or os.path.isabs(inside) else "/".join(parts)


def set_aside_among(paths: Iterable[str]) -> dict[str, str]:
    """Find those of some run files that are set aside, each with the reason.

    Raises
    ------
    FileError
        If a journal cannot be read.
    """
    found = {}
    for path, (root, book) in books_above(paths).items():
        inside = path_within(root, path) if book.aside else None
        if inside is not None and inside in book.aside:
            found[path] = book.aside[inside].reason
    return found


def books_above(paths: Iterable[str]) -> dict[str, tuple[str, Book]]:
    """Read the journal that counts for each of some run files: the nearest one above it.

    Returns
    -------
    dict
        By path, the journal's folder and what it says; a run without a journal above it is left out.

    Raises
    ------
    FileError
        If a journal cannot be read.
    """
    by_folder: dict[str, str | None] = {}
    books: dict[str, Book] = {}
    found = {}
    for path in paths:
        folder = os.path.dirname(os.path.abspath(path))
        if folder not in by_folder:
            by_folder[folder] = journal_above(folder)
        root = by_folder[folder]
        if root is not None:
            if root not in books:
                books[root] = read_book(root)
            found[path] = root, books[root]
    return found


def journal_above(folder: str | os.PathLike[str]) -> str | None:
    """Give the nearest folder, this one or one above it, that holds a journal; None where there is none."""
    place = Path(os.path.realpath(folder))
    return next((str(at) for at in (place, *place.parents) if (at / JOURNAL_NAME).is_file()), None)
