"""How far openings are from the truth: missed, invented, and errors in units of ``q / sqrt(12)``.

``q / sqrt(12)``, with ``q`` = 360 degrees / counts, is the RMS error of an ideal reader that
rounds to a count (JCGM 100:2008, 4.3.7, H.6.2).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import own_pins
import pytest
from informed import Law, late_us, law_of_own, law_of_virtual
from openings_score import HEAD, Score, openings_of, unit_deg
from own_pins import Pins
from virtual_runs import CHATTER, Scenario, trembling

from rig.pins.recording import PinRecording
from rig.session.session import signal_settings
from rig.signal.events import Settings
from rig.virtual.contacts import NOISES, Noise

pytestmark = pytest.mark.bench

UNEQUAL = (0.0, 0.25, -0.1, 0.15)

VIRTUAL = (
    Scenario("chatter", 0.05, noise=CHATTER),
    Scenario("chatter and drop-outs", 0.05, noise=Noise(dropouts=1.0)),
    Scenario("3 deg/s", 0.1, speed_deg_s=3.0, seeds=6),
    Scenario("30 deg/s", 0.05, speed_deg_s=30.0),
    Scenario("150 deg/s", 0.05, speed_deg_s=150.0),
    Scenario("300 deg/s", 0.05, speed_deg_s=300.0),
    Scenario("backlash 1.2 deg, turned back", 0.05, backlash_deg=1.2, backs=True, seeds=5),
    Scenario("2400 counts", 0.05, counts=2400),
    Scenario("8192 counts", 0.05, counts=8192),
    Scenario("encoder mounted reversed", 0.05, direction=-1),
    Scenario("tremor 0.1 deg at 30 deg/s", 0.1, speed_deg_s=30.0, hand=trembling(0.1)),
    Scenario("tremor 0.3 deg at 10 deg/s", 0.1, speed_deg_s=10.0, hand=trembling(0.3)),
    Scenario("creep 3 deg/s, tremor 0.02 deg", 0.1, speed_deg_s=3.0, hand=trembling(0.02), seeds=6),
    Scenario("dirty at 30 deg/s", 0.1, speed_deg_s=30.0, noise=NOISES["dirty"], seeds=20),
    Scenario("unequal states, after 4 s", 0.1, states=UNEQUAL, from_s=4.0),
    Scenario("dirty at 300 deg/s", 0.5, speed_deg_s=300.0, noise=NOISES["dirty"], seeds=12),
)
"""By the virtual rig, each from pins and by way of the line format."""

OWN = (
    ("chatter", 0.05, Pins()),
    ("chatter, 300 deg/s", 0.05, Pins(speed_deg_s=300.0)),
    ("8192 counts", 0.05, Pins(counts=8192)),
    ("creep 3 deg/s", 0.1, Pins(speed_deg_s=3.0, turns=4.5)),
    ("creep 3 deg/s, 2400 counts", 0.1, Pins(counts=2400, speed_deg_s=3.0, turns=4.5)),
    ("tremor 0.1 deg RMS at 30 deg/s", 0.1, Pins(speed_deg_s=30.0, tremor_deg=0.1)),
    ("dirty at 30 deg/s", 0.1, Pins(speed_deg_s=30.0, dropouts=3.0, spikes=5.0)),
    ("dirty at 300 deg/s", 0.5, Pins(speed_deg_s=300.0, dropouts=3.0, spikes=5.0)),
    ("unequal states, after 4 s", 0.1, Pins(duty=(0.55, 0.47), phase=0.22)),
    ("very unequal, 2400, after 4 s", 0.1, Pins(counts=2400, duty=(0.6, 0.45), phase=0.3)),
)
"""By the bench's own simulator, from pins."""

