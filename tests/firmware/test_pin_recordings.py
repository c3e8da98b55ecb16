"""The three pin recordings, through the firmware: every edge, count and neighbour."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from agree import check
from said import lines, of, read_dump, truth
from simulated_chip import FIXTURES, NOTES, START_US, Chip, chip

__all__ = ["chip"]

COUNTS = {"backlash": 4096, "chatter": 4096, "coarse": 2400}


@pytest.mark.parametrize("name", COUNTS)
def test_beginning(chip: Chip, name: str) -> None:
    end_us = 6.8e6
    changes = [c for c in read_dump(FIXTURES / f"{name}.vcd", START_US) if c[0] < end_us]
    ran = chip.run(changes, seconds=end_us / 1e6 + 0.6)
    errors = check(lines(ran.said), truth(changes))
    assert errors.edges >= 20
    assert errors.worst_us <= 5
    assert errors.mean_us <= 1


@pytest.mark.slow
@pytest.mark.parametrize("name", COUNTS)
def test_whole_by_the_command_of_the_notes(chip: Chip, name: str, tmp_path: Path) -> None:
    recording, said = FIXTURES / f"{name}.vcd", tmp_path / "said"
    subprocess.run(
        [
            *(sys.executable, str(NOTES / "simulator" / "run_pins.py")),
            *(str(recording), str(said), "--counts-per-turn", str(COUNTS[name])),
        ],
        check=True,
    )
    found = lines(said.read_bytes())
    errors = check(found, truth(read_dump(recording, START_US)))
    assert errors.worst_us <= 5
    assert errors.mean_us <= 1
    assert all(line[1] == COUNTS[name] for line in of(found, "I"))
