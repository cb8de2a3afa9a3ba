"""Writing a run file while it is recorded: header first, then whole lines, append only.

What has been flushed survives the program and the plug: lines are written by whole batches, one system
call each, and nothing in the file is ever touched again.
"""

from __future__ import annotations

import errno
import math
import os
from collections.abc import Iterable, Sequence
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import Any

import tomlkit

from rig.errors import FileError
from rig.runs.header import Header

DECIMALS = {"time_s": 6, "load_N": 5, "travel_m": 6, "roll_deg": 4, "tip_deg": 4}
"""Digits after the point: finer than a 24-bit bridge, a 12-bit angle and a microsecond tick resolve."""
COUNTS = ("seq", "tick", "load_counts", "angle_counts", "travel_counts", "tip_counts")
"""Columns of whole numbers as they came from the board."""
_FORBIDDEN = set(',;#"\n\r\t')


class RunWriter:
    """Append readings to a new run file.

    Parameters
    ----------
    path : str or path
        Where to write. An existing file is never touched: the next free name (``…-2.csv``) is taken instead
        and stands in `path`. Missing folders are made.
    header : Header
        What the run says about itself.
    columns : sequence of str
        Names of the columns, two or more.
    batch_rows : int
        Readings that are held in memory at most before they are written.

    Raises
    ------
    FileError
        If the file cannot be made or written.
    ValueError
        If the columns' names cannot stand in a run file.

    Notes
    -----
    === ================ =======================================================
    #   column           format
    === ================ =======================================================
    1   ``time_s``       seconds since the first reading, 6 decimals
    2   ``load_N``       5 decimals
    3   ``travel_m``     6 decimals
    4   ``roll_deg``     4 decimals, likewise ``tip_deg``
    5   `COUNTS`         whole numbers, as they came
    6   any other        10 significant digits
    === ================ =======================================================

    A missing reading (nan) is written as ``nan``.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        header: Header,
        columns: Sequence[str],
        *,
        batch_rows: int = 1000,
    ) -> None:
        names = tuple(columns)
        if len(names) < 2 or len(set(names)) != len(names):
            raise ValueError("a run file has two or more columns, each named once")
        if any(not name.strip() or set(name) & _FORBIDDEN for name in names):
            raise ValueError("a column's name holds a character that cannot stand in a run file")
        self.columns = names
        self.rows = 0
        self._line = ",".join(_format(name) for name in names) + "\n"
        self._batch = max(1, batch_rows)
        self._held: list[Sequence[float]] = []
        self._pending = b""
        top = [f"# {line}".rstrip() for line in header.to_toml().removesuffix("\n").split("\n")]
        self.path, self._file = _create(Path(path))
        self._put("\n".join([*top, ",".join(names)]) + "\n")

    def append(self, row: Sequence[float]) -> None:
        """Add one reading, a number for each column; nan (or None) where it is missing."""
        if len(row) != len(self.columns):
            raise ValueError(f"a reading has {len(self.columns)} values, not {len(row)}")
        self._held.append(row)
        self.rows += 1
        if len(self._held) >= self._batch:
            self.flush()

    def extend(self, rows: Iterable[Sequence[float]]) -> None:
        """Add several readings; the rows of a two-dimensional array will do."""
        for row in rows:
            self.append(row)

    def event(self, name: str, **detail: Any) -> None:
        """Leave a mark behind the readings so far, such as the load limit passed; it is written at once."""
        self.flush()
        table = tomlkit.inline_table()
        table.update({"name": name} | {key: value for key, value in detail.items() if value is not None})
        line = tomlkit.dumps({"event": table}).strip()
        if "\n" in line:
            raise ValueError("a mark holds a value that does not fit on one line")
        self._put(f"# {line}\n")

    def flush(self, *, to_disk: bool = False) -> None:
        """Write what is held, in whole lines.

        Parameters
        ----------
        to_disk : bool
            Also wait until the system has it on the disk, so that a power loss does not take it.
        """
        if self._held:
            text = self._text()
            self._held.clear()  # from here on the text is kept, whatever becomes of the disk
            self._put(text)
        elif self._pending:
            self._put("")
        if to_disk:
            os.fsync(self._file)

    def close(self) -> None:
        """Write what is held and close the file; a second call does nothing."""
        if self._file < 0:
            return
        try:
            self.flush(to_disk=True)
        finally:
            os.close(self._file)
            self._file = -1

    def __enter__(self) -> RunWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _text(self) -> str:
        pattern = self._line * len(self._held)
        values = tuple(chain.from_iterable(self._held))
        try:
            text = pattern % values
        except TypeError:
            text = pattern % tuple(math.nan if value is None else value for value in values)
        # "inf" cannot stand in a run file; the raw counts beside it say what was read.
        return text.replace("-inf", "nan").replace("inf", "nan")

    def _put(self, text: str) -> None:
        """Write text behind whatever an earlier failure left unwritten."""
        if self._file < 0:
            raise ValueError("the run is closed")
        self._pending += text.encode("utf-8")
        try:
            while self._pending:
                self._pending = self._pending[os.write(self._file, self._pending) :]
        except OSError as error:
            full = error.errno == errno.ENOSPC
            what = "the disk is full" if full else f"the run cannot be written ({error.strerror})"
            do = "make room on the disk" if full else "check that the disk is still there"
            raise FileError(self.path, None, what, f"{do}; what was written so far is kept") from error


def _format(name: str) -> str:
    if name in COUNTS:
        return "%.0f"
    return f"%.{DECIMALS[name]}f" if name in DECIMALS else "%.10g"


def _create(path: Path) -> tuple[Path, int]:
    """Make a file that was not there, under the next free name, and open it for appending."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        number = 1
        while True:
            free = path if number == 1 else path.with_name(f"{path.stem}-{number}{path.suffix}")
            try:
                return free, os.open(free, flags, 0o666)
            except FileExistsError:
                number += 1
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(
            path, None, f"the run file cannot be made ({reason})", "name another folder"
        ) from error
