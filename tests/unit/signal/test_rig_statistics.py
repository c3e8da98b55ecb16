"""The survey of the rig itself: what is seen, however the stream is cut."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from launch_engine import launch_engine

import rig.job
from rig.engine.engine_file import load_profile
from rig.engine.profile import Profile
from rig.session.session import signal_settings
from rig.signal.openings import OpeningFinder
from rig.signal.rig_statistics import BEGIN, NOTE, RigStatistics, StatisticsCollector
from rig.virtual.ground_truth import draw
from rig.virtual.rig import run
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Note

PROFILE = launch_engine()
PLAN = ["rest 3", "turn 1500 at 110", "back 60 at 90", "turn 400 at 110"]


def walked(data: bytes, piece: int, profile: Profile = PROFILE) -> RigStatistics:
    settings = signal_settings(profile)
    reader, follower, survey = LineReader(), OpeningFinder(settings), StatisticsCollector(settings)
    for start in range(0, len(data), piece):
        for batch in reader.feed(data[start : start + piece]):
            survey.take(batch, follower.take(batch))
    for batch in reader.finish():
        survey.take(batch, follower.take(batch))
    survey.events(follower.finish())
    return survey.result(follower.widths)


def seen(plan: Iterable[str], seed: int = 4, **options: object) -> RigStatistics:
    return walked(run(plan, PROFILE, seed, **options).data, 1 << 16)


def test_a_sound_rig_against_the_truth() -> None:
    got = run(PLAN, PROFILE, 4)
    found = walked(got.data, 1 << 16)
    assert found.heard
    assert found.identity_counts == 4096
    assert found.counts_between == pytest.approx([4096.0] * len(found.counts_between), abs=0.5)
    assert len(found.counts_between) >= 3
    assert found.net_counts == pytest.approx((1500 - 60 + 400) / 360 * 4096, abs=20)
    assert (found.illegal, found.lost_edges, found.lost_lines) == (0, 0, 0)
    assert max(map(abs, found.index_off_counts)) < 0.5
    assert found.still_counts == 0
    turned = found.stretches[0].turned_deg
    assert turned == pytest.approx(1500 - 60 + 400, abs=2.0)
    for contact in found.inputs:
        true = got.truth["units"][str(contact.input)]["openings"]
        places = {round(float(o["crank_deg"])) for o in true}
        assert len(contact.opened_at_us) == len(places)  # each once, though passed twice
        assert contact.changes_at_rest == 0


@pytest.mark.parametrize("piece", [97, 1000, 30_011])
def test_it_does_not_depend_on_how_the_stream_is_cut(piece: int) -> None:
    data = run(PLAN, PROFILE, 4).data
    assert walked(data, piece) == walked(data, len(data))


def test_widths_are_those_of_the_encoder() -> None:
    """A cheap encoder's states are unequal: what the truth says is what is measured."""
    hidden = draw(PROFILE, 4)
    states = (0.0, 0.25, -0.10, 0.15)  # how far boundary k lies off, counts
    hidden = replace(hidden, encoder=replace(hidden.encoder, state_counts=states))
    found = seen(PLAN, hidden=hidden)
    true = [1.0 + states[(i + 1) % 4] - states[i] for i in range(4)]
    assert found.widths == pytest.approx(true, abs=0.02)
    assert max(found.width_errors) < 0.02


def test_an_impulse_coupling_passed_again_is_not_counted_twice() -> None:
    """Past the click, back past the opening, forward gently: one lobe opens at two places."""
    example = Path(rig.job.__file__).parent / "examples" / "geared_propeller.toml"
    profile = load_profile(example)
    plan = ["turn 900 at 110"]
    for _ in range(4):
        plan += ["goto -10 at 60", "goto 50 back at 60", "goto 0 at 40", "turn 640 at 120"]
    got = run(plan, profile, 5)
    kinds = {o["kind"] for o in got.truth["units"]["1"]["openings"]}
    assert kinds == {"running", "impulse"}
    contact = walked(got.data, 1 << 16, profile).inputs[0]
    wanted = contact.turned_deg / 120.0  # two lobes at 1.5 times crank speed
    assert abs(len(contact.opened_at_us) - wanted) < 1.5


def test_openings_while_the_crank_stands_are_distinguished() -> None:
    found = seen(["turn 900 at 110", "goto 90", "rest 1", "finger upper 1", "rest 1", "turn 400"])
    upper, lower = found.inputs
    assert upper.changes_at_rest == 2
    assert lower.changes_at_rest == 0


