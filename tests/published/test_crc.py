"""The line's check against published values of CRC-16/IBM-3740 and against its definition."""

import random

import pytest

from rig.line.check import check_of
from rig.line.frame import decode, encode
from rig.line.record import Channel, Hello, LineFault, Reading


def crc_by_definition(data: bytes) -> int:
    """Remainder of division by x^16 + x^12 + x^5 + 1 over GF(2), bit by bit, register preset to ones."""
    register = 0xFFFF
    for byte in data:
        for position in range(7, -1, -1):
            feedback = (register >> 15) ^ (byte >> position & 1)
            register = (register << 1 & 0xFFFF) ^ (0x1021 if feedback else 0)
    return register


def test_the_catalogue_check_value():
    # Cook, Catalogue of parametrised CRC algorithms, entry CRC-16/IBM-3740: check=0x29b1
    assert check_of(b"123456789") == b"29B1"


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        ("00000000", b"84C0"),
        ("F20183", b"D374"),
        ("0FAA0055", b"2023"),
        ("00FF5511", b"B8F9"),
        ("332255AABBCCDDEEFF", b"F53F"),
        ("926B55", b"0745"),
        ("FFFFFFFF", b"1D0F"),
    ],
)
def test_the_worked_examples_of_the_automotive_crc_library(data, crc):
    # AUTOSAR, Specification of CRC Routines, 16-bit CCITT CRC16 examples (values recalled from memory)
    assert check_of(bytes.fromhex(data)) == crc


def test_values_of_three_independent_libraries():
    # crccheck 1.3.1, crcmod 1.7 and fastcrc 0.5.0 agree on these
    assert check_of(b"") == b"FFFF"
    assert check_of(b"A") == b"B915"
    assert check_of(b"A" * 256) == b"EA0B"


def test_it_is_the_definition_on_random_bytes():
    draw = random.Random(1)
    for length in range(1, 120):
        data = draw.randbytes(length)
        assert int(check_of(data), 16) == crc_by_definition(data)


def test_a_line_with_its_check_appended_leaves_no_remainder():
    # a property of every CRC without final inversion
    draw = random.Random(2)
    for _ in range(50):
        data = draw.randbytes(40)
        assert check_of(data + bytes.fromhex(check_of(data).decode())) == b"0000"


@pytest.mark.parametrize(
    "record",
    [
        Reading(65535, 4294967295, (-8388608, 4095, None)),
        Hello("bench-7", (Channel("load", "counts", 24, "signed"),), 80.0),
    ],
)
def test_no_one_or_two_flipped_bits_pass(record):
    # a CRC-16 of this polynomial finds any two flipped bits up to 32,767 bits apart (Peterson & Brown 1961);
    # here with the check itself in text, where a flip may also strike
    line = bytearray(encode(record).rstrip(b"\n"))
    bits = [(place, 1 << bit) for place in range(len(line)) for bit in range(8)]
    pairs = random.Random(3).sample([(a, b) for a in bits for b in bits if a < b], 4000)
    for flips in [(a,) for a in bits] + pairs:
        broken = bytearray(line)
        for place, mask in flips:
            broken[place] ^= mask
        with pytest.raises(LineFault):
            decode(bytes(broken))


def test_no_burst_of_up_to_sixteen_bits_passes():
    # Peterson & Brown 1961: every burst no longer than the check is found
    draw = random.Random(4)
    line = encode(Reading(41, 512500, (-81234, 2047, 3000, 100))).rstrip(b"\n")
    body_bits = 8 * (len(line) - 5)
    number = int.from_bytes(line, "big")
    for _ in range(3000):
        burst = draw.getrandbits(16) | 1
        at = draw.randrange(40, 40 + body_bits - 16)
        with pytest.raises(LineFault):
            decode((number ^ burst << at).to_bytes(len(line), "big"))
