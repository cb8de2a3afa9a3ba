"""Another sketch's lines behind the same interface as the bench's own protocol.

Such lines carry no check sum and no number, so a line counts only if it has the shape of the mapping and its
numbers are plausible beside their neighbours: one that stands far off is held back until the next line tells
whether it was a step or damage. Time is the sketch's own where it prints one, else the moment of arrival,
smoothed over the bursts of an adapter.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable

from rig.line.mapping import UNITS, Field, PlainMapping
from rig.line.record import MAX_LINE, Command, FaultKind, Hello, Reading, Record
from rig.line.source import Fault, Tally
from rig.line.tokens import Token, shape_of, tokens

BURST_S = 0.016
"""Adapters hand bytes over in bursts so long: time by arrival is no better."""
_FIRST = 3
"""Good lines after which the sketch counts as met."""
_STEPS = 15.0
"""A value further from the last than so many usual steps is held back (ours: a spike of a cheap cell is 5 to
25 times its scatter, a damaged digit far more)."""
_SPAN = 0.1
"""The same for a part of the span seen so far, whichever is more."""
_PULL = 0.05
"""How far a time by arrival is drawn toward the moment of arrival at each line."""
_GAP_S = 0.5
"""A line that comes so much later than it should tells a silence, and no burst."""
_TRADED = 3
"""Lines in a row after which traded columns are believed."""


class _Column:
    """How one channel has gone so far."""

    def __init__(self, turn: float | None) -> None:
        self.turn = turn
        self.last: float | None = None
        self.steps: deque[float] = deque(maxlen=50)
        self.low, self.high = float("inf"), float("-inf")

    def far(self, value: float | None, beside: float | None = None) -> bool:
        """Tell whether a value stands far off the last one (or off `beside`)."""
        near = self.last if beside is None else beside
        if value is None or near is None or len(self.steps) < 10:
            return False
        usual = sorted(self.steps)[int(0.8 * len(self.steps))]
        span = 0.0 if self.turn is not None else _SPAN * (self.high - self.low)
        least = 0.02 * (self.turn or max(abs(self.low), abs(self.high), 1e-9))
        return self.step(value, near) > max(_STEPS * usual, span, least)

    def step(self, value: float, near: float) -> float:
        away = abs(value - near)
        return min(away % self.turn, -away % self.turn) if self.turn is not None else away

    def take(self, value: float | None) -> None:
        if value is None:
            return
        if self.last is not None:
            self.steps.append(self.step(value, self.last))
        self.last = value
        self.low, self.high = min(self.low, value), max(self.high, value)

    def holds(self, value: float | None) -> bool:
        """Tell whether a value lies where this channel's values lay, with a margin of half their span."""
        if value is None:
            return False
        margin = 0.5 * (self.high - self.low) + 1e-6 * max(abs(self.low), abs(self.high))
        return self.low - margin <= value <= self.high + margin


