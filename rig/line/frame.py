"""One line between the microcontroller and the computer: what it means, and the bytes it is made of.

The exact grammar with worked examples is in ``firmware_notes/line_protocol.md``. In short: printable ASCII,
one space between fields, a line feed at the end (a carriage return before it is tolerated), and as last field
a check over every byte before the space in front of it::

    H 1 device=bench-7 tick_us=1 tick_bits=32 seq_bits=16 rate_hz=80 angle:counts,12,turn 660D
    R 41 512500 -81234 2047 F8E0
    S 512500 load over-range 5103
    A rate ok 80 A52E

The check is `rig.line.check`'s.

`decode` needs no memory of earlier lines. What only a hello can tell (how many values a reading has, and in
which range) is the decoder's job, through `Hello.complaint`.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal

from rig.line.check import TEXT, checked_body, seal, short
from rig.line.record import (
    COMMAND_NAMES,
    MAX_CHANNELS,
    NAME,
    PROTOCOL_VERSION,
    STATE,
    WORD,
    Answer,
    Channel,
    Coding,
    Command,
    Hello,
    LineFault,
    Reading,
    Record,
    Status,
)

__all__ = [
    "Answer",
    "Channel",
    "Command",
    "Hello",
    "LineFault",
    "Reading",
    "Record",
    "Status",
    "decode",
    "decode_command",
    "decode_reading",
    "encode",
]

_READING = re.compile(rb"R [0-9]+ [0-9]+(?: (?:-|-?[0-9]+(?:\.[0-9]+)?))+")
_YES_NO = re.compile(r"yes|no")
_DIGITS = re.compile(r"[0-9]{1,10}")
_DECIMAL = re.compile(r"[0-9]+(?:\.[0-9]+)?")


def encode(record: Record | Command) -> bytes:
    r"""Write a record as bytes, with check and line end (a command has no check).

    Raises
    ------
    ValueError
        If the record holds something that no line can carry.

    Examples
    --------
    >>> encode(Reading(seq=41, tick=512500, values=(-81234, None)))
    b'R 41 512500 -81234 - E5DE\n'
    """
    match record:
        case Reading():
            if record.seq < 0 or record.tick < 0 or not 1 <= len(record.values) <= MAX_CHANNELS:
                raise ValueError(f"{record} is no reading")
            return seal(f"R {record.seq} {record.tick} " + " ".join(map(_written, record.values)))
        case Status():
            if record.tick < 0 or not STATE.fullmatch(record.state):
                raise ValueError(f"{record} is no status")
            if record.channel is not None and not NAME.fullmatch(record.channel):
                raise ValueError(f"{record.channel!r} is no channel name")
            return seal(_with_text(f"S {record.tick} {record.channel or '-'} {record.state}", record.text))
        case Answer():
            if not (record.command == "?" or STATE.fullmatch(record.command)):
                raise ValueError(f"{record.command!r} is no command's word")
            return seal(_with_text(f"A {record.command} {'ok' if record.ok else 'error'}", record.text))
        case Hello():
            fields = [f"H {record.version}", f"device={record.device}"]
            if record.firmware:
                fields.append(f"firmware={record.firmware}")
            fields += [
                f"tick_us={_plain(record.tick_us).removesuffix('.0')}",
                f"tick_bits={record.tick_bits}",
            ]
            fields += [f"seq_bits={record.seq_bits}", f"rate_hz={_plain(record.rate_hz).removesuffix('.0')}"]
            if record.drive:
                fields.append("drive=yes")
            return seal(" ".join([*fields, *map(str, record.channels)]))
        case Command():
            return record.line


def decode(line: bytes) -> Record:
    """Read the record that a line carries.

    Parameters
    ----------
    line : bytes
        One line, with or without its line end.

    Raises
    ------
    LineFault
        If the line does not hold its check, or holds it and breaks the grammar.

    Examples
    --------
    >>> decode(b"R 41 512500 -81234 - E5DE")
    Reading(seq=41, tick=512500, values=(-81234, None))
    """
    body = checked_body(line.removesuffix(b"\n").removesuffix(b"\r"))
    if body[:2] == b"R ":
        return decode_reading(body)
    text = body.decode("ascii", errors="replace")
    if not TEXT.fullmatch(text):
        raise _form("it holds something that is not printable ASCII with single spaces", text)
    letter, *fields = text.split(" ")
    match letter:
        case "H":
            return _hello(fields, text)
        case "S":
            return _status(fields, text)
        case "A":
            return _answer(fields, text)
        case "R":
            raise _form("a reading needs a sequence number, a tick and its values", text)
        case _:
            raise LineFault(
                "unknown", f"unknown line {short(text)}", "only H, R, S and A lines are read; it is left out"
            )


def decode_reading(body: bytes) -> Reading:
    """Read a reading from a body that begins with ``R`` and a space and whose check held.

    Raises
    ------
    LineFault
        ``form``.
    """
    fields = body.split(b" ")
    if _READING.fullmatch(body) and 4 <= len(fields) <= 3 + MAX_CHANNELS:
        return Reading(int(fields[1]), int(fields[2]), tuple([_value(value) for value in fields[3:]]))
    raise _form(
        "a reading needs a sequence number, a tick and its values", body.decode("ascii", errors="replace")
    )


def decode_command(line: bytes) -> Command:
    r"""Read a command as a board does: any case, blanks at the ends.

    Raises
    ------
    LineFault
        ``unknown`` or ``form``.

    Examples
    --------
    >>> decode_command(b"Rate 80\r\n")
    Command(name='rate', argument=80)
    """
    words = line.decode("ascii", errors="replace").lower().split()
    name = next((known for known in COMMAND_NAMES if words[:1] == [known]), None)
    if name is None:
        raise LineFault(
            "unknown",
            f"unknown command {short(' '.join(words))}",
            f"commands are {', '.join(COMMAND_NAMES)}",
        )
    try:
        if len(words) > 2 or not all(_DIGITS.fullmatch(word) for word in words[1:]):
            raise ValueError("only rate takes a number")
        return Command(name, int(words[1]) if len(words) == 2 else None)
    except ValueError as error:
        raise LineFault("form", str(error), "type for example: rate 80") from error


def _hello(fields: list[str], text: str) -> Hello:
    version = fields[0] if fields else ""
    if not _DIGITS.fullmatch(version):
        raise _form("a hello begins with the protocol's version", text)
    if int(version) != PROTOCOL_VERSION:
        raise LineFault(
            "version",
            f"the board speaks line protocol {version}, this program speaks {PROTOCOL_VERSION}",
            "update the sketch or blankbench, whichever is older",
        )
    options: dict[str, str] = {}
    channels: list[Channel] = []
    try:
        for item in fields[1:]:
            key, equals, value = item.partition("=")
            if not equals:
                channels.append(_channel(item))
            elif key in options:
                raise ValueError(f"{key} is given twice")
            else:
                options[key] = value
        return Hello(
            device=_option(options, "device", WORD),
            firmware=options.get("firmware", ""),
            tick_us=float(_option(options, "tick_us", _DECIMAL)),
            tick_bits=int(_option(options, "tick_bits", _DIGITS)),
            seq_bits=int(_option(options, "seq_bits", _DIGITS)),
            rate_hz=float(_option(options, "rate_hz", _DECIMAL)),
            channels=tuple(channels),
            drive=_option({"drive": "no"} | options, "drive", _YES_NO) == "yes",
        )
    except ValueError as error:
        raise _form(str(error), text) from error


def _option(options: dict[str, str], key: str, pattern: re.Pattern[str]) -> str:
    value = options.get(key)
    if value is None:
        raise ValueError(f"the hello lacks {key}=")
    if not pattern.fullmatch(value):
        raise ValueError(f"{key}={value} is not understood")
    return value


def _channel(item: str) -> Channel:
    name, colon, description = item.partition(":")
    unit, *rest = description.split(",")
    if not colon:
        raise ValueError(f"{item} is neither key=value nor channel:unit")
    if not rest:
        return Channel(name, unit)
    if len(rest) != 2 or not _DIGITS.fullmatch(rest[0]):
        raise ValueError(f"channel {name}: write it as {name}:counts,24,signed")
    coding = next((known for known in _CODINGS if known == rest[1]), None)
    return Channel(name, unit, int(rest[0]), coding)


_CODINGS: tuple[Coding, ...] = ("signed", "unsigned", "turn")


def _status(fields: list[str], text: str) -> Status:
    if len(fields) < 3 or not fields[0].isdigit() or not STATE.fullmatch(fields[2]):
        raise _form("a status needs a tick, a channel or -, and a state", text)
    if fields[1] != "-" and not NAME.fullmatch(fields[1]):
        raise _form(f"{fields[1]} is no channel", text)
    channel = None if fields[1] == "-" else fields[1]
    return Status(int(fields[0]), channel, fields[2], " ".join(fields[3:]))


def _answer(fields: list[str], text: str) -> Answer:
    if (
        len(fields) < 2
        or not (fields[0] == "?" or STATE.fullmatch(fields[0]))
        or fields[1] not in ("ok", "error")
    ):
        raise _form("an answer needs the command's word, and ok or error", text)
    return Answer(fields[0], fields[1] == "ok", " ".join(fields[2:]))


def _value(field: bytes) -> int | float | None:
    if b"." in field:
        return float(field)
    return None if field == b"-" else int(field)


def _written(value: float | None) -> str:
    if value is None:
        return "-"
    return _plain(value) if isinstance(value, float) else str(int(value))


def _plain(value: float) -> str:
    """Write a number without an exponent; as few digits as bring it back, whole floats keep their ``.0``."""
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot travel; send - for a missing value")
    return format(Decimal(repr(float(value))), "f")


def _with_text(head: str, text: str) -> str:
    return f"{head} {text}" if text else head


def _form(what: str, text: str) -> LineFault:
    return LineFault("form", f"{what}: {short(text)}", "correct the sketch; the line is left out")
