"""The chip at real time, on a pseudo-terminal: as a board at a port."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from said import dropped, lines, of
from simulated_chip import FIXTURES, NOTES, Chip
from simulated_chip import first_chip as chip

__all__ = ["chip"]

pytestmark = pytest.mark.slow

RUN_PINS = str(NOTES / "simulator" / "run_pins.py")


@contextmanager
def board(command: list[str], text: str = "") -> Iterator[int]:
    """Runs a live chip; gives its line, opened."""
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as live:
        assert live.stdin is not None
        assert live.stdout is not None
        try:
            live.stdin.write(text.encode())
            live.stdin.flush()
            path = live.stdout.readline().decode().strip()
            line = os.open(path, os.O_RDWR | os.O_NOCTTY)
            yield line
            os.close(line)
        finally:
            live.kill()


def hear(line: int, seconds: float) -> bytes:
    said, end = b"", time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0:
        if select.select([line], [], [], left)[0]:
            said += os.read(line, 65536)
    return said


def whole(said: bytes) -> bytes:
    """From the first whole line on."""
    return said[said.index(b"\n") + 1 :]


def test_recording_at_real_time(chip: Chip) -> None:
    command = [sys.executable, RUN_PINS, str(FIXTURES / "coarse.vcd"), "--live"]
    with board(command) as line:
        said = hear(line, 4.0)
    found = lines(said)
    assert [found[0].kind, found[1].kind] == ["R", "I"]
    assert dropped(found) == 0
    times = [line_[0] for line_ in of(found, "P")]
    assert times[-1] - times[0] == pytest.approx(4e6, abs=1.5e6)  # the pace of a clock, not faster
    assert len(of(found, "C")) > 0


def test_question_from_the_host(chip: Chip) -> None:
    with board([str(chip.program), "--live", str(chip.elf())], "0 pin a 1\n") as line:
        said = hear(line, 0.5)
        os.write(line, b"?\n")
        said += hear(line, 0.8)
    assert len(of(lines(said), "I")) == 2


def test_host_that_does_not_read(chip: Chip) -> None:
    """Bytes are lost on the way, as on a cable; the chip goes on and the gap can be seen."""
    text = "".join(f"{1e5 + i * 400:.1f} pin contact1 {1 - i % 2}\n" for i in range(5000))
    with board([str(chip.program), "--live", str(chip.elf())], text) as line:
        early = hear(line, 0.3)
        time.sleep(2.5)
        hear(line, 0.1)  # what had stayed in between
        late = hear(line, 1.0)
    before, after = lines(early), lines(whole(late))
    assert (after[0].number - before[-1].number) % 65536 > 100
    assert dropped(after) == 0
    assert not of(after, "R")
    assert of(after, "P")


def test_wrong_use_of_the_command(tmp_path: Path) -> None:
    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, RUN_PINS, *arguments], check=False, capture_output=True, text=True
        )

    assert run().returncode == 2
    assert run("a.vcd").returncode == 2
    assert run("a.vcd", "said", "--live").returncode == 2
    missing = run(str(tmp_path / "none.vcd"), str(tmp_path / "said"))
    assert missing.returncode == 2
    assert "none.vcd" in missing.stderr or "not on this machine" in missing.stderr
    assert "Traceback" not in missing.stderr