class PlainDecoder:
    r"""Reads another sketch's lines.

    Parameters
    ----------
    mapping : PlainMapping
        How its lines are read.
    clock : callable
        The computer's monotonic clock, s; where the sketch prints no time.

    Examples
    --------
    >>> from rig.line.mapping import Field
    >>> lines = PlainMapping((("load", "angle"),), (Field("load", 0, 0, "load", "g"),
    ...     Field("angle", 0, 1, "angle", "deg")), 80.0)
    >>> source = PlainDecoder(lines, clock=lambda: 0.0)
    >>> records = source.feed(b"cut\nLoad: 100 g, Angle: 45.0\n" * 3)
    >>> [round(value, 4) for value in records[1].values]
    [0.9807, 45.0]
    """

    def __init__(self, mapping: PlainMapping, clock: Callable[[], float] = time.monotonic) -> None:
        self.mapping = mapping
        self._clock = clock
        self._tally = Tally()
        self._tail = b""
        self._fresh = True
        self._hello: Hello | None = None
        self._meant = mapping.hello()
        self._good = 0
        self._waiting: list[Reading] = []
        self._seq = 0
        self._parts: dict[int, tuple[Token, ...]] = {}
        self._columns = [_Column(_turn_of(field)) for field in mapping.channels]
        self._held: Reading | None = None
        self._traded = 0
        self._refusing = False
        self._moment: float | None = None
        self._last_tick: int | None = None

    @property
    def hello(self) -> Hello | None:
        """What a board of the bench's own protocol would have said; None before the first lines fit."""
        return self._hello

    @property
    def tally(self) -> Tally:
        """How the stream has gone so far."""
        return self._tally

    def say(self, command: Command) -> bytes | None:
        """Nothing: a sketch that prints takes no commands."""
        return None

    def reattach(self) -> None:
        """Forget a half line: the port was closed and opened again."""
        self._tail, self._fresh, self._parts = b"", True, {}

    def feed(self, data: bytes) -> list[Record | Fault]:
        """Take the next bytes and return the records and faults that they complete, in order."""
        tally = self._tally
        tally.bytes += len(data)
        lines = (self._tail + data).replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
        self._tail = lines.pop()
        out: list[Record | Fault] = []
        for line in lines:
            self._take(line, out)
        if len(self._tail) > MAX_LINE:
            self._bad("long", "a line without an end", "check the baud rate", self._tail, out)
            self._tail = b""
        return out

    def _take(self, line: bytes, out: list[Record | Fault]) -> None:
        fresh, self._fresh = self._fresh, False
        if not line.strip():
            self._tally.blank += 1
            return
        try:
            text = line.decode("utf-8")
        except UnicodeDecodeError:
            text = line.decode("latin-1")
        found = tokens(text, self.mapping.decimal, hexadecimal=any(f.base == 16 for f in self.mapping.fields))
        place = None if found is None else self._place(found)
        if found is None or place is None:
            if fresh:
                self._tally.partial += 1
            elif found is None or len(found) < 2:
                self._text(text, line, out)
            else:
                self._bad("form", "a line of another shape", "it is left out", line, out)
            return
        self._parts[place] = found
        if place < len(self.mapping.shapes) - 1:
            self._tally.others += 1
            return
        parts, self._parts = self._parts, {}
        if len(parts) < len(self.mapping.shapes):
            self._tally.partial += 1
            return
        values = tuple(_value(field, parts[field.line], self.mapping) for field in self.mapping.channels)
        if all(value is None for value in values) and not any(
            token.missing for part in parts.values() for token in part
        ):
            self._bad("form", "no number of this line can be read", "it is left out", line, out)
            return
        tick = self._tick(parts, out)
        if tick is None:
            self._bad("form", "the sketch's time cannot be read", "the line is left out", line, out)
            return
        self._consider(Reading(0, tick, values), line, out)

    def _place(self, found: tuple[Token, ...]) -> int | None:
        """Find which line of a reading this is; labelled numbers may stand in another order."""
        shape = shape_of(found)
        for at, wanted in enumerate(self.mapping.shapes):
            by_label = all(wanted) and len(set(wanted)) == len(wanted)
            if shape == wanted or (by_label and sorted(shape) == sorted(wanted)):
                return at
        return None

    def _text(self, text: str, line: bytes, out: list[Record | Fault]) -> None:
        """A line of words: the sketch's banner or heading, or what it complains of."""
        heading = self.mapping.heading
        if heading and sorted(_words(text)) == sorted(_words(heading)) and _words(text) != _words(heading):
            self._refuse(out)
            return
        complaint = any(word in text.lower() for word in ("not found", "error", "fail", "timeout"))
        if complaint:
            self._bad(
                "form", f"the sketch says: {text.strip()[:60]}", "look at the sensor's wiring", line, out
            )
        else:
            self._tally.others += 1

    def _tick(self, parts: dict[int, tuple[Token, ...]], out: list[Record | Fault]) -> int | None:
        """The reading's time in ticks of the hello."""
        field = self.mapping.clock
        period = 1.0 / self.mapping.rate_hz
        if field is None:
            return self._by_arrival(period)
        token = _token(field, parts[field.line])
        value = None if token is None else token.value(field.base, self.mapping.decimal)
        if value is None or value < 0:
            return None
        tick = round(value * 1e6) if field.unit == "s" else int(value)
        span = 1 << self._meant.tick_bits
        last, self._last_tick = self._last_tick, tick % span
        if last is not None:
            step = (tick - last) % span * self._meant.tick_s
            back = tick < last and step > 0.25 * span * self._meant.tick_s
            if back:
                self._note("restart", "the sketch has started anew", "look at its power and its plug", out)
                self._restarted()
            elif step > 1.8 * period and self._hello is not None:
                lost = max(1, round(step / period) - 1)
                self._tally.lost += lost
                words = f"{lost} reading{'s are' if lost > 1 else ' is'} missing by the sketch's clock"
                self._note("gap", words, "look at the cable", out, lost=lost)
        return tick % span

    def _by_arrival(self, period: float) -> int:
        now = self._clock()
        if self._moment is None or now - self._moment > _GAP_S + period:
            self._moment = now
        else:
            due = self._moment + period
            self._moment = max(self._moment, due + _PULL * (now - due))
        return round(self._moment * 1e6)

    def _restarted(self) -> None:
        self._held = None
        self._traded = 0

    def _consider(self, reading: Reading, line: bytes, out: list[Record | Fault]) -> None:
        """Take a reading, or hold it back until the next one tells whether it is damage."""
        if self._refusing:
            self._tally.bad += 1
            return
        if self._has_traded(reading):
            self._traded += 1
            self._tally.bad += 1
            if self._traded >= _TRADED:
                self._refuse(out)
            return
        self._traded = 0
        far = any(c.far(v) for c, v in zip(self._columns, reading.values, strict=True))
        held = self._held
        if not far:
            if held is not None:
                self._held = None
                self._bad("range", "a value stands far off its neighbours", "the line is left out", line, out)
            self._accept(reading, out)
        elif held is None:
            self._held = reading
        else:
            self._held = None
            self._accept(held, out)
            still = any(c.far(v) for c, v in zip(self._columns, reading.values, strict=True))
            if still:
                self._held = reading
            else:
                self._accept(reading, out)

    def _has_traded(self, reading: Reading) -> bool:
        """Tell whether two columns hold what the other one held, and not what they held themselves."""
        if self.mapping.one_line and all(self.mapping.shapes[0]):
            return False  # found by their labels
        count = len(self._columns)
        for a in range(count):
            for b in range(a + 1, count):
                one, two = self._columns[a], self._columns[b]
                if len(one.steps) < 10 or len(two.steps) < 10:
                    continue
                x, y = reading.values[a], reading.values[b]
                if one.holds(y) and two.holds(x) and not one.holds(x) and not two.holds(y):
                    return True
        return False

    def _refuse(self, out: list[Record | Fault]) -> None:
        self._refusing = True
        self._note(
            "range",
            "the columns have traded places: nothing is taken from here on",
            "run blankbench sniff again",
            out,
        )

    def _accept(self, reading: Reading, out: list[Record | Fault]) -> None:
        for column, value in zip(self._columns, reading.values, strict=True):
            column.take(value)
        numbered = Reading(self._seq, reading.tick, reading.values)
        self._seq = (self._seq + 1) % (1 << self._meant.seq_bits)
        self._tally.readings += 1
        self._good += 1
        if self._hello is None:
            self._waiting.append(numbered)
            if self._good >= _FIRST:
                self._hello = self._meant
                out.append(self._meant)
                out.extend(self._waiting)
                self._waiting = []
            return
        out.append(numbered)

    def _bad(self, kind: FaultKind, what: str, do: str, line: bytes, out: list[Record | Fault]) -> None:
        self._tally.bad += 1
        self._note(kind, what, do, out, line=line[:MAX_LINE])

    def _note(
        self,
        kind: FaultKind,
        what: str,
        do: str,
        out: list[Record | Fault],
        *,
        line: bytes = b"",
        lost: int = 0,
    ) -> None:
        self._tally.faults[kind] += 1
        out.append(Fault(kind, what, do, line, self._tally.lines, lost))


def _turn_of(field: Field) -> float | None:
    if field.name not in ("angle", "tip"):
        return None
    return 4096.0 if field.unit == "counts" else 360.0


def _words(text: str) -> list[str]:
    return text.lower().replace(";", ",").replace("\t", ",").replace(" ", "").strip().split(",")


def _token(field: Field, found: tuple[Token, ...]) -> Token | None:
    if field.label:
        return next((token for token in found if token.label == field.label), None)
    return found[field.index] if field.index < len(found) else None


def _value(field: Field, found: tuple[Token, ...], mapping: PlainMapping) -> int | float | None:
    token = _token(field, found)
    number = None if token is None else token.value(field.base, mapping.decimal)
    if number is None:
        return None
    if field.unit == "counts":
        return round(number * field.scale)
    return number * UNITS[field.name][field.unit]
