"""The bytes to and from a board: a serial port, or whatever stands in for one.

The only module that imports `serial`. It knows nothing of lines: bytes come out as they came in. Any URL that
pyserial understands will do: a device (``/dev/ttyACM0``, ``COM3``), ``socket://HOST:PORT``,
``rfc2217://HOST:PORT``, ``loop://``.
"""

from __future__ import annotations

import select
import sys
from collections.abc import Callable, Iterable
from types import TracebackType
from typing import Protocol

import serial
from serial.tools import list_ports as serial_list_ports

from rig.errors import PortError
from rig.port.refusal import COMMON_BAUDS, PortInfo, refusal, seen

__all__ = [
    "COMMON_BAUDS",
    "Link",
    "LinkLostError",
    "PortInfo",
    "SerialLink",
    "list_ports",
    "open_link",
    "seen",
]

_TROUBLE: tuple[type[Exception], ...] = (serial.SerialException, OSError)
if sys.platform != "win32":
    import termios

    _TROUBLE = (*_TROUBLE, termios.error)  # what a flush of an unplugged port raises; it is no OSError

_REFUSALS: tuple[type[Exception], ...] = (*_TROUBLE, ValueError, NotImplementedError)

_CHUNK = 65536
_WRITE_TIMEOUT_S = 2.0


class LinkLostError(PortError):
    """An open port went away: pulled out, switched off, or taken over."""


class Link(Protocol):
    """Bytes to and from one device."""

    @property
    def url(self) -> str:
        """What was opened."""

    def read(self) -> bytes:
        """Bytes that have come in; ``b""`` if none came within the waiting time."""

    def write(self, data: bytes) -> None:
        """Send bytes; returns when the operating system has taken them all."""

    def close(self) -> None:
        """Let the port go. May be called twice."""


class SerialLink:
    """A link over pyserial.

    Parameters
    ----------
    port : serial.Serial
        An open port. Its time-out is the longest that `read` waits.
    url : str
        What was opened, for messages.

    Notes
    -----
    ``read(in_waiting or 1)`` returns at once with all there is, and what came before an unplugging is kept;
    ``read(4096)`` with a time-out would throw it away. A socket cannot tell how much is waiting, so there the
    link waits with ``select`` and takes what one ``recv`` gives.
    """

    def __init__(self, port: serial.Serial, url: str) -> None:
        self._port: serial.Serial | None = port
        self._url = url
        self._wait_s = port.timeout
        self._is_socket = url.lower().startswith("socket://")
        if self._is_socket:
            port.timeout = 0

    @property
    def url(self) -> str:
        """What was opened."""
        return self._url

    def read(self) -> bytes:
        """Return what has come in; ``b""`` if nothing came within the waiting time.

        Raises
        ------
        LinkLostError
            If the port went away.
        ValueError
            If the link is closed.
        """
        port = self._open_port()
        try:
            if self._is_socket:
                if not select.select([port.fileno()], [], [], self._wait_s)[0]:
                    return b""
                return bytes(port.read(_CHUNK))
            return bytes(port.read(port.in_waiting or 1))
        except _TROUBLE as error:
            raise self._lost(error) from error

    def write(self, data: bytes) -> None:
        """Send bytes; returns when the operating system has taken them all.

        Raises
        ------
        LinkLostError
            If the port went away.
        PortError
            If the device takes nothing for two seconds.
        ValueError
            If the link is closed.
        """
        port = self._open_port()
        try:
            port.write(data)
        except serial.SerialTimeoutException as error:
            raise PortError(
                f"{self._url} takes no commands", "unplug the board, plug it in again and try once more"
            ) from error
        except _TROUBLE as error:
            raise self._lost(error) from error

    def close(self) -> None:
        """Let the port go. May be called twice; closing an unplugged port is no error."""
        port, self._port = self._port, None
        if port is not None:
            _close(port)

    def __enter__(self) -> SerialLink:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _open_port(self) -> serial.Serial:
        if self._port is None:
            raise ValueError("the link is closed")
        return self._port

    def _lost(self, error: Exception) -> LinkLostError:
        if "multiple access" in str(error):
            what = f"{self._url} went away, or a second program reads from it"
        else:
            what = f"{self._url} went away"
        return LinkLostError(what, "look at the plug and the cable; what was recorded so far is kept")


def _close(port: serial.Serial) -> None:
    try:
        port.close()
    except _TROUBLE:
        return  # it was gone already, and the handle with it


def list_ports(comports: Callable[[], Iterable[object]] = serial_list_ports.comports) -> tuple[PortInfo, ...]:
    """List the serial ports that this computer has, USB ones first.

    Parameters
    ----------
    comports : callable
        Gives objects like pyserial's ``ListPortInfo``; replaced in tests.
    """
    found = []
    for port in comports():
        vid, pid = getattr(port, "vid", None), getattr(port, "pid", None)
        found.append(
            PortInfo(
                url=str(getattr(port, "device", port)),
                description=str(getattr(port, "description", None) or ""),
                serial_number=getattr(port, "serial_number", None),
                vid_pid=None if vid is None or pid is None else (vid, pid),
                location=getattr(port, "location", None),
            )
        )
    return tuple(sorted(found, key=lambda port: (port.vid_pid is None, port.url)))


def open_link(
    url: str,
    baud: int = 115200,
    *,
    wait_s: float = 0.1,
    opener: Callable[..., serial.Serial] = serial.serial_for_url,
    ports: Callable[[], Iterable[PortInfo]] = list_ports,
) -> SerialLink:
    """Open a port.

    Opening makes many boards start anew (about two seconds); their hello tells when they are ready.

    Parameters
    ----------
    url : str
        A device or any pyserial URL.
    baud : int
        Baud rate; without meaning on sockets and on boards with USB of their own.
    wait_s : float
        Longest that one `SerialLink.read` waits for bytes, s.
    opener, ports : callable
        What opens and what lists; replaced in tests.

    Raises
    ------
    PortError
        With one clear line: no such port, taken, not allowed, no serial port, or nobody at a socket.
    """
    if not url.strip():
        raise PortError("no port is named", seen(ports()))
    port = None
    try:
        port = opener(url, do_not_open=True, baudrate=baud, timeout=wait_s)
        if not url.lower().startswith("rfc2217://"):  # which has none
            port.write_timeout = _WRITE_TIMEOUT_S
        port.exclusive = True
        port.open()
    except _REFUSALS as error:
        if port is not None:
            _close(port)  # a network port may have got half way
        raise refusal(url, baud, error, ports) from error
    return SerialLink(port, url)
