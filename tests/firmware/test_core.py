"""The portable part of the sketch, built for this computer, against the program's own reader of lines."""

from __future__ import annotations

import ctypes
import re
from itertools import pairwise

import pytest
from firmware_board import SKETCH
from hypothesis import example, given
from hypothesis import strategies as st

from rig.line import Answer, Decoder, Fault, Hello, LineFault, Reading, Record, Status, decode_command, encode
from rig.line.record import COMMAND_NAMES

u8, u16, u32, i32 = ctypes.c_uint8, ctypes.c_uint16, ctypes.c_uint32, ctypes.c_int32
PIECES = (b"ident", b"ify\n", b"rate 10\r", b"tare\n", b"xx", b"\n")
COUNTS = st.integers(-(1 << 23), (1 << 23) - 1)
ENOUGH = 100_000
HZ80_US = 12_500


class Command(ctypes.Structure):
    _fields_ = (("name", u8), ("readable", u8), ("argument", u32))


class Board:
    """The core on a bench where every sensor does what the test says."""

    def __init__(self, core: ctypes.CDLL, tick: int = 0) -> None:
        self.core = core
        for name, kind, value in (
            ("tick", u32, tick), ("is_ready", u8, 0), ("stuck_low", u8, 0), ("bus_busy", u8, 0),
            ("bus_fails", u8, 0), ("status", u8, 0x20), ("angle", u16, 0), ("long_pulse", u8, 0),
            ("long_us", u32, 0), ("longest_high_us", u32, 0), ("freed", u8, 0),
        ):  # fmt: skip
            kind.in_dll(core, f"host_{name}").value = value
        core.rig_begin()

    def __getitem__(self, name: str) -> int:
        return (
            {"tick": u32, "longest_high_us": u32, "ready_tick": u32}.get(name, u8)
            .in_dll(self.core, f"host_{name}")
            .value
        )

    def set(self, **values: int) -> None:
        kinds = {"tick": u32, "long_us": u32, "angle": u16}
        for name, value in values.items():
            kinds.get(name, u8).in_dll(self.core, f"host_{name}").value = value

    def wait(self, us: int) -> None:
        self.set(tick=(self["tick"] + us) % (1 << 32))

    def sample(self, counts: int, steps: int = 8) -> int:
        """Let the amplifier have a sample and the board deal with it; the tick at which it was ready."""
        self.core.host_sample(i32(counts))
        self.core.host_steps(steps)
        return self["ready_tick"]

    def type(self, data: bytes) -> None:
        self.core.host_type(data, len(data))

    def steps(self, n: int = 4) -> None:
        self.core.host_steps(n)

    def take(self, n: int = ENOUGH) -> bytes:
        room = ctypes.create_string_buffer(n)
        taken = self.core.host_take(room, n)
        return room.raw[:taken]


