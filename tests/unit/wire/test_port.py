"""Ports: opened for this program alone, with one sentence for whatever is wrong."""

from __future__ import annotations

import errno
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
import serial
from rounds import ROUNDS

from rig.base.errors import InputError, RigLostError
from rig.wire import ports
from rig.wire.line import encode
from rig.wire.ports import Port, _why_lost, _why_not, diagnose, find_rig, list_ports, open_port

posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are of POSIX systems")

IDENTITY = encode("I", 0, "1", "1000", "2", "bench")
POSITION = encode("P", 1, "4E20", "5", "0", "0", "1", "0")


class Device:
    """The far end of a pseudo-terminal."""

    def __init__(self) -> None:
        self.far, self._near = os.openpty()
        self.name = os.ttyname(self._near)

    def unplug(self) -> None:
        for handle in (self.far, self._near):
            if handle >= 0:
                os.close(handle)
        self.far = self._near = -1


@pytest.fixture
def device() -> Iterator[Device]:
    made = Device()
    yield made
    made.unplug()


def gathered(port: Port, size: int) -> bytes:
    seen = b""
    until = time.monotonic() + 60
    while len(seen) < size and time.monotonic() < until:
        seen += port.read()
    return seen


@posix
def test_bytes_go_both_ways(device: Device) -> None:
    with open_port(device.name) as port:
        assert port.is_open
        assert (port.url, port.baud) == (device.name, 500_000)
        os.write(device.far, POSITION)
        assert gathered(port, len(POSITION)) == POSITION
        port.write(b"?\n")
        assert os.read(device.far, 10) == b"?\n"
    assert not port.is_open
    port.close()


@posix
def test_silence_is_not_waited_for_long(device: Device) -> None:
    with open_port(device.name) as port:
        start = time.monotonic()
        assert port.read() == b""
        assert time.monotonic() - start < 60.0  # it waits 20 ms; a busy machine may add to that


