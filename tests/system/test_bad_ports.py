"""No port, the wrong port, a port that is taken, and something else than a rig at its end."""

from __future__ import annotations

import errno
import os
import random
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from device import Device
from made_job import finished, refused, rig
from rounds import ROUNDS
from serial.tools.list_ports_common import ListPortInfo

from rig.virtual.rig import demo_profile, run
from rig.wire.line import encode
from rig.wire.ports import open_port

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals")

TALK = b"$WIND,12.5,knots\r\n"
GARBAGE = random.Random(3).randbytes(60)


@pytest.fixture(autouse=True)
def _short_listening(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rig.wire.ports.LISTEN_S", 0.2)
    monkeypatch.setattr("rig.wire.ports.clock_s", ROUNDS)


@pytest.fixture(scope="module")
def job() -> Path:
    return finished().folder


@pytest.fixture(scope="module")
def speech() -> list[bytes]:
    """What a rig says in the first seconds, in pieces of a few lines."""
    lines = [line for _, line in run("rest 1\nturn 90 at 90", demo_profile(), 7).lines]
    return [b"".join(lines[i : i + 4]) for i in range(0, len(lines), 4)]


def ports_are(monkeypatch: pytest.MonkeyPatch, *devices: str) -> None:
    """The system knows these ports and no other."""
    known = [ListPortInfo(device) for device in devices]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: known)


