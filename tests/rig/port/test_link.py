import errno
import os
import socket
import stat
import sys
import threading
from types import SimpleNamespace

import pytest
import serial
from serial.rfc2217 import PortManager

from rig.errors import PortError
from rig.port.link import LinkLostError, PortInfo, SerialLink, list_ports, open_link, seen
from rig.port.refusal import holders_of, refusal

on_unix = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
on_linux = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")


def two_ports():
    return (PortInfo("/dev/ttyUSB0", "USB Serial"), PortInfo("/dev/ttyACM1"))


old_threading = pytest.mark.filterwarnings(
    "ignore:set(Daemon|Name):DeprecationWarning"
)  # inside pyserial 3.5


def no_ports():
    return ()


def read_until(link, count):
    """Read pieces until `count` bytes have come; a hang would be the test's failure by its own time-out."""
    got = b""
    for _ in range(10_000):
        got += link.read()
        if len(got) >= count:
            return got
    raise AssertionError(f"only {len(got)} of {count} bytes came")


@pytest.fixture
def terminal():
    """A real pseudo-terminal: the board's end and the name of the computer's end."""
    board, computer = os.openpty()
    name = os.ttyname(computer)
    os.close(computer)
    ends = SimpleNamespace(board=board, name=name)
    yield ends
    if ends.board is not None:
        os.close(ends.board)


def refusing(error):
    def opener(url, **settings):
        def fail():
            raise error

        return SimpleNamespace(open=fail, close=lambda: None)

    return opener


# the real thing, over a pseudo-terminal


@on_unix
def test_bytes_pass_through_a_terminal_unchanged_both_ways(terminal):
    every = bytes(range(256))
    with open_link(terminal.name) as link:
        os.write(terminal.board, every)
        assert read_until(link, 256) == every
        link.write(every)
        assert os.read(terminal.board, 1000) == every


@on_unix
def test_silence_gives_no_bytes_within_the_waiting_time(terminal):
    with open_link(terminal.name, wait_s=0.01) as link:
        assert link.read() == b""


@on_unix
def test_a_second_open_is_refused_as_taken(terminal):
    with open_link(terminal.name), pytest.raises(PortError, match=r"is taken.*close the other program"):
        open_link(terminal.name)


@on_linux
def test_a_taken_port_names_who_holds_it(terminal):
    with open_link(terminal.name), pytest.raises(PortError, match=rf"taken by .*process {os.getpid()}"):
        open_link(terminal.name)


@on_unix
def test_a_closed_port_can_be_opened_again(terminal):
    open_link(terminal.name).close()
    with open_link(terminal.name) as link:
        os.write(terminal.board, b"again")
        assert read_until(link, 5) == b"again"


@on_unix
def test_pulling_the_plug_keeps_what_came_before_and_is_said_in_one_line(terminal):
    link = open_link(terminal.name)
    os.write(terminal.board, b"R 1 2 3 ABCD\n")
    assert read_until(link, 13) == b"R 1 2 3 ABCD\n"
    os.close(terminal.board)
    terminal.board = None
    with pytest.raises(LinkLostError, match=r"went away.*cable"):
        link.read()
    with pytest.raises(LinkLostError, match="went away"):
        link.write(b"stop\n")
    link.close()
    link.close()


@on_unix
def test_using_a_closed_link_is_the_callers_mistake(terminal):
    link = open_link(terminal.name)
    link.close()
    with pytest.raises(ValueError, match="closed"):
        link.read()
    with pytest.raises(ValueError, match="closed"):
        link.write(b"x")


@on_unix
def test_a_file_and_a_folder_are_no_serial_ports(tmp_path):
    file = tmp_path / "notes.txt"
    file.write_text("not a port")
    for path in (file, tmp_path, "/dev/null"):
        with pytest.raises(
            PortError, match=r"is no serial port; ports seen here: /dev/ttyUSB0 \(USB Serial\)"
        ):
            open_link(str(path), ports=two_ports)
    assert file.read_text() == "not a port"


# sockets and loop://


@pytest.fixture
def board_socket():
    server = socket.create_server(("127.0.0.1", 0))
    yield server
    server.close()


def test_bytes_pass_through_a_socket_unchanged_both_ways(board_socket):
    data = bytes(range(256)) * 2000
    with open_link(f"socket://127.0.0.1:{board_socket.getsockname()[1]}") as link:
        board, _ = board_socket.accept()
        with board:
            sender = threading.Thread(target=board.sendall, args=(data,))
            sender.start()
            got = read_until(link, len(data))
            sender.join()
            assert got == data
            link.write(b"identify\n")
            assert board.recv(100) == b"identify\n"


