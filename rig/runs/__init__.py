"""Runs on disk: reading, writing, the folder they live in, and what a fit takes from one."""

from rig.runs.file import Event, Run, read_header, read_run
from rig.runs.header import KINDS, Header

__all__ = ["KINDS", "Event", "Header", "Run", "read_header", "read_run"]
