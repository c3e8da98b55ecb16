"""The firmware on a simulated chip, for tests. A machine without the tools skips these tests;
where CI_REQUIRE_FIRMWARE=1 a missing tool is a failure.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import run_pins
from run_pins import BOARDS, build

NOTES = Path(__file__).resolve().parents[2] / "firmware_notes"
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures" / "pins"

START_US = run_pins.START_US

Change = tuple[float, str, int]  # time, pin, level
Event = tuple[float, str]  # time, what happens (as in chip.c)


def _compiles(compiler: list[str], *headers: str) -> bool:
    text = "".join(f"#include <{header}>\n" for header in headers)
    command = [*compiler, "-x", "c", "-fsyntax-only", "-"]
    done = subprocess.run(command, input=text.encode(), capture_output=True, check=False)
    return done.returncode == 0


def _missing() -> list[str]:
    tools = ("make", "cc", "avr-gcc", "avr-objcopy", "avr-nm")
    missing = [tool for tool in tools if shutil.which(tool) is None]
    if not missing and not _compiles(["avr-gcc", "-mmcu=atmega328p"], "avr/io.h"):
        missing.append("avr-libc")
    if not missing and not _compiles(["cc"], "simavr/sim_avr.h", "gelf.h"):
        missing.append("libsimavr-dev and libelf-dev")
    return missing


@dataclass(frozen=True)
class Ran:
    said: bytes
    stack_room_bytes: int
    stack_used_bytes: int


class Chip:
    """Builds and runs; one build for each encoder."""

    board, image = "atmega328p", ".hex"
    clocks = ("clock_turns_us", "identity_us", "position_us", "widths_us", "health_us", "second_us")
    measures_supply, dip_cause = True, 4
    keeps_up_us = 1000  # noise that comes no faster is seen whole (no faster than any here)
    too_fast = 120_000  # counts a second
    floods_per_s = (70e3, 200e3)  # noise that it cannot follow ...
    flood_ms = 1.6  # ... for so long at most: its ring is full before
    clock_begins_us = 680  # after power on, about

    def __init__(self) -> None:
        self._elf: dict[int, Path] = {}
        self.command = list(BOARDS[self.board].command)
        """What runs the firmware: options and the ELF follow."""

    def elf(self, counts_per_turn: int = 2400) -> Path:
        if counts_per_turn not in self._elf:
            self._elf[counts_per_turn] = build(counts_per_turn, self.board)[1]
        return self._elf[counts_per_turn]

    def run(
        self, changes: Iterable[Change], events: Iterable[Event] = (), seconds: float = 0
    ) -> Ran:
        """Lets the pins change, and the events happen, as fast as possible.

        ``seconds`` of simulated time, or half a second after the last event.
        """
        told = [(t_us, f"pin {pin} {level}") for t_us, pin, level in changes]
        happens = sorted([*told, *events], key=lambda event: event[0])
        text = "".join(f"{t_us:.4f} {what}\n" for t_us, what in happens)
        command = [*self.command, "--facts"]
        if seconds:
            command += ["--seconds", str(seconds)]
        command.append(str(self.elf()))
        done = subprocess.run(command, input=text.encode(), capture_output=True, check=False)
        assert done.returncode == 0, done.stderr
        words = done.stderr.decode().split()
        assert words[0::2] == ["stack_room_bytes", "stack_used_bytes", "cycles"], done.stderr
        return Ran(done.stdout, int(words[1]), int(words[3]))


class SecondChip(Chip):
    """The second board's, on an emulator that npm installs when it is first needed."""

    board, image = "rp2040", ".bin"
    clocks = ("clock_ahead_us", *Chip.clocks[1:])
    keeps_up_us, too_fast = 7, 500_000
    floods_per_s, flood_ms = (300e3, 500e3), 8.0
    measures_supply, dip_cause = False, 1  # a dip looks like power on
    clock_begins_us = 0


def _needs(missing: list[str]) -> None:
    if missing:
        needs = f"the firmware is not run here: no {', '.join(missing)}"
        if os.environ.get("CI_REQUIRE_FIRMWARE") == "1":
            pytest.fail(needs)
        pytest.skip(needs)


@pytest.fixture(scope="session")
def first_chip() -> Chip:
    """The first board's chip."""
    _needs(_missing())
    return Chip()


@pytest.fixture(scope="session")
def second_chip() -> SecondChip:
    """The second board's chip."""
    _needs([tool for tool in BOARDS["rp2040"].tools if shutil.which(tool) is None])
    return SecondChip()


@pytest.fixture(
    scope="session", params=["first_chip", pytest.param("second_chip", marks=pytest.mark.slow)]
)
def chip(request: pytest.FixtureRequest) -> Chip:
    """The chip of each board in turn."""
    found = request.getfixturevalue(request.param)
    assert isinstance(found, Chip)
    return found


def turning(
    counts_per_s: float, begin_us: float, end_us: float, first: int = 0, step: int = 1
) -> Iterator[Change]:
    """A and B of an encoder turned evenly, from quadrature state ``first``."""
    states = [(0, 0), (1, 0), (1, 1), (0, 1)]
    state, t_us = first, begin_us
    while t_us < end_us:
        a, b = states[state]
        state = (state + step) % 4
        if states[state][0] != a:
            yield t_us, "a", 1 - a
        else:
            yield t_us, "b", 1 - b
        t_us += 1e6 / counts_per_s
