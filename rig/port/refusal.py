"""Why a port does not open, in one clear line with what to do.

Works from what the operating system said; opens nothing itself.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from rig.errors import PortError

COMMON_BAUDS = (115200, 57600, 38400, 9600, 250000, 1000000)
"""Baud rates that sketches use, the likeliest first."""


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


def seen(ports: Iterable[PortInfo]) -> str:
    """Say in half a sentence which ports there are."""
    names = [str(port) for port in ports]
    if not names:
        return "this computer sees no serial port at all; plug the board in, and try another cable"
    return "ports seen here: " + ", ".join(names)


def refusal(
    url: str,
    baud: int,
    error: Exception,
    ports: Callable[[], Iterable[PortInfo]],
    platform: str = sys.platform,
) -> PortError:
    """Say why a port does not open.

    Parameters
    ----------
    url : str
        The port, as the user named it.
    baud : int
        The baud rate that was asked for.
    error : Exception
        What opening it raised.
    ports : callable
        Lists the ports that there are.
    platform : str
        As `sys.platform`; replaced in tests.

    Returns
    -------
    PortError
        To be raised from `error`.
    """
    number, text = _number_of(error, platform), " ".join(str(error).split())
    scheme, separator, _ = url.partition("://")
    if separator and scheme.lower() in ("socket", "rfc2217"):
        if not _has_host_and_port(url):
            return PortError(f"{url} is not understood", f"write it as {scheme}://HOST:PORT")
        if scheme.lower() == "rfc2217" and _was_reached(error):
            return PortError(f"{url} does not speak RFC 2217", f"try {url.replace(scheme, 'socket', 1)}")
        return PortError(
            f"nobody answers at {url}", "is the rig there running, and are host and port number right?"
        )
    if isinstance(error, ValueError) and "baud" in text.lower():
        known = ", ".join(map(str, COMMON_BAUDS))
        return PortError(f"{url} cannot run at {baud} baud", f"try one of {known}")
    if isinstance(error, ValueError) and separator:
        return PortError(f"{url} is not understood", "name a port, or socket://HOST:PORT; " + seen(ports()))
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        holders = holders_of(url) if platform == "linux" else ()
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


def _was_reached(error: BaseException | None) -> bool:
    """Whether the far end took the connection, and the trouble came after that."""
    while error is not None:
        if isinstance(error, BrokenPipeError | ConnectionResetError) or "RFC2217" in str(error):
            return True
        error = error.__cause__ or error.__context__
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


def holders_of(url: str, proc: Path = Path("/proc")) -> tuple[str, ...]:
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