def crc(data: bytes) -> int:
    """CRC-16/IBM-3740 bit by bit, from its definition."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1 ^ (0x1021 if register & 0x8000 else 0)) & 0xFFFF
    return register


def read(data: bytes) -> list[Record | Fault]:
    return Decoder().feed(data)


@pytest.fixture
def board(core: ctypes.CDLL) -> Board:
    board = Board(core)
    board.steps()
    board.take()
    return board


@given(st.binary(max_size=300))
@example(b"123456789")
def test_the_check_is_the_protocols(core: ctypes.CDLL, data: bytes) -> None:
    core.check_add.restype = u16
    check = 0xFFFF
    for byte in data:
        check = core.check_add(u16(check), u8(byte))
    assert check == crc(data)


@given(st.integers(0, (1 << 32) - 1), st.integers(-(1 << 31), (1 << 31) - 1))
@example(0, -(1 << 31))
def test_numbers_are_written_as_python_writes_them(core: ctypes.CDLL, plain: int, signed: int) -> None:
    core.out_clear()
    core.line_begin()
    core.put_unsigned(u32(plain))
    core.put(ctypes.c_char(b" "))
    core.put_signed(i32(signed))
    assert core.line_end()
    room = ctypes.create_string_buffer(64)
    taken = core.host_take(room, 64)
    line = room.raw[:taken]
    body = f"{plain} {signed}".encode()
    assert line == body + b" %04X\n" % crc(body)


def test_it_starts_with_an_empty_line_a_boot_and_a_hello(core: ctypes.CDLL) -> None:
    board = Board(core, tick=7)
    board.steps()
    data = board.take()
    assert data.startswith(b"\nS 7 - boot test ")
    boot, hello = read(data)
    assert isinstance(boot, Status)
    assert boot.is_boot
    assert isinstance(hello, Hello)
    assert (hello.tick_us, hello.tick_bits, hello.seq_bits, hello.rate_hz) == (1.0, 32, 16, 80.0)
    assert [str(channel) for channel in hello.channels] == ["load:counts,24,signed", "angle:counts,12,turn"]
    assert encode(hello) in data


@given(
    start=st.integers(0, (1 << 32) - 1),
    samples=st.lists(
        st.tuples(COUNTS, st.integers(0, 4095), st.integers(1, 30_000)), min_size=1, max_size=40
    ),
)
@example(start=(1 << 32) - 30_000, samples=[(-(1 << 23), 4095, 12_500)] * 4)
def test_readings_are_byte_for_byte_what_the_program_would_write(core, start, samples) -> None:
    board = Board(core, tick=start)
    board.steps()
    board.take()
    expected = []
    at_end = False
    for seq, (counts, angle, wait) in enumerate(samples):
        board.set(angle=angle)
        board.wait(wait)
        tick = board.sample(counts)
        over = counts in (-(1 << 23), (1 << 23) - 1)
        if over != at_end:
            expected.append(Status(tick, "load", "over-range" if over else "ok", str(counts) if over else ""))
        at_end = over
        expected.append(Reading(seq, tick, (counts, angle)))
        data = board.take()
        lines = [line for line in data.splitlines(keepends=True) if line[:1] in (b"R", b"S")]
        assert lines == [encode(record) for record in expected[-len(lines) :]]
        assert [record for record in read(data) if not isinstance(record, Hello)] == expected[-len(lines) :]
    assert len(expected) >= len(samples)


def test_sequence_numbers_wrap_at_their_width(board: Board) -> None:
    decoder = Decoder()
    for _ in range((1 << 16) + 3):
        board.wait(HZ80_US)
        board.core.host_sample(i32(5))
        board.steps(5)
        decoder.feed(board.take())
    assert decoder.hello is not None
    assert decoder.tally.readings == (1 << 16) + 3
    assert decoder.tally.lost == decoder.tally.bad == 0


@given(
    st.lists(
        st.one_of(
            st.tuples(st.just("sample"), COUNTS),
            st.tuples(st.just("take"), st.integers(0, 60)),
            st.tuples(st.just("type"), st.sampled_from(PIECES)),
        ),
        max_size=120,
    )
)
def test_a_full_queue_drops_whole_readings_and_says_how_many(core: ctypes.CDLL, doings) -> None:
    """However slow the line is, whenever commands fall in: no half line, and every loss is told."""
    board = Board(core)
    out = b""
    samples = 0
    for what, value in doings:
        if what == "sample":
            board.wait(HZ80_US)
            board.sample(value)
            samples += 1
        elif what == "take":
            out += board.take(value)
        else:
            board.type(value)
            board.steps(1)
    for _ in range(20):
        board.steps()
        out += board.take()
    board.wait(HZ80_US)
    board.sample(1)
    out += board.take()
    decoder = Decoder()
    records = decoder.feed(out)
    assert decoder.tally.bad == decoder.tally.partial == 0
    dropped = sum(int(r.text) for r in records if isinstance(r, Status) and r.state == "dropped")
    readings = [r for r in records if isinstance(r, Reading)]
    assert len(readings) + dropped == samples + 1
    assert readings[-1].seq == samples


TYPED = st.text(st.sampled_from("identifystarpoe 0123456789RATE\t-.?"), max_size=70)


@given(st.one_of(TYPED, st.sampled_from(COMMAND_NAMES), st.from_regex(r"\A *rate +[0-9]{1,12} *\Z")))
@example("rate 4294967296")
@example("rate 99999999999")
@example("identify now")
@example("x" * 64)
@example("x" * 65)
def test_commands_are_read_as_the_program_reads_them(core: ctypes.CDLL, text: str) -> None:
    command = Command()
    ended = [core.command_byte(u8(byte), ctypes.byref(command)) for byte in text.encode() + b"\n"]
    assert not any(ended[:-1])
    assert ended[-1] == bool(text.strip() or len(text) > 64)
    if not ended[-1]:
        return
    core.command_word.restype = ctypes.c_char_p
    word = core.command_word(command.name).decode()
    if len(text) > 64:
        assert (word, command.readable) == ("?", 0)
        return
    try:
        known = decode_command(text.encode())
    except LineFault as fault:
        if fault.kind == "unknown":
            assert word == "?"
        elif word == "rate" and command.readable:  # a number that the program never asks for
            assert not 1 <= command.argument <= 100_000
        else:
            assert not command.readable
        return
    assert (word, command.readable) == (known.name, 1)
    assert command.argument == (known.argument or 0)


@pytest.mark.parametrize("cut", range(1, 9))
def test_a_command_cut_anywhere_is_answered_once_and_cuts_no_line(board: Board, cut: int) -> None:
    out = b""
    for piece in (b"identify"[:cut], b"identify"[cut:] + b"\r\n"):
        board.wait(HZ80_US)
        board.core.host_sample(i32(77))
        board.steps(1)
        out += board.take(9)  # the line is on its way when the command comes
        board.type(piece)
        board.steps()
        out += board.take()
    records = read(out)
    assert not [r for r in records if isinstance(r, Fault)]
    assert [r for r in records if isinstance(r, Answer)] == [Answer("identify", True)]
    assert [r.seq for r in records if isinstance(r, Reading)] == [0, 1]
    assert any(isinstance(r, Hello) for r in records)


def test_the_hello_comes_again_every_two_seconds(board: Board) -> None:
    times = []
    for _ in range(1000):
        board.wait(10_000)
        board.sample(1)
        times += [board["tick"] for record in read(board.take()) if isinstance(record, Hello)]
    steps = [b - a for a, b in pairwise(times)]
    assert len(steps) >= 3
    assert all(2.0e6 <= step <= 2.05e6 for step in steps)


def said(board: Board, command: str) -> list[Record | Fault]:
    board.type(command.encode() + b"\n")
    board.steps()
    return read(board.take())


def test_every_command_is_answered_in_words(board: Board) -> None:
    answer, hello = said(board, "rate 10")
    assert answer == Answer("rate", True, "10")
    assert board["rate"] == 10
    assert isinstance(hello, Hello)
    assert hello.rate_hz == 10.0
    assert said(board, "rate 50") == [Answer("rate", False, "only 10 or 80")]
    assert said(board, "RATE")[0] == Answer("rate", False, "only 10 or 80")
    assert said(board, "start 3") == [Answer("start", False, "stands alone")]
    assert said(board, "go") == [Answer("?", False, "unknown command")]
    assert said(board, "x" * 80) == [Answer("?", False, "too long")]


def test_stop_ends_the_readings_and_the_numbers_go_on_at_start(board: Board) -> None:
    board.sample(1)
    board.take()
    assert said(board, "stop") == [Answer("stop", True)]
    board.sample(2)
    assert board.take() == b""
    assert said(board, "start") == [Answer("start", True)]
    board.sample(3)
    (reading,) = read(board.take())
    assert (reading.seq, reading.values) == (1, (3, 0))


def test_tare_tells_the_mean_and_the_counts_stay_what_they_are(board: Board) -> None:
    values = [-100 + 3 * (i % 7) for i in range(45)]
    board.type(b"tare\n")
    board.steps()
    out = board.take()
    for value in values:
        board.wait(HZ80_US)
        board.sample(value)
        out += board.take()
    records = read(out)
    assert [r.values[0] for r in records if isinstance(r, Reading)] == values
    (zero,) = [r for r in records if isinstance(r, Status)]
    mean, made = map(int, zero.text.split())
    assert made == 40
    assert abs(mean - sum(values[:40]) / 40) <= 0.5


# Faults of the sensors


def test_a_pulse_within_the_data_sheets_limit_costs_nothing(board: Board) -> None:
    """Data sheet: at most 50 us high; power down past 60 us."""
    board.set(long_pulse=9, long_us=30)
    board.sample(0x2AAAAA)
    (reading,) = read(board.take())
    assert reading.values[0] == 0x2AAAAA


@pytest.mark.parametrize("pulse", [1, 9, 24, 25])
@pytest.mark.parametrize("us", [62, 70, 500])
def test_a_pulse_past_the_limit_gives_no_value_and_says_so(board: Board, pulse: int, us: int) -> None:
    board.set(long_pulse=pulse, long_us=us)
    tick = board.sample(81234)
    status, reading = read(board.take())
    assert status == Status(tick, "load", "powered-down", "clock pulse too long")
    assert reading == Reading(0, tick, (None, 0))
    assert board["longest_high_us"] > 60  # and it was brought down for sure, so that it starts anew
    board.wait(50_000)
    tick = board.sample(81235)
    assert read(board.take()) == [Status(tick, "load", "ok"), Reading(1, tick, (81235, 0))]


def run_without_load(board: Board, us: int) -> list[Record | Fault]:
    out = b""
    for _ in range(us // 500):
        board.wait(500)
        board.steps(3)
        out += board.take()
    return [record for record in read(out) if not isinstance(record, Hello)]


def test_an_amplifier_that_is_gone_is_said_after_half_a_second_and_the_angle_goes_on(board: Board) -> None:
    last = board.sample(1)
    board.take()
    board.set(angle=1234)
    status, *readings = run_without_load(board, 2_000_000)
    assert (status.channel, status.state) == ("load", "no-answer")
    assert (
        0.45e6 < status.tick - last < 0.6e6
    )  # 400 ms is the settling time at 10 a second; half a second is asked
    assert {r.values for r in readings} == {(None, 1234)}
    ticks = [r.tick for r in readings]
    steps = [b - a for a, b in pairwise(ticks)]
    assert abs(sum(steps) / len(steps) - HZ80_US) < 30
    tick = board.sample(5)
    assert read(board.take()) == [
        Status(tick, "load", "ok"),
        Reading(readings[-1].seq + 1, tick, (5, 1234)),
    ]


def test_a_data_line_at_ground_is_no_answer_and_no_flood_of_zeros(board: Board) -> None:
    board.set(stuck_low=1, is_ready=1)
    board.core.host_sample(i32(0))
    out = b""
    for _ in range(4000):
        board.set(is_ready=1)
        board.wait(300)
        board.steps(1)
        out += board.take()
    readings = [r for r in read(out) if isinstance(r, Reading)]
    assert readings
    assert {r.values[0] for r in readings} == {None}
    assert b" load no-answer " in out
    assert len(readings) < 1.1 * 1.4 * 80


@pytest.mark.parametrize(
    ("status", "state", "has_value"),
    [
        (0x20, None, True),
        (0x30, "magnet-weak", True),
        (0x28, "magnet-strong", True),
        (0x00, "magnet-missing", False),
        (0x10, "magnet-missing", False),
        (0xFF, "no-answer", False),
    ],
)
def test_the_angle_sensors_status_is_said(board: Board, status: int, state: str, has_value: bool) -> None:
    board.set(status=status, angle=99)
    tick = board.sample(1)
    *before, reading = read(board.take())
    assert before == ([] if state is None else [Status(tick, "angle", state)])
    assert reading.values == (1, 99 if has_value else None)
    board.set(status=0x20)
    tick = board.sample(1)
    assert read(board.take())[:-1] == ([] if state is None else [Status(tick, "angle", "ok")])


def test_a_bus_that_hangs_is_freed_and_costs_no_load(board: Board) -> None:
    board.set(bus_busy=1)
    board.core.host_sample(i32(7))
    for _ in range(4):
        board.wait(500)
        board.steps(1)
    assert (board.take(), board["freed"]) == (b"", 0)  # two transfers at 100 kHz take 0.9 ms: that is no hang
    for _ in range(6):
        board.wait(500)
        board.steps(1)
    status, reading = read(board.take())
    assert (status.channel, status.state) == ("angle", "no-answer")
    assert reading.values == (7, None)
    assert board["freed"] == 1


# Tick


@given(st.integers(0, (1 << 40)))
@example((1 << 33) - 1)
@example(1 << 33)
def test_the_tick_is_the_counter_halved_modulo_its_width(core: ctypes.CDLL, counts: int) -> None:
    core.host_tick_at.restype = u32
    overflows, count = divmod(counts, 1 << 16)
    assert core.host_tick_at(u32(overflows % (1 << 32)), u16(count)) == counts // 2 % (1 << 32)


@given(st.integers(1 << 16, 1 << 40), st.integers(0, (1 << 16) - 1))
def test_an_edge_caught_before_the_counter_ran_over_keeps_its_time(
    core: ctypes.CDLL, now: int, ago: int
) -> None:
    core.host_tick_caught.restype = u32
    overflows, count = divmod(now, 1 << 16)
    tick = core.host_tick_caught(u32(overflows % (1 << 32)), u16(count), u16((now - ago) % (1 << 16)))
    assert tick == (now - ago) // 2 % (1 << 32)


def test_the_pages_pins_are_the_codes() -> None:
    page = (SKETCH.parent / "README.md").read_text(encoding="utf-8")
    any_board = (SKETCH / "board_usb.cpp").read_text(encoding="utf-8")
    for name, what in (("DATA", "data"), ("CLOCK", "clock"), ("RATE", "rate")):
        (pin,) = re.findall(rf"{name}_PIN = (\d+)", any_board)
        assert re.search(rf"^\| {pin} \| amplifier: {what}", page, flags=re.MULTILINE)
        # pins 0 to 7 of that board are port D, 8 to 13 port B
        port = f"PIND{pin}" if int(pin) < 8 else f"PINB{int(pin) - 8}"
        assert f"#define {name} {port}" in (SKETCH / "board_8bit.c").read_text(encoding="utf-8")
