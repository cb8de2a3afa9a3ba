"""Through the operating system: every reading arrives, in order and unchanged, by terminal and by TCP."""

import os
import selectors
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
import serial

from analysis.angles import difference
from rig.errors import PortError
from rig.line.decoder import Decoder
from rig.line.record import Hello, Reading
from rig.virtual.bench import Bench
from rig.virtual.blanks import load_blanks
from rig.virtual.firmware import Firmware
from rig.virtual.gear import Gear
from rig.virtual.port import Loopback, Server, open_transport
from rig.virtual.virtual_rig import VirtualRig

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
ROOT = Path(__file__).parents[3]
PORTS = [pytest.param("pty", marks=needs_pty), "socket"]


@pytest.fixture
def rig(request):
    """A virtual rig with the options of the test, stopped afterwards."""
    with VirtualRig(load_blanks(), **{"streaming": False, **getattr(request, "param", {})}) as virtual:
        virtual.bench.mount("P-1", 30.0)
        yield virtual


def attach(rig):
    return serial.serial_for_url(rig.url, baudrate=115_200, timeout=5.0)


def take(port, number, decoder=None):
    """The first `number` readings of a port, everything said before them, and the decoder."""
    decoder = decoder or Decoder()
    said, count = [], 0
    while count < number:
        data = port.read(port.in_waiting or 1)
        assert data, f"silence after {count} of {number} readings"
        for record in decoder.feed(data):
            count += isinstance(record, Reading)
            said.append(record)
    return [r for r in said if isinstance(r, Reading)][:number], said, decoder


@pytest.mark.parametrize("rate", [80, 1000, 5000])
@pytest.mark.parametrize("rig", [{"speed": None, "port": "pty"}], indirect=True, ids=["pty"])
@needs_pty
def test_every_reading_of_a_step_arrives_and_agrees_with_the_truth(rig, rate):
    task = rig.bench.roll(0.525, turns=(0.4, -0.4), speed_deg_s=40.0)
    with attach(rig) as port:
        port.write(b"rate %d\nstart\n" % rate)
        sent, _, decoder = take(port, task.readings(rate))
    assert decoder.tally.lost == 0
    assert not decoder.tally.faults
    twin = Bench(load_blanks())
    twin.mount("P-1", 30.0)
    twin.roll(0.525, turns=(0.4, -0.4), speed_deg_s=40.0)
    counts, truth = twin.sample(task.readings(rate), 1.0 / rate)
    values = np.array([reading.values for reading in sent])
    assert values.tolist() == np.column_stack([counts.load, counts.angle, counts.travel, counts.tip]).tolist()
    gear = Gear()
    load = (values[:, 0] - gear.load_zero_counts) * gear.load_N_per_count
    chuck = (values[:, 1] - gear.angle_zero_counts) * 2.0 * np.pi / 4096
    assert np.median(np.abs(load - truth.load)) < 0.05
    assert np.max(np.abs(difference(chuck, truth.chuck))) < 0.01  # noise and half a count: 0.6°


@pytest.mark.parametrize("rig", [{"speed": None, "port": "socket"}], indirect=True)
def test_tcp_carries_the_same_readings(rig):
    task = rig.bench.flex(0.4, speed_m_s=0.2)
    with attach(rig) as port:
        port.write(b"start\n")
        sent, _, decoder = take(port, task.readings(80))
    assert decoder.tally.lost == 0
    assert [reading.seq for reading in sent] == list(range(task.readings(80)))


@pytest.mark.parametrize("rig", [{"speed": 40.0, "port": port} for port in ("socket",)], indirect=True)
def test_a_rig_at_forty_times_the_speed_keeps_every_reading(rig):
    task = rig.bench.roll(0.525, turns=(1.0,), speed_deg_s=45.0)
    with attach(rig) as port:
        port.write(b"start\n")
        sent, _, decoder = take(port, task.readings(80))
    assert decoder.tally.lost == 0
    assert set(np.diff([reading.tick for reading in sent]).tolist()) == {12_500}


@needs_pty
@pytest.mark.parametrize("rig", [{"speed": None, "port": "pty"}], indirect=True)
def test_a_slow_reader_loses_nothing(rig):
    task = rig.bench.roll(0.525, turns=(1.0,))
    with attach(rig) as port:
        port.write(b"rate 5000\nstart\n")
        task.wait(0.05)  # by now the terminal is full, and the board waits
        assert not task.done.is_set()
        sent, _, decoder = take(port, task.readings(5000))
    assert decoder.tally.lost == 0
    assert [reading.tick for reading in sent] == [200 * n for n in range(len(sent))]


@needs_pty
@pytest.mark.parametrize(
    "rig", [{"speed": None, "port": "pty", "tick_start": (1 << 32) - 1_000_000}], indirect=True
)
def test_the_tick_wraps_through_the_terminal(rig):
    rig.bench.still(5.0)
    with attach(rig) as port:
        port.write(b"start\n")
        sent, _, _ = take(port, 200)
    ticks = np.array([reading.tick for reading in sent], dtype=np.int64)
    assert np.sum(np.diff(ticks) < 0) == 1
    assert np.all(np.diff(ticks) % (1 << 32) == 12_500)


@pytest.mark.parametrize("kind", PORTS)
def test_the_next_reader_finds_the_board_again(kind):
    with VirtualRig(load_blanks(), port=kind, speed=20.0) as rig:
        for _ in range(3):
            with attach(rig) as port:
                sent, said, decoder = take(port, 100)
                assert decoder.tally.faults.get("check", 0) == 0
                assert [r.seq for r in sent] == [(sent[0].seq + n) % 65_536 for n in range(100)]
                port.write(b"identify\n")
                while not any(isinstance(record, Hello) for record in said):
                    said += decoder.feed(port.read(port.in_waiting or 1))