def test_no_such_port(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ports_are(monkeypatch, "/dev/ttyQ7")
    said = refused(2, "live", job, "--port", "/dev/ttyQ9")
    assert "/dev/ttyQ9: there is no such port; this computer has: /dev/ttyQ7" in said


@posix_only
def test_what_is_no_port(job: Path) -> None:
    said = refused(2, "live", job, "--port", "/dev/null")
    assert "/dev/null: this device is not a serial port; rig ports lists the ports" in said
    said = refused(2, "live", job, "--port", job / "engine.toml")
    assert "engine.toml: this is a file, not a serial port" in said


def test_a_rig_of_another_version_is_not_taken(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    newer = [encode("I", n, "2", "1000", "2", "rig-of-tomorrow") for n in range(50)]
    with Device(newer, again=True) as device:
        ports_are(monkeypatch, device.port)
        said = refused(3, "live", job)
    assert f"{device.port}: the rig uses another version of the line format than this" in said


def test_nothing_listens_at_the_address(job: Path) -> None:
    with Device() as gone:
        port = gone.port
    said = refused(3, "live", job, "--port", port)
    assert f"{port}: nothing answers at this address; the connection was refused" in said


def test_a_port_of_no_known_sort(job: Path) -> None:
    said = refused(2, "live", job, "--port", "teapot://shelf")
    assert "teapot://shelf: this port cannot be opened" in said


def test_a_computer_without_ports(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ports_are(monkeypatch)
    said = refused(3, "live", job)
    assert "this computer has no serial port: plug the rig in, name its port with --port" in said
    listed = rig("ports")
    assert listed.status == 0
    assert "this computer has no serial port" in listed.out


@pytest.fixture
def pty() -> Iterator[str]:
    ours, theirs = os.openpty()
    name = os.ttyname(theirs)
    os.close(theirs)  # so that only those who open it by name have it
    yield name
    os.close(ours)


@posix_only
def test_a_port_that_is_taken_by_another_program(job: Path, pty: str) -> None:
    hold = f"import serial, sys; s = serial.Serial({pty!r}, exclusive=True); print(); input()"
    with subprocess.Popen(
        [sys.executable, "-c", hold], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        holder.stdout.readline()
        said = refused(2, "live", job, "--port", pty)
        assert f"{pty}: the port is in use by " in said
        assert "close that program, then try again" in said
        if sys.platform == "linux":  # where it can be known who holds it
            assert f"(process {holder.pid})" in said
        holder.communicate(b"\n")


@posix_only
def test_a_port_that_is_taken_by_this_program(pty: str) -> None:
    with open_port(pty), pytest.raises(Exception, match="the port is in use by"):
        open_port(pty)


@posix_only
def test_a_port_that_this_user_may_not_open(
    job: Path, pty: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def forbidden(*_: object, **__: object) -> None:
        raise serial.SerialException(errno.EACCES, "Permission denied")

    monkeypatch.setattr("serial.serial_for_url", forbidden)
    said = refused(2, "live", job, "--port", pty)
    assert f"{pty}: you may not open this port; " in said
    assert "sudo usermod -a -G" in said or "ask the administrator of this computer" in said


@pytest.mark.slow
@pytest.mark.parametrize(
    ("pieces", "sentence"),
    [
        ([], "nothing is received: check that the rig is powered and that this is its port"),
        ([TALK], "another device answers, not a rig: it sends '$WIND,12.5,knots'"),
        ([GARBAGE], "only garbage is received: probably not 500000 baud (--baud), or not a rig"),
        ([b"\x1b[2J\x1b[31mhello\x07\r\n"], "only garbage is received"),
    ],
    ids=["silence", "another device", "wrong baud rate", "control codes"],
)
def test_no_rig_at_the_end_of_the_line(
    job: Path, monkeypatch: pytest.MonkeyPatch, pieces: list[bytes], sentence: str
) -> None:
    monkeypatch.setattr("rig.wire.ports.RATES", (500_000,))
    with Device(pieces, again=True) as device:
        ports_are(monkeypatch, device.port)
        said = refused(3, "live", job)
    assert f"no rig answers: {device.port}: {sentence}" in said
    assert list((job / "captures").iterdir()) == [finished().capture]  # no empty capture left


@pytest.mark.slow
def test_no_port_has_a_rig(monkeypatch: pytest.MonkeyPatch) -> None:
    with Device() as device:
        ports_are(monkeypatch, device.port)
        found = rig("ports", "--find", "--json")
    assert found.status == 3
    assert found.answer["rig"] is None
    assert [port["device"] for port in found.answer["ports"]] == [device.port]
    assert f"no rig answers: {device.port}: nothing is received" in found.err


@pytest.mark.slow
def test_the_one_rig_is_found_among_other_devices(
    monkeypatch: pytest.MonkeyPatch, speech: list[bytes]
) -> None:
    with Device([TALK], again=True) as other, Device(speech, again=True) as wanted:
        ports_are(monkeypatch, other.port, wanted.port)
        found = rig("ports", "--find", "--json")
    assert found.status == 0
    assert found.answer["rig"] == {"port": wanted.port, "baud": 500_000}
    assert b"?\n" in wanted.heard


def test_of_two_rigs_the_person_has_to_say_which(
    monkeypatch: pytest.MonkeyPatch, speech: list[bytes], job: Path
) -> None:
    with Device(speech, again=True) as one, Device(speech, again=True) as two:
        ports_are(monkeypatch, one.port, two.port)
        said = refused(2, "live", job)
    assert "rigs answer on" in said
    assert one.port in said
    assert two.port in said
    assert "choose one with --port" in said


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--port", "socket://"), "expected socket://HOST:PORT"),
        (("--port", "socket://127.0.0.1"), "expected socket://HOST:PORT"),
        (("--port", "socket://127.0.0.1:99999"), "a port from 1 to 65535"),
        (("--port", "rfc2217://"), "expected rfc2217://HOST:PORT"),
        (("--port", os.devnull, "--baud", "0"), "baud rate 0: enter 50 to 12000000"),
        (("--port", os.devnull, "--baud", "-5"), "baud rate -5: enter 50 to 12000000"),
        (("--port", os.devnull, "--baud", "9" * 20), "enter 50 to 12000000"),
        (("--baud", "ten"), "'ten' is not a whole number"),
    ],
)
def test_a_port_or_baud_rate_that_cannot_be_gets_a_sentence(
    job: Path, options: tuple[str, ...], why: str
) -> None:
    said = refused(2, "live", job, *options)
    assert why in said
    assert "Traceback" not in said
