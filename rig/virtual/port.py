"""What the board hangs on: a pseudo-terminal as a device would be, or TCP on loopback where there is none.

A `Server` moves bytes between one `Firmware` and one of the two in a thread of its own. It waits for events
(the reader, a command, the hand, the next reading due) and never polls, with one exception that it must make:
no system reports that someone opens a terminal, so while nobody has it open it looks 25 times a second.
"""

from __future__ import annotations

import os
import selectors
import socket
import threading
import time
from collections.abc import Callable
from typing import Protocol

from rig.errors import PortError
from rig.virtual.bench import Bench
from rig.virtual.firmware import Firmware

_LOOK_S = 0.04  # between two looks whether somebody opened the terminal
_BURST_S = 0.004  # readings due within this time go out together, as from a USB adapter
_BACKLOG = 1 << 16  # bytes that wait for a slow reader before the board's time waits too
_PIECE = 4096  # bytes that are kept ready for a reader who takes all that comes
_CHUNK = 256  # readings a piece


class GoneError(OSError):
    """The reader has let go of the port."""


class Transport(Protocol):
    """One end of a port: the board's."""

    url: str
    """What to open at the other end, for pyserial."""

    def attached(self) -> bool:
        """Whether a reader has the other end open."""
        ...

    def waits_on(self) -> tuple[int, ...]:
        """File numbers that become readable when a reader arrives; none if that cannot be waited for."""
        ...

    def number(self) -> int:
        """File number of the attached end."""
        ...

    def receive(self) -> bytes:
        """Take what the reader has sent; raises `GoneError` if it has gone."""
        ...

    def send(self, data: bytes) -> int:
        """Send as much as fits now and say how much; raises `GoneError` if the reader has gone."""
        ...

    def close(self) -> None:
        """Let go of it for good."""
        ...


class Terminal:
    """A pseudo-terminal in raw mode: nothing is echoed, translated or held back (not on Windows)."""

    def __init__(self) -> None:
        import select
        import termios
        import tty

        self._poll = select.poll()
        self._master, slave = os.openpty()
        try:
            tty.setraw(slave, termios.TCSANOW)
            self.url = os.ttyname(slave)
        finally:
            os.close(slave)  # from now on the system tells whether a reader has it open
        os.set_blocking(self._master, False)
        self._poll.register(self._master, 0)
        self._hung_up = select.POLLHUP | select.POLLERR | select.POLLNVAL

    def attached(self) -> bool:
        """Whether a reader has the other end open."""
        return not any(event & self._hung_up for _, event in self._poll.poll(0))

    def waits_on(self) -> tuple[int, ...]:
        """Nothing: no system reports that someone opens a terminal."""
        return ()

    def number(self) -> int:
        """File number of the board's end."""
        return self._master

    def receive(self) -> bytes:
        """Take what the reader has sent; raises `GoneError` if it has gone."""
        try:
            return os.read(self._master, 4096)
        except BlockingIOError:
            return b""
        except OSError as error:  # EIO: no reader has it open any more
            raise GoneError(*error.args) from error

    def send(self, data: bytes) -> int:
        """Send as much as fits now and say how much; raises `GoneError` if the reader has gone."""
        try:
            return os.write(self._master, data)
        except BlockingIOError:
            return 0
        except OSError as error:
            raise GoneError(*error.args) from error

    def close(self) -> None:
        """Let go of it: a reader sees an unplugged device."""
        os.close(self._master)


class Loopback:
    """TCP on 127.0.0.1, one reader at a time, for pyserial's ``socket://``."""

    def __init__(self, port: int = 0) -> None:
        self._listener = socket.create_server(("127.0.0.1", port))
        self._listener.setblocking(False)
        self._reader: socket.socket | None = None
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def attached(self) -> bool:
        """Whether a reader is connected; takes in one that waits at the door."""
        if self._reader is None:
            try:
                self._reader, _ = self._listener.accept()
            except BlockingIOError:
                return False
            self._reader.setblocking(False)
            self._reader.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return True

    def waits_on(self) -> tuple[int, ...]:
        """Give the door's file number."""
        return (self._listener.fileno(),)

    def number(self) -> int:
        """File number of the connection, of the door without one."""
        return (self._reader or self._listener).fileno()

    def receive(self) -> bytes:
        """Take what the reader has sent; raises `GoneError` if it has gone."""
        if self._reader is None:
            raise GoneError("no reader is connected")
        try:
            data = self._reader.recv(4096)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise self._drop() from error
        if not data:
            raise self._drop()
        return data

    def send(self, data: bytes) -> int:
        """Send as much as fits now and say how much; raises `GoneError` if the reader has gone."""
        if self._reader is None:
            raise GoneError("no reader is connected")
        try:
            return self._reader.send(data)
        except BlockingIOError:
            return 0
        except OSError as error:
            raise self._drop() from error

    def close(self) -> None:
        """Hang up and close the door."""
        self._drop()
        self._listener.close()

    def _drop(self) -> GoneError:
        if self._reader is not None:
            self._reader.close()
            self._reader = None
        return GoneError("the reader has hung up")


