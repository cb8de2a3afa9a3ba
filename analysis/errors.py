"""What goes wrong, said once: what, where, and what to do.

The tree (``rig.errors`` adds the branches for ports and files)::

    BlankbenchError
    └── ReadingsError      the readings do not allow the answer that was asked for

Programming mistakes (a wrong shape, a negative length) raise ``ValueError``: "you misused me" and
"the rig sent something unusable" are different things.
"""

from __future__ import annotations


class BlankbenchError(Exception):
    """An error whose text is meant for the builder at the bench.

    Parameters
    ----------
    what : str
        What is wrong, in plain words, without a full stop.
    do : str
        What to do about it, in plain words.
    """

    def __init__(self, what: str, do: str) -> None:
        super().__init__(f"{what}; {do}")
        self.what = what
        self.do = do


class ReadingsError(BlankbenchError):
    """The readings cannot give the answer that was asked for.

    Parameters
    ----------
    what, do : str
        As in `BlankbenchError`.
    row : int or None
        Index of the reading where the trouble begins, counted from 0 in the arrays that were given.
    run : int
        Which run's reading that is, counted from 0, where several were given.
    key : str or None
        Name of the number of the run's description that it is about, as run files have it.
    """

    def __init__(
        self, what: str, do: str, row: int | None = None, run: int = 0, *, key: str | None = None
    ) -> None:
        super().__init__(what, do)
        self.row = row
        self.run = run
        self.key = key
