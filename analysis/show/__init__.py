"""What the builder sees: records for ``--json``, tables, figures and the page, from results alone.

The names below are loaded when they are asked for: a list of blanks needs no figure and no fit.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.show.records import batch_record, flex_record, roll_record, to_json
    from analysis.show.tables import (
        TruthRow,
        batch_table,
        flex_summary,
        flex_table,
        roll_summary,
        roll_table,
        truth_table,
    )

__all__ = [
    "TruthRow",
    "batch_record",
    "batch_table",
    "flex_record",
    "flex_summary",
    "flex_table",
    "roll_record",
    "roll_summary",
    "roll_table",
    "to_json",
    "truth_table",
]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__} has no attribute {name}")
    room = "records" if name == "to_json" or name.endswith("_record") else "tables"
    return getattr(import_module(f"analysis.show.{room}"), name)
