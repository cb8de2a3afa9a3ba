import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.line.check import check_of
from rig.line.decoder import Decoder
from rig.line.frame import decode, encode
from rig.line.record import Answer, Channel, Hello, LineFault, Reading, Status
from rig.line.source import Fault, LineSource

CHANNELS = (Channel("load", "counts", 24, "signed"), Channel("angle", "counts", 12, "turn"))
HELLO = Hello("bench-7", CHANNELS, 80.0, seq_bits=16)
FOREIGN = b"Load_cell output val: 12.34 "


def reading(number: int, load: int | None = -5, angle: int | None = 7) -> Reading:
    return Reading(number % 65536, number * 12500 % 2**32, (load, angle))


def stream(*records) -> bytes:
    return b"".join(encode(record) for record in records)


def in_pieces(data: bytes, cuts: list[int]) -> tuple[list, Decoder]:
    decoder = Decoder()
    places = sorted({cut % (len(data) + 1) for cut in cuts} | {0, len(data)})
    out = []
    for begin, end in itertools.pairwise(places):
        out += decoder.feed(data[begin:end])
    return out, decoder


good_lines = st.one_of(
    st.builds(
        lambda n, load, angle: encode(Reading(n, n, (load, angle))),
        st.integers(0, 70000),
        st.one_of(st.none(), st.integers(-9000000, 9000000)),
        st.one_of(st.integers(-3, 4099), st.just(2.5)),
    ),
    st.just(encode(HELLO)),
    st.just(encode(Status(0, None, "boot"))),
    st.just(encode(Answer("rate", True, "80"))),
)
junk = st.one_of(
    st.binary(max_size=40),
    st.just(b"\r\n\n"),
    st.just(b"x" * 254),
    st.just(b"y" * 600),
    st.just(FOREIGN + b"\r\n"),
)
streams = st.lists(st.one_of(good_lines, good_lines, good_lines, junk), max_size=25).map(b"".join)


@settings(deadline=None, max_examples=300)
@given(streams, st.lists(st.integers(0, 10000), max_size=30))
def test_whole_byte_by_byte_and_in_random_pieces_give_the_same(data, cuts):
    whole, first = in_pieces(data, [])
    for pieces in (cuts, list(range(len(data)))):
        out, decoder = in_pieces(data, pieces)
        assert out == whole
        assert decoder.tally == first.tally


@settings(deadline=None, max_examples=300)
@given(streams)
def test_the_short_way_takes_no_line_that_the_grammar_and_the_hello_refuse(data):
    decoder = Decoder()
    hello = None
    for line in data.split(b"\n")[:-1]:
        out = decoder.feed(line + b"\n")
        records = [item for item in out if not isinstance(item, Fault)]
        try:
            expected = decode(line.removesuffix(b"\r"))
        except LineFault:
            assert records == []
            continue
        if isinstance(expected, Reading) and hello is not None and hello.complaint(expected):
            assert records == []
        else:
            assert records == [expected]
        if isinstance(expected, Hello):
            hello = expected


@pytest.mark.parametrize(
    "body",
    [
        b"R 2 25000 -0 7",
        b"R 002 25000 -0000000000000000000000000000005 7",
        b"R 2 -25000 5 7",
        b"R -2 25000 5 7",
    ],
)
def test_odd_ways_to_write_a_number_are_taken_alike_by_both_ways(body):
    line = body + b" " + check_of(body) + b"\n"
    decoder = Decoder()
    decoder.feed(stream(HELLO, reading(1)))
    out = [item for item in decoder.feed(line) if not isinstance(item, Fault)]
    try:
        assert out == [decode(line)]
    except LineFault:
        assert out == []


@settings(deadline=None, max_examples=300)
@given(st.lists(st.binary(max_size=600), max_size=20))
def test_garbage_never_raises_and_never_makes_a_record_up(pieces):
    decoder = Decoder()
    for piece in pieces:
        assert all(isinstance(item, Fault) for item in decoder.feed(piece))
    tally = decoder.tally
    assert tally.bytes == sum(map(len, pieces))
    assert tally.lines == tally.good + tally.blank + tally.partial + tally.bad


