"""The whole virtual rig behind one port: start it, open its url, and tell the bench what to do."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from types import TracebackType

from rig.virtual.bench import Bench
from rig.virtual.blanks import Blank
from rig.virtual.firmware import Firmware
from rig.virtual.gear import Gear
from rig.virtual.plain import PlainFirmware, Speaks
from rig.virtual.port import Server, open_transport
from rig.virtual.trouble import Trouble


class VirtualRig:
    r"""A bench, its board and a port.

    Parameters
    ----------
    blanks : iterable of Blank
        What lies beside the bench.
    seed : int
        Of everything random.
    rate_hz : int
        Readings a second until the reader asks for another rate.
    speed : float or None
        Board seconds per second; 1 is real time; None is as fast as the reader takes them (then readings flow
        only while the hand has something to do).
    gear : Gear, optional
        The rig's parts and what is wrong with them.
    port : str
        ``pty``, ``socket`` or ``auto``: a pseudo-terminal where there is one, else TCP on loopback.
    streaming : bool
        Whether readings begin at once; else the reader sends ``start``.
    tick_start : int
        The board's tick counter at the start.
    troubles : sequence of Trouble
        What goes wrong on the board, and when.
    tcp_port : int
        For ``socket``; 0 takes a free one.
    drive : bool
        Whether a motor does what is asked of the hand; the reader's ``stop`` then halts it.
    speaks : {"protocol", "plain"}
        What the board sends: the line protocol, or what a hobby sketch prints.

    Examples
    --------
    A step asked for before ``start`` begins with the first reading, so a recording holds all of it::

        with VirtualRig(load_blanks(), streaming=False) as rig:
            link = open_link(rig.url)
            rig.bench.mount("P-1", mount_deg=30.0)
            task = rig.bench.roll(travel_m=0.525, turns=(1, -1))
            link.write(b"start\n")
            ...                                   # record until task.done is set and the bytes are in
    """

    def __init__(
        self,
        blanks: Iterable[Blank],
        *,
        seed: int = 1,
        rate_hz: int = 80,
        speed: float | None = 1.0,
        gear: Gear | None = None,
        port: str = "auto",
        streaming: bool = True,
        device: str = "virtual-rig",
        tick_start: int = 0,
        troubles: Sequence[Trouble] = (),
        tcp_port: int = 0,
        drive: bool = False,
        speaks: Speaks = "protocol",
    ) -> None:
        self.bench = Bench(blanks, gear, seed)
        """The hand: `Bench.mount`, `Bench.roll`, `Bench.flex`, `Bench.still`."""
        board = PlainFirmware if speaks == "plain" else Firmware
        self.firmware = board(
            self.bench,
            rate_hz=rate_hz,
            device=device,
            streaming=streaming or speaks == "plain",
            tick_start=tick_start,
            troubles=troubles,
            drive=drive,
        )
        """The board."""
        self._port, self._tcp_port, self._speed = port, tcp_port, speed
        self._server: Server | None = None
        self.url = ""
        """What pyserial opens, once started; after `unplug` and `plug_in` it may be another one."""

    def start(self) -> str:
        """Begin to serve and give the url."""
        if self._server is not None:
            raise ValueError("the virtual rig is already running")
        transport = open_transport(self._port, self._tcp_port)
        self.url = transport.url
        self._server = Server(self.firmware, self.bench, transport, self._speed)
        self._server.start()
        return self.url

    def stop(self) -> None:
        """Stop and close the port: a reader sees an unplugged device. A second call does nothing."""
        server, self._server = self._server, None
        if server is not None:
            server.stop()

    def unplug(self) -> None:
        """Pull the cable; the board keeps its time, its number of readings and its hand."""
        self.stop()

    def plug_in(self) -> str:
        """Plug the cable in again, maybe under another name, and give the url."""
        return self.start()

    def __enter__(self) -> VirtualRig:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
