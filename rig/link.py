"""The bytes to and from a board: a serial port, or whatever stands in for one.

The only module that imports `serial`. It knows nothing of lines: bytes come out as they came in. Any URL that
pyserial understands will do: a device (``/dev/ttyACM0``, ``COM3``), ``socket://HOST:PORT``,
``rfc2217://HOST:PORT``, ``loop://``.
"""

from __future__ import annotations

import errno
import os
import select
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Protocol
from urllib.parse import urlsplit

import serial
from serial.tools import list_ports as serial_list_ports

from rig.errors import PortError

_TROUBLE: tuple[type[Exception], ...] = (serial.SerialException, OSError)
if sys.platform != "win32":
    import termios

    _TROUBLE = (*_TROUBLE, termios.error)  # what a flush of an unplugged port raises; it is no OSError

_REFUSALS: tuple[type[Exception], ...] = (*_TROUBLE, ValueError, NotImplementedError)

COMMON_BAUDS = (115200, 57600, 38400, 9600, 250000, 1000000)
"""Baud rates that sketches use, the likeliest first."""
_CHUNK = 65536
_WRITE_TIMEOUT_S = 2.0


class LinkLostError(PortError):
    """An open port went away: pulled out, switched off, or taken over."""


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A port that this computer has."""

    url: str
    """What to open."""
    description: str = ""
    """What the operating system calls it."""
    serial_number: str | None = None
    """The adapter's serial number; cheap ones have none."""
    vid_pid: tuple[int, int] | None = None
    """USB vendor and product."""
    location: str | None = None
    """The USB socket it sits in."""

    def __str__(self) -> str:
        plain = self.description in ("", "n/a", self.url)
        return self.url if plain else f"{self.url} ({self.description})"


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
            try:
                port.close()
            except _TROUBLE:
                return  # it was gone already, and the handle with it

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


def seen(ports: Iterable[PortInfo]) -> str:
    """Say in half a sentence which ports there are."""
    names = [str(port) for port in ports]
    if not names:
        return "this computer sees no serial port at all; plug the board in, and try another cable"
    return "ports seen here: " + ", ".join(names)


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
    try:
        port = opener(url, do_not_open=True, baudrate=baud, timeout=wait_s, write_timeout=_WRITE_TIMEOUT_S)
        port.exclusive = True
        port.open()
    except _REFUSALS as error:
        raise _refusal(url, baud, error, ports) from error
    return SerialLink(port, url)


def _refusal(
    url: str,
    baud: int,
    error: Exception,
    ports: Callable[[], Iterable[PortInfo]],
    platform: str = sys.platform,
) -> PortError:
    """Say why a port does not open."""
    number, text = _number_of(error, platform), str(error)
    scheme, separator, _ = url.partition("://")
    if separator and scheme.lower() in ("socket", "rfc2217"):
        if not _has_host_and_port(url):
            return PortError(f"{url} is not understood", f"write it as {scheme}://HOST:PORT")
        return PortError(
            f"nobody answers at {url}", "is the rig there running, and are host and port number right?"
        )
    if isinstance(error, ValueError) and "baud" in text.lower():
        known = ", ".join(map(str, COMMON_BAUDS))
        return PortError(f"{url} cannot run at {baud} baud", f"try one of {known}")
    if isinstance(error, ValueError) and separator:
        return PortError(f"{url} is not understood", "name a port, or socket://HOST:PORT; " + seen(ports()))
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        holders = _holders(url) if platform == "linux" else ()
        who = " by " + ", ".join(holders) if holders else ""
        return PortError(
            f"{url} is taken{who}",
            "close the other program (another blankbench, a serial monitor) and try again",
        )
    if number in (errno.EACCES, errno.EPERM):
        return PortError(f"you may not open {url}", _permission_advice(url, platform))
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return PortError(f"there is no port {url}", seen(ports()))
    if number in (errno.ENOTTY, errno.EISDIR) or "Inappropriate ioctl" in text:
        return PortError(f"{url} is no serial port", seen(ports()))
    if number == errno.EIO or "Input/output error" in text:
        return PortError(f"{url} does not answer the computer", "no board is behind it; " + seen(ports()))
    return PortError(
        f"{url} does not open ({text})", "unplug the board and plug it in again; " + seen(ports())
    )


def _has_host_and_port(url: str) -> bool:
    try:
        parts = urlsplit(url)
        return bool(parts.hostname) and parts.port is not None
    except ValueError:  # a port that is no number
        return False


def _number_of(error: BaseException | None, platform: str) -> int | None:
    """Find the system's error number; Windows hides it in the text, where "access denied" means "busy"."""
    text = str(error)
    while error is not None:
        if isinstance(error, OSError) and error.errno is not None:
            return error.errno
        if error.args and isinstance(error.args[0], int):
            return error.args[0]
        error = error.__cause__ or error.__context__
    if "FileNotFoundError" in text:
        return errno.ENOENT
    if "PermissionError" in text:
        return errno.EBUSY if platform == "win32" else errno.EACCES
    return None


def _permission_advice(url: str, platform: str) -> str:
    group = _group_of(url) if platform != "win32" else None
    if group is None:
        return "ask for the right to use serial ports on this computer"
    if platform == "linux" and group != "root":
        return f"join the group {group}: run  sudo usermod -a -G {group} $USER  then log out and in again"
    return f"it belongs to the group {group}; ask for the right to use it"


def _group_of(url: str) -> str | None:
    if sys.platform == "win32":
        return None
    import grp

    try:
        return grp.getgrgid(os.stat(url).st_gid).gr_name
    except (OSError, KeyError):
        return None


def _holders(url: str, proc: Path = Path("/proc")) -> tuple[str, ...]:
    """Name the programs that have a device open, as far as this user may know (Linux)."""
    target = os.path.realpath(url)
    holders = []
    for process in proc.glob("[0-9]*"):
        try:
            if any(os.path.realpath(handle) == target for handle in (process / "fd").iterdir()):
                name = (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
                holders.append(f"{name} (process {process.name})")
        except OSError:
            continue  # it ended meanwhile, or belongs to somebody else
    return tuple(sorted(holders))