@settings(deadline=None, max_examples=100)
@given(st.binary(max_size=700))
def test_after_any_garbage_the_next_line_but_one_is_read(garbage):
    decoder = Decoder()
    decoder.feed(garbage)
    out = decoder.feed(b"\n" + stream(reading(1)))
    assert out[-1] == reading(1)


def test_it_is_a_line_source():
    source: LineSource = Decoder()
    assert source.hello is None


def test_a_partial_first_line_is_counted_and_is_no_fault():
    decoder = Decoder()
    out = decoder.feed(encode(reading(1))[9:] + stream(reading(2)))
    assert out == [reading(2)]
    assert (decoder.tally.partial, decoder.tally.bad, decoder.tally.good) == (1, 0, 1)


def test_a_whole_first_line_is_read():
    assert Decoder().feed(stream(reading(1))) == [reading(1)]


def test_only_the_first_line_is_forgiven():
    decoder = Decoder()
    cut = encode(reading(1))[9:]
    assert [item.kind for item in decoder.feed(cut + cut)] == ["check"]


def test_after_a_new_attach_the_half_line_is_forgotten_and_the_next_first_line_forgiven():
    decoder = Decoder()
    decoder.feed(stream(HELLO, reading(1)) + b"R 2 25")
    decoder.reattach()
    assert decoder.feed(b"000 -5 7 1234\n" + stream(reading(2))) == [reading(2)]
    assert decoder.tally.bad == 0


def test_a_damaged_line_is_a_fault_that_keeps_its_beginning_and_number():
    decoder = Decoder()
    decoder.feed(stream(HELLO))
    line = encode(reading(1)).replace(b"R", b"Q")
    (fault,) = decoder.feed(line)
    assert (fault.kind, fault.line, fault.number) == ("check", line.rstrip(), 2)


def test_an_endless_line_is_cut_once_and_reading_goes_on_behind_it():
    decoder = Decoder()
    decoder.feed(stream(HELLO, reading(1)))
    out = decoder.feed(b"z" * 100_000)
    out += decoder.feed(b"z" * 100_000 + b"\n" + stream(reading(2)))
    assert [getattr(item, "kind", item) for item in out] == ["long", reading(2)]
    assert out[0].line == b"z" * 255


def test_a_line_of_the_greatest_length_with_a_carriage_return_is_read():
    body = b"S 1 - note " + b"x" * (255 - 5 - 11)
    line = body + b" " + check_of(body) + b"\r\n"
    for data in ([line], [line[i : i + 1] for i in range(len(line))]):
        decoder = Decoder()
        out = [item for piece in data for item in decoder.feed(piece)]
        assert [type(item) for item in out] == [Status]


@pytest.mark.parametrize(
    ("numbers", "lost"),
    [((1, 2, 3), 0), ((1, 3), 1), ((1, 5, 6, 9), 5), ((65534, 65535, 65536), 0), ((65530, 65540), 9)],
)
def test_missing_readings_are_counted_by_their_sequence_numbers_modulo_the_wrap(numbers, lost):
    decoder = Decoder()
    out = decoder.feed(stream(HELLO, *(reading(n) for n in numbers)))
    assert decoder.tally.lost == lost
    assert sum(item.lost for item in out if isinstance(item, Fault)) == lost
    assert decoder.tally.readings == len(numbers)


def test_a_gap_is_reported_just_before_the_reading_behind_it():
    out = Decoder().feed(stream(HELLO, reading(1), reading(4)))
    assert [type(item) for item in out] == [Hello, Reading, Fault, Reading]
    assert (out[2].kind, out[2].lost) == ("gap", 2)


def test_a_reading_without_a_hello_is_passed_on():
    assert Decoder().feed(stream(reading(1), reading(9))) == [reading(1), reading(9)]


