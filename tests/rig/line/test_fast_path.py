"""A reading in its row, as nearly every line is, is checked like every other line."""

from __future__ import annotations

import binascii

import pytest

from rig.line.decoder import Decoder
from rig.line.frame import encode
from rig.line.record import Channel, Hello, Reading
from rig.line.source import Fault

CHANNELS = (Channel("load", "counts", 24, "signed"), Channel("angle", "counts", 12, "turn"))
HELLO = Hello("bench-7", CHANNELS, 80.0, seq_bits=16)
FIRST = [Reading(n, 12_500 * n, (-81_000 - n, 700 + n)) for n in (40, 41)]
NEXT = Reading(42, 525_000, (-81_042, 742))


def in_its_row() -> Decoder:
    """A decoder that waits for reading 42."""
    decoder = Decoder()
    out = decoder.feed(encode(HELLO) + b"".join(encode(each) for each in FIRST))
    assert out == [HELLO, *FIRST]
    return decoder


def test_the_reading_next_in_its_row_is_taken() -> None:
    assert in_its_row().feed(encode(NEXT)) == [NEXT]


@pytest.mark.parametrize("kind", ["digit of the body", "digit of the check"])
def test_a_reading_with_one_digit_changed_is_never_taken(kind: str) -> None:
    """A CRC of 16 bits finds every single burst of up to 16 bits (Koopman, from memory): here each digit."""
    line = encode(NEXT).rstrip(b"\n")
    places = range(2, len(line) - 5) if kind == "digit of the body" else range(len(line) - 4, len(line))
    tried = 0
    for place in places:
        for digit in b"0123456789":
            if line[place] not in b"0123456789ABCDEF" or line[place] == digit:
                continue
            spoilt = line[:place] + bytes([digit]) + line[place + 1 :]
            decoder = in_its_row()
            out = decoder.feed(spoilt + b"\n")
            assert [item.kind for item in out if isinstance(item, Fault)] == ["check"], spoilt
            assert not any(isinstance(item, Reading) for item in out), spoilt
            assert (decoder.tally.readings, decoder.tally.bad) == (2, 1)
            tried += 1
    assert tried >= 36


def test_a_check_over_the_wrong_start_is_not_taken() -> None:
    """XMODEM's start of 0 instead of FFFF gives another check (standard library)."""
    body = encode(NEXT)[:-6]
    other = b"%04X" % binascii.crc_hqx(body, 0)
    assert body + b" " + other + b"\n" != encode(NEXT)
    (fault,) = in_its_row().feed(body + b" " + other + b"\n")
    assert isinstance(fault, Fault)
