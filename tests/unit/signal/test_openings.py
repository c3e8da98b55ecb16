"""The follower on whole streams: the same events however the stream was cut."""

import itertools
import json
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from launch_engine import launch_engine
from rough_pins import Story, by_pins, held

from rig.engine.profile import Profile
from rig.pins.recording import PinRecording
from rig.signal.events import (
    Event,
    Finding,
    IndexPass,
    Opening,
    Reason,
    ReferenceLost,
    Rejection,
    Settings,
)
from rig.signal.openings import OpeningFinder
from rig.virtual.rig import run
from rig.wire.reader import LineReader

PINS = Path(__file__).parents[3] / "fixtures" / "pins"

PLAN = """turn 300 at 90
back 40 at 60
turn 200 at 90
fault corrupt 3
turn 200 at 120
fault lose 2
turn 150 at 120
fault reset
turn 500 at 150
fault illegal 1
turn 400 at 150
fault edges 3
turn 200 at 150
"""


def profile() -> Profile:
    return launch_engine()


@cache
def stream() -> bytes:
    return run(PLAN, profile(), seed=11).data


def follow(data: bytes, cuts: list[int]) -> list[str]:
    reader, follower = LineReader(), OpeningFinder(Settings(profile().encoder.counts_per_turn))
    events: list[Event] = []
    places = sorted({0, len(data), *(cut % len(data) for cut in cuts)})
    for a, b in itertools.pairwise(places):
        for batch in reader.feed(data[a:b]):
            events += follower.take(batch)
    for batch in reader.finish():
        events += follower.take(batch)
    return [repr(event) for event in events + follower.finish()]


def test_the_stream_has_everything_in_it() -> None:
    reader, follower = LineReader(), OpeningFinder(Settings(profile().encoder.counts_per_turn))
    events = [e for batch in reader.feed(stream()) for e in follower.take(batch)]
    kinds = {type(event) for event in events}
    assert {Opening, IndexPass, ReferenceLost} <= kinds
    assert any(e.valid for e in events if isinstance(e, Opening))
    assert Rejection(Reason.BACKWARDS) in {e.rejection for e in events if isinstance(e, Opening)}


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, 10**9), max_size=30))
def test_cut_anywhere_in_any_pieces(cuts: list[int]) -> None:
    assert follow(stream(), cuts) == follow(stream(), [])


@pytest.mark.parametrize("fault", ["corrupt 3", "lose 5"])
@pytest.mark.parametrize("seed", [7, 10])
def test_a_restart_whose_line_is_lost_is_the_same_however_cut(seed: int, fault: str) -> None:
    """In the first two seconds of a rig, by which a record may be late."""
    plan = f"turn 200 at 150\nfault reset\nfault {fault}\nturn 400 at 150\n"
    data = run(plan, profile(), seed).data
    whole = follow(data, [])
    assert sum("restarted" in each for each in whole) >= 1
    for step in (61, 997, 3331):
        assert follow(data, list(range(0, len(data), step))) == whole


def test_a_byte_at_a_time() -> None:
    part = stream()[:20_000]
    assert follow(part, list(range(len(part)))) == follow(part, [])


def read_pins(name: str) -> tuple[dict[str, object], list[Event], float]:
    truth = json.loads((PINS / f"{name}.json").read_text("utf-8"))
    counts = int(truth["counts_per_rev"])
    follower = OpeningFinder(Settings(counts))
    events: list[Event] = []
    for batch in PinRecording(PINS / f"{name}.vcd", None, counts).batches():
        events += follower.take(batch)
    return truth, events + follower.finish(), 360.0 / counts


@pytest.mark.parametrize("name", ["chatter", "coarse", "backlash"])
def test_the_recordings_with_known_truth(name: str) -> None:
    """None missed, none invented, and the error far below an ideal reader's that rounds to a
    count, q/sqrt 12 (JCGM 100, F.2.2.1, from memory). The truth comes with the recordings."""
    truth, events, q_deg = read_pins(name)
    units = truth["units"]
    assert isinstance(units, dict)
    for number, unit in units.items():
        found = [
            e for e in events
            if isinstance(e, Opening) and e.input == int(number) and e.direction >= 0
        ]  # fmt: skip
        true_s = np.array([o["t"] for o in unit["openings"]])
        true_deg = np.array([o["crank_deg"] for o in unit["openings"]])
        assert len(found) == len(true_s)
        assert np.abs(np.array([e.t_us for e in found]) * 1e-6 - true_s).max() < 2e-6
        error = np.array([e.crank_deg for e in found]) - true_deg
        assert math.sqrt(np.mean(error**2)) < 0.05 * q_deg / math.sqrt(12)


def test_readings_soon_after_a_reversal_do_not_count() -> None:
    """In `backlash` the crank is turned back several times; all turned openings are listed, and
    those that follow a reversal within 20 degrees say why they do not count."""
    _, events, _ = read_pins("backlash")
    openings = [e for e in events if isinstance(e, Opening) and e.direction > 0]
    assert all(e.valid == (e.approach_deg >= 20.0) for e in openings)


def test_a_crank_worked_to_and_fro_never_has_approach_enough() -> None:
    plan = "turn 400 at 120\n" + "back 8 at 30\nturn 14 at 30\n" * 40
    data = run(plan, profile(), seed=3).data
    reader, follower = LineReader(), OpeningFinder(Settings(profile().encoder.counts_per_turn))
    events = [e for batch in reader.feed(data) for e in follower.take(batch)]
    last_free_us = max(e.t_us for e in events if isinstance(e, Opening) and e.valid)
    late = [e for e in events if isinstance(e, Opening) and e.t_us > last_free_us]
    forward = [e for e in late if e.direction > 0]
    assert forward
    reasons = {e.rejection.reason for e in forward if e.rejection}
    assert reasons <= {Reason.SHORT_APPROACH, Reason.TURNED_BACK}


