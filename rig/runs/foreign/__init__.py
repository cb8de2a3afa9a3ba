"""Tables from anywhere: delimited text or a spreadsheet, brought into a run."""

from rig.runs.foreign.convert import Converted, convert
from rig.runs.foreign.memory import Remembered, remember, remembered
from rig.runs.foreign.table import Table, read_table
from rig.runs.foreign.understand import Taken, Understood, Untold, Wishes, column_wish, understand

__all__ = [
    "Converted",
    "Remembered",
    "Table",
    "Taken",
    "Understood",
    "Untold",
    "Wishes",
    "column_wish",
    "convert",
    "read_table",
    "remember",
    "remembered",
    "understand",
]
