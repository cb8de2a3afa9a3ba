"""What the builder sees: records for ``--json``, tables, figures and the page, from results alone."""

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
