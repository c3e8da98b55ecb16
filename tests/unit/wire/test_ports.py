"""Which port the rig is on, and the same rig again after it was unplugged."""

from __future__ import annotations

import os
import sys
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from rounds import ROUNDS
from serial.tools.list_ports_common import ListPortInfo

from rig.base.errors import InputError, RigLostError
from rig.wire import ports
from rig.wire.line import encode
from rig.wire.ports import AnotherRigError, Place, Port, find_rig, open_port
from rig.wire.records import Identity

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="pseudo-terminals are of POSIX systems"
)

HELLO = encode("I", 0, "1", "1000", "2", "bench")
OTHER_HELLO = encode("I", 0, "1", "960", "2", "bench")
POSITION = encode("P", 1, "4E20", "5", "0", "0", "1", "0")
BENCH = Identity(0.0, 1, 4096, 2, "bench")


@pytest.fixture(autouse=True)
def _short_listening(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports, "LISTEN_S", 0.3)
    monkeypatch.setattr(ports, "clock_s", ROUNDS)


@contextmanager
def device(said: bytes = b"") -> Iterator[tuple[str, list[bytes]]]:
    """A port where something says ``said`` over and over; its name, and what it was told."""
    far, near = os.openpty()
    tty.setraw(near)
    os.set_blocking(far, False)
    over, heard = threading.Event(), list[bytes]()

    def talk() -> None:
        with ROUNDS.say() as turn:
            while not over.wait(0.01):
                with suppress(BlockingIOError):
                    if said:
                        os.write(far, said)
                with suppress(BlockingIOError):
                    heard.append(os.read(far, 100))
                ROUNDS.turn(turn)

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield os.ttyname(near), heard
    finally:
        over.set()
        thread.join()
        os.close(far)
        os.close(near)


def known(monkeypatch: pytest.MonkeyPatch, *devices: str, **serials: str) -> None:
    """The system knows these ports; the last one's adapter has ``serial``, if given."""
    found = [ListPortInfo(each) for each in devices]
    if serials:
        found[-1].vid, found[-1].pid, found[-1].serial_number = 0x1209, 1, serials["serial"]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: found)


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ("/dev/null", "this device is not a serial port; rig ports lists the ports"),
        ("file", "this is a file, not a serial port"),
        ("folder", "this is a folder, not a serial port"),
        ("pipe", "this is a pipe, not a serial port"),
    ],
)
def test_what_is_no_port_at_all(tmp_path: Path, what: str, words: str) -> None:
    path = Path(what) if what.startswith("/") else tmp_path / what
    if what == "file":
        path.write_text("")
    elif what == "folder":
        path.mkdir()
    elif what == "pipe":
        os.mkfifo(path)
    with pytest.raises(InputError) as error:
        open_port(str(path))
    assert str(error.value).startswith(f"{path}: {words}")


def test_a_rig_of_another_version_is_not_taken() -> None:
    hello = encode("I", 0, "2", "1000", "2", "rig-of-tomorrow")
    with device(hello + POSITION) as (newer, _), device(HELLO + POSITION) as (ours, _):
        with pytest.raises(RigLostError, match="uses another version of the line format than"):
            find_rig([newer])
        with find_rig([newer, ours]) as port:
            assert port.url == ours


def test_a_rig_that_is_hardly_heard_is_reported() -> None:
    dirt = b"\xff\xfe\xfd" * 3000  # of the last 8 kB hardly anything is sound
    with (
        device(dirt + b"\n" + POSITION) as (url, _),
        pytest.raises(RigLostError, match=f"{url}: (few lines arrive intact|only garbage)"),
    ):
        find_rig([url])


def test_what_was_heard_in_asking_is_read_again() -> None:
    with device(HELLO + POSITION) as (url, _), open_port(url) as port:
        place = Place.of(port)
        port.close()
        with place.again(BENCH) as back:
            assert back.read().count(HELLO) >= 1


def test_the_same_rig_under_a_new_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """A port that was there all along is not written to; one that is new is asked."""
    with (
        device(HELLO + POSITION) as (old, _),
        device(b"G0 X10\r\n") as (machine, told),
        device(b"Temp: 21.5 C\r\n") as (stranger, asked),
        device(HELLO + POSITION) as (new, _),
    ):
        known(monkeypatch, old, machine)
        with open_port(old) as port:
            place = Place.of(port)
        monkeypatch.setattr(ports, "open_port", lambda url, baud: refused(url, baud, old))
        known(monkeypatch, machine, stranger)
        with pytest.raises(RigLostError, match="there is no such port") as error:
            place.again(BENCH)
        assert not isinstance(error.value, AnotherRigError)
        known(monkeypatch, machine, stranger, new)
        with place.again(BENCH) as back:
            assert back.url == new
    assert told == []
    assert b"?\n" in b"".join(asked)


def refused(url: str, baud: int, gone: str) -> Port:
    if url == gone:
        raise InputError(f"{url}: there is no such port")
    return open_port(url, baud)


def test_an_adapter_is_known_by_its_serial_before_the_rig_speaks(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with device(HELLO + POSITION) as (old, _), device() as (new, _), device() as (third, _):
        known(monkeypatch, old, serial="Q7")
        with open_port(old) as port:
            place = Place.of(port)
        monkeypatch.setattr(ports, "open_port", lambda url, baud: refused(url, baud, old))
        known(monkeypatch, third, new, serial="Q8")
        with pytest.raises(RigLostError):
            place.again(BENCH)
        known(monkeypatch, third, new, serial="Q7")
        with place.again(BENCH) as back:
            assert back.url == new


def test_another_rig_is_reported_and_not_taken() -> None:
    with device(HELLO + POSITION) as (url, _), open_port(url) as port:
        place = Place.of(port)
    with device(OTHER_HELLO + POSITION) as (url, _):
        elsewhere = Place(url, place.baud, place.usb, place.others)
        with pytest.raises(AnotherRigError) as error:
            elsewhere.again(BENCH)
        assert f"another rig is on {url}: bench, 2 contact inputs, 2400 counts" in (
            str(error.value)
        )
        assert error.value.status == 3
        with elsewhere.again(None) as back:  # it never said who it was, so this may be it
            assert back.url == url