def test_nothing_is_concluded_from_a_recording_without_an_index() -> None:
    counts = 4096
    follower = OpeningFinder(Settings(counts))
    events: list[Event] = []
    for batch in PinRecording(PINS / "chatter.vcd", None, counts).batches():
        batch.edges = batch.edges[batch.edges["input"] != 0]
        events += follower.take(batch)
    events += follower.finish()
    openings = [e for e in events if isinstance(e, Opening)]
    assert len(openings) >= 12
    assert all(e.crank_deg is None and not e.valid for e in openings)


def test_findings_are_distinguished() -> None:
    _, events, _ = read_pins("coarse")
    kinds = {e.kind for e in events if isinstance(e, Finding)}
    assert {"drop-out", "spike"} <= kinds


@pytest.mark.parametrize(("speed_deg_s", "unsure"), [(300.0, 1), (100.0, 1), (30.0, 0)])
def test_an_opening_that_may_lie_elsewhere_is_no_reading(
    speed_deg_s: float, unsure: int, tmp_path: Path
) -> None:
    """A bounce of 35 us, then 1.5 ms closed, which nothing before tells from a drop-out: 0.46
    degrees at 300 degrees a second, 0.15 at 100, and 0.05 at 30."""
    story = Story(speed_deg_s, turned_deg=500.0)
    story.turn()
    places = list(story.openings(1))
    for deg in places:
        story.opens(1, deg, [35.0, 1500.0] if deg == places[8] else [])
    found = [o for o in by_pins(story, tmp_path) if o.input == 1]
    result = held(story, found, 6.0)
    assert (result.wrong, result.invented) == ([], [])
    rejected = [o.rejection for o in found if not o.valid]
    assert rejected == [Rejection(Reason.NOISE_OR_BOUNCE)] * unsure
    assert len(result.right) == len(places) - unsure


def test_contacts_that_open_for_longer_than_a_drop_out_are_no_opening(tmp_path: Path) -> None:
    """2 ms: longer than the longest drop-out, shorter than the least opening."""
    story = Story(100.0, turned_deg=140.0)
    story.turn()
    for deg in story.openings(1):
        t_us = story.t_us(deg - 4.0)
        story.changes += [(t_us, "contact1", 1), (t_us + 2_000.0, "contact1", 0)]
        story.opens(1, deg, [])
    found = [each for each in by_pins(story, tmp_path) if each.input == 1]
    result = held(story, found, 6.0)
    assert len(result.right) == len(story.true_deg[1])
    assert (result.wrong, result.invented) == ([], [])


def turned_in_the_count(path: Path, counts: int, slow_us: float, back_us: float) -> Opening:
    """Steadily forward by a turn and a half, ``slow_us`` after the last boundary contact 1 opens,
    and ``back_us`` later the crank has gone back over that boundary: so it turned in between."""
    levels = ["00", "10", "11", "01"]  # A leads B
    step_us, last = 1_000, 3 * counts // 2
    lines = ["$timescale 1us $end", *(f"$var wire 1 {n} {n} $end" for n in ("a", "b", "z"))]
    lines += ["$var wire 1 c contact1 $end", "$enddefinitions $end"]
    rows = [(0, "0c 0z 0a 0b")]
    for count in range(1, last + 1):
        a, b = tuple(levels[count % 4])
        rows.append((count * step_us, f"{a}a {b}b {int(count % counts == 0)}z"))
    top_us = last * step_us
    rows.append((int(top_us + slow_us), "1c"))
    for nth, count in enumerate(range(last - 1, last - 9, -1)):
        a, b = tuple(levels[count % 4])
        rows.append((int(top_us + slow_us + back_us + nth * step_us), f"{a}a {b}b"))
    rows.append((int(top_us + slow_us + 1e6), ""))
    lines += [f"#{t_us}\n{changes}" for t_us, changes in rows]
    path.write_text("\n".join(lines), "ascii")
    follower = OpeningFinder(Settings(counts))
    events = [e for b in PinRecording(path, None, counts).batches() for e in follower.take(b)]
    events += follower.finish()
    (opening,) = (e for e in events if isinstance(e, Opening))
    return opening


@pytest.mark.parametrize(("counts", "valid"), [(1440, False), (2400, True), (4096, True)])
def test_an_opening_in_a_wide_count_in_which_the_crank_turned_round_is_no_reading(
    counts: int, valid: bool, tmp_path: Path
) -> None:
    """Nothing shows how far into its count the crank came: half a count is all that is sure, 0.125
    degrees at 1440 counts a turn, 0.075 at 2400."""
    opening = turned_in_the_count(tmp_path / "pins.vcd", counts, slow_us=2_000, back_us=100_000)
    assert (opening.direction, opening.valid) == (1, valid)
    if not valid:
        assert opening.rejection == Rejection(Reason.TURNED_BACK)


def test_an_opening_in_the_count_in_which_the_crank_turned_round_is_listed(tmp_path: Path) -> None:
    """It may have been before the crank turned or after it, whatever the curve says."""
    opening = turned_in_the_count(tmp_path / "pins.vcd", 4096, slow_us=50_000, back_us=1_500)
    assert opening.direction >= 0
    assert opening.rejection == Rejection(Reason.TURNED_BACK)
