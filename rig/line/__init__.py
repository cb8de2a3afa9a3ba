"""The line from the microcontroller: one line, a stream of lines, and the board's clock."""

from rig.line.frame import (
    Answer,
    Channel,
    Command,
    Hello,
    LineFault,
    Reading,
    Record,
    Status,
    decode,
    decode_command,
    encode,
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
    "encode",
]
