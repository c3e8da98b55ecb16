"""The terminal window is closed, or the program is asked to end, while a capture is being taken."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from device import Device
from made_job import copied
from paced_rig import SLOW_S, wait_for

from rig.base.streams import ended_in_order
from rig.virtual.rig import demo_profile, run
from rig.wire.capture import CaptureReader

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals are a thing of POSIX")


IN_ITS_WINDOW = "import os, sys; os.login_tty(0); os.execv(sys.argv[1], sys.argv[1:])"


@pytest.fixture(scope="module")
def speech() -> list[bytes]:
    lines = [line for _, line in run("turn 800 at 110", demo_profile(), 7).lines]
    return [b"".join(lines[i : i + 12]) for i in range(0, len(lines), 12)]


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return copied(tmp_path)


def newest(job: Path) -> Path:
    return sorted((job / "captures").iterdir())[-1]


def heard(job: Path, before: Path) -> bool:
    """A capture is being taken, and positions have come."""
    return newest(job) != before and newest(job).read_bytes().count(b"\nP ") > 20


def is_whole(capture: Path) -> bool:
    reader = CaptureReader(capture)
    for _ in reader.batches():
        pass
    return reader.ended and not reader.altered


def live(job: Path, device: Device, *words: str) -> list[str]:
    return [sys.executable, "-m", "rig", "live", str(job), "--port", device.port, *words]


def test_the_window_is_closed_while_live(job: Path, speech: list[bytes]) -> None:
    """The capture is ended in order; the status is that of the work, nobody is left to be told."""
    before = newest(job)
    far, near = os.openpty()
    with Device(speech, again=True) as device:
        running = subprocess.Popen(
            [sys.executable, "-c", IN_ITS_WINDOW, *live(job, device)],
            env={**os.environ, "TERM": "xterm-256color"},
            stdin=near,
            stdout=near,
            stderr=near,
            text=True,
        )
        os.close(near)
        os.set_blocking(far, False)
        shown = b""

        def screen_and_capture() -> bool:
            nonlocal shown
            with contextlib.suppress(BlockingIOError):
                shown += os.read(far, 65536)
            return heard(job, before)

        wait_for(running, screen_and_capture)
        os.close(far)  # the window is gone, with SIGHUP to all that ran in it
        running.wait(timeout=SLOW_S)
    assert b"Traceback" not in shown
    assert running.returncode == 0
    assert is_whole(newest(job))


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM, signal.SIGINT])
def test_plain_lines_end_in_order(job: Path, speech: list[bytes], number: signal.Signals) -> None:
    before = newest(job)
    with Device(speech, again=True) as device:
        running = subprocess.Popen(
            live(job, device, "--plain"),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        wait_for(running, lambda: heard(job, before))
        running.send_signal(number)
        out, err = running.communicate(timeout=SLOW_S)
    assert (running.returncode, err) == (0, "stopped; the capture is kept\n")
    assert f"capture:     {newest(job)}" in out
    assert is_whole(newest(job))


def test_a_signal_that_is_ignored_stays_so() -> None:
    """As under nohup."""
    old = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with ended_in_order() as came:
            os.kill(os.getpid(), signal.SIGHUP)
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
        assert came == []
    finally:
        signal.signal(signal.SIGHUP, old)


def test_other_commands_end_with_the_signal_as_their_status() -> None:
    words = [sys.executable, "-m", "rig", "simulate", "--socket"]
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as running:
        assert running.stdout is not None
        running.stdout.readline()  # it is under way
        running.send_signal(signal.SIGTERM)
        _, err = running.communicate(timeout=SLOW_S)
    assert (running.returncode, err.strip()) == (128 + signal.SIGTERM, "stopped")


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no full device")
def test_lines_that_cannot_be_written_do_not_end_a_capture(job: Path, speech: list[bytes]) -> None:
    with Device(speech) as device, open("/dev/full", "wb", buffering=0) as full:
        words = live(job, device, "--plain", "--seconds", "2")
        done = subprocess.run(words, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 2
    sentence = "rig live: standard output cannot be written: the disk is full; the capture goes on"
    assert done.stderr == sentence + "\n"
    assert is_whole(newest(job))
    assert newest(job).read_bytes().count(b"\nP ") > 20
