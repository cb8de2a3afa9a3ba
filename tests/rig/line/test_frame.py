import dataclasses
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.line.check import check_of, seal
from rig.line.frame import decode, decode_command, encode
from rig.line.record import MAX_LINE, Answer, Channel, Command, Hello, LineFault, Reading, Status

LOAD = Channel("load", "counts", 24, "signed")
ANGLE = Channel("angle", "counts", 12, "turn")


def sealed(body: bytes) -> bytes:
    return body + b" " + check_of(body)


names = st.from_regex(r"[a-z][a-z0-9_]{0,15}", fullmatch=True)
words = st.text(string.ascii_letters + string.digits + ".-_+=:,/", min_size=1, max_size=32)
texts = st.lists(st.text(string.printable[:94], min_size=1, max_size=8), max_size=8).map(" ".join)
numbers = st.one_of(
    st.none(),
    st.integers(-(2**31), 2**32 - 1),
    st.floats(-1e9, 1e9, allow_nan=False).filter(lambda x: x == 0.0 or abs(x) > 1e-9),
)
channels = st.one_of(
    st.builds(
        Channel, names, st.just("counts"), st.integers(2, 32), st.sampled_from(["signed", "unsigned", "turn"])
    ),
    st.builds(Channel, names.filter(lambda n: n not in ("load", "angle", "travel", "tip")), st.just("degC")),
    st.sampled_from(
        [Channel("load", "N"), Channel("angle", "deg"), Channel("travel", "m"), Channel("tip", "deg")]
    ),
)
hellos = st.builds(
    Hello,
    device=words,
    channels=st.lists(channels, min_size=1, max_size=3, unique_by=lambda c: c.name).map(tuple),
    rate_hz=st.floats(0.01, 1e5),
    tick_us=st.floats(0.01, 1e5),
    tick_bits=st.integers(8, 64),
    seq_bits=st.integers(8, 64),
    firmware=st.one_of(st.just(""), words),
    drive=st.booleans(),
)
readings = st.builds(
    Reading,
    st.integers(0, 2**32 - 1),
    st.integers(0, 2**64 - 1),
    st.lists(numbers, min_size=1, max_size=5).map(tuple),
)
states = st.from_regex(r"[a-z][a-z0-9-]{0,23}", fullmatch=True)
statuses = st.builds(Status, st.integers(0, 2**32 - 1), st.one_of(st.none(), names), states, texts)
answers = st.builds(Answer, st.one_of(st.just("?"), states), st.booleans(), texts)
records = st.one_of(hellos, readings, statuses, answers)


@given(records)
def test_a_record_comes_back_from_its_bytes(record):
    line = encode(record)
    assert decode(line) == record
    assert line.endswith(b"\n")
    assert len(line) <= MAX_LINE + 1
    assert decode(line[:-1] + b"\r\n") == record


@given(readings)
def test_whole_numbers_and_decimals_keep_their_kind(reading):
    back = decode(encode(reading))
    assert [type(v) for v in back.values] == [type(v) for v in reading.values]


@given(st.binary(max_size=300))
def test_no_bytes_do_anything_but_decode_or_fault(data):
    for line in (data, sealed(data), sealed(b"R " + data), sealed(b"H 1 " + data), sealed(b"S " + data)):
        try:
            record = decode(line)
        except LineFault:
            continue
        assert decode(encode(record)) == record


def test_a_reading_reads_as_documented():
    assert decode(sealed(b"R 41 512500 -81234 2047 - 0.25")) == Reading(
        41, 512500, (-81234, 2047, None, 0.25)
    )


def test_a_hello_reads_as_documented():
    line = sealed(
        b"H 1 device=bench-7 firmware=0.3 tick_us=4 tick_bits=16 seq_bits=8 rate_hz=10 "
        b"load:counts,24,signed angle:deg"
    )
    assert decode(line) == Hello(
        "bench-7",
        (LOAD, Channel("angle", "deg")),
        10.0,
        tick_us=4.0,
        tick_bits=16,
        seq_bits=8,
        firmware="0.3",
    )


