"""What stands at the end of every line, and proves it: CRC-16/IBM-3740 in four capital hexadecimal digits.

Polynomial x^16 + x^12 + x^5 + 1 (0x1021), start value 0xFFFF, nothing reflected or inverted; the catalogue's
check value for ``123456789`` is 29B1. Python has it as ``binascii.crc_hqx(data, 0xFFFF)``. It is taken over
every byte of the line before the space in front of it.
"""

from __future__ import annotations

import binascii
import re

from rig.line.record import MAX_LINE, LineFault

_CHECK = re.compile(rb"[0-9A-Fa-f]{4}")
TEXT = re.compile(r"(?:[!-~]+(?: [!-~]+)*)?")
"""Printable ASCII with single spaces, none at the ends: all that a line may hold."""


def check_of(body: bytes) -> bytes:
    """Check of a line's body: CRC-16/IBM-3740 in four capital hexadecimal digits.

    Examples
    --------
    >>> check_of(b"123456789")
    b'29B1'
    """
    return b"%04X" % binascii.crc_hqx(body, 0xFFFF)


def seal(body: str) -> bytes:
    """Line as it travels: the body, a space, its check and a line feed.

    Raises
    ------
    ValueError
        If the body is not printable ASCII, has two spaces in a row, or is too long.
    """
    if not TEXT.fullmatch(body):
        raise ValueError(f"{body!r} cannot travel: printable ASCII only, single spaces")
    data = body.encode("ascii")
    if len(data) + 5 > MAX_LINE:
        raise ValueError(f"the line would be {len(data) + 5} bytes long, more than {MAX_LINE}")
    return data + b" " + check_of(data) + b"\n"


def checked_body(line: bytes) -> bytes:
    """Take the check off a line, once it holds; `line` comes without its line end.

    Raises
    ------
    LineFault
        ``long``, ``unchecked`` or ``check``.
    """
    body = line[:-5]
    if (
        line[-4:] == b"%04X" % binascii.crc_hqx(body, 0xFFFF)
        and line[-5:-4] == b" "
        and len(line) <= MAX_LINE
    ):
        return body
    if len(line) > MAX_LINE:
        raise LineFault(
            "long", f"no line end within {MAX_LINE} bytes", "is this the right baud rate and device?"
        )
    if line[-5:-4] != b" " or not _CHECK.fullmatch(line[-4:]):
        raise LineFault(
            "unchecked",
            f"a line without a check: {short(line.decode('ascii', errors='replace'))}",
            "is this the right device, at the right baud rate?",
        )
    if line[-4:].upper() == check_of(body):
        raise LineFault("check", f"the check {line[-4:].decode()} is in small letters", "send it in capitals")
    raise LineFault(
        "check",
        "the check of a line does not hold",
        "look at the cable and its screen, and try a lower baud rate",
    )


def short(text: str) -> str:
    """Quote a line for a message: printable, at most 48 characters."""
    clean = "".join(c if " " <= c <= "~" else "?" for c in text)
    return repr(clean if len(clean) <= 48 else clean[:45] + "...")
