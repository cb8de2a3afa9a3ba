"""What the builder sees: records for ``--json``, tables, figures and the page, from results alone."""

from analysis.show.records import batch_record, flex_record, roll_record, to_json

__all__ = ["batch_record", "flex_record", "roll_record", "to_json"]