def test_options_that_are_not_known_are_ignored():
    known = b"H 1 device=b tick_us=1 tick_bits=32 seq_bits=16 rate_hz=80 load:N"
    assert decode(sealed(known + b" colour=blue amp_gain=128")) == decode(sealed(known))


def test_statuses_and_answers_read_as_documented():
    assert decode(sealed(b"S 9 load over-range 8388607")) == Status(9, "load", "over-range", "8388607")
    assert decode(sealed(b"S 0 - boot power on")).is_boot
    assert decode(sealed(b"A rate error only 10 or 80")) == Answer("rate", False, "only 10 or 80")
    assert decode(sealed(b"A ? error")) == Answer("?", False)


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (b"H 2 device=b", "version"),
        (b"H device=b", "form"),
        (b"H 1 device=b tick_us=1 tick_bits=32 rate_hz=80 load:N", "form"),
        (b"H 1 device=b tick_us=1 tick_bits=32 seq_bits=16 rate_hz=80", "form"),
        (b"H 1 device=b tick_us=1 tick_bits=32 seq_bits=16 rate_hz=0 load:N", "form"),
        (b"H 1 device=b tick_us=nan tick_bits=32 seq_bits=16 rate_hz=80 load:N", "form"),
        (b"H 1 device=b tick_us=1 tick_bits=32 seq_bits=16 rate_hz=80 load:N load:N", "form"),
        (b"H 1 device=b device=c tick_us=1 tick_bits=32 seq_bits=16 rate_hz=80 load:N", "form"),
        (b"H 1 device=b tick_us=1 tick_bits=32 seq_bits=16 rate_hz=80 load:counts", "form"),
        (b"H 1 device=b tick_us=1 tick_bits=32 seq_bits=16 rate_hz=80 load:counts,24,odd", "form"),
        (b"H 1 device=b tick_us=1 tick_bits=32 seq_bits=16 rate_hz=80 load", "form"),
        (b"H 1 device=b tick_us=1 tick_bits=32 seq_bits=16 rate_hz=80 drive=maybe load:N", "form"),
        (b"R 1", "form"),
        (b"R 1 2", "form"),
        (b"R", "form"),
        (b"R -1 2 3", "form"),
        (b"R 1 -0 3", "form"),
        (b"R 1 2  3", "form"),
        (b"R 1 2 3 ", "form"),
        (b"R 1 2 1_000", "form"),
        (b"R 1 2 +5", "form"),
        (b"R 1 2 --5", "form"),
        (b"R 1 2 5-", "form"),
        (b"R 1 2 1.", "form"),
        (b"R 1 2 .5", "form"),
        (b"R 1 2 1.2.3", "form"),
        (b"R 1 2 1e3", "form"),
        (b"R 1 2 nan", "form"),
        (b"R 1 2 inf", "form"),
        (b"R 1 2 0x10", "form"),
        (b"R 1 2 \xd9\xa3", "form"),  # a digit of another script
        (b"R 1 2\t3", "form"),
        (b"R 1 2 1 2 3 4 5 6 7 8 9", "form"),
        (b"S 1 load", "form"),
        (b"S x load ok", "form"),
        (b"S 1 LOAD ok", "form"),
        (b"A rate perhaps", "form"),
        (b"X 1 2 3", "unknown"),
        (b"r 1 2 3", "unknown"),
        (b"", "form"),
    ],
)
def test_a_line_whose_check_holds_and_whose_fields_do_not_is_refused(body, kind):
    with pytest.raises(LineFault) as caught:
        decode(sealed(body))
    # the empty body is no line of any letter
    assert caught.value.kind == (kind if body else "unknown")


@pytest.mark.parametrize(
    ("line", "kind", "says"),
    [
        (b"R 41 512500 -81234 - E5DF", "check", "does not hold"),
        (b"R 41 512500 -81234 - e5de", "check", "small letters"),
        (b"R 41 512500 -81234 -E5DE", "unchecked", "without a check"),
        (b"Load: 12.3 g", "unchecked", "Load: 12.3 g"),
        (b"", "unchecked", "without a check"),
        (b"29B1", "unchecked", "without a check"),
        (sealed(b"S 1 - ok " + 300 * b"x"), "long", "255"),
    ],
)
def test_a_line_without_a_right_check_is_refused_before_its_fields_are_read(line, kind, says):
    with pytest.raises(LineFault) as caught:
        decode(line)
    assert caught.value.kind == kind
    assert says in str(caught.value)


