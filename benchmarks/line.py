"""How fast the decoder reads, against the least that any reader of these lines must do.

Run it with ``python benchmarks/line.py``. The limit splits the stream into lines and fields, computes each
line's check with the standard library and makes the integers: no object, no grammar, no sequence. The peer is
the general-purpose way: a regular expression and a dictionary a line. All in one run, in turn, best of five.
"""

from __future__ import annotations

import binascii
import re
import time
import tracemalloc
from collections.abc import Callable

from rig.line import Channel, Decoder, Hello, Reading, decode, encode

COUNTS = (
    Channel("load", "counts", 24, "signed"),
    Channel("angle", "counts", 12, "turn"),
    Channel("travel", "counts", 16, "unsigned"),
    Channel("tip", "counts", 12, "turn"),
)
UNITS = (Channel("load", "N"), Channel("angle", "deg"), Channel("travel", "m"), Channel("tip", "deg"))
READINGS = 100_000
CHUNK = 4096


def in_counts() -> bytes:
    lines = [encode(Hello("bench", COUNTS, 5000.0))]
    for n in range(READINGS):
        values = (-81234 + n % 1000, n % 4096, n % 65536, 7 * n % 4096)
        lines.append(encode(Reading(n % 65536, 200 * n % 2**32, values)))
    return b"".join(lines)


def in_units() -> bytes:
    lines = [encode(Hello("bench", UNITS, 5000.0))]
    for n in range(READINGS):
        values = (round(4.5 + n % 100 * 0.01, 3), round(n % 3600 * 0.1, 2), 0.45, 12.25)
        lines.append(encode(Reading(n % 65536, 200 * n % 2**32, values)))
    return b"".join(lines)


def with_every_tenth_missing() -> bytes:
    lines = [encode(Hello("bench", COUNTS, 5000.0))]
    for n in range(READINGS):
        values = (None if n % 10 == 0 else n, n % 4096, 5, 6)
        lines.append(encode(Reading(n % 65536, 200 * n % 2**32, values)))
    return b"".join(lines)


def limit(data: bytes) -> int:
    read = 0
    tail = b""
    for at in range(0, len(data), CHUNK):
        *lines, tail = (tail + data[at : at + CHUNK]).split(b"\n")
        for line in lines:
            if binascii.crc_hqx(line[:-5], 0xFFFF) != int(line[-4:], 16):
                continue
            fields = line.split(b" ")
            if fields[0] == b"R":
                tuple(map(float if b"." in line else int, fields[1:-1]))
                read += 1
    return read


PATTERN = re.compile(rb"R (?P<seq>\d+) (?P<tick>\d+) (?P<values>[-\d. ]+) (?P<check>[0-9A-F]{4})")


def peer(data: bytes) -> int:
    read = 0
    tail = b""
    for at in range(0, len(data), CHUNK):
        *lines, tail = (tail + data[at : at + CHUNK]).split(b"\n")
        for line in lines:
            found = PATTERN.fullmatch(line)
            if found and binascii.crc_hqx(line[:-5], 0xFFFF) == int(found["check"], 16):
                number = float if b"." in line else int
                values = [None if v == b"-" else number(v) for v in found["values"].split(b" ")]
                _ = {"seq": int(found["seq"]), "tick": int(found["tick"]), "values": values}
                read += 1
    return read


def ours(data: bytes) -> int:
    decoder = Decoder()
    for at in range(0, len(data), CHUNK):
        decoder.feed(data[at : at + CHUNK])
    return decoder.tally.readings


def line_by_line(data: bytes) -> int:
    return sum(isinstance(decode(line), Reading) for line in data.splitlines())


def seconds(work: Callable[[bytes], int], data: bytes) -> float:
    begun = time.perf_counter()
    assert work(data) == READINGS
    return time.perf_counter() - begun


def main() -> None:
    print(f"{'stream':<22}{'reader':<26}{'us a line':>10}{'lines a second':>16}{'of the limit':>14}")
    for name, data in (
        ("counts", in_counts()),
        ("units", in_units()),
        ("a tenth missing", with_every_tenth_missing()),
    ):
        readers: dict[str, Callable[[bytes], int]] = {
            "split, check, numbers": limit,
            "Decoder.feed": ours,
            "decode, line by line": line_by_line,
            "pattern and dictionary": peer,
        }
        if name == "a tenth missing":
            del readers["split, check, numbers"]  # it cannot read a missing value
        best = dict.fromkeys(readers, float("inf"))
        for _ in range(5):
            for label, reader in readers.items():
                best[label] = min(best[label], seconds(reader, data))
        bound = best.get("split, check, numbers")
        for label, took in best.items():
            ratio = "" if bound is None else f"{took / bound:>13.2f}x"
            print(f"{name:<22}{label:<26}{1e6 * took / READINGS:>10.2f}{READINGS / took:>16,.0f}{ratio}")
    data = in_counts()
    tracemalloc.start()
    ours(data)
    peak = tracemalloc.get_traced_memory()[1]
    print(f"peak memory of the decoder on {len(data) / 1e6:.1f} MB: {peak / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
