"""Stream of bytes to records and faults, for the bench's own line protocol.

Pure: no port, no clock, no thread. Bytes stay bytes until a line is whole and its check holds.
"""

from __future__ import annotations

from binascii import crc_hqx
from operator import le

from rig.line.frame import decode
from rig.line.record import MAX_LINE, Command, FaultKind, Hello, LineFault, Reading, Record, Status
from rig.line.source import Fault, Tally


class Decoder:
    r"""Reads the line protocol in pieces of any size.

    Partial lines wait for their end. A line that grows past `MAX_LINE` is dropped up to the next line feed.
    The first line after an attach is usually cut; if its check does not hold it is counted and is no fault.

    Loss is counted here, because here the sequence numbers pass in order: a step other than one gives a
    `Fault` of kind ``gap``, just before the reading behind it. A boot line, or a hello of another board,
    begins a new row of readings. Where sequence and tick both go back, and do not fit each other as a loss,
    the board has started anew and its boot line was lost.

    Examples
    --------
    >>> decoder = Decoder()
    >>> decoder.feed(b"7 31 22 A1B2\nR 41 512500 -81234 -")
    []
    >>> decoder.feed(b" E5DE\r\n")
    [Reading(seq=41, tick=512500, values=(-81234, None))]
    >>> decoder.tally.partial
    1
    """

    def __init__(self) -> None:
        self._tally = Tally()
        self._tail = b""
        self._skipping = False
        self._fresh = True
        self._hello: Hello | None = None
        self._last: Reading | None = None
        self._width = 0
        self._seq_mask = 0
        self._next_seq = -1
        self._last_tick_of_all = -1
        self._lowest: tuple[float, ...] = ()
        self._highest: tuple[float, ...] = ()

    @property
    def hello(self) -> Hello | None:
        """The latest hello; ``None`` before the first."""
        return self._hello

    @property
    def tally(self) -> Tally:
        """How the stream has gone so far; it goes on counting."""
        return self._tally

    def say(self, command: Command) -> bytes:
        """Bytes that give the board a command."""
        return command.line

    def reattach(self) -> None:
        """Forget a half line: the port was closed and opened again, and the next first line may be cut."""
        self._tail = b""
        self._skipping = False
        self._fresh = True

    def feed(self, data: bytes) -> list[Record | Fault]:
        """Take the next bytes and return the records and faults that they complete, in order.

        Parameters
        ----------
        data : bytes
            Any piece of the stream, also an empty one.
        """
        tally = self._tally
        tally.bytes += len(data)
        lines = (self._tail + data).split(b"\n")
        self._tail = lines.pop()
        if self._skipping and lines:
            del lines[0]
            self._skipping = False
        out: list[Record | Fault] = []
        for line in lines:
            if line[-1:] == b"\r":
                line = line[:-1]
            if not self._take_plain_reading(line, out):
                self._take(line, out)
        if self._skipping:
            self._tail = b""
        elif len(self._tail) > MAX_LINE + 1:  # one more for a carriage return
            self._take(self._tail, out)
            self._tail = b""
            self._skipping = True
        return out

    def _take_plain_reading(self, line: bytes, out: list[Record | Fault]) -> bool:
        """Take the line that nearly every line is: a reading of whole counts, all present, next in its row.

        Returns False, with nothing done, for every other line; `_take` then says what it is. So this is a
        shortcut and no second opinion: it takes no line that `decode` and `Hello.complaint` would refuse.
        """
        body = line[:-5]
        if body.translate(None, b"0123456789- ") != b"R" or line[-5:] != b" %04X" % crc_hqx(body, 0xFFFF):
            return False
        fields = body.split(b" ")
        if len(fields) != self._width or fields[0] != b"R" or len(line) > MAX_LINE:
            return False
        if not (fields[1].isdigit() and fields[2].isdigit()):
            return False
        try:
            seq, tick, *values = map(int, fields[1:])
        except ValueError:  # a missing value, or a minus where none may be
            return False
        if seq != self._next_seq or tick > self._last_tick_of_all:
            return False
        if not (all(map(le, self._lowest, values)) and all(map(le, values, self._highest))):
            return False
        self._next_seq = (seq + 1) & self._seq_mask
        self._last = reading = Reading(seq, tick, tuple(values))
        self._tally.readings += 1
        self._fresh = False
        out.append(reading)
        return True

    def _take(self, line: bytes, out: list[Record | Fault]) -> None:
        """Take any line."""
        fresh, self._fresh = self._fresh, False
        if not line:
            self._tally.blank += 1
            return
        try:
            record = decode(line)
            if isinstance(record, Reading):
                self._check_reading(record, out)
        except LineFault as fault:
            if fresh and fault.kind in ("check", "unchecked"):
                self._tally.partial += 1
            else:
                self._note(fault.kind, fault.what, fault.do, out, line=line[:MAX_LINE])
                self._tally.bad += 1
            return
        out.append(record)
        if isinstance(record, Reading):
            self._tally.readings += 1
            self._last = record
            self._next_seq = (record.seq + 1) & self._seq_mask
            return
        self._tally.others += 1
        if isinstance(record, Hello):
            self._meet(record)
        elif isinstance(record, Status) and record.is_boot:
            self._begin_row()

    def _check_reading(self, reading: Reading, out: list[Record | Fault]) -> None:
        if self._hello is None:
            return
        complaint = self._hello.complaint(reading)
        if complaint is not None:
            raise LineFault("range", complaint, "correct the sketch's hello; the reading is left out")
        if self._last is not None and (reading.seq - self._last.seq) & self._seq_mask != 1:
            self._break(reading, self._last, self._hello, out)

    def _meet(self, hello: Hello) -> None:
        known = self._hello
        self._hello = hello
        self._width = 3 + len(hello.channels)
        self._seq_mask = (1 << hello.seq_bits) - 1
        self._last_tick_of_all = (1 << hello.tick_bits) - 1
        self._lowest = tuple(channel.lowest for channel in hello.channels)
        self._highest = tuple(channel.highest for channel in hello.channels)
        if known is not None and (known.device, known.seq_bits) != (hello.device, hello.seq_bits):
            self._begin_row()
        elif self._last is not None:
            self._next_seq = (self._last.seq + 1) & self._seq_mask

    def _begin_row(self) -> None:
        self._last = None
        self._next_seq = -1  # no reading is expected

    def _break(self, reading: Reading, last: Reading, hello: Hello, out: list[Record | Fault]) -> None:
        """Report that the row of readings is broken before `reading`."""
        seq_step = (reading.seq - last.seq) & self._seq_mask
        seq_step_s = seq_step / hello.rate_hz
        tick_step_s = (reading.tick - last.tick) % (1 << hello.tick_bits) * hello.tick_s
        fits_a_loss = abs(tick_step_s - seq_step_s) <= 0.25 * max(tick_step_s, seq_step_s)
        if seq_step == 0:
            self._note(
                "repeat",
                f"the sequence number stays at {reading.seq}",
                "the sketch must count every reading it makes",
                out,
            )
        elif reading.seq < last.seq and reading.tick < last.tick and not fits_a_loss:
            self._note(
                "restart",
                f"the board has started anew without saying so (reading {last.seq}, then {reading.seq})",
                "look at its power and its USB plug",
                out,
            )
        else:
            lost = seq_step - 1
            self._tally.lost += lost
            self._note(
                "gap",
                f"{lost} {'readings are' if lost > 1 else 'reading is'} missing before reading {reading.seq}",
                "look at the cable, or lower the rate",
                out,
                lost=lost,
            )

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
        out.append(Fault(kind, what, do, line, self._tally.lines + 1, lost))
