"""The recorder: bytes from a line source in, a run file out, and a snapshot that any screen can watch.

A state machine without a screen, a port or a thread. Whoever drives it gives it what a link read and looks
at `Recorder.snapshot`; what it wants said to the board stands in `Recorder.to_board`.
"""

from __future__ import annotations

import enum
import math
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.readings import Floats
from rig.errors import PortError
from rig.line import Answer, Command, Fault, Hello, LineSource, Reading, Record, Status, TickClock
from rig.port.link import Link, LinkLostError
from rig.runs import RunWriter

Convert = Callable[[Mapping[str, Floats]], Mapping[str, Floats]]
"""Raw values by channel (nan where missing) → columns of the run file in engineering units."""

RELEASED = 0.2
"""Below this part of the load limit a load that had passed the limit counts as released."""
_BINS = 72
_RATE_WINDOW_S = 2.0
_MOST_EVENTS = 200


class Phase(enum.Enum):
    """Where a recording stands."""

    WAITING = "waiting"
    """No reading has come yet."""
    RECORDING = "recording"
    """Readings come and are written."""
    OVER_LIMIT = "over limit"
    """The load has passed the limit; it goes on until the load is released."""
    ENDED = "ended"
    """The run is whole and closed."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The recording as it stands: what a screen shows."""

    phase: Phase
    """Where it stands."""
    readings: int = 0
    """Readings written."""
    elapsed_s: float = 0.0
    """Time of the latest reading, s since the first."""
    rate_hz: float = math.nan
    """Readings a second over the last two seconds, by the board's clock."""
    load_N: float = math.nan
    """Latest load, N."""
    peak_load_N: float = math.nan
    """Largest load so far, N."""
    travel_m: float = math.nan
    """Latest travel, m."""
    tip_deg: float = math.nan
    """Latest tip slope, deg."""
    roll_deg: float = math.nan
    """Latest blank angle that faces the pull, deg."""
    covered: float = 0.0
    """Part of the turn that has been rolled over, 0 to 1."""
    seen: tuple[bool, ...] = ()
    """The turn in 72 equal parts from blank angle 0 on, True where there are readings."""
    turned: float = 0.0
    """Turns rolled in all, both directions added up."""
    lost: int = 0
    """Readings that the board numbered and that did not come."""
    faulty: int = 0
    """Lines that came and could not be used."""
    over_limit: bool = False
    """True once the load has passed the limit."""
    said: str = ""
    """What the board or the line complained of last."""


@dataclass(slots=True)
class _Turn:
    """How much of the turn has been seen."""

    seen: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(_BINS, dtype=bool))
    last: float = math.nan
    way: float = 0.0

    def add(self, roll_deg: Floats) -> None:
        angle = roll_deg[np.isfinite(roll_deg)]
        if not angle.size:
            return
        self.seen[(np.mod(angle, 360.0) * (_BINS / 360.0)).astype(int) % _BINS] = True
        before = angle[0] if math.isnan(self.last) else self.last
        steps = np.diff(angle, prepend=before)
        self.way += float(np.abs(np.mod(steps + 180.0, 360.0) - 180.0).sum())
        self.last = float(angle[-1])


