"""Runs on disk: reading, writing, the folder they live in, and what a fit takes from one."""

from rig.runs.file import Run, read_header, read_run
from rig.runs.folder import RunEntry, RunFolder, safe_name
from rig.runs.header import KINDS, Header, Kind, moment_of
from rig.runs.marks import Event
from rig.runs.readings import flex_readings, naming_lines, rig_errors, roll_readings
from rig.runs.recompute import recompute
from rig.runs.writer import RunWriter

__all__ = [
    "KINDS",
    "Event",
    "Header",
    "Kind",
    "Run",
    "RunEntry",
    "RunFolder",
    "RunWriter",
    "flex_readings",
    "moment_of",
    "naming_lines",
    "read_header",
    "read_run",
    "recompute",
    "rig_errors",
    "roll_readings",
    "safe_name",
]