@needs_pty
def test_a_terminal_that_was_never_set_up_echoes_nothing_and_translates_nothing():
    """As with a plain `cat`: no pyserial that puts the terminal into raw mode."""
    with VirtualRig(load_blanks(), port="pty", streaming=False, speed=20.0) as rig:
        reader = os.open(rig.url, os.O_RDWR | os.O_NOCTTY)
        try:
            os.write(reader, b"identify\n")
            data = b""
            while data.count(b"identify ok") < 1:
                data += os.read(reader, 4096)
        finally:
            os.close(reader)
    assert data.count(b"identify") == 1
    assert b"\r" not in data


@pytest.mark.parametrize("kind", PORTS)
def test_stop_ends_at_once_even_where_the_reader_does_not_read(kind):
    rig = VirtualRig(load_blanks(), port=kind, speed=None, rate_hz=5000)
    rig.start()
    rig.bench.still(3600.0)
    with attach(rig) as port:
        assert port.read(1000)
        rig.stop()
        rig.stop()  # a second time does nothing
    assert not any(thread.name == "virtual rig" for thread in threading.enumerate())


@pytest.mark.parametrize("kind", PORTS)
def test_an_unplugged_rig_goes_on_counting_and_is_found_again(kind):
    with VirtualRig(load_blanks(), port=kind, speed=20.0) as rig:
        with attach(rig) as port:
            before, _, _ = take(port, 50)
            rig.unplug()
        rig.plug_in()
        with attach(rig) as port:
            after, _, _ = take(port, 50)
    assert after[0].seq > before[-1].seq


class Hand:
    """A clock that a test sets."""

    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now


def test_the_board_sends_what_is_due_by_the_clock_and_no_more():
    bench, clock, transport = Bench(load_blanks()), Hand(), Loopback()
    firmware = Firmware(bench, rate_hz=1000)
    server = Server(firmware, bench, transport, speed=2.0, clock=clock)
    server.start()
    try:
        with serial.serial_for_url(transport.url, timeout=5.0) as port:
            port.write(b"identify\n")
            while b"identify ok" not in port.read_until(b"\n"):  # the board knows its reader
                pass
            clock.now += 0.5
            server.wake()
            sent, _, _ = take(port, 1000)  # one second of the board; its first reading came before the reader
            assert sent[-1].tick == 1_000_000
            port.timeout = 0.05
            assert b"\nR " not in port.read(4096)
    finally:
        server.stop()


@pytest.mark.parametrize("rig", [{"speed": None, "port": "socket"}], indirect=True)
def test_at_full_speed_exactly_the_steps_asked_for_arrive(rig):
    first, second = rig.bench.roll(0.525, turns=(0.3,)), rig.bench.flex(0.2, speed_m_s=0.1)
    wanted = first.readings(80) + second.readings(80)
    with attach(rig) as port:
        port.write(b"start\n")
        sent, _, _ = take(port, wanted)
        port.timeout = 0.05
        assert b"\nR " not in port.read(4096)
        third = rig.bench.still(1.0)
        port.timeout = 5.0
        more, _, _ = take(port, third.readings(80))
    assert [reading.seq for reading in sent + more] == list(range(wanted + 81))


def test_what_breaks_the_board_is_not_swallowed(monkeypatch):
    rig, reached = VirtualRig(load_blanks(), port="socket"), threading.Event()

    def broken(to_s):
        reached.set()
        raise ZeroDivisionError("as a test wants it")

    monkeypatch.setattr(rig.firmware, "advance", broken)
    rig.start()
    assert reached.wait(5.0)
    with pytest.raises(ZeroDivisionError, match="as a test wants it"):
        rig.stop()


def test_waiting_costs_no_processor_time(monkeypatch):
    """Nothing to do means one wait without end, not a loop."""
    waits = []
    true_select = selectors.DefaultSelector.select

    def counted(self, timeout=None):
        waits.append(timeout)
        return true_select(self, timeout)

    monkeypatch.setattr(selectors.DefaultSelector, "select", counted)
    with VirtualRig(load_blanks(), port="socket", speed=None, streaming=False) as rig:
        with attach(rig) as port:
            port.write(b"identify\n")
            assert port.read(10)
            threading.Event().wait(0.2)
        assert len(waits) < 30
        assert waits[-1] is None


def test_a_taken_port_and_an_unknown_kind_are_said():
    first = open_transport("socket")
    try:
        taken = int(first.url.rpartition(":")[2])
        with pytest.raises(PortError, match="gets no port"):
            open_transport("socket", taken)
    finally:
        first.close()
    with pytest.raises(ValueError, match="no port kind"):
        open_transport("modem")


def test_nothing_imported_at_start_needs_unix():
    """As on Windows: the modules that only Unix has cannot be imported there."""
    missing = ["fcntl", "termios", "tty", "pty", "resource", "grp", "pwd"]
    code = f"import sys\nsys.modules.update(dict.fromkeys({missing!r}))\nimport rig.virtual\nprint('fine')"
    said = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert said.stdout == "fine\n", said.stderr


def test_without_pseudo_terminals_it_is_tcp(monkeypatch):
    monkeypatch.delattr(os, "openpty", raising=False)
    transport = open_transport("auto")
    transport.close()
    assert transport.url.startswith("socket://127.0.0.1:")
    with pytest.raises(PortError, match="no pseudo-terminals"):
        open_transport("pty")