def test_a_socket_hands_over_many_bytes_at_once(board_socket):
    with open_link(f"socket://127.0.0.1:{board_socket.getsockname()[1]}") as link:
        board, _ = board_socket.accept()
        with board:
            board.sendall(b"x" * 4000)
            pieces = []
            while sum(map(len, pieces)) < 4000:
                pieces.append(link.read())
    assert len([p for p in pieces if p]) <= 4


def test_a_socket_that_closes_is_a_lost_link_after_its_last_bytes(board_socket):
    with open_link(f"socket://127.0.0.1:{board_socket.getsockname()[1]}") as link:
        board, _ = board_socket.accept()
        board.sendall(b"last words")
        board.close()
        assert read_until(link, 10) == b"last words"
        with pytest.raises(LinkLostError, match="went away"):
            link.read()


def test_a_silent_socket_gives_no_bytes_within_the_waiting_time(board_socket):
    with open_link(f"socket://127.0.0.1:{board_socket.getsockname()[1]}", wait_s=0.01) as link:
        assert link.read() == b""


@old_threading
def test_bytes_pass_through_a_network_serial_server_unchanged(board_socket):
    """RFC 2217, against the server part that pyserial itself ships."""

    def serve():
        connection, _ = board_socket.accept()
        with connection, serial.serial_for_url("loop://", timeout=0.01) as port:
            connection.settimeout(0.01)
            manager = PortManager(port, SimpleNamespace(write=connection.sendall))
            while True:
                try:
                    data = connection.recv(1000)
                except TimeoutError:
                    data = None
                except OSError:
                    break
                if data == b"":
                    break
                port.write(b"".join(manager.filter(data or b"")))
                waiting = port.read(port.in_waiting)
                if waiting:
                    connection.sendall(b"".join(manager.escape(waiting)))

    server = threading.Thread(target=serve)
    server.start()
    every = bytes(range(256)) * 4
    with open_link(f"rfc2217://127.0.0.1:{board_socket.getsockname()[1]}") as link:
        link.write(every)
        assert read_until(link, len(every)) == every
    server.join()


@pytest.mark.parametrize(
    "error",
    [serial.SerialException("Remote does not seem to support RFC2217 or BINARY mode"), BrokenPipeError()],
)
def test_a_server_that_speaks_no_rfc_2217_is_told_from_nobody(error):
    with pytest.raises(PortError, match=r"does not speak RFC 2217; try socket://bench:4000"):
        open_link("rfc2217://bench:4000", opener=refusing(error))


def test_a_port_that_fails_half_way_through_opening_is_closed():
    closed = []
    port = SimpleNamespace(
        open=lambda: (_ for _ in ()).throw(OSError(errno.EIO, "x")), close=lambda: closed.append(1)
    )
    with pytest.raises(PortError):
        open_link("/dev/ttyUSB0", opener=lambda url, **settings: port, ports=no_ports)
    assert closed


def test_nobody_at_a_socket_is_said(board_socket):
    number = board_socket.getsockname()[1]
    board_socket.close()
    with pytest.raises(PortError, match="nobody answers at socket"):
        open_link(f"socket://127.0.0.1:{number}")


@pytest.mark.parametrize("url", ["socket://bench", "socket://bench:port", "socket://:99999", "rfc2217://"])
def test_a_socket_that_is_written_wrong_says_how_to_write_it(url):
    with pytest.raises(PortError, match="://HOST:PORT"):
        open_link(url)


def test_a_loop_gives_back_what_it_got():
    with open_link("loop://") as link:
        link.write(b"there and back")
        assert read_until(link, 14) == b"there and back"


@pytest.mark.parametrize(
    ("url", "baud", "says"),
    [
        ("loop://", -5, "cannot run at -5 baud"),
        ("nonsense://x", 9600, "is not understood"),
        ("", 9600, "no port is named"),
        ("  ", 9600, "no port is named"),
    ],
)
def test_a_call_that_cannot_be_is_one_clear_line(url, baud, says):
    with pytest.raises(PortError, match=says):
        open_link(url, baud, ports=two_ports)


# ports that do not open


def test_an_unknown_port_lists_the_ports_seen():
    with pytest.raises(PortError) as caught:
        open_link("/dev/ttyNOPE7" if sys.platform != "win32" else "COM250", ports=two_ports)
    assert str(caught.value).endswith("ports seen here: /dev/ttyUSB0 (USB Serial), /dev/ttyACM1")