class Recorder:
    """Records one run.

    Parameters
    ----------
    source : LineSource
        Reads the board's lines; has already met the board.
    hello : Hello
        Who the board is.
    convert : callable
        Counts to units, see `Convert`.
    open_run : callable
        Makes the run file when the first readings have come: given their columns, in the file's order.
    load_limit_N : float or None
        Past this load the run is marked and ends when the load is released.
    clock : callable
        The computer's monotonic clock, s; only tells wraps of the tick in a long silence.
    """

    def __init__(
        self,
        source: LineSource,
        hello: Hello,
        convert: Convert,
        open_run: Callable[[Mapping[str, Floats]], RunWriter],
        *,
        load_limit_N: float | None = None,
        clock: Callable[[], float],
    ) -> None:
        self.snapshot = Snapshot(Phase.WAITING)
        """The recording as it stands after the latest `take`."""
        self.fresh: Mapping[str, Floats] = {}
        """Columns of the readings that the latest `take` brought; empty if none."""
        self.to_board: list[bytes] = []
        """What should be sent to the board; the driver empties it."""
        self.writer: RunWriter | None = None
        """The run file, once there is a reading."""
        self.stopped = False
        """True once the board has answered a ``stop``: nothing more will come."""
        self._source = source
        self._hello = hello
        self._convert = convert
        self._open_run = open_run
        self._limit = math.inf if load_limit_N is None else load_limit_N
        self._clock = clock
        self._ticks = TickClock.of(hello)
        self._columns: tuple[str, ...] = ()
        self._raw = tuple(f"{name}_counts" for name in hello.names if _is_counts(hello, name))
        self._turn = _Turn()
        self._recent: deque[float] = deque()
        self._events = 0
        self._gap = 0

    @property
    def ended(self) -> bool:
        """True once the run is closed."""
        return self.snapshot.phase is Phase.ENDED

    def take(self, data: bytes) -> Snapshot:
        """Take the next bytes from the board, in pieces of any size."""
        return self.take_records(self._source.feed(data))

    def take_records(self, records: Iterable[Record | Fault]) -> Snapshot:
        """Take records that were already read, such as those that came with the hello."""
        if self.ended:
            return self.snapshot
        self.fresh = {}
        batch: list[Reading] = []
        times: list[float] = []
        host = self._clock()
        for record in records:
            if isinstance(record, Reading):
                times.append(self._ticks.seconds(record.tick, host, lost=self._gap))
                self._gap = 0
                batch.append(record)
            else:
                # A mark stands between the readings where it happened.
                self._write(batch, times)
                batch, times = [], []
                self._notice(record)
                if self.snapshot.phase is Phase.ENDED:  # another board took over
                    return self.snapshot
        self._write(batch, times)
        if self.writer is not None:
            self.writer.flush()
        return self.snapshot

    def finish(self, reason: str) -> Snapshot:
        """Close the run as a whole one; a second call does nothing.

        Parameters
        ----------
        reason : str
            Why it ended, kept in the file: ``ended by hand``, ``enough turns``, ``the port went away`` …
        """
        if not self.ended:
            if self.writer is not None:
                tally = self._source.tally
                self.writer.event(
                    "ended", reason=reason, readings=self.snapshot.readings, lost=tally.lost, faulty=tally.bad
                )
                self.writer.close()
            self._now(phase=Phase.ENDED)
        return self.snapshot

    def _write(self, batch: Sequence[Reading], times: Sequence[float]) -> None:
        if not batch:
            return
        values = np.array([reading.values for reading in batch], dtype=float)
        raw = dict(zip(self._hello.names, values.T, strict=True))
        units = self._convert(raw)
        columns: dict[str, Floats] = {"time_s": np.array(times), **units}
        columns["seq"] = np.array([reading.seq for reading in batch], dtype=float)
        columns["tick"] = np.array([reading.tick for reading in batch], dtype=float)
        columns |= {name: raw[name.removesuffix("_counts")] for name in self._raw}
        if self.writer is None:
            self._columns = tuple(columns)
            self.writer = self._open_run(columns)
        self.writer.extend(np.column_stack([columns[name] for name in self._columns]).tolist())
        if self.fresh:
            columns = {name: np.concatenate((self.fresh[name], part)) for name, part in columns.items()}
        self.fresh = columns
        self._look(columns, len(batch))

    def _look(self, columns: Mapping[str, Floats], count: int) -> None:
        """Bring the snapshot up to date and watch the load limit."""
        time = columns["time_s"]
        self._recent.extend(time.tolist()[-count:])
        while self._recent[0] < time[-1] - _RATE_WINDOW_S:
            self._recent.popleft()
        span = self._recent[-1] - self._recent[0]
        roll = columns.get("roll_deg")
        if roll is not None:
            self._turn.add(roll[-count:])
        load = columns.get("load_N", np.array([math.nan]))
        finite = load[-count:][np.isfinite(load[-count:])]
        before = self.snapshot.peak_load_N
        peak = float(np.fmax(before, finite.max())) if finite.size else before
        self._now(
            phase=Phase.RECORDING if self.snapshot.phase is Phase.WAITING else self.snapshot.phase,
            readings=self.snapshot.readings + count,
            elapsed_s=float(time[-1]),
            rate_hz=(len(self._recent) - 1) / span if span > 0.0 else math.nan,
            load_N=_last(load, self.snapshot.load_N),
            peak_load_N=peak,
            travel_m=_last(columns.get("travel_m"), self.snapshot.travel_m),
            tip_deg=_last(columns.get("tip_deg"), self.snapshot.tip_deg),
            roll_deg=_last(roll, self.snapshot.roll_deg),
            covered=float(self._turn.seen.mean()),
            seen=tuple(self._turn.seen.tolist()),
            turned=self._turn.way / 360.0,
        )
        if finite.size:
            self._guard(finite)

    def _guard(self, load: Floats) -> None:
        """Mark a load past the limit, and its release."""
        if self.snapshot.phase is Phase.RECORDING and float(load.max()) > self._limit:
            self._event("load limit passed", load_N=float(load.max()), limit_N=self._limit)
            self._now(phase=Phase.OVER_LIMIT, over_limit=True, said="load limit passed: release the blank")
            if self._hello.drive:
                self.command(Command("stop"))
        if self.snapshot.phase is Phase.OVER_LIMIT and float(load[-1]) < RELEASED * self._limit:
            self._event("load released", load_N=float(load[-1]))
            self.finish("load limit passed, then released")

    def command(self, command: Command) -> None:
        """Have the driver say something to the board, if it takes commands."""
        data = self._source.say(command)
        if data is not None:
            self.to_board.append(data)

    def _notice(self, record: Record | Fault) -> None:
        """Keep what is no reading."""
        if isinstance(record, Fault):
            self._gap = record.lost
            if record.kind == "restart":
                self._ticks.restart()
            if record.kind in ("gap", "restart"):
                self._event(record.kind, what=record.what, lost=record.lost or None)
            self._now(said=record.what)
        elif isinstance(record, Status):
            if record.is_boot:
                self._ticks.restart()
            where = record.channel or "board"
            self._event("status", channel=where, state=record.state, text=record.text or None)
            if record.state not in ("ok", "zero", "boot"):
                self._now(said=f"{where}: {record.state} {record.text}".rstrip())
        elif isinstance(record, Hello):
            self._meet(record)
        elif isinstance(record, Answer):
            self.stopped = self.stopped or record.command == "stop"
            if not record.ok:
                self._now(said=f"the board refused {record.command}: {record.text}")
        tally = self._source.tally
        self._now(lost=tally.lost, faulty=tally.bad)

    def _meet(self, hello: Hello) -> None:
        """Take a repeated hello: another rate is followed, another board ends the run as it stands."""
        self._ticks.interval_s = 1.0 / hello.rate_hz
        if hello.channels != self._hello.channels:
            self._event("status", channel="board", state="other-channels", text=hello.device)
            self._now(said=f"{hello.device} has come with other channels: the run ends here")
            self.finish("another board took over the port")

    def _event(self, name: str, **detail: str | float | int | None) -> None:
        # A line that never stops complaining must not fill the disk; the closing mark has the totals.
        self._events += 1
        if self.writer is not None and self._events <= _MOST_EVENTS:
            self.writer.event(name, **detail)

    def _now(self, **changes: object) -> None:
        self.snapshot = replace(self.snapshot, **changes)  # type: ignore[arg-type]


