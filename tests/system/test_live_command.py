"""``rig live`` without a terminal: plain lines, how it ends, and what is left when it does."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest
from device import Device
from made_job import copied, rig

from rig.virtual.rig import demo_profile, run
from rig.wire.capture import CaptureReader
from rig.wire.line import encode


@pytest.fixture(scope="module")
def speech() -> list[bytes]:
    """Two crank turns as the rig tells them, in pieces for one every 20 ms or so."""
    lines = [line for _, line in run("turn 800 at 110", demo_profile(), 7).lines]
    return [b"".join(lines[i : i + 12]) for i in range(0, len(lines), 12)]


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return copied(tmp_path)


def newest(job: Path) -> Path:
    return max((job / "captures").iterdir(), key=lambda path: path.stat().st_mtime)


def ended(capture: Path) -> bool:
    reader = CaptureReader(capture)
    for _ in reader.batches():
        pass
    return reader.ended and not reader.altered


@pytest.mark.slow
def test_it_reads_and_ends_by_itself(job: Path, speech: list[bytes]) -> None:
    with Device(speech) as device:
        ran = rig("live", job, "--port", device.port, "--seconds", "1.7")
    assert ran.status == 0
    assert (ran.out + ran.err).replace("\n", "").isprintable()
    assert "upper, full advance: " in ran.out
    assert "° BTDC" in ran.out
    assert f"capture:     {newest(job)}" in ran.out
    assert "no certificate was saved; rig certify makes one from the capture" in ran.out
    assert ended(newest(job))
    answer = rig("read", newest(job), "--json").answer
    assert len(answer["openings"]) >= 8


def test_it_saves_a_certificate_when_asked_to(job: Path, speech: list[bytes]) -> None:
    with Device(speech) as device:
        ran = rig("live", job, "--port", device.port, "--seconds", "1.2", "--save")
    assert ran.status in (0, 1)
    (line,) = [line for line in ran.out.splitlines() if line.startswith("certificate: ")]
    assert rig("verify", line.removeprefix("certificate: ")).status == 0


@pytest.mark.slow
def test_a_rig_that_goes_away_for_good_ends_with_status_3(
    job: Path, speech: list[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", list)
    with Device(visits=[speech[:30]], gone=True) as device:
        ran = rig("live", job, "--port", device.port, "--seconds", "2")
    assert ran.status == 3
    assert f"RIG LOST: {device.port}: the connection was closed at the other end\n" in ran.out
    assert "the rig is back" not in ran.out.partition("RIG LOST")[2]
    assert ended(newest(job))  # what was read is kept, in order
    (gap,) = [line for line in newest(job).read_text().splitlines() if line.startswith("# gap ")]
    assert (
        '"cause":"read failed: socket disconnected"' in gap
    )  # the library's words are for the record alone
    assert "socket disconnected" not in ran.out + ran.err


@pytest.mark.slow
def test_a_rig_that_comes_back_goes_on(
    job: Path, speech: list[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.live.live_session.AGAIN_S", 0.05)
    with Device(visits=[speech[:40], speech]) as device:
        ran = rig("live", job, "--port", device.port, "--seconds", "6")
    assert ran.status == 0
    assert "RIG LOST: " in ran.out
    assert "the rig is back" in ran.out.partition("RIG LOST: ")[2]
    text = newest(job).read_bytes()
    assert text.index(b"# gap ") < text.index(b"# back ") < text.index(b"# end ")
    assert len(rig("read", newest(job), "--json").answer["openings"]) >= 8


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="there is no such signal")
def test_an_interrupt_ends_it_in_order(job: Path, speech: list[bytes]) -> None:
    with (
        Device(speech, again=True) as device,
        subprocess.Popen(
            [sys.executable, "-u", "-m", "rig", "live", str(job), "--port", device.port],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as running,
    ):
        assert running.stdout is not None
        for line in running.stdout:  # as soon as something was read
            if "BTDC" in line:
                break
        running.send_signal(signal.SIGINT)
        out, err = running.communicate(timeout=20)
    assert running.returncode == 0
    assert err == "stopped; the capture is kept\n"
    assert f"capture:     {newest(job)}" in out
    assert ended(newest(job))


OTHER_VERSION = [encode("I", n, "2", "1000", "2", "rig-of-tomorrow") for n in range(50)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("pieces", "sentence"),
    [
        ([], "nothing is received: check that the rig is powered and that this is its port"),
        ([b"$WIND,12.5,knots\r\n"], "another device answers, not a rig: it sends"),
        ([b"\xf8\x00\x1b\x99\n"], "only garbage is received: probably not 500000 baud (--baud)"),
        (OTHER_VERSION, "the rig uses version 2 of the line format, this program 1"),
    ],
    ids=["silence", "another device", "wrong baud rate", "another version"],
)
def test_what_is_no_rig_is_said_while_it_is_listened_to(
    job: Path, monkeypatch: pytest.MonkeyPatch, pieces: list[bytes], sentence: str
) -> None:
    monkeypatch.setattr("rig.live.live_session.SILENT_AFTER_S", 0.3)
    with Device(pieces, again=True) as device:
        ran = rig("live", job, "--port", device.port, "--seconds", "2.5")
    assert f"the rig: {sentence}" in ran.out
    assert ran.out.count(sentence) == 1
    assert "the rig is back" not in ran.out
    assert (ran.out + ran.err).replace("\n", "").isprintable()
    assert ended(newest(job))


@pytest.mark.slow
def test_wrong_wiring_is_said_while_it_is_listened_to(job: Path, speech: list[bytes]) -> None:
    text = (job / "engine.toml").read_text("utf-8")
    (job / "engine.toml").write_text(text.replace("input = 2", "input = 7"), "utf-8")
    with Device(speech) as device:
        ran = rig("live", job, "--port", device.port, "--seconds", "1")
    assert "the rig: lower: contact input 7 is entered, but the rig has inputs 1 to 2" in ran.out
