"""Time from the board's tick.

The computer's own time stamps are useless for this: adapters hand bytes over in bursts of 16 ms. The board's
tick is what the readings are spaced by; the computer's clock only tells how often the tick wrapped while
nothing came.
"""

from __future__ import annotations

from rig.line.record import Hello


class TickClock:
    """Turns ticks modulo 2^bits into seconds since the first reading.

    A step is the tick's difference modulo 2^bits, so one wrap between two readings is always seen. Whole
    wraps in a long silence leave no trace in the tick; they are told from the computer's clock::

        n = max(0, round((host time − tick time) / wrap period)),   both since the promptest reading

    The promptest reading is the one that came in with the least delay; a drift of 1 % between the two clocks
    is allowed for. The host is asked only where the sequence numbers do not account for the step (usual
    interval times readings, within a factor of four): bytes that wait in a buffer while the computer is busy
    arrive late, without a wrap. So the tick should take much longer to wrap than a computer may be busy: a
    minute and more.

    Parameters
    ----------
    tick_s : float
        Seconds in one tick.
    tick_bits : int
        Width of the tick.
    interval_s : float
        Usual time between two readings, s.

    Examples
    --------
    >>> clock = TickClock(tick_s=1e-6, tick_bits=32, interval_s=0.0125)
    >>> clock.seconds(4_294_960_000)
    0.0
    >>> round(clock.seconds(5_204), 6)
    0.0125
    """

    def __init__(self, tick_s: float, tick_bits: int, interval_s: float) -> None:
        if not (tick_s > 0.0 and interval_s > 0.0 and tick_bits >= 1):
            raise ValueError("a clock needs a positive tick, a positive interval and at least one bit")
        self.tick_s = tick_s
        self.interval_s = interval_s
        self._span = 1 << tick_bits
        self._last: int | None = None
        self._ticks = 0
        self._segment_s = 0.0
        self._host_s: float | None = None
        self._anchor: tuple[float, int] | None = None
        self._segment = 0
        self._wraps_guessed = 0

    @classmethod
    def of(cls, hello: Hello) -> TickClock:
        """Clock for the board that said this hello."""
        return cls(hello.tick_s, hello.tick_bits, 1.0 / hello.rate_hz)

    @property
    def period_s(self) -> float:
        """Seconds after which the tick wraps."""
        return self._span * self.tick_s

    @property
    def segment(self) -> int:
        """How often the board has started anew; time between two segments is only as good as the host's."""
        return self._segment

    @property
    def wraps_guessed(self) -> int:
        """Whole wraps that were told from the computer's clock alone."""
        return self._wraps_guessed

    @property
    def now_s(self) -> float:
        """Time of the latest reading, s."""
        return self._segment_s + self._ticks * self.tick_s

    def seconds(self, tick: int, host_s: float | None = None, *, lost: int = 0) -> float:
        """Time of a reading, s since the first one; never less than the one before.

        Parameters
        ----------
        tick : int
            The reading's tick.
        host_s : float or None
            The computer's monotonic clock when the reading came in, s; without it no lost wrap is seen.
        lost : int
            Readings that are missing before this one, by their sequence numbers.
        """
        if self._last is None:
            if self._segment:
                self._segment_s += self._host_step(host_s)
            self._anchor = None
        else:
            step = (tick - self._last) % self._span
            if not self._explained(step * self.tick_s, lost):
                missed = max(0, round(self._lateness(host_s, self._ticks + step) / self.period_s))
                step += missed * self._span
                self._wraps_guessed += missed
            self._ticks += step
        self._last = tick
        if host_s is not None:
            self._host_s = host_s
            if self._anchor is None or self._lateness(host_s, self._ticks) <= 0.01 * (
                host_s - self._anchor[0]
            ):
                self._anchor = (host_s, self._ticks)
        return self.now_s

    def _host_step(self, host_s: float | None) -> float:
        """Seconds on the computer's clock since the latest reading; one usual interval if it cannot tell."""
        if host_s is None or self._host_s is None or host_s <= self._host_s:
            return self.interval_s
        return host_s - self._host_s

    def _lateness(self, host_s: float | None, ticks: int) -> float:
        """How much later than the promptest reading one with this many ticks came in, s."""
        if host_s is None or self._anchor is None:
            return 0.0
        return host_s - self._anchor[0] - (ticks - self._anchor[1]) * self.tick_s

    def _explained(self, step_s: float, lost: int) -> bool:
        """Whether the readings between account for a step: then no wrap is missing in it."""
        expected = self.interval_s * (lost + 1)
        return (lost == 0 or step_s >= 0.25 * expected) and step_s <= 4.0 * expected

    def place(self, tick: int) -> float:
        """Time of an event whose tick lies near the latest reading's, before or after it, s.

        Does not move the clock. Before the first reading of a segment: the time of the last one before.
        """
        if self._last is None:
            return self.now_s
        step = (tick - self._last + self._span // 2) % self._span - self._span // 2
        return self.now_s + step * self.tick_s

    def restart(self) -> None:
        """Begin a new segment: the board has started anew and its tick says nothing about the time before.

        Time goes on by what the computer's clock counts until the next reading, or by one usual interval.
        """
        if self._last is not None:
            self._segment_s = self.now_s
            self._ticks = 0
            self._last = None
            self._segment += 1
