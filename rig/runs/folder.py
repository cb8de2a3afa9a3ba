"""The shop's folder of runs: what a new run is called, and which runs are there.

The files are the truth. Nothing is kept beside them here, so a list is made from their headers.
"""

from __future__ import annotations

import os
import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from rig.errors import FileError
from rig.runs.file import read_header
from rig.runs.header import Header, Kind

SUFFIX = ".csv"
"""Run files open in a spreadsheet by a double click."""
_NAME_BYTES = 80
_RESERVED = {"con", "prn", "aux", "nul"} | {f"{port}{n}" for port in ("com", "lpt") for n in "0123456789¹²³"}


@dataclass(frozen=True, slots=True)
class RunEntry:
    """One run of the folder, by its header."""

    path: Path
    """The file."""
    header: Header
    """What it says about itself."""

    @property
    def order(self) -> tuple[datetime, str]:
        """Sorts by the time of recording; a run without a date counts as the oldest."""
        return self.header.when or datetime.min.replace(tzinfo=UTC), self.path.name


class RunFolder:
    """Runs in one folder and the folders in it.

    Parameters
    ----------
    path : str or path
        The folder; it need not be there yet.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)

    def new_path(self, blank: str, kind: Kind, when: datetime) -> Path:
        """Give the file of a run to be recorded, in this folder whatever the blank is called.

        Examples
        --------
        >>> RunFolder("runs").new_path("A-03", "roll", datetime(2026, 5, 4, 9, 30)).name
        'A-03_roll_2026-05-04T093000.csv'
        >>> RunFolder("runs").new_path("../../x", "flex", datetime(2026, 5, 4, 9, 30)).name
        'x_flex_2026-05-04T093000.csv'
        """
        return self.path / f"{safe_name(blank)}_{kind}_{when:%Y-%m-%dT%H%M%S}{SUFFIX}"

    def scan(self) -> tuple[list[RunEntry], list[FileError]]:
        """List the runs, oldest first, and the faults of the files that cannot be read as runs."""
        entries: list[RunEntry] = []
        faults: list[FileError] = []
        for path in sorted(self.path.rglob(f"*{SUFFIX}")):
            try:
                entries.append(RunEntry(path, read_header(path)))
            except FileError as fault:
                faults.append(fault)
        return sorted(entries, key=lambda entry: entry.order), faults

    def runs(self, blank: str | None = None, kind: Kind | None = None) -> list[RunEntry]:
        """List the runs of one blank or one kind or both, oldest first; unreadable files are passed over."""
        return [
            entry
            for entry in self.scan()[0]
            if blank in (None, entry.header.blank) and kind in (None, entry.header.kind)
        ]

    def latest(self, blank: str | None = None, kind: Kind | None = None) -> RunEntry | None:
        """Give the run recorded last; None if there is none."""
        return next(reversed(self.runs(blank, kind)), None)

    def by_blank(self) -> dict[str, list[RunEntry]]:
        """List the runs of each blank, oldest first; the blanks in the order of their first run."""
        groups: dict[str, list[RunEntry]] = {}
        for entry in self.runs():
            groups.setdefault(entry.header.blank, []).append(entry)
        return groups


def safe_name(text: str) -> str:
    """Make a piece of a file name that every file system takes from any text.

    Letters (of any script), digits, ``-``, ``_`` and inner points stay; everything else, also path
    separators and marks that turn the writing direction, becomes ``_``. At most 80 bytes, never a name that
    Windows keeps for a device, never empty.

    Examples
    --------
    >>> safe_name("Heron 9'0 #6"), safe_name("con"), safe_name("../.."), safe_name("a\u202eb")
    ('Heron_9_0_6', 'con_', 'blank', 'a_b')
    """
    plain = unicodedata.normalize("NFC", text)
    kept = "".join(c if c.isalnum() or c in "-_." else " " for c in plain)
    name = "_".join(kept.split()).strip("._-")
    cut = name.encode("utf-8", "ignore")[:_NAME_BYTES].decode("utf-8", "ignore").rstrip("._-")
    first, point, rest = cut.partition(".")
    if first.lower() in _RESERVED:
        cut = f"{first}_{point}{rest}"  # Windows keeps the name whatever comes behind the point
    return cut or "blank"
