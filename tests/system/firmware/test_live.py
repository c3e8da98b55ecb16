"""The chip at real time, on a pseudo-terminal: as a board at a port."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from said import dropped, lines, of
from simulated_chip import FIXTURES, NOTES, Chip, chip, first_chip, second_chip

__all__ = ["chip", "first_chip", "second_chip"]

pytestmark = pytest.mark.slow

RUN_PINS = str(NOTES / "simulator" / "run_pins.py")


@contextmanager
def board(chip: Chip, *pins: str, text: str = "") -> Iterator[int]:
    """Runs a live chip; gives its line, opened."""
    chip.elf()  # built before the clock starts
    command = [sys.executable, RUN_PINS, *pins, "--live", "--board", chip.board]
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
            live.terminate()


def hear(line: int, enough: Callable[[bytes], bool]) -> bytes:
    """What comes until it is enough; a busy machine may take a minute."""
    said, end = b"", time.monotonic() + 60.0
    while not enough(said):
        assert time.monotonic() < end, said[-300:]
        if select.select([line], [], [], 0.2)[0]:
            said += os.read(line, 65536)
    return said


def positions_us(said: bytes) -> list[int]:
    """Times of the position records in it."""
    return [each[0] for each in of(lines(said), "P")]


def span_us(said: bytes) -> int:
    times = positions_us(said)
    return times[-1] - times[0] if times else 0


def test_recording_at_real_time(chip: Chip) -> None:
    began = time.monotonic()
    with board(chip, str(FIXTURES / "coarse.vcd")) as line:
        said = hear(line, lambda said: span_us(said) >= 2e6)
    found = lines(said)
    assert [found[0].kind, found[1].kind] == ["R", "I"]
    assert dropped(found) == 0
    assert span_us(said) * 1e-6 <= time.monotonic() - began  # never faster than a clock
    assert len(of(found, "C")) > 0


def test_question_from_the_host(chip: Chip) -> None:
    """The answer comes before the identity that is sent every two seconds."""
    with board(chip, "--events", "-", text="0 pin a 1\n") as line:
        said = hear(line, lambda said: len(of(lines(said), "I")) == 1)
        os.write(line, b"?\n")
        said += hear(line, lambda more: len(of(lines(said + more), "I")) == 2)
    assert max(positions_us(said), default=0) < 1.9e6


def test_host_that_does_not_read(chip: Chip) -> None:
    """Bytes are lost on the way, as on a cable; the chip goes on and the gap can be seen."""
    text = "".join(f"{1e5 + i * 400:.1f} pin contact1 {1 - i % 2}\n" for i in range(5000))
    with board(chip, "--events", "-", text=text) as line:
        before = lines(hear(line, lambda said: said.count(b"\n") > 3))[-1]
        after = [before]
        while (after[0].number - before.number) % 65536 < 100:
            time.sleep(0.5)
            while select.select([line], [], [], 0)[0]:
                os.read(line, 65536)  # what had stayed in between
            said = hear(line, lambda said: said.count(b"\n") > 4)
            after = lines(said.split(b"\n", 2)[2])  # the first ones were lost in part
    assert dropped(after) == 0
    assert not of(after, "R")


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
