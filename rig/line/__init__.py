"""The line from the microcontroller: one line, a stream of lines, and the board's clock."""

from rig.line.clock import TickClock
from rig.line.decoder import Decoder
from rig.line.frame import decode, decode_command, encode
from rig.line.mapping import PlainMapping
from rig.line.plain import PlainDecoder
from rig.line.record import (
    Answer,
    Channel,
    Command,
    Hello,
    LineFault,
    Reading,
    Record,
    Status,
)
from rig.line.source import Fault, LineSource, Tally

__all__ = [
    "Answer",
    "Channel",
    "Command",
    "Decoder",
    "Fault",
    "Hello",
    "LineFault",
    "LineSource",
    "PlainDecoder",
    "PlainMapping",
    "Reading",
    "Record",
    "Status",
    "Tally",
    "TickClock",
    "decode",
    "decode_command",
    "encode",
]