def drive(
    link: Link,
    recorder: Recorder,
    *,
    watch: Callable[[Snapshot], None] = lambda snapshot: None,
    done: Callable[[Snapshot], str | None] = lambda snapshot: None,
    patience_s: float = 10.0,
    drain_s: float = 0.5,
    clock: Callable[[], float],
) -> Snapshot:
    """Record until `done` gives a reason, the load limit ends the run, or the port goes away.

    The board is told to ``start`` first and to ``stop`` last; what is still on its way then is taken too.

    Parameters
    ----------
    link : Link
        The open port.
    recorder : Recorder
        What takes the bytes.
    watch : callable
        Shown every snapshot.
    done : callable
        Gives the reason to end, or None.
    patience_s : float
        How long to wait for the first reading, s.
    drain_s : float
        How long to wait at the end for a board that does not answer ``stop``, s.
    clock : callable
        The computer's monotonic clock, s.

    Raises
    ------
    PortError
        If no reading comes, or the port goes away. What was recorded stays as a whole run.
    """
    begun = clock()
    recorder.command(Command("start"))
    reason, deadline = None, math.inf
    try:
        while not recorder.ended:
            while recorder.to_board:
                link.write(recorder.to_board.pop(0))
            snapshot = recorder.take(link.read())
            watch(snapshot)
            if reason is None and snapshot.phase is not Phase.ENDED:
                reason = done(snapshot)
                if reason is not None:
                    recorder.stopped = False
                    recorder.command(Command("stop"))
                    deadline = clock() + drain_s
            if reason is not None:
                if recorder.stopped or clock() > deadline:
                    recorder.finish(reason)
            elif snapshot.phase is Phase.WAITING and clock() - begun > patience_s:
                raise PortError(
                    f"{link.url} says hello but sends no readings",
                    "look at the sensors' wiring, or press the board's reset button",
                )
    except LinkLostError:
        recorder.finish("the port went away")
        raise
    return recorder.snapshot


def _is_counts(hello: Hello, name: str) -> bool:
    return any(channel.name == name and channel.in_counts for channel in hello.channels)


def _last(column: Floats | None, before: float) -> float:
    """Latest finite value of a column, or what was there before."""
    if column is None:
        return before
    finite = column[np.isfinite(column)]
    return float(finite[-1]) if finite.size else before