def open_transport(kind: str = "auto", tcp_port: int = 0) -> Transport:
    """Open a pseudo-terminal (``pty``) or loopback TCP (``socket``), or the first that there is (``auto``).

    Raises
    ------
    PortError
        If this computer has no pseudo-terminal, or the TCP port is taken.
    """
    if kind not in ("auto", "pty", "socket"):
        raise ValueError(f"{kind!r} is no port kind; there are auto, pty and socket")
    has_pty = hasattr(os, "openpty")
    if kind == "pty" and not has_pty:
        raise PortError("this computer has no pseudo-terminals", "use --port socket instead")
    try:
        return Terminal() if has_pty and kind != "socket" else Loopback(tcp_port)
    except OSError as error:
        why = error.strerror or str(error)
        raise PortError(
            f"the virtual rig gets no port ({why})", "close other programs or choose another"
        ) from error


class Server:
    """Runs a board on a port, in a thread.

    Parameters
    ----------
    firmware : Firmware
        The board.
    bench : Bench
        Its bench; being asked for a step wakes the server.
    transport : Transport
        Where its bytes go. Bytes that nobody is there to read are lost, as with a device.
    speed : float or None
        Board seconds per second; 1 is real time. None: as fast as the reader takes them, and then the board's
        time passes only while readings flow and the hand has something to do, so that exactly the readings of
        the steps asked for arrive.
    clock : callable
        Seconds of a steady clock.
    """

    def __init__(
        self,
        firmware: Firmware,
        bench: Bench,
        transport: Transport,
        speed: float | None = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if speed is not None and not speed > 0.0:
            raise ValueError(f"the speed must be positive, not {speed}")
        self._firmware, self._bench, self._transport = firmware, bench, transport
        self._speed, self._clock = speed, clock
        self._bell, self._ear = socket.socketpair()
        self._bell.setblocking(False)
        self._ear.setblocking(False)
        self._stopping = threading.Event()
        self._pending = bytearray()
        self._thread = threading.Thread(target=self._run, name="virtual rig", daemon=True)
        self.error: BaseException | None = None
        """What ended the thread, if it was not `stop`."""

    def start(self) -> None:
        """Begin to serve."""
        self._bench.on_change = self.wake
        self._thread.start()

    def stop(self) -> None:
        """End the thread and close the port; a second call does nothing."""
        if not self._stopping.is_set():
            self._stopping.set()
            self.wake()
            self._thread.join()
            self._bell.close()
            self._ear.close()
        if self.error is not None:
            raise self.error

    def wake(self) -> None:
        """Make the server look again, from any thread."""
        try:
            self._bell.send(b"!")
        except OSError:  # full: it will look anyway; closed: there is nobody left to wake
            return

    def _run(self) -> None:
        try:
            self._serve()
        except Exception as error:  # noqa: BLE001 (kept for the thread that stops the server)
            self.error = error
        finally:
            self._transport.close()  # a reader sees an unplugged device, not one that has fallen silent

    def _serve(self) -> None:
        origin = self._clock() - self._firmware.time_s / (self._speed or 1.0)
        attached = False
        while not self._stopping.is_set():
            if self._transport.attached() != attached:
                attached = not attached
                self._pending.clear()
            self._produce(origin, attached)
            if not attached:
                self._pending.clear()
            try:
                self._exchange(origin, attached)
            except GoneError:
                attached = False
                self._pending.clear()

    def _produce(self, origin: float, attached: bool) -> None:
        """Let the board's time run as far as it should have by now, in pieces while the reader keeps up."""
        board = self._firmware
        target = None if self._speed is None else (self._clock() - origin) * self._speed
        while len(self._pending) < _BACKLOG and not self._stopping.is_set():
            if target is None:
                left = self._bench.left(1.0 / board.rate_hz) if attached and board.streaming else 0
                if left == 0:
                    self._pending += board.advance(board.time_s)  # answers only
                    return
                if len(self._pending) >= _PIECE:
                    return
                self._pending += board.advance(board.moment_of(min(left, _CHUNK)))
            else:
                step = board.time_s + _CHUNK / board.rate_hz
                self._pending += board.advance(min(step, max(target, board.time_s)))
                if board.time_s >= target:
                    return
                if not attached:
                    self._pending.clear()

    def _exchange(self, origin: float, attached: bool) -> None:
        """Wait until there is something to do, then move the bytes that can be moved."""
        timeout: float | None = None
        if self._speed is not None and len(self._pending) < _BACKLOG:
            timeout = max(_BURST_S, origin + self._firmware.next_s / self._speed - self._clock())
        elif self._speed is None and attached and self._firmware.streaming and self._bench.busy:
            timeout = None if len(self._pending) >= _PIECE else 0.0
        with selectors.DefaultSelector() as waiting:
            waiting.register(self._ear, selectors.EVENT_READ)
            if attached:
                events = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._pending else 0)
                waiting.register(self._transport.number(), events)
            else:
                doors = self._transport.waits_on()
                for door in doors:
                    waiting.register(door, selectors.EVENT_READ)
                if not doors:
                    timeout = _LOOK_S if timeout is None else min(timeout, _LOOK_S)
            ready = {key.fd: mask for key, mask in waiting.select(timeout)}
        if self._ear.fileno() in ready:
            self._ear.recv(4096)
        if attached:
            mask = ready.get(self._transport.number(), 0)
            if mask & selectors.EVENT_WRITE and self._pending:
                del self._pending[: self._transport.send(bytes(self._pending))]
            if mask & selectors.EVENT_READ:
                self._firmware.feed(self._transport.receive())