def test_no_port_at_all_is_said_so():
    assert "no serial port at all" in seen(no_ports())


@on_linux
def test_no_permission_names_the_devices_group(tmp_path, monkeypatch):
    import grp

    device = tmp_path / "ttyUSB0"
    device.touch()
    monkeypatch.setattr(grp, "getgrgid", lambda number: SimpleNamespace(gr_name="uucp"))
    error = serial.SerialException(errno.EACCES, "could not open port")
    with pytest.raises(
        PortError, match=r"you may not open .*join the group uucp: run  sudo usermod -a -G uucp"
    ):
        open_link(str(device), opener=refusing(error), ports=no_ports)
    assert stat.S_ISREG(device.stat().st_mode)


@pytest.mark.parametrize(
    ("platform", "text", "says"),
    [
        (
            "win32",
            "could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)",
            "is taken",
        ),
        (
            "win32",
            "could not open port 'COM9': FileNotFoundError(2, 'The system cannot find', None, 2)",
            "there is no port",
        ),
        ("darwin", "[Errno 16] could not open port", "does not open"),
    ],
)
def test_what_other_systems_hide_in_the_text_is_found(platform, text, says):
    assert says in str(refusal("COM3", 9600, serial.SerialException(text), two_ports, platform))


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.EBUSY, "is taken"),
        (errno.EAGAIN, "is taken"),
        (errno.ENXIO, "there is no port"),
        (errno.EIO, "does not answer the computer"),
        (errno.ENOSPC, "does not open"),
    ],
)
def test_every_refusal_is_one_line_that_says_what_to_do(number, says):
    error = serial.SerialException(number, "could not open port")
    with pytest.raises(PortError) as caught:
        open_link("/dev/ttyUSB0", opener=refusing(error), ports=two_ports)
    line = str(caught.value)
    assert says in line
    assert "; " in line
    assert "\n" not in line


@pytest.mark.parametrize(
    "trouble",
    [
        serial.SerialException(
            "device reports readiness to read but returned no data (... multiple access on port?)"
        ),
        OSError(errno.EIO, "Input/output error"),
        OSError(errno.ENXIO, "Device not configured"),  # macOS
        serial.SerialException("ClearCommError failed (PermissionError(13, 'Access is denied.', None, 5))"),
    ],
)
def test_every_way_a_port_goes_away_is_a_lost_link(trouble):
    class Gone:
        timeout = 0.1

        @property
        def in_waiting(self):
            raise trouble

        def read(self, size):
            return b""

        def write(self, data):
            raise trouble

        def close(self):
            raise trouble

    link = SerialLink(Gone(), "/dev/ttyUSB0")
    with pytest.raises(LinkLostError):
        link.read()
    with pytest.raises(LinkLostError):
        link.write(b"x")
    link.close()


@on_unix
def test_a_terminal_error_that_is_no_os_error_is_a_lost_link_too():
    import termios

    class Gone:
        timeout = 0.1

        @property
        def in_waiting(self):
            raise termios.error(5, "Input/output error")

        def read(self, size):
            return b""

    with pytest.raises(LinkLostError):
        SerialLink(Gone(), "/dev/ttyUSB0").read()


def test_a_board_that_takes_nothing_is_said():
    class Full:
        timeout = 0.1

        def write(self, data):
            raise serial.SerialTimeoutException("Write timeout")

    with pytest.raises(PortError, match="takes no commands"):
        SerialLink(Full(), "COM3").write(b"stop\n")


# listing


def test_usb_ports_are_listed_first_with_what_tells_them_apart():
    found = [
        SimpleNamespace(
            device="/dev/ttyS0", description="n/a", vid=None, pid=None, serial_number=None, location=None
        ),
        SimpleNamespace(
            device="/dev/ttyUSB0",
            description="USB Serial",
            vid=0x1A86,
            pid=0x7523,
            serial_number=None,
            location="1-2",
        ),
    ]
    ports = list_ports(lambda: found)
    assert [str(port) for port in ports] == ["/dev/ttyUSB0 (USB Serial)", "/dev/ttyS0"]
    assert ports[0].vid_pid == (0x1A86, 0x7523)
    assert ports[0].location == "1-2"


def test_the_computers_own_ports_can_be_listed():
    assert all(isinstance(port, PortInfo) for port in list_ports())


def test_a_process_that_may_not_be_looked_into_is_passed_over(tmp_path):
    (tmp_path / "123").mkdir()
    (tmp_path / "self").mkdir()
    assert holders_of("/dev/ttyUSB0", tmp_path) == ()
