"""The session: readings from a rig's bytes and from what the person said, in order of time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from played import PROFILE, Played

from rig.base.earlier_rules import EARLIER_RULES
from rig.engine.profile import Engine, Profile, Setting, Unit, Window
from rig.session.diagnostics import Doubt
from rig.session.session import Session
from rig.signal.events import IndexPass, Opening, Reason, Rejection
from rig.timing.values import Mark
from rig.virtual.ground_truth import GroundTruth, draw
from rig.virtual.rig import VirtualRig
from rig.wire.reader import LineReader
from rig.wire.records import POSITION, Batch, Note, Restart
from rig.words.assessments import assessment_in_full
from rig.words.diagnostics import diagnostic_words

FULL, RETARD = "full advance", "full retard"


# -- stroke -----------------------------------------------------------------------------------


def test_cylinders_follow_from_the_entered_stroke() -> None:
    """Also of what was read before the statement: it is on the same count of turns."""
    played = Played().know_tdc().do("turn 500 at 110")
    assert {r.cylinder for r in played.counted()} == {None}
    assert {r.stroke_known for r in played.counted()} == {False}
    early = len(played.counted())
    played.state_stroke().do("turn 1450 at 110")
    truth = played.rig.truth()
    readings = played.counted()
    assert len(readings) > early + 12
    for reading in readings:
        opened = truth["units"]["1" if reading.unit == "upper" else "2"]["openings"]
        true = min(opened, key=lambda o: abs(o["t"] - reading.t_s))
        ahead = (played.true_firing_deg - true["crank_deg"] - 360.0) % 720.0
        places = {1: 36.0, 2: 216.0, 4: 396.0, 3: 576.0}  # firing order 1 3 4 2, 36 before each
        nearest = min(places, key=lambda c: abs((ahead - places[c] + 360.0) % 720.0 - 360.0))
        assert reading.cylinder == nearest
        assert reading.stroke_known


def test_a_stroke_entered_the_other_way_round_changes_the_cylinders() -> None:
    right = Played().know_tdc().state_stroke().do("turn 900 at 110").counted()
    wrong = Played().know_tdc().state_stroke(wrong=True).do("turn 900 at 110").counted()
    partner = {1: 4, 4: 1, 2: 3, 3: 2}
    by_time = {(r.unit, r.t_s): r.cylinder for r in right}
    same = [(by_time[r.unit, r.t_s], r.cylinder) for r in wrong if (r.unit, r.t_s) in by_time]
    assert len(same) > 4
    assert all(one is not None and partner[one] == other for one, other in same)


def test_a_restart_loses_the_stroke_for_what_follows_and_for_nothing_before() -> None:
    played = Played().know_tdc().state_stroke().do("turn 900 at 110")
    before = [r for r in played.counted() if r.stroke_known]
    assert len(before) > 6
    played.do("fault reset in 0.5", "turn 500 at 110", "turn 800 at 110")
    assert played.session.stroke is None
    assert played.session.stroke_lost
    after = played.counted()
    assert before == after[: len(before)]
    later = [r for r in after if r.t_s > before[-1].t_s + 1.0]
    assert len(later) > 3
    assert {r.stroke_known for r in later} == {False}
    marks = {m for j in played.session.assessments() for m in j.marks}
    assert Mark.STROKE_NOT_ENTERED in marks
    played.state_stroke().do("turn 800 at 110")
    assert not played.session.stroke_lost
    assert [r for r in played.counted() if not r.stroke_known][-1].t_s < played.rig.now_s - 5.0
    assert {r.stroke_known for r in played.counted()[-4:]} == {True}


def test_a_stroke_entered_after_a_restart_tells_nothing_of_before() -> None:
    """Whole turns may be uncounted over a restart, so it cannot place what was read before."""
    played = Played().know_tdc().do("turn 900 at 110", "fault reset in 0.5", "turn 500 at 110")
    restart_us = played.session.began_us[-1]
    played.do("turn 800 at 110").state_stroke()
    known = {
        before: {
            r.stroke_known
            for r in played.counted()
            if (played.session.t_us(r) < restart_us) is before
        }
        for before in (True, False)
    }
    assert known == {True: {False}, False: {True}}
    played.session.rules = EARLIER_RULES["0.4.0"]  # by which it did place them
    assert {r.stroke_known for r in played.note("remark", text="read again").counted()} == {True}


def test_after_a_restart_angles_hold_again_once_the_index_has_passed() -> None:
    played = Played().know_tdc().do("turn 500 at 110", "fault reset in 0.5", "turn 1500 at 110")
    truth = played.rig.truth()
    for reading in played.counted(unit="upper"):
        true = min(truth["units"]["1"]["openings"], key=lambda o: abs(o["t"] - reading.t_s))
        if abs(true["t"] - reading.t_s) < 0.01:  # before the restart, when the clocks agree
            assert reading.crank_deg == pytest.approx(true["crank_deg"] + 360.0, abs=0.15)
    expected = sum(o["t"] > 8.0 for o in truth["units"]["1"]["openings"])
    assert len(played.counted(unit="upper")) >= expected
    assert {round(r.btdc_deg or 0.0) for r in played.counted(unit="upper")} <= {34, 35, 36}


def single() -> Profile:
    """A four-stroke with one cylinder: its unit turns at half speed and has one lobe."""
    window = Window(33.0, 32.0, 31.0, "invented")
    return replace(
        PROFILE,
        engine=Engine(
            "single (invented)", 4, 1, (1,), (720.0,), "clockwise", "flywheel end"
        ),
        units=(Unit("only", 1, Fraction(1, 2), 1, (Setting("fixed", window),)),),
        synchronism=(),
    )  # fmt: skip


def turned_out(turns: int) -> GroundTruth:
    drawn = draw(single(), 5)
    units = tuple(replace(unit, crank_turns_out=turns) for unit in drawn.units)
    return replace(drawn, units=units)


@pytest.mark.parametrize("turns", [0, 1])
def test_a_unit_coupled_one_crank_turn_out_is_reported_as_that(turns: int) -> None:
    played = Played(5, single(), hidden=turned_out(turns)).know_tdc().state_stroke()
    played.do("turn 2900 at 150")
    readings = played.counted()
    assert len(readings) >= 4
    assert {r.wrong_stroke for r in readings} == {bool(turns)}
    assert {r.cylinder for r in readings} == {1}
    assert all(abs((r.btdc_deg or 0.0) - 32.0) < 2.0 for r in readings)
    (judged,) = played.session.assessments()
    assert (Mark.ONE_TURN_OUT in judged.marks) == bool(turns)
    assert (judged.verdict == "outside") == bool(turns)
    assert assessment_in_full(judged).startswith("one crank turn out") == bool(turns)


def test_until_the_stroke_is_entered_the_readings_are_marked() -> None:
    played = Played(5, single(), hidden=turned_out(1)).know_tdc().do("turn 2900 at 150")
    (judged,) = played.session.assessments()
    assert judged.marks == (Mark.STROKE_NOT_ENTERED,)
    assert {r.wrong_stroke for r in played.counted()} == {False}


# -- what the person did ----------------------------------------------------------------------


def test_a_lever_counts_from_when_it_was_moved() -> None:
    played = Played().know_tdc().do("turn 800 at 110", f"lever {RETARD}")
    played.note("setting", unit="upper", setting=RETARD).do("turn 800 at 110")
    moved_s = played.rig.truth()["settings"][0]["t"]
    upper = played.counted(unit="upper")
    turned = [r for r in upper if r.kind == "turned"]
    assert {r.setting for r in turned if r.t_s < moved_s} == {FULL}
    assert {r.setting for r in turned if r.t_s > moved_s} == {RETARD}
    true = played.rig.truth()["units"]["1"]["btdc_by_setting"]
    for setting in (FULL, RETARD):
        mean = [r.btdc_deg or 0.0 for r in turned if r.setting == setting]
        assert sum(mean) / len(mean) == pytest.approx(sum(true[setting]) / 2.0, abs=0.2)
    assert played.session.annotations.of["upper"].setting.now == RETARD
    assert played.session.annotations.of["lower"].setting.now == FULL
    judged = {(j.unit, j.setting) for j in played.session.assessments() if j.kind == "turned"}
    assert judged == {("upper", FULL), ("upper", RETARD), ("lower", FULL)}


def test_as_found_is_kept_apart_from_as_left() -> None:
    played = Played().know_tdc().do("turn 800 at 110", "move upper 2.5")
    played.note("phase", phase="as left").do("turn 800 at 110")
    found, left = (
        next(
            j for j in played.session.assessments()
            if (j.unit, j.phase, j.cylinder, j.kind) == ("upper", phase, None, "turned")
        )
        for phase in ("as found", "as left")
    )  # fmt: skip
    assert found.mean_btdc is not None
    assert left.mean_btdc is not None
    assert left.mean_btdc - found.mean_btdc == pytest.approx(2.5, abs=0.2)
    assert played.session.phase_of("upper") == "as left"


def test_a_reading_rejected_stays_with_its_reason_and_can_be_undone() -> None:
    played = Played().know_tdc().do("turn 800 at 110")
    opening = next(o for o in played.session.openings if o.valid)
    n = len(played.counted())
    played.note("strike", t_us=opening.t_us, why="the rope slipped")
    assert played.session.annotations.rejected(opening.t_us)
    assert len(played.counted()) == n - 1
    (rejected,) = [
        r
        for r in played.session.readings()
        if r.rejection == Rejection(Reason.BY_HAND, ("the rope slipped",))
    ]
    assert played.session.t_us(rejected) == pytest.approx(opening.t_us)
    played.note("strike", t_us=opening.t_us, back=True)
    assert len(played.counted()) == n


def test_contacts_that_part_with_the_crank_held_are_set_and_not_turned() -> None:
    played = Played().know_tdc().do("turn 700 at 90", "goto 33 at 90", "rest 0.5", "set upper")
    played.do("rest 0.5")
    last = played.session.readings()[-1]
    assert (last.unit, last.kind, last.valid) == ("upper", "set", True)
    assert last.btdc_deg == pytest.approx(33.0, abs=0.3)
    judged = [j for j in played.session.assessments() if j.kind == "set"]
    assert [j.verdict for j in judged] == ["no window set"]
    played.do("back 90 at 60", "turn 800 at 90")
    turned = [r for r in played.counted(unit="upper", kind="turned") if r.t_s > last.t_s]
    assert any(abs((r.btdc_deg or 0.0) - 33.0) < 0.6 for r in turned)


def test_before_tdc_is_known_readings_wait_for_it() -> None:
    played = Played().do("turn 800 at 110")
    readings = played.session.readings()
    assert len(readings) >= 6
    assert Reason.NO_TDC in {r.rejection.reason for r in readings if r.rejection}
    assert played.session.assessments() == []
    assert played.session.comparisons() == []
    played.know_tdc()
    assert len(played.counted()) >= 6
    assert played.session.assessments()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("setting", {"unit": "nobody", "setting": FULL}),
        ("setting", {"unit": "upper", "setting": "half way"}),
        ("setting", {}),
        ("stroke", {"cylinder": 1, "crank_deg": 10.0}),  # no reference yet
        ("strike", {"t_us": "soon"}),
        ("strike", {"t_us": None}),
        ("phase", {}),
        ("reference", {"tdc_deg": "north"}),
        ("stop-in", {"cylinder": "first"}),
    ],
)
def test_a_note_that_makes_no_sense_is_counted_and_changes_nothing(
    name: str, value: dict[str, object]
) -> None:
    played = Played().do("turn 800 at 110")
    before = played.session.readings()
    played.session.take(Batch(others=[Note(0.0, name, value)]))
    assert played.session.line_errors["note"] == 1
    assert f"a note of the kind {name!r} makes no sense: " in played.session.last_error
    assert played.session.readings() == before
    assert played.session.stop is None


def test_notes_of_a_later_version_are_skipped() -> None:
    played = Played().note("weather", fog=True).note("noted", x=1)
    assert played.session.line_errors == {}


def cuts(data: bytes, sizes: list[int]) -> Iterator[bytes]:
    at = 0
    for size in sizes:
        yield data[at : at + size]
        at += size
    yield data[at:]


@settings(max_examples=15)
@given(st.lists(st.integers(1, 8000), max_size=40))
def test_however_the_stream_is_cut_the_readings_are_the_same(sizes: list[int]) -> None:
    whole, data = STREAM()
    with Session(PROFILE) as session:
        for piece in cuts(data, sizes):
            session.feed(piece)
    assert repr(session.openings) == repr(whole.openings)  # NaN is not equal to itself
    assert session.index_passes == whole.index_passes
    assert session.findings == whole.findings
    assert session.doubts() == whole.doubts()


def test_a_replay_gives_every_event_to_its_end() -> None:
    """What is decided by the end of the stream comes with the last pair; a second end is empty."""
    whole, data = STREAM()
    session = Session(PROFILE)
    pairs = list(session.replay(LineReader().feed(data)))
    events = [event for _, decided in pairs for event in decided]
    assert [e for e in events if isinstance(e, IndexPass)] == whole.index_passes
    assert repr([e for e in events if isinstance(e, Opening)]) == repr(whole.openings)
    assert not len(pairs[-1][0].positions)
    assert session.finish() == []


def test_half_a_line_at_the_end_is_reported() -> None:
    with Session(PROFILE) as session:
        session.feed(b"P 0001 2")
    assert session.line_errors == {"half-line": 1}


def _stream() -> Callable[[], tuple[Session, bytes]]:
    kept: list[tuple[Session, bytes]] = []

    def stream() -> tuple[Session, bytes]:
        if not kept:
            rig = VirtualRig(PROFILE, 11)
            plan = ["turn 500 at 110", "fault counts 2", "turn 400 at 110", "fault reset in 1"]
            plan += ["turn 700 at 110", "fault corrupt 2", "turn 300 at 110"]
            data = b"".join(line for c in plan for part in rig.do(c) for _, line in part)
            session = Session(PROFILE)
            for batch in LineReader().feed(data):
                session.take(batch)
            session.finish()
            assert session.restarts == 1
            kept.append((session, data))
        return kept[0]

    return stream


STREAM = _stream()


# -- what looks wrong -------------------------------------------------------------------------


@pytest.mark.parametrize(("cause", "dip"), [(2, 0), (8, 0), (0, 0), (1, 1), (4, 1)])
def test_a_restart_as_the_port_opens_is_no_fault(cause: int, dip: int) -> None:
    """What a boot loader may leave as the cause; the same later, and a supply that fails, are."""
    for t_us, restarts in ((1e6, dip), (60e6, 1)):
        session = Session(PROFILE)
        session.take(Batch(positions=position_at(5e5)))
        session.take(Batch(others=[Restart(t_us, cause)]))
        session.take(Batch(positions=position_at(t_us + 1e6)))
        assert session.restarts == restarts
        assert bool([d for d in session.doubts() if d.doubt is Doubt.RESTARTED]) == bool(restarts)


def position_at(t_us: float) -> NDArray[np.void]:
    """One position at rest."""
    rows = np.zeros(1, POSITION)
    rows["t_us"] = rows["done_us"] = t_us
    return rows


def opening(number: int, t_us: float) -> Opening:
    return Opening(number, t_us, 1.0, 1, 60.0, 30.0, None, 1, 0.0, 1e5, 90.0)


@pytest.mark.parametrize(
    ("apart_us", "n", "joined"), [(3.0, 5, True), (90.0, 5, False), (3.0, 3, False)]
)
def test_inputs_that_always_open_together_are_joined(apart_us: float, n: int, joined: bool) -> None:
    both = [o for i in range(n) for o in (opening(1, i * 1e6), opening(2, i * 1e6 + apart_us))]
    session = Session(PROFILE)
    for each in both:
        session.opened(each)
    words = [diagnostic_words(doubt) for doubt in session.doubts()]
    assert bool(words) == joined
    if joined:
        assert words[0].startswith("upper and lower always open at the very same instant")
        assert "inputs 1 and 2 joined?" in words[0]
