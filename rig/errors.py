"""Errors of the bench, below the one base error of the project.

The tree::

    analysis.errors.BlankbenchError
    ├── analysis.errors.ReadingsError   the readings do not allow the answer
    ├── FileError                       a file (run, settings, blanks) cannot be used; has path and line
    ├── PortError                       a serial port cannot be opened, or says nothing we understand
    └── CallError                       the command line asks for something that does not fit together
"""

from __future__ import annotations

from pathlib import Path

from analysis.errors import BlankbenchError, ReadingsError

__all__ = ["BlankbenchError", "CallError", "FileError", "PortError", "ReadingsError"]


class FileError(BlankbenchError):
    """A file cannot be used.

    Parameters
    ----------
    path : Path or str
        The file, as the user named it.
    line : int or None
        The line where the trouble is, counted from 1.
    what, do : str
        What is wrong and what to do about it.
    """

    def __init__(self, path: Path | str, line: int | None, what: str, do: str) -> None:
        super().__init__(what, do)
        self.path = str(path)
        self.line = line

    def __reduce__(self) -> tuple[type[FileError], tuple[str, int | None, str, str]]:
        """Travel whole from a worker's process."""
        return type(self), (self.path, self.line, self.what, self.do)

    def __str__(self) -> str:
        where = self.path if self.line is None else f"{self.path}:{self.line}"
        return f"{where}: {self.what}; {self.do}"


class PortError(BlankbenchError):
    """A port cannot be opened, is taken, fell silent or speaks another language."""


class CallError(BlankbenchError):
    """The arguments of a command do not fit together."""