HARD = (
    Scenario("dirty at 60 deg/s", 0.1, speed_deg_s=60.0, noise=NOISES["dirty"], seeds=20),
    Scenario("dirty at 150 deg/s", 0.1, speed_deg_s=150.0, noise=NOISES["dirty"]),
    Scenario("closed gaps to 3 ms", 0.1, noise=NOISES["gaps"]),
    Scenario("drop-outs crowd before parting", 1.5, noise=NOISES["crowded"]),
    Scenario("both, spikes and drop-outs too", 5.0, noise=NOISES["worst"]),
)
OWN_HARD = (
    ("dirty at 60 deg/s", 0.1, Pins(speed_deg_s=60.0, dropouts=3.0, spikes=5.0)),
    ("dirty at 150 deg/s", 0.2, Pins(speed_deg_s=150.0, dropouts=3.0, spikes=5.0)),
    ("closed gaps to 3 ms", 0.1, Pins(longest_gap_us=3000.0)),
    ("drop-outs crowd before parting", 0.5, Pins(crowd=2.0)),
    ("both", 5.0, Pins(crowd=2.0, longest_gap_us=3000.0)),
)
"""Where noise and parting can hardly be told apart: the figure is a limit that the reader keeps,
and beside the error stands what a reader could reach that was told the laws of the noise."""


@pytest.fixture(scope="module")
def table() -> Iterator[list[Score]]:
    """Collects the rows and prints them at the end."""
    rows: list[Score] = []
    yield rows
    print("\n" + "\n".join([HEAD, *(score.row() for score in rows)]))


def of_virtual(scenario: Scenario, way: str, folder: Path, law: Law | None = None) -> Score:
    score = Score(scenario.name, way, scenario.aim)
    settings = signal_settings(scenario.profile())
    for run, batches, truth in scenario.runs(way, folder):
        found = openings_of(batches, settings)
        score.add(run, found, truth, scenario.counts, scenario.from_s)
        if law is not None:
            sure = [true for true in truth if not true.doubtful]
            units_us = 1e-6 * scenario.speed_deg_s / unit_deg(scenario.counts)
            score.reach += [units_us * late for late in late_us(batches, sure, law)]
    return score


def of_own(
    name: str, aim: float, pins: Pins, folder: Path, law: Law | None = None, seeds: int = 3
) -> Score:
    score = Score(name, "own", aim)
    path = folder / "own.vcd"
    for seed in range(seeds):
        truth = own_pins.write(path, pins, seed)
        batches = list(PinRecording(path, None, pins.counts).batches())
        found = openings_of(batches, Settings(pins.counts))
        score.add(f"seed {seed}", found, truth, pins.counts, 4.0 if "after 4 s" in name else 0.0)
        if law is not None:
            sure = [true for true in truth if not true.doubtful]
            units_us = 1e-6 * pins.speed_deg_s / unit_deg(pins.counts)
            score.reach += [units_us * late for late in late_us(batches, sure, law)]
    return score


@pytest.mark.parametrize("way", ["pins", "line"])
@pytest.mark.parametrize("scenario", VIRTUAL, ids=lambda s: s.name)
def test_virtual(scenario: Scenario, way: str, tmp_path: Path, table: list[Score]) -> None:
    table.append(of_virtual(scenario, way, tmp_path))
    table[-1].hold()


@pytest.mark.parametrize(("name", "aim", "pins"), OWN, ids=[name for name, *_ in OWN])
def test_own(name: str, aim: float, pins: Pins, tmp_path: Path, table: list[Score]) -> None:
    table.append(of_own(name, aim, pins, tmp_path))
    table[-1].hold()


@pytest.mark.parametrize("scenario", HARD, ids=lambda s: s.name)
def test_hard(scenario: Scenario, tmp_path: Path, table: list[Score]) -> None:
    law = law_of_virtual(scenario.noise, scenario.speed_deg_s)
    table.append(of_virtual(scenario, "pins", tmp_path, law))
    table[-1].hold(none_wrong=False)


@pytest.mark.parametrize(("name", "aim", "pins"), OWN_HARD, ids=[name for name, *_ in OWN_HARD])
def test_own_hard(name: str, aim: float, pins: Pins, tmp_path: Path, table: list[Score]) -> None:
    table.append(of_own(name, aim, pins, tmp_path, law_of_own(pins), seeds=6))
    table[-1].hold(none_wrong=False)