def test_loss_is_counted_from_the_last_reading_before_the_first_hello():
    decoder = Decoder()
    decoder.feed(stream(reading(1), HELLO, reading(3)))
    assert decoder.tally.lost == 1


def test_a_repeated_hello_does_not_break_the_row():
    decoder = Decoder()
    decoder.feed(stream(HELLO, reading(1), HELLO, reading(2)))
    assert decoder.tally.lost == 0
    assert not decoder.tally.faults


def test_an_empty_line_in_front_of_the_boot_line_saves_it_from_what_the_restart_left():
    decoder = Decoder()
    decoder.feed(stream(HELLO, reading(900)))
    boot = encode(Status(0, None, "boot"))
    out = decoder.feed(b"R 901 11262\x00\xff" + b"\n" + boot)
    assert [type(item) for item in out] == [Fault, Status]
    assert decoder.tally.lost == 0


def test_a_boot_line_begins_a_new_row():
    decoder = Decoder()
    out = decoder.feed(stream(HELLO, reading(900), Status(0, None, "boot"), reading(0), reading(1)))
    assert not any(isinstance(item, Fault) for item in out)


@pytest.mark.parametrize("before", [900, 40_000, 200_000, 300_000])
@pytest.mark.parametrize("after", [0, 3])
def test_a_boot_whose_line_was_lost_is_told_from_sequence_and_tick_going_back(before, after):
    decoder = Decoder()
    out = decoder.feed(stream(HELLO, reading(before), reading(after), reading(after + 1)))
    assert [item.kind for item in out if isinstance(item, Fault)] == ["restart"]
    assert decoder.tally.lost == 0


def test_a_loss_in_which_sequence_and_tick_wrap_together_is_no_restart():
    before = Reading(65_530, 2**32 - 12_500, (-5, 7))
    after = Reading(14, 19 * 12_500, (-5, 7))
    out = Decoder().feed(stream(HELLO, before, after))
    assert [(item.kind, item.lost) for item in out if isinstance(item, Fault)] == [("gap", 19)]


def test_a_long_loss_in_which_only_the_sequence_number_wraps_is_no_restart():
    decoder = Decoder()
    out = decoder.feed(stream(HELLO, reading(10), reading(50_010)))
    assert [item.kind for item in out if isinstance(item, Fault)] == ["gap"]
    assert decoder.tally.lost == 49_999


def test_another_board_begins_a_new_row():
    other = Hello("bench-8", CHANNELS, 80.0)
    out = Decoder().feed(stream(HELLO, reading(900), other, reading(4)))
    assert not any(isinstance(item, Fault) for item in out)


def test_a_sequence_number_that_stays_is_reported_and_the_reading_kept():
    out = Decoder().feed(stream(HELLO, reading(1), reading(1)))
    assert [getattr(item, "kind", "record") for item in out[1:]] == ["record", "repeat", "record"]


def test_a_missing_value_is_read():
    out = Decoder().feed(stream(HELLO, reading(1), reading(2, None, 7), reading(3)))
    assert out[2].values == (None, 7)


@pytest.mark.parametrize("values", [(9_000_000, 7), (0, 4096), (0, -1), (0,), (0, 1, 2), (0, 1.5)])
def test_a_value_that_the_hello_rules_out_is_a_fault(values):
    decoder = Decoder()
    out = decoder.feed(stream(HELLO, reading(1), Reading(2, 25000, values), reading(3)))
    assert [item.kind for item in out if isinstance(item, Fault)] == ["range", "gap"]
    assert decoder.tally.readings == 2


def test_another_protocol_version_and_an_unknown_line_are_faults_and_not_the_end():
    bodies = (b"H 9 device=future", b"Z what is this")
    data = b"".join(body + b" " + check_of(body) + b"\n" for body in bodies)
    out = Decoder().feed(stream(reading(1)) + data + stream(reading(2)))
    assert [getattr(item, "kind", "reading") for item in out] == ["reading", "version", "unknown", "reading"]
