"""The shop's log: an append-only journal beside the runs, and every blank that either of them knows."""

from rig.shop.aside import bring_back, set_aside
from rig.shop.book import Aside, Blank, Book, Fact, Remark, Shipment, read_book
from rig.shop.facts import FACTS, REMARKS, SINGLE, FactKind, Value
from rig.shop.index import INDEX_NAME, Listing, RunLine, list_runs
from rig.shop.journal import JOURNAL_NAME, Entry, Journal
from rig.shop.keeper import Keeper
from rig.shop.place import books_above, journal_above, path_within, set_aside_among
from rig.shop.shelf import Item, Shelf, SortKey, Wanted, read_shelf

__all__ = [
    "FACTS",
    "INDEX_NAME",
    "JOURNAL_NAME",
    "REMARKS",
    "SINGLE",
    "Aside",
    "Blank",
    "Book",
    "Entry",
    "Fact",
    "FactKind",
    "Item",
    "Journal",
    "Keeper",
    "Listing",
    "Remark",
    "RunLine",
    "Shelf",
    "Shipment",
    "SortKey",
    "Value",
    "Wanted",
    "books_above",
    "bring_back",
    "journal_above",
    "list_runs",
    "path_within",
    "read_book",
    "read_shelf",
    "set_aside",
    "set_aside_among",
]
