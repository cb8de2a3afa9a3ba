"""One program at a time: a lock that the system lets go of by itself if its holder dies."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def locked(file: int) -> Iterator[None]:
    """Hold an open file alone; another program that asks waits until it is free.

    Parameters
    ----------
    file : int
        Descriptor of a file that is open for writing.

    Raises
    ------
    OSError
        If the file system knows no locks, or on Windows after about ten seconds of waiting.
    """
    if sys.platform == "win32":
        import msvcrt
        import os

        beyond = 1 << 30  # a byte behind anything that is written, so that readers are not shut out
        os.lseek(file, beyond, os.SEEK_SET)
        msvcrt.locking(file, msvcrt.LK_LOCK, 1)
        try:
            yield
        finally:
            os.lseek(file, beyond, os.SEEK_SET)
            msvcrt.locking(file, msvcrt.LK_UNLCK, 1)
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX)
        try:
            yield
        finally:
            fcntl.flock(file, fcntl.LOCK_UN)
