"""The simulated microcontroller: virtual time in, bytes of the line protocol out, commands in between.

It does what ``firmware_notes`` asks of a sketch: says hello when it starts, at intervals and when asked,
numbers its readings, stamps them with a tick that wraps, never changes the meaning of its counts.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rig.calibration import LOAD_BITS
from rig.line.frame import decode_command, encode
from rig.line.record import Answer, Channel, Hello, LineFault, Reading, Record, Status
from rig.virtual.bench import Bench
from rig.virtual.gear import TRAVEL_BITS
from rig.virtual.sensors import Counts
from rig.virtual.trouble import Kind, Trouble

CHANNELS = (
    Channel("load", bits=LOAD_BITS, coding="signed"),
    Channel("angle", bits=12, coding="turn"),
    Channel("travel", bits=TRAVEL_BITS, coding="unsigned"),
    Channel("tip", bits=12, coding="turn"),
)
"""The channels of the virtual rig, all in raw counts."""
TURNING = tuple(
    Channel("travel", bits=12, coding="turn") if channel.name == "travel" else channel for channel in CHANNELS
)
"""Its channels where a drum or an arm turns with the travel."""
FASTEST_HZ = 10_000
"""Highest rate that the board accepts."""
_TICKS, _SEQS = 1 << 32, 1 << 16
_COMMAND_BYTES = 64
_TARE_READINGS = 40


class Firmware:
    r"""A board on the bench.

    Parameters
    ----------
    bench : Bench
        What its sensors see.
    rate_hz : int
        Readings a second until told otherwise.
    device : str
        The board's name in its hello.
    streaming : bool
        Whether readings begin at once, as on a board that takes no commands.
    tick_start : int
        The tick counter when the board gets power; a large one brings its wrap near.
    hello_every_s : float
        Time between two hellos.
    troubles : sequence of Trouble
        What goes wrong.
    drive : bool
        Whether a motor does what is asked of the hand: then ``stop`` halts it, and readings go on.

    Examples
    --------
    >>> from rig.virtual.blanks import load_blanks
    >>> board = Firmware(Bench(load_blanks()), streaming=False)
    >>> board.advance(0.0).split(b" ")[:4]
    [b'S', b'0', b'-', b'boot']
    >>> board.feed(b"start\n")
    >>> board.advance(0.99).count(b"\nR ")
    80
    """

    def __init__(
        self,
        bench: Bench,
        *,
        rate_hz: int = 80,
        device: str = "virtual-rig",
        streaming: bool = True,
        tick_start: int = 0,
        hello_every_s: float = 2.0,
        troubles: Sequence[Trouble] = (),
        drive: bool = False,
    ) -> None:
        if not 1 <= rate_hz <= FASTEST_HZ:
            raise ValueError(f"the rate is 1 to {FASTEST_HZ} readings a second, not {rate_hz}")
        self._bench = bench
        self._rate_hz = rate_hz
        channels = CHANNELS if bench.gear.geometry is None else TURNING
        self._hello = Hello(device, channels, float(rate_hz), firmware="virtual-1", drive=drive)
        self._autostart = streaming
        self._hello_every_s = hello_every_s
        self._troubles = tuple(troubles)
        self._edges = deque(sorted({t for trouble in troubles for t in (trouble.at_s, trouble.until_s)}))
        self._rng = np.random.default_rng(np.random.SeedSequence(bench.seed, spawn_key=(0x676172,)))
        self._time = 0.0
        self._out = bytearray()
        self._typed = bytearray()
        self._boot(tick_start)

    @property
    def time_s(self) -> float:
        """How far the board's time has come since it got power, s."""
        return self._time

    @property
    def rate_hz(self) -> int:
        """Readings a second now."""
        return self._rate_hz

    @property
    def streaming(self) -> bool:
        """Whether readings are being sent."""
        return self._streaming

    @property
    def next_s(self) -> float:
        """The time at which the board will do something next, s."""
        soon = [self._next_hello]
        if self._streaming:
            soon.append(self._sample_time)
        if self._edges:
            soon.append(self._edges[0])
        return min(soon)

    def moment_of(self, number: int) -> float:
        """Give the time at which the `number`-th reading from now is taken, s."""
        return self._began + (self._taken + number - 1) / self._rate_hz

    def feed(self, data: bytes) -> None:
        """Take commands from the computer, whole or in pieces; answers come with the next `advance`."""
        for byte in data:
            if byte in b"\r\n":
                if self._typed.strip():
                    self._obey(bytes(self._typed))
                self._typed.clear()
            elif len(self._typed) < _COMMAND_BYTES:
                self._typed.append(byte)

    def advance(self, to_s: float) -> bytes:
        """Let the board's time run up to `to_s`, s, and take what it has sent by then."""
        while True:
            moment = min(to_s, self._next_hello, self._edges[0] if self._edges else math.inf)
            self._read_until(moment, whole=moment >= to_s)
            self._time = max(self._time, moment)
            if self._edges and self._edges[0] <= moment:
                self._edges.popleft()
                self._turn(moment)
            elif self._next_hello <= moment:
                if "silence" not in self._now:
                    self._send(self._hello)
                self._next_hello += self._hello_every_s
            elif moment >= to_s:
                break
        out = bytes(self._out)
        self._out.clear()
        return out

    def _boot(self, tick_start: int) -> None:
        self._booted, self._tick_start = self._time, tick_start
        self._seq = 0
        self._streaming, self._began, self._taken = False, self._time, 0
        self._now: frozenset[Kind] = frozenset()
        self._over = False
        self._latest: deque[int] = deque(maxlen=_TARE_READINGS)
        self._next_hello = self._time
        self._send(Status(self._tick(self._time), None, "boot", "virtual rig"))
        if self._autostart:
            self._start()

    def _tick(self, time_s: float) -> int:
        return (self._tick_start + round((time_s - self._booted) * 1e6)) % _TICKS

    @property
    def _sample_time(self) -> float:
        return self._began + self._taken / self._rate_hz

    def _start(self) -> None:
        self._streaming, self._began, self._taken = True, self._time, 0

    def _send(self, record: Record) -> None:
        line = bytearray(encode(record))
        if "corrupt" in self._now:
            line[int(self._rng.integers(len(line) - 1))] ^= 1 << int(self._rng.integers(7))
        self._out += line

    # readings

    def _read_until(self, moment: float, *, whole: bool) -> None:
        """Take the readings due before `moment`; at the end of an `advance` also one due exactly then."""
        if not self._streaming or "silence" in self._now:
            return
        due = (moment - self._began) * self._rate_hz
        last = math.floor(due + 1e-6) if whole else math.ceil(due - 1e-6) - 1
        n = last + 1 - self._taken
        if n <= 0:
            return
        counts, _ = self._bench.sample(n, 1.0 / self._rate_hz)
        self._latest.extend(counts.load.tolist())
        for tick, values in zip(self._ticks(n), self._rows(counts), strict=True):
            self._watch(tick, values[0])
            if "lose" not in self._now:
                self._send(Reading(self._seq, tick, values))
            self._seq = (self._seq + 1) % _SEQS
        self._taken += n

    def _ticks(self, n: int) -> list[int]:
        times = self._began + (self._taken + np.arange(n)) / self._rate_hz
        whole = self._tick_start + np.rint((times - self._booted) * 1e6).astype(np.int64)
        return [int(tick) for tick in whole % _TICKS]

    def _rows(self, counts: Counts) -> list[tuple[int | None, ...]]:
        columns: list[list[int | None]] = [
            list(column.tolist()) for column in (counts.load, counts.angle, counts.travel, counts.tip)
        ]
        if "over-range" in self._now:
            columns[0] = [(1 << (LOAD_BITS - 1)) - 1] * len(columns[0])
        if "load-gone" in self._now:
            columns[0] = [None] * len(columns[0])
        if "magnet-gone" in self._now:
            columns[1] = [None] * len(columns[1])
        return list(zip(*columns, strict=True))

    def _watch(self, tick: int, load: int | None) -> None:
        """Report the load reaching or leaving an end stop."""
        over = load is not None and not -CHANNELS[0].highest <= load < CHANNELS[0].highest
        if over != self._over:
            self._send(Status(tick, "load", "over-range" if over else "ok", str(load) if over else ""))
            self._over = over

    # trouble

    def _turn(self, moment: float) -> None:
        """Something begins or ends at `moment`."""
        before = self._now
        if any(t.kind == "reset" and t.at_s == moment for t in self._troubles):
            self._out += (
                b"\x00\xff\n"  # half a character as the line goes dead; a sketch begins on a new line
            )
            self._boot(0)
            return
        self._now = frozenset(t.kind for t in self._troubles if t.at_s <= moment < t.until_s)
        if any(t.kind == "garbage" and t.at_s == moment for t in self._troubles):
            self._out += self._rng.bytes(int(self._rng.integers(20, 300))) + b"\n"
        for kind, channel, state in (
            ("load-gone", "load", "no-answer"),
            ("magnet-gone", "angle", "magnet-missing"),
        ):
            if (kind in self._now) != (kind in before):
                self._send(Status(self._tick(moment), channel, state if kind in self._now else "ok"))
        if "silence" in before - self._now and self._streaming:
            self._began, self._taken = moment, 0

    # commands

    def _obey(self, line: bytes) -> None:
        try:
            command = decode_command(line)
        except LineFault as fault:
            self._send(Answer("?", False, fault.what[:80].encode("ascii", "replace").decode("ascii")))
            return
        if command.name == "start":
            if not self._streaming:
                self._start()
        elif command.name == "stop":
            if self._hello.drive:
                self._bench.halt()
            else:
                self._streaming = False
        elif command.name == "tare":
            self._tare()
            return
        elif command.name == "rate" and command.argument is not None:
            if command.argument > FASTEST_HZ:
                self._send(Answer("rate", False, f"the fastest is {FASTEST_HZ}"))
                return
            if self._streaming:
                self._began, self._taken = self._sample_time, 0
            self._rate_hz = command.argument
            self._hello = replace(self._hello, rate_hz=float(self._rate_hz))
        self._send(Answer(command.name, True, "" if command.argument is None else str(command.argument)))
        if command.name in ("identify", "rate"):
            self._send(self._hello)

    def _tare(self) -> None:
        """Say the mean of the latest readings; the counts stay what they are."""
        if len(self._latest) < 2:
            self._send(Answer("tare", False, "no readings yet, send start first"))
            return
        mean = sum(self._latest) / len(self._latest)
        self._send(Answer("tare", True))
        self._send(Status(self._tick(self._time), "load", "zero", f"{round(mean)} {len(self._latest)}"))
