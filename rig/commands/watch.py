"""The live screen of a recording."""

from __future__ import annotations

from collections.abc import Mapping
from types import TracebackType

from rich.console import Console
from rich.live import Live
from rich.text import Text

from analysis.readings import Floats
from analysis.units import System
from rig.recorder import Phase, Snapshot
from rig.runs import Header


class Screen:
    """Shows a recording while it runs; on a console that is no terminal it stays silent.

    Parameters
    ----------
    console : Console
        Where to draw.
    header : Header
        What is recorded.
    limit_N : float
        The load limit, N.
    units : {"metric", "imperial"}
        Shown units.
    """

    def __init__(self, console: Console, header: Header, limit_N: float, units: System) -> None:
        self._console = console
        self._header = header
        self._limit = limit_N
        self._units = units
        self._live = Live(console=console, refresh_per_second=8, transient=True, auto_refresh=False)
        self._alarmed = False

    def __enter__(self) -> Screen:
        if self._console.is_terminal:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def show(self, now: Snapshot, fresh: Mapping[str, Floats]) -> None:
        """Take the latest snapshot and the readings it brought."""
        if now.phase is Phase.OVER_LIMIT and not self._alarmed:
            self._alarmed = True
            self._console.bell()
        if self._console.is_terminal:
            self._live.update(Text(f"{now.readings} readings"), refresh=True)
