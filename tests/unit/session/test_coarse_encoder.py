"""An encoder of few counts a turn whose states are unequal: what is valid is within 0.1 degrees.

The pins are worked out here: boundaries at stated places of the disc, times by a stated movement.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from launch_engine import launch_engine

from rig.base.earlier_rules import EarlierRule
from rig.base.uncertainty import Source
from rig.engine.profile import Encoder
from rig.pins.recording import PinRecording
from rig.session.hindsight import Hindsight
from rig.session.session import Session
from rig.signal.events import Opening, Reason, Settings
from rig.signal.openings import OpeningFinder, replay
from rig.tdc.reference import TdcReference
from rig.wire.records import Batch, Note

LOBES_DEG = [7.0 + 31.7 * n for n in range(11)]  # all over the states
WRONG_DEG = 0.1


def t_us(deg: float, speed_deg_s: float) -> float:
    """Forward, a tenth faster and slower than even, every 50 degrees."""
    return 1e6 * (deg + 0.8 * math.sin(deg / 8.0)) / speed_deg_s + 1e6


def written(path: Path, counts: int, off: tuple[float, ...], turns: float, speed: float) -> Path:
    """Pins: boundary k is ``off[k % 4]`` counts beyond its even place. The index is at 0."""
    rows = [(0.0, "0a 0b 0z 0c")]
    count_deg = 360.0 / counts
    states = ["0a 0b", "1a 0b", "1a 1b", "0a 1b"]
    for k in range(-11, int(turns * counts)):
        rows.append((t_us((k + off[k % 4]) * count_deg, speed), states[k % 4]))
    for turn in range(int(turns) + 1):
        for lobe_deg in LOBES_DEG:
            at_deg = 360.0 * turn + lobe_deg
            rows += [(t_us(at_deg, speed), "1c"), (t_us(at_deg + 11.0, speed), "0c")]
        rows += [(t_us(360.0 * turn + 0.4, speed), "1z"), (t_us(360.0 * turn + 1.3, speed), "0z")]
    end_us = t_us(turns * 360.0 - 2.0, speed)
    lines = ["$timescale 1us $end", *(f"$var wire 1 {n} {n} $end" for n in ("a", "b", "z"))]
    lines += ["$var wire 1 c contact1 $end", "$enddefinitions $end"]
    for at_us, same in itertools.groupby(sorted(rows), key=lambda row: round(row[0])):
        if at_us < end_us:
            lines += [f"#{at_us}", *(text for _, text in same)]
    path.write_text("\n".join([*lines, f"#{round(end_us)}"]), "ascii")
    return path


def found(path: Path, counts: int) -> list[Opening]:
    finder = OpeningFinder(Settings(counts))
    batches = PinRecording(path, None, counts).batches()
    openings = [e for _, events in replay(finder, batches) for e in events]
    placed = Hindsight(finder).placed
    return [placed(each) for each in openings if isinstance(each, Opening)]


def error_deg(opening: Opening) -> float:
    assert opening.crank_deg is not None
    place = (opening.crank_deg + 0.4) % 360.0
    return min((place - lobe_deg for lobe_deg in LOBES_DEG), key=abs)


OFF = st.floats(-0.3, 0.3)


@settings(max_examples=12, deadline=None)
@given(st.sampled_from([400, 1000, 1440, 2400]), st.tuples(OFF, OFF, OFF, OFF))
def test_no_valid_opening_is_wrong_by_unequal_states(
    tmp_path_factory: pytest.TempPathFactory, counts: int, off: tuple[float, ...]
) -> None:
    path = tmp_path_factory.mktemp("pins") / "pins.vcd"
    openings = found(written(path, counts, off, 2.0, 90.0), counts)
    valid = [each for each in openings if each.valid]
    assert len(valid) > 15  # of 22, those of the first 20 degrees are not
    assert max(abs(error_deg(each)) for each in valid) < WRONG_DEG


def test_a_recording_too_short_to_measure_the_states_has_no_reading(tmp_path: Path) -> None:
    path = written(tmp_path / "pins.vcd", 400, (0.0, 0.3, -0.2, 0.1), 0.6, 90.0)
    (*_, last) = found(path, 400)
    assert last.rejection is not None
    assert last.rejection.reason is Reason.STATES_NOT_MEASURED
    assert last.rejection.data == pytest.approx((13.7,), abs=0.05)  # 0.9 degrees in 65.5 ms


@pytest.mark.parametrize(("turns", "rules", "rejected"), [
    (0.6, set(), True), (2.0, set(), False), (0.6, {EarlierRule.STATES_NOT_MEASURED}, False),
])  # fmt: skip
def test_readings_of_a_job_are_valid_once_the_states_are_measured(
    turns: float, rules: set[EarlierRule], rejected: bool, tmp_path: Path
) -> None:
    """Also those from before. By the rule of earlier versions they always were."""
    path = written(tmp_path / "pins.vcd", 400, (0.0, 0.3, -0.2, 0.1), turns, 90.0)
    session = Session(replace(launch_engine(), encoder=Encoder(400)), rules=rules)
    for _ in session.replay(PinRecording(path, None, 400).batches()):
        session.readings()  # those that were worked out earlier change
    reasons = [each.rejection.reason for each in session.readings() if each.rejection]
    assert reasons.count(Reason.STATES_NOT_MEASURED) == (len(reasons) - 1 if rejected else 0)
    assert reasons[0] is Reason.SHORT_APPROACH


INDEX_DEG = 0.4


def touched(path: Path, counts: int, off: tuple[float, ...], stop_deg: tuple[float, float]) -> Path:
    """Pins: a turn forward, then to a piston stop at ``stop_deg`` both ways three times, held there
    for a second each time."""
    rows, at_s = [(0.0, "0a 0b 0z 0c")], 1.0
    states = ["0a 0b", "1a 0b", "1a 1b", "0a 1b"]
    forward, back = 360.0 + stop_deg[0], stop_deg[1]
    count_deg = 360.0 / counts
    places = [(k + off[k % 4]) * count_deg for k in range(2 * counts)]
    for start, end in itertools.pairwise([-2.0, forward, *(back, forward) * 3]):
        step = 1 if end > start else -1
        low, high = sorted((start, end))
        passed = [(k, deg) for k, deg in enumerate(places) if low < deg < high][::step]
        rows += [
            (1e6 * (at_s + abs(deg - start) / 90.0), states[(k if step > 0 else k - 1) % 4])
            for k, deg in passed
        ]
        for pulse, deg in (
            ("0z" if step < 0 else "1z", INDEX_DEG),
            ("1z" if step < 0 else "0z", 1.3),
        ):
            rows += [
                (1e6 * (at_s + abs(turn + deg - start) / 90.0), pulse)
                for turn in (0.0, 360.0) if low < turn + deg < high
            ]  # fmt: skip
        at_s += (high - low) / 90.0 + 1.0
    lines = ["$timescale 1us $end", *(f"$var wire 1 {n} {n} $end" for n in ("a", "b", "z"))]
    lines += ["$var wire 1 c contact1 $end", "$enddefinitions $end"]
    for at_us, same in itertools.groupby(sorted(rows), key=lambda row: round(row[0])):
        lines += [f"#{at_us}", *(text for _, text in same)]
    path.write_text("\n".join([*lines, f"#{round(at_s * 1e6)}"]), "ascii")
    return path


def tdc_of(path: Path, counts: int, rules: Collection[EarlierRule] = ()) -> TdcReference:
    encoder = Encoder(counts)
    session = Session(replace(launch_engine(), encoder=encoder), rules=rules)
    session.take(Batch(others=[Note(0.0, "stop-in", {"cylinder": 1})]))
    (*batches,) = PinRecording(path, None, counts).batches()
    for _ in session.replay(batches):
        pass
    session.take(Batch(others=[Note(1e9, "stop-out", {})]))
    assert session.reference is not None, session.stop_result
    return session.reference


@settings(max_examples=5, deadline=None)
@given(st.tuples(OFF, OFF, OFF, OFF), st.tuples(st.integers(0, 3), st.integers(0, 3)))
def test_a_touch_is_at_the_middle_of_its_count(
    tmp_path_factory: pytest.TempPathFactory, off: tuple[float, ...], more: tuple[int, int]
) -> None:
    """However wide the encoder's states are. The uncertainty of a place in a state of width w has
    the variance w^2 / 12 (JCGM 100, 4.3.7), and a place is in it with a probability of w / 4."""
    bounds = [(k + off[k % 4]) * 0.9 for k in range(400)]
    before, after = (first + more for first, more in zip((110, 180), more, strict=True))
    stop_deg = bounds[before] + 0.1, bounds[after] + 0.1
    path = touched(tmp_path_factory.mktemp("pins") / "pins.vcd", 400, off, stop_deg)
    tdc = tdc_of(path, 400)
    middles = [(bounds[k] + bounds[k + 1]) / 2.0 for k in (before, after)]
    assert tdc.tdc_deg == pytest.approx(sum(middles) / 2.0 - INDEX_DEG, abs=0.02)
    (counting,) = (p.u_deg for p in tdc.uncertainty.parts if p.source is Source.COUNTING)
    widths = [1.0 + off[(k + 1) % 4] - off[k % 4] for k in range(4)]
    width_deg = 0.9 * math.sqrt(sum(w**3 for w in widths) / 4.0)
    assert counting == pytest.approx(width_deg / math.sqrt(24.0), rel=0.02)


def test_tdc_by_the_rule_of_earlier_versions(tmp_path: Path) -> None:
    """As if the states were equal, so that their certificates verify."""
    path = touched(tmp_path / "pins.vcd", 400, (0.0, 0.0, 0.3, 0.0), (100.0, 160.0))
    now, then = (tdc_of(path, 400, rules) for rules in ((), {EarlierRule.TOUCHES_AS_EVEN}))
    assert abs(now.tdc_deg - then.tdc_deg) > 0.05
    assert then.uncertainty.U_deg < now.uncertainty.U_deg
