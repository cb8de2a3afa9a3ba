"""The live screen of a recording."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import TracebackType

from rich.console import Console
from rich.live import Live

from analysis.readings import Floats
from analysis.roll.live import LiveRoll
from analysis.roll.result import MarkRule
from analysis.show.live import LiveSnapshot, live_panel
from analysis.units import System
from rig.recording.recorder import Phase, Snapshot
from rig.runs import Header

_ALARM_EVERY_S = 1.0
_FRAME_S = 0.125


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
    rule : {"snap", "snap-back", "stiff", "soft"}
        The shop's rule for the mark, for the mark so far.
    """

    def __init__(
        self, console: Console, header: Header, limit_N: float, units: System, rule: MarkRule = "snap"
    ) -> None:
        self._console = console
        self._header = header
        self._limit = limit_N
        self._units = units
        self._rule = rule
        self._live = Live(console=console, transient=True, auto_refresh=False)
        self._roll: LiveRoll | None = None
        self._drawn_s = -math.inf
        self._rung_s = -math.inf

    def __enter__(self) -> Screen:
        if self._console.is_terminal:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def show(self, now: Snapshot, fresh: Mapping[str, Floats], clock_s: float) -> None:
        """Take the latest snapshot and the readings it brought; draw eight times a second at most.

        Parameters
        ----------
        now : Snapshot
            The recording as it stands.
        fresh : mapping
            Columns of the readings since the last call.
        clock_s : float
            The computer's monotonic clock, s.
        """
        if not self._console.is_terminal:
            return
        if self._header.kind == "roll":
            self._learn(fresh)
        if now.phase is Phase.OVER_LIMIT and clock_s - self._rung_s >= _ALARM_EVERY_S:
            self._rung_s = clock_s
            self._console.bell()
        if clock_s - self._drawn_s >= _FRAME_S:
            self._drawn_s = clock_s
            self._live.update(live_panel(self._picture(now), units=self._units), refresh=True)

    def _learn(self, fresh: Mapping[str, Floats]) -> None:
        """Give the readings to the plane so far."""
        hanging = self._header.held_load_N is not None
        reading = fresh.get("travel_m" if hanging else "load_N")
        roll = fresh.get("roll_deg")
        if reading is None or roll is None:
            return
        travel = None if hanging else fresh.get("travel_m")
        if self._roll is None:
            held = self._header.held_travel_m
            if held is None and travel is not None and math.isfinite(travel[0]) and travel[0] > 0.0:
                held = float(travel[0])
            if held is None and not hanging:
                return
            self._roll = LiveRoll(
                free_length_m=self._header.free_length_m,
                held_travel_m=None if hanging else held,
                held_load_N=self._header.held_load_N,
                mark_rule=self._rule,
            )
        for row, time_s in enumerate(fresh["time_s"]):
            self._roll.add(
                math.radians(roll[row]),
                float(reading[row]),
                float(time_s),
                None if travel is None else float(travel[row]),
            )

    def _picture(self, now: Snapshot) -> LiveSnapshot:
        state = None if self._roll is None else self._roll.state()
        return LiveSnapshot(
            blank=self._header.blank,
            kind="roll" if self._header.kind == "roll" else "flex",
            status=self._status(now, state is not None and state.enough),
            time_s=now.elapsed_s,
            readings=now.readings,
            rate_hz=_known(now.rate_hz),
            lost=now.lost,
            load_N=_known(now.load_N),
            load_limit_N=self._limit,
            travel_m=_known(now.travel_m),
            roll=None if math.isnan(now.roll_deg) else math.radians(now.roll_deg),
            covered=now.seen,
            turns=now.turned,
            plane=None if state is None else state.stiff_plane,
            mark=None if state is None else state.mark.angle,
            enough=state is not None and state.enough,
            alarm=now.said if now.phase is Phase.OVER_LIMIT else "",
        )

    def _status(self, now: Snapshot, enough: bool) -> str:
        if now.said:
            return now.said
        if now.phase is Phase.WAITING:
            return "waiting for the first reading"
        if self._header.kind == "flex":
            return "Pull slowly, then let it back slowly. Ctrl-C ends the run."
        if enough and now.covered > 0.99:
            return "Enough. Roll back the same way, or end with Ctrl-C."
        return "Turn slowly, a full turn or more, then back. Ctrl-C ends the run."


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
