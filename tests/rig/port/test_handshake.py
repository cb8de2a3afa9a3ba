import random

import pytest

from rig.errors import PortError
from rig.line.check import check_of
from rig.line.decoder import Decoder
from rig.line.frame import encode
from rig.line.record import Channel, Hello, Reading, Status
from rig.port.handshake import identify
from rig.port.link import PortInfo, open_link

HELLO = Hello("bench-7", (Channel("load", "counts", 24, "signed"),), 80.0)


class Board:
    """A scripted link and the clock it lives by: each read takes a tenth of a second."""

    url = "/dev/ttyUSB0"

    def __init__(self, *pieces: bytes, answers: bool = False) -> None:
        self.pieces = list(pieces)
        self.answers = answers
        self.said: list[tuple[float, bytes]] = []
        self.now = 100.0

    def clock(self) -> float:
        return self.now

    def read(self) -> bytes:
        self.now += 0.1
        return self.pieces.pop(0) if self.pieces else b""

    def write(self, data: bytes) -> None:
        self.said.append((self.now, data))
        if self.answers:
            self.pieces.append(encode(HELLO))

    def close(self) -> None:
        pass


def ports():
    return (PortInfo("/dev/ttyUSB0", "USB Serial"), PortInfo("/dev/ttyACM1"))


def refusal(board: Board, baud: int | None = 9600) -> str:
    with pytest.raises(PortError) as caught:
        identify(board, Decoder(), timeout_s=3.0, baud=baud, clock=board.clock, ports=ports)
    line = str(caught.value)
    assert "\n" not in line
    assert board.url in line
    return line


def test_a_board_that_answers_is_known_at_once():
    board = Board(answers=True)
    assert identify(board, Decoder(), clock=board.clock).hello == HELLO
    assert board.said == [(100.0, b"identify\n")]


def test_a_board_without_commands_is_known_by_its_repeated_hello_and_nothing_is_lost():
    readings = [Reading(n, 12500 * n, (n,)) for n in range(5)]
    sent = b"".join(map(encode, readings))
    board = Board(sent[3:40], sent[40:] + encode(HELLO), encode(Reading(5, 0, (5,))))
    decoder = Decoder()
    greeting = identify(board, decoder, clock=board.clock)
    assert greeting.records == (*readings[1:], HELLO)
    assert decoder.feed(board.read()) == [Reading(5, 0, (5,))]


def test_it_asks_once_a_second_while_a_board_starts_up():
    board = Board(*[b""] * 25, encode(Status(0, None, "boot")), encode(HELLO))
    greeting = identify(board, Decoder(), clock=board.clock)
    assert greeting.hello == HELLO
    assert len(board.said) == 3


def test_an_old_hello_does_not_count_after_a_new_attach():
    decoder = Decoder()
    decoder.feed(encode(HELLO))
    decoder.reattach()
    board = Board()
    with pytest.raises(PortError):
        identify(board, decoder, timeout_s=1.0, clock=board.clock, ports=ports)


def test_nothing_at_all_asks_for_power_and_lists_the_ports():
    line = refusal(Board())
    assert "nothing came from /dev/ttyUSB0 in 3 s" in line
    assert "powered" in line
    assert "ports seen here: /dev/ttyUSB0 (USB Serial), /dev/ttyACM1" in line


def test_a_wrong_baud_rate_is_suspected_where_the_bytes_are_no_text():
    noise = random.Random(5).randbytes(600)
    line = refusal(Board(noise[:300], noise[300:]))
    assert "no text at 9600 baud" in line
    assert "115200" in line
    assert "try 9600" not in line


def test_another_device_is_named_by_what_it_says():
    line = refusal(Board(*[b"Load_cell output val: 12.34 g\r\n"] * 10))
    assert "another device" in line
    assert "Load_cell output val: 12.34 g" in line


def test_a_long_foreign_line_is_shortened_and_has_no_control_characters():
    line = refusal(Board(b"$" + b"A" * 200 + b"\x1b[31m\r\n"))
    assert len(line) < 300
    assert "\x1b" not in line


def test_another_protocol_version_is_said_at_once():
    body = b"H 2 device=future"
    board = Board(encode(Reading(1, 1, (1,))), body + b" " + check_of(body) + b"\n")
    assert "line protocol 2" in refusal(board)
    assert board.now < 101.0


def test_readings_without_a_hello_are_a_sketch_to_correct():
    assert "never says hello" in refusal(Board(*[encode(Reading(n, n, (n,))) for n in range(20)]))


def test_a_hello_that_breaks_the_grammar_says_what_is_wrong_with_it():
    body = b"H 1 device=b tick_us=1 tick_bits=32 rate_hz=80 load:N"
    assert "lacks seq_bits" in refusal(Board(b"\n", body + b" " + check_of(body) + b"\n"))


def test_a_board_that_only_reports_states_is_said_to_say_no_hello():
    assert "says no hello" in refusal(Board(b"\n", encode(Status(5, "load", "no-answer"))))


def test_damaged_lines_point_at_the_cable():
    line = encode(HELLO).replace(b"bench", b"bxnch")
    assert "damaged" in refusal(Board(*[line] * 10))


def test_without_a_baud_rate_none_is_named():
    assert " baud" not in refusal(Board(*[b"hello there\n"] * 3), baud=None)


def test_it_works_over_a_real_link():
    with open_link("loop://") as link:
        link.write(encode(HELLO))
        assert identify(link, Decoder()).hello == HELLO
