"""The three pin recordings, through the firmware: every edge, count and neighbour."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from agree import check
from said import lines, of, read_dump, truth
from simulated_chip import FIXTURES, NOTES, START_US, Chip, chip, first_chip, second_chip

from rig.engine.engine_file import load_profile
from rig.virtual.rig import pin_recording

__all__ = ["chip", "first_chip", "second_chip"]

EXAMPLE = NOTES.parent / "rig" / "job" / "example.toml"

COUNTS = {"backlash": 4096, "chatter": 4096, "coarse": 2400}
END_S = {"backlash": 37.5, "chatter": 31.0, "coarse": 12.6}
"""As much of each as has openings of each kind: both lobes, and (backlash) after the crank was
turned back."""


def on(chip: str, name: str, *, slow: bool = True) -> Any:
    return pytest.param(chip, name, marks=pytest.mark.slow if slow else ())


@pytest.mark.parametrize(
    ("chip", "name"),
    [on("first_chip", "chatter", slow=False), *(on("second_chip", name) for name in COUNTS)],
    indirect=["chip"],
)
def test_beginning(chip: Chip, name: str) -> None:
    end_us = 6.8e6
    changes = [c for c in read_dump(FIXTURES / f"{name}.vcd", START_US) if c[0] < end_us]
    ran = chip.run(changes, seconds=end_us / 1e6 + 0.6)
    errors = check(lines(ran.said), truth(changes))
    assert errors.edges >= 20
    assert errors.worst_us <= 5
    assert errors.mean_us <= 1


def through_the_firmware(recording: Path, counts_per_turn: int, folder: Path) -> Path:
    """The command of the notes: what the firmware sends, as a capture."""
    capture = folder / "capture"
    command = [sys.executable, str(NOTES / "simulator" / "run_pins.py"), str(recording)]
    command += [str(capture), "--counts-per-turn", str(counts_per_turn)]
    subprocess.run(command, check=True)
    return capture


def openings(recording: Path, counts_per_turn: int, tdc_deg: float) -> list[dict[str, Any]]:
    command = [sys.executable, "-m", "rig", "read", str(recording), "--json"]
    command += ["--counts-per-turn", str(counts_per_turn), "--tdc-deg", str(tdc_deg)]
    read = subprocess.run(command, check=True, capture_output=True)
    found: list[dict[str, Any]] = json.loads(read.stdout)["openings"]
    return found


def same_openings(recording: Path, counts_per_turn: int, tdc_deg: float, folder: Path) -> int:
    """Openings read through the firmware are those read straight from the pins."""
    capture = through_the_firmware(recording, counts_per_turn, folder)
    straight = openings(recording, counts_per_turn, tdc_deg)
    through = openings(capture, counts_per_turn, tdc_deg)
    for name in ("unit", "valid", "why"):
        assert [o[name] for o in through] == [o[name] for o in straight], name
    # Capture time counts from the first record, so only its differences can be compared.
    first = next(iter(straight), None)
    for one, other in zip(through, straight, strict=True):
        assert first is not None
        since_s = one["t_s"] - through[0]["t_s"], other["t_s"] - first["t_s"]
        assert since_s[0] == pytest.approx(since_s[1], abs=20e-6)
        if other["btdc_deg"] is None:
            assert one["btdc_deg"] is None
        else:
            # 20 us at 60 turns a minute
            assert one["btdc_deg"] == pytest.approx(other["btdc_deg"], abs=0.0072)
    return len(straight)


def beginning(recording: Path, end_s: float, folder: Path) -> Path:
    """The first ``end_s`` seconds of a dump."""
    text = recording.read_text()
    end = next(m for m in re.finditer(r"#(\d+)\n", text) if int(m[1]) > end_s * 1e6)
    cut = folder / "beginning.vcd"
    cut.write_text(text[: end.end()])
    return cut


@pytest.mark.slow
@pytest.mark.parametrize("name", COUNTS)
def test_openings_of_recordings(first_chip: Chip, name: str, tmp_path: Path) -> None:
    truth_of = json.loads((FIXTURES / f"{name}.json").read_text())
    counts, end_s = COUNTS[name], END_S[name]
    recording = beginning(FIXTURES / f"{name}.vcd", end_s, tmp_path)
    instants = [o["t"] for unit in truth_of["units"].values() for o in unit["openings"]]
    expected = sum(t_s < end_s for t_s in instants)
    assert expected >= 4
    found = same_openings(recording, counts, truth_of["tdc_deg_after_index"], tmp_path)
    assert found >= expected
    said = (tmp_path / "capture").read_bytes()
    said = b"\n".join(line for line in said.split(b"\n") if not line.startswith(b"#"))
    errors = check(lines(said), truth(read_dump(recording, START_US)))
    assert errors.worst_us <= 5
    assert errors.mean_us <= 1
    assert all(line[1] == counts for line in of(lines(said), "I"))


@pytest.mark.slow
@pytest.mark.parametrize("seed", [3, 11])
def test_openings_of_virtual_runs(first_chip: Chip, seed: int, tmp_path: Path) -> None:
    """A hand that trembles, contacts that chatter: the pins of the rig in software."""
    profile = load_profile(EXAMPLE)
    recording = tmp_path / "pins.vcd"
    with recording.open("w") as out:
        pin_recording("turn 1500 at 120", profile, out, seed)
    assert same_openings(recording, profile.encoder.counts_per_turn, 0.0, tmp_path) >= 4