def test_a_load_in_another_unit_is_refused_and_says_which_to_send():
    with pytest.raises(LineFault, match="send counts or N"):
        decode(sealed(b"H 1 device=b tick_us=1 tick_bits=32 seq_bits=16 rate_hz=80 load:kg"))


def test_the_longest_line_is_read_and_a_longer_one_is_not_written():
    fits = Status(1, None, "note", "x" * (MAX_LINE - len("S 1 - note ") - 5))
    assert len(encode(fits)) == MAX_LINE + 1
    assert decode(encode(fits)) == fits
    with pytest.raises(ValueError, match="more than 255"):
        encode(dataclasses.replace(fits, text=fits.text + "x"))


@pytest.mark.parametrize("body", ["", "R 1\n2", "R 1 2 3 ", " R 1", "R  1", "R \u00b5"])
def test_what_no_line_may_carry_is_not_sealed(body):
    if body:
        with pytest.raises(ValueError, match="cannot travel"):
            seal(body)


@pytest.mark.parametrize(
    "record",
    [
        Reading(-1, 0, (1,)),
        Reading(0, 0, ()),
        Reading(0, 0, (float("nan"),)),
        Reading(0, 0, (float("inf"),)),
        Status(0, None, "Two words"),
        Status(0, "LOAD", "ok"),
        Status(0, None, "ok", "double  space"),
        Status(0, None, "ok", "line\nend"),
        Answer("two words", True),
    ],
)
def test_misuse_is_a_value_error(record):
    with pytest.raises(ValueError):
        encode(record)


@pytest.mark.parametrize(
    ("channel", "lowest", "highest"),
    [
        (Channel("load", "counts", 24, "signed"), -8388608, 8388607),  # the amplifier's end stops
        (Channel("angle", "counts", 12, "turn"), 0, 4095),
        (Channel("travel", "counts", 32, "unsigned"), 0, 4294967295),
    ],
)
def test_a_channel_knows_its_end_stops(channel, lowest, highest):
    assert (channel.lowest, channel.highest) == (lowest, highest)


def test_a_hello_says_what_a_reading_of_it_cannot_be():
    hello = Hello("b", (LOAD, ANGLE), 80.0)
    assert hello.complaint(Reading(1, 2, (8388607, 4095))) is None
    assert hello.complaint(Reading(1, 2, (None, None))) is None
    assert "load 8388608 does not fit" in hello.complaint(Reading(1, 2, (8388608, 0)))
    assert "angle 4096 does not fit" in hello.complaint(Reading(1, 2, (0, 4096)))
    assert "3 values" in hello.complaint(Reading(1, 2, (0, 0, 0)))
    assert "16 bits" in hello.complaint(Reading(65536, 2, (0, 0)))
    assert "32 bits" in hello.complaint(Reading(1, 2**32, (0, 0)))
    assert "no whole number" in hello.complaint(Reading(1, 2, (0, 12.5)))


@pytest.mark.parametrize(
    ("typed", "command"),
    [
        (b"identify\n", Command("identify")),
        (b"START\r\n", Command("start")),
        (b"  stop ", Command("stop")),
        (b"rate 1000", Command("rate", 1000)),
        (b"tare\n", Command("tare")),
    ],
)
def test_a_command_may_be_typed_by_hand(typed, command):
    assert decode_command(typed) == command
    assert decode_command(encode(command)) == command


@pytest.mark.parametrize(
    "typed",
    [b"", b"\n", b"launch", b"rate", b"rate x", b"rate 0", b"rate -5", b"stop 3", b"rate 1 2", b"\xff"],
)
def test_a_command_that_is_none_is_refused(typed):
    with pytest.raises(LineFault):
        decode_command(typed)