def test_illegal_transitions_are_counted_and_placed() -> None:
    plan = ["turn 800 at 100", "fault illegal 3", "turn 400 at 100"]
    got = run(plan, PROFILE, 4)
    found = walked(got.data, 1 << 16)
    assert found.illegal == 3
    struck_s = got.truth["faults"][0]["t"]
    before = max(p["t"] for p in got.truth["index"] if p["t"] < struck_s)
    after = (struck_s - before) * 100.0  # at about 100 degrees a second
    assert found.illegal_at_deg
    assert all(abs((at - after + 180) % 360 - 180) < 60.0 for at in found.illegal_at_deg)


def test_losses_are_summed_over_a_restart() -> None:
    plan = ["turn 500 at 100", "fault edges 2", "turn 300 at 100", "fault reset", "turn 900 at 100"]
    found = seen(plan)
    assert found.lost_edges == 2
    # Two lives are one stretch; what was turned while the rig started again is not seen.
    assert found.stretches[0].turned_deg == pytest.approx(1700, abs=30)
    assert found.counts_between == pytest.approx([4096.0] * len(found.counts_between), abs=0.5)


def test_a_crank_that_never_stands_is_not_at_rest() -> None:
    assert seen(["turn 900 at 60"]).still_counts is None


def test_wrong_counts_are_no_wandering_index() -> None:
    hidden = draw(PROFILE, 4)
    hidden = replace(hidden, encoder=replace(hidden.encoder, counts=2400))
    found = seen(["turn 1900 at 110"], hidden=hidden)
    assert found.counts_between == pytest.approx([2400.0] * len(found.counts_between), abs=0.5)
    assert max(map(abs, found.index_off_counts)) <= 0.5


def test_notes_part_the_recording_into_stretches(tmp_path: Path) -> None:
    settings = signal_settings(PROFILE)
    reader, follower, survey = LineReader(), OpeningFinder(settings), StatisticsCollector(settings)

    def hear(data: bytes) -> None:
        for batch in reader.feed(data):
            survey.take(batch, follower.take(batch))

    def say(step: str, unit: str = "") -> None:
        note = Note(reader.now_us, NOTE, {"step": step, "unit": unit})
        survey.take(Batch(others=[note]), follower.take(Batch(others=[note])))

    from rig.virtual.rig import VirtualRig

    virtual = VirtualRig(PROFILE, 4)

    def do(*commands: str) -> None:
        for command in commands:
            for lines in virtual.do(command):
                hear(b"".join(line for _, line in lines))

    do("switch off upper")
    say("switch off", "upper")
    do("turn 400 at 110")
    do("switch on upper")
    say("switch on", "upper")
    do("turn 400 at 110")
    say("turn")
    do("turn 800 at 110")
    survey.events(follower.finish())
    off, on, turn = survey.result(follower.widths).stretches[1:]
    assert (off.step, off.unit) == ("switch off", "upper")
    assert off.turned_deg == pytest.approx(400, abs=2)
    assert 1 not in off.opened
    assert off.opened.count(2) in (2, 3)
    assert on.opened.count(1) in (2, 3)
    assert turn.turned_deg == pytest.approx(800, abs=2)
    assert survey.result(follower.widths).inputs[0].turned_deg == pytest.approx(800, abs=2)


def test_nothing_heard() -> None:
    found = walked(b"", 10)
    assert not found.heard
    assert found.inputs == ()
    assert np.isnan(found.still_counts or np.nan)


def test_lines_missing_on_the_way_are_seen_and_a_check_that_begins_forgets_them() -> None:
    lines = run(PLAN, PROFILE, 4).data.splitlines(keepends=True)
    kept = b"".join((*lines[:300], *lines[450:500], *lines[501:]))
    assert walked(kept, 1 << 16).gaps == walked(kept, 97).gaps == 2
    assert walked(b"".join(lines), 1 << 16).gaps == 0
    settings = signal_settings(PROFILE)
    reader, finder = LineReader(), OpeningFinder(settings)
    statistics = StatisticsCollector(settings)
    for batch in reader.feed(kept):
        statistics.take(batch, finder.take(batch))
    statistics.take(Batch(others=[Note(reader.now_us, NOTE, {"step": BEGIN})]), [])
    assert statistics.result(finder.widths).gaps == 0
