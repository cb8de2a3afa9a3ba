"""A simulated board whose sketch does not speak the line protocol: it prints, and takes no commands."""

from __future__ import annotations

from typing import Literal, TypeAlias

from rig.line.record import Reading, Record
from rig.virtual.firmware import Firmware

Speaks: TypeAlias = Literal["protocol", "plain"]
"""What the simulated board sends."""
BANNER = b"bench sketch ready\r\n"


class PlainFirmware(Firmware):
    """A board that prints labelled raw counts beside its own milliseconds, from the moment it has power."""

    def feed(self, data: bytes) -> None:
        """Pass over whatever the computer says."""

    def _send(self, record: Record) -> None:
        if not isinstance(record, Reading):
            return
        if record.seq == 0:
            self._out += BANNER
        names = (channel.name for channel in self._hello.channels)
        values = (
            f"{name}: {'nan' if v is None else v}" for name, v in zip(names, record.values, strict=True)
        )
        self._out += f"ms: {record.tick // 1000}, {', '.join(values)}\r\n".encode("ascii")