@posix
def test_a_port_in_use_names_its_holder(device: Device) -> None:
    code = (
        "import serial, sys; p = serial.Serial(sys.argv[1], exclusive=True);"
        " print('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, device.name], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"open\n"
        with pytest.raises(InputError) as error:
            open_port(device.name)
        assert f"{device.name}: the port is in use by" in str(error.value)
        if sys.platform == "linux":
            assert f"(process {holder.pid})" in str(error.value)
        assert holder.stdin is not None
        holder.stdin.close()
    open_port(device.name).close()


@posix
def test_a_port_in_use_by_this_program(device: Device) -> None:
    with open_port(device.name), pytest.raises(InputError, match="is in use by"):
        open_port(device.name)


@posix
def test_a_rig_that_is_pulled_out(device: Device) -> None:
    with open_port(device.name) as port:
        device.unplug()
        with pytest.raises(RigLostError, match=r"the rig was unplugged, or lost its power$"):
            gathered(port, 1)
        with pytest.raises(RigLostError, match=r"the rig was unplugged, or lost its power$"):
            port.write(b"?\n")


@pytest.mark.parametrize("name", ["/dev/no-such-block-port", "COM250"])
def test_a_port_that_is_not_there(name: str) -> None:
    with pytest.raises(InputError) as error:
        open_port(name)
    assert f"{name}: there is no such port; this computer has: " in str(error.value)
    assert error.value.status == 2


@posix
def test_a_file_is_no_port(tmp_path: Path) -> None:
    path = tmp_path / "engine.toml"
    path.write_text("")
    with pytest.raises(InputError, match="this is a file, not a serial port"):
        open_port(str(path))


def test_a_kind_of_port_that_nobody_knows() -> None:
    with pytest.raises(InputError, match="this port cannot be opened"):
        open_port("carrier-pigeon://loft")


@posix
def test_a_port_that_is_not_permitted(tmp_path: Path) -> None:
    """The group comes from the device itself; root is never refused, so the refusal is made."""
    import grp

    path = tmp_path / "ttyX"
    path.touch()
    refusal = serial.SerialException(errno.EACCES, f"could not open port {path}")
    group = next(g for g in grp.getgrall() if g.gr_gid not in (0, os.getgid()))
    try:
        os.chown(path, -1, group.gr_gid)
    except PermissionError:  # an ordinary user keeps the group that the file has
        group = grp.getgrgid(path.stat().st_gid)
    said = _why_not(str(path), refusal)
    assert said.startswith(f"{path}: you may not open this port; ")
    assert f"the group {group.gr_name} may: sudo usermod -a -G {group.gr_name} $USER" in said


def test_a_port_in_use_on_windows() -> None:
    """There pyserial tells it as a text only."""
    refusal = serial.SerialException(
        "could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)"
    )
    assert "COM3: the port is in use by another program" in _why_not("COM3", refusal)


@contextmanager
def connected() -> Iterator[tuple[Port, socket.socket]]:
    """A port on a loopback socket, and the far end of it."""
    with (
        socket.create_server(("127.0.0.1", 0)) as listening,
        open_port(f"socket://127.0.0.1:{listening.getsockname()[1]}") as port,
        listening.accept()[0] as far,
    ):
        yield port, far


def test_a_socket_is_a_port() -> None:
    data = bytes(range(256)) * 400
    with connected() as (port, far):
        sending = threading.Thread(target=far.sendall, args=(data,))
        sending.start()
        assert gathered(port, len(data)) == data
        sending.join()
        port.write(b"?\n")
        assert far.recv(10) == b"?\n"
        far.sendall(b"last words")
        far.shutdown(socket.SHUT_RDWR)
        assert gathered(port, 10) == b"last words"  # what came before the end is not lost
        with pytest.raises(RigLostError, match=r"the connection was closed at the other end$"):
            gathered(port, 1)


def test_a_socket_that_nobody_serves() -> None:
    with socket.create_server(("127.0.0.1", 0)) as unused:
        number = unused.getsockname()[1]
    with pytest.raises(RigLostError, match="the connection was refused: no program listens there"):
        open_port(f"socket://127.0.0.1:{number}")


LIBRARY = "device reports readiness to read but returned no data"


@pytest.mark.parametrize("url", ["/dev/ttyUSB0", "COM3", "socket://bench:4000"])
@pytest.mark.parametrize(
    "why",
    [
        serial.SerialException(LIBRARY),
        serial.SerialException(errno.EIO, LIBRARY),
        serial.SerialException(errno.EACCES, LIBRARY),
        serial.SerialException(errno.ECONNREFUSED, LIBRARY),
        serial.SerialException(99999, LIBRARY),
        serial.SerialTimeoutException(LIBRARY),
        OSError(LIBRARY),
        TimeoutError(LIBRARY),
        socket.gaierror(socket.EAI_NONAME, LIBRARY),
        TypeError(LIBRARY),
    ],
)
def test_whatever_the_library_says_the_words_are_ours(url: str, why: Exception) -> None:
    said = [_why_lost(url, why)]
    if isinstance(why, OSError):
        said.append(_why_not(url, why))
    for each in said:
        assert LIBRARY not in each
        assert 15 < len(each) < 160


@posix
def test_what_the_library_says_of_a_lost_rig_is_its_cause(device: Device) -> None:
    with open_port(device.name) as port:
        device.unplug()
        with pytest.raises(RigLostError) as lost:
            gathered(port, 1)
    cause = str(lost.value.__cause__)
    assert cause
    assert cause not in str(lost.value)


def test_listed_ports_are_harmless_text() -> None:
    for port in list_ports():
        texts = (port.description, port.maker, port.serial, port.usb_id)
        assert all(text.isprintable() or not text for text in texts)


@contextmanager
def talking(device: Device, said: bytes) -> Iterator[None]:
    done = threading.Event()
    os.set_blocking(device.far, False)

    def talk() -> None:
        with ROUNDS.say() as turn:
            while not done.wait(0.01):
                with suppress(BlockingIOError):  # nobody reads at present
                    os.write(device.far, said)
                ROUNDS.turn(turn)

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


@posix
def test_the_one_rig_is_found(device: Device, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports, "LISTEN_S", 0.25)
    monkeypatch.setattr(ports, "clock_s", ROUNDS)
    other, third = Device(), Device()
    try:
        with talking(device, IDENTITY + POSITION), talking(third, b"NMEA,12.5,N*7F\r\n"):
            with find_rig([other.name, third.name, device.name]) as port:
                assert port.url == device.name
                assert POSITION in gathered(port, 200)
            with pytest.raises(RigLostError) as error:
                find_rig([other.name, third.name])
            assert f"{other.name}: nothing is received" in str(error.value)
            assert f"{third.name}: another device answers" in str(error.value)
            assert error.value.status == 3
            with talking(other, POSITION), pytest.raises(InputError) as both:
                find_rig([other.name, device.name])
            assert f"{other.name} and {device.name}" in str(both.value)
            open_port(device.name).close()  # all are given back
    finally:
        other.unplug()
        third.unplug()


def test_no_port_at_all() -> None:
    with pytest.raises(RigLostError, match="no serial port"):
        find_rig([])


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        (b"", "nothing is received"),
        (bytes(range(128, 256)) * 3, "garbage"),
        (b"\x00\xf8\x80\x00" * 50, "not 115200 baud"),
        (b"hello \x1b[31m", "garbage"),
        (b"Temp: 21.5 C\r\nTemp: 21.6 C\r\n", "another device answers, not a rig"),
        (encode("I", 0, "2", "1000", "2", "bench"), "another version"),
        (encode("I", 0, "01", "1000", "2", "bench"), ""),
        (b"5 0 0 1 0\n" + POSITION, ""),
        (POSITION[:-3] + b"0\r\n", "another device"),  # no line of it has a good checksum
    ],
)
def test_what_is_heard(seen: bytes, words: str) -> None:
    said = diagnose(seen, 115_200)
    assert words in said
    assert bool(said) == bool(words)
    assert said.isprintable()
