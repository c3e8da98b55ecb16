"""How far openings are from the truth by way of the firmware on a simulated chip.

The pins of the virtual rig go to the chip; what its firmware sends is read as a rig is read. Needs
the tools of ``firmware_notes``.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from statistics import median

import pytest
from openings_score import HEAD, Score, TrueOpening, openings_of
from simulated_chip import NOTES, Chip, first_chip
from virtual_runs import CHATTER, Scenario, trembling

from rig.session.session import signal_settings
from rig.signal.events import Opening
from rig.virtual.contacts import NOISES
from rig.wire.capture import CaptureReader

__all__ = ["first_chip"]
pytestmark = pytest.mark.bench

AIM = 0.3
CHIP_LATE_US = 19_300.0
"""A recording begins 20 ms after power on, the chip's clock some 0.7 ms after it."""

SCENARIOS = (
    Scenario("45 deg/s", AIM, seeds=5),
    Scenario("45 deg/s, 2400 counts", AIM, counts=2400, seeds=5),
    Scenario("120 deg/s, 8192 counts", AIM, counts=8192, speed_deg_s=120.0, seeds=5),
    Scenario("300 deg/s", AIM, speed_deg_s=300.0, seeds=5),
    Scenario("300 deg/s, 2400 counts", AIM, counts=2400, speed_deg_s=300.0, seeds=5),
    Scenario("chatter at 150 deg/s", AIM, speed_deg_s=150.0, noise=CHATTER, seeds=5),
    Scenario("dirty at 30 deg/s", AIM, speed_deg_s=30.0, noise=NOISES["dirty"], seeds=5),
    Scenario("tremor 0.1 deg at 60 deg/s", AIM, speed_deg_s=60.0, hand=trembling(0.1), seeds=5),
)


@pytest.fixture(scope="module")
def table() -> Iterator[list[Score]]:
    """Collects the rows and prints them at the end."""
    rows: list[Score] = []
    yield rows
    print("\n" + "\n".join([HEAD, *(score.row() for score in rows)]))


def on_the_chips_clock(truth: Sequence[TrueOpening], found: Sequence[Opening]) -> list[TrueOpening]:
    """The truth with the constant difference of the two clocks, taken from the middle one."""
    late_us = median(
        min((o.t_us - t.t_s * 1e6 for t in truth if t.input == o.input),
            key=lambda us: abs(us - CHIP_LATE_US))
        for o in found
    )  # fmt: skip
    return [true._replace(t_s=true.t_s + late_us * 1e-6) for true in truth]


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda s: s.name)
def test_by_way_of_the_firmware(
    scenario: Scenario, first_chip: Chip, tmp_path: Path, table: list[Score]
) -> None:
    """Both units, over at least 200 openings."""
    score = Score(scenario.name, "chip", scenario.aim)
    settings = signal_settings(scenario.profile())
    for seed in range(scenario.seeds):
        recording, truth = scenario.recording(seed, tmp_path)
        capture = tmp_path / f"{seed}.capture"
        command = [sys.executable, str(NOTES / "simulator" / "run_pins.py"), str(recording)]
        command += [str(capture), "--counts-per-turn", str(scenario.counts)]
        subprocess.run(command, check=True)
        found = openings_of(CaptureReader(capture).batches(), settings)
        score.add(f"seed {seed}", found, on_the_chips_clock(truth, found), scenario.counts)
    table.append(score)
    score.hold()
    assert {error.input for error in score.errors} == {1, 2}
