"""The order of the work, its cautions, and that nothing is ever blocked."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.uncertainty import Source
from rig.guide import advice as guidance
from rig.guide.advice import ROWS, advice, closing_list, due
from rig.guide.procedure import Advice, Hand
from rig.guide.state import (
    CHECK_BAD,
    Inconclusive,
    JobState,
    OtherSetting,
    Outside,
    ToSetting,
    Waiting,
)
from rig.timing.verdict import Remedy

ENTERED = frozenset({"make safe", "gap", "rig check", "switch", "marks"})
DONE = JobState(
    entered=ENTERED,
    rig="heard",
    index_seen=True,
    tdc_known=True,
    stroke="stated",
    tightened=True,
    touched_again=True,
)

RETARD = OtherSetting("upper", "full retard", 1)

# Each step of the work and the state that makes it the next one.
COURSE: list[tuple[str, dict[str, Any]]] = [
    ("rig lost", {"rig": "lost"}),
    ("make safe", {"entered": ENTERED - {"make safe"}}),
    ("gap", {"entered": ENTERED - {"gap"}}),
    ("rig", {"rig": "not heard"}),
    ("play", {"without_drag": ("upper",)}),
    ("switch", {"entered": ENTERED - {"switch", "rig check"}}),
    ("index", {"index_seen": False}),
    ("rig bad", {"rig_bad": True}),
    ("rig check bad", {"entered": ENTERED - {"rig check"} | {CHECK_BAD}}),
    ("rig check", {"entered": ENTERED - {"rig check"}}),
    ("switch", {"entered": ENTERED - {"switch"}}),
    ("dead centre moved", {"tdc_moved": True}),
    ("top dead centre", {"stop_in": True, "full_turn": True}),
    ("top dead centre", {"stop_in": True, "index_seen": False, "stop_hides_index": True}),
    ("top dead centre", {"tdc_known": False}),
    ("stop out", {"stop_in": True}),
    ("marks", {"entered": ENTERED - {"marks"}}),
    ("stroke", {"stroke": "lost"}),
    ("one turn out", {"one_turn_out": ("upper",)}),
    ("advance", {"automatic_advance": ("upper",)}),
    ("other setting", {"other_settings": (RETARD,), "levers_on_the_way": True}),
    ("impulse", {"impulse": (Waiting("upper", "full advance"),)}),
    ("readings", {"unread": (Waiting("upper", "full advance"), Waiting("lower", "full advance"))}),
    ("confirm set", {"set_only": ("upper",)}),
    ("confirm change", {"change_made": True}),
    ("more readings", {"inconclusive": (Inconclusive("upper", 1, Remedy(4)),)}),
    ("other setting", {"other_settings": (RETARD,)}),
    ("correction", {"outside": (Outside("upper"),)}),
    ("tighten", {"tightened": False}),
    ("touch again", {"touched_again": False}),
    ("certificate", {}),
    ("close", {"saved": True}),
]


def test_the_course_names_every_row_in_order() -> None:
    assert [step for step, _ in COURSE] == [row.step for row in ROWS]


@pytest.mark.parametrize(("step", "state"), COURSE)
def test_each_step_comes_when_it_is_due(step: str, state: dict[str, Any]) -> None:
    found = advice(replace(DONE, **state))
    assert found.step == step
    assert found.next
    assert found.why.endswith(".")


def test_readings_that_decide_are_read_past_an_impulse_coupling() -> None:
    """Turned straight on it only trips, however long."""
    open_ = Inconclusive("upper", 3, Remedy(3))
    here = replace(DONE, impulse=(Waiting("upper", "full advance", 8, 11),), inconclusive=(open_,))
    assert (advice(here).step, advice(here).press) == ("impulse", "past_impulse")
    assert "cylinder 3: 3 more readings" in advice(here).why
    assert "more readings" not in [each.step for each in due(here)]
    other = replace(here, inconclusive=(open_, Inconclusive("lower", 1, Remedy(4))))
    assert [each.step for each in due(other)][:2] == ["impulse", "more readings"]
    assert "lower" in due(other)[1].why


def test_once_saved_only_the_closing_is_left() -> None:
    """The capture has ended: whatever was passed over, nothing more can be read for it."""
    assert [a.step for a in due(JobState(saved=True, tdc_known=True))] == ["close"]


def test_a_new_job_has_the_whole_course_before_it() -> None:
    steps = [a.step for a in due(JobState())]
    assert steps[:4] == ["make safe", "gap", "rig", "switch"]
    assert steps[-1] == "close"
    assert steps.index("top dead centre") < steps.index("stroke") < steps.index("certificate")


@pytest.mark.parametrize(("step", "state"), COURSE)
def test_a_step_that_was_skipped_is_not_asked_for_again(step: str, state: dict[str, Any]) -> None:
    steps = [a.step for a in due(replace(DONE, skipped=frozenset({step}), **state))]
    assert (step in steps) == (step in guidance.NEEDED)


def test_cautions_stand_where_they_matter() -> None:
    """Those of the engine itself are part of every step: ``test_advice.py``."""
    assert guidance.LAST_WORD in advice(JobState()).warning
    check = replace(DONE, entered=ENTERED - {"rig check"})
    assert guidance.PRIMARY in advice(check).warning
    assert guidance.PRIMARY not in advice(replace(check, magneto=False, coil_set=True)).warning
    assert guidance.STOP in advice(replace(DONE, tdc_known=False)).caution
    for lost in (replace(DONE, rig="lost"), replace(DONE, rig="lost", rig_bad=True)):
        assert guidance.STOP in advice(replace(lost, stop_in=True)).caution


def test_with_the_stop_in_nothing_that_turns_the_crank_on_comes_first() -> None:
    new = JobState(
        entered=frozenset({"make safe", "gap"}), rig="heard", index_seen=True, stop_in=True
    )
    assert [a.step for a in due(new)][:2] == ["top dead centre", "switch"]
    again = replace(new, tdc_known=True)
    assert [a.step for a in due(again)][:2] == ["stop out", "switch"]
    assert advice(replace(new, entered=frozenset())).step == "make safe"


def test_a_stop_put_in_to_touch_it_again_is_touched_before_it_comes_out() -> None:
    state = replace(DONE, stop_in=True, touched_again=False)
    assert advice(state).hand is Hand.TO_STOP_FORWARD
    assert advice(replace(state, touches=(1, 0))).hand is Hand.TO_STOP_BACK
    out = advice(replace(state, touches=(2, 2)))
    assert (out.hand, out.press) == (Hand.REMOVE_STOP, "piston_stop")


def test_a_stop_that_keeps_the_index_away_comes_out_first() -> None:
    for tdc_known in (True, False):
        state = replace(
            DONE, tdc_known=tdc_known, stop_in=True, index_seen=False, stop_hides_index=True
        )
        out = advice(state)
        assert (out.hand, out.press) == (Hand.REMOVE_STOP, "piston_stop")
        without = replace(state, stop_in=False, stop_hides_index=False)
        assert advice(without).step == "index"


def test_touches_alternate() -> None:
    state = replace(DONE, tdc_known=False)
    fit = advice(state)
    assert (fit.hand, fit.press) == (Hand.FIT_STOP, "piston_stop")
    state = replace(state, stop_in=True)
    assert advice(state).hand is Hand.TO_STOP_FORWARD
    assert advice(replace(state, touches=(1, 0))).hand is Hand.TO_STOP_BACK
    assert advice(replace(state, touches=(1, 1))).hand is Hand.TO_STOP_FORWARD
    assert advice(replace(state, touches=(3, 3))).hand is Hand.REMOVE_STOP
    # Whatever side wants more: from this side the way leads to the other.
    assert advice(replace(state, touches=(1, 1), at_stop=1)).hand is Hand.TO_STOP_BACK
    assert advice(replace(state, touches=(2, 1), at_stop=-1)).hand is Hand.TO_STOP_FORWARD


@pytest.mark.parametrize(("side", "hand"), [(1, Hand.TO_STOP_BACK), (-1, Hand.TO_STOP_FORWARD)])
def test_held_at_the_stop_after_too_short_a_way_means_going_to_the_other_side_first(
    side: int, hand: Hand
) -> None:
    found = advice(replace(DONE, tdc_known=False, stop_in=True, too_near=side))
    assert found.hand is hand


def test_the_last_touch_is_left_before_the_stop_comes_out() -> None:
    for enough in (replace(DONE, tdc_known=False, touches=(3, 3)), replace(DONE, touches=(2, 2))):
        held = advice(replace(enough, stop_in=True, at_stop=-1))
        assert (held.hand, held.press) == (Hand.TURN_FORWARD, "")
        assert advice(replace(enough, stop_in=True)).hand is Hand.REMOVE_STOP


def test_a_full_turn_with_the_stop_in_means_that_it_stops_nothing() -> None:
    found = advice(replace(DONE, tdc_known=False, stop_in=True, full_turn=True))
    assert (found.hand, found.press) == (Hand.REMOVE_STOP, "piston_stop")
    assert "full turn" in found.why


def test_tdc_that_seems_to_have_moved_is_touched_again_unless_that_is_sure() -> None:
    """One touch may have been a rest in the open."""
    again = advice(replace(DONE, tdc_moved=True))
    assert (again.hand, again.press) == (Hand.FIT_STOP, "piston_stop")
    assert advice(replace(DONE, tdc_moved=True, move_sure=True)).press == "select_tdc"


def test_one_turn_out() -> None:
    """A unit is coupled on by a turn; where all are out, firing TDC was perhaps entered wrong."""
    one = advice(replace(DONE, one_turn_out=("upper",)))
    assert (one.hand, one.deg, one.unit, one.press) == (
        Hand.MOVE_UNIT, 360.0, "upper", "unit_moved"
    )  # fmt: skip
    every = advice(replace(DONE, one_turn_out=("upper", "lower"), all_out=True))
    assert (every.hand, every.press) == (Hand.GO_TO_FIRING_TDC, "firing_tdc")


def test_the_unit_is_named_with_how_far_it_is() -> None:
    unread = (Waiting("upper", "full advance", 2, 8), Waiting("lower", "full advance"))
    found = advice(replace(DONE, unread=unread))
    assert found.hand is Hand.TURN_FORWARD
    assert "upper, full advance: 2 of 8" in found.why
    adjust = advice(replace(DONE, outside=(Outside("lower"),)))
    assert (adjust.press, adjust.unit) == ("adjust", "lower")


def test_a_unit_that_stays_outside_at_one_setting_is_named_with_it() -> None:
    """Where its lever is now, it may be inside."""
    state = replace(DONE, outside=(Outside("lower", "full retard"),))
    assert advice(state).why == "It opens outside its window at full retard."
    left = advice(replace(state, skipped=frozenset({"correction"})))
    assert (left.step, left.why) == (
        "certificate", "lower stays outside its window at full retard."
    )  # fmt: skip


def test_a_drag_is_held_on_every_rotor_at_once() -> None:
    both = advice(replace(DONE, without_drag=("upper", "lower")))
    assert (both.hand, both.press, both.unit) == (Hand.HOLD_DRAG, "drag", "")
    assert advice(replace(DONE, without_drag=("upper",))).unit == "upper"


def in_doubt(readings: int = 0, shrink: Source | None = None) -> Advice:
    open_ = Inconclusive("upper", 2, Remedy(readings, shrink))
    return advice(replace(DONE, inconclusive=(open_,)))


def test_what_is_inconclusive_says_how_it_is_decided() -> None:
    more = in_doubt(4)
    assert (more.hand, more.press) == (Hand.TURN_FORWARD, "")
    assert "cylinder 2: 4 more readings" in more.why
    touch = in_doubt(shrink=Source.TDC)
    assert (touch.hand, touch.press, touch.what) == (Hand.FIT_STOP, "piston_stop", guidance.MORE)
    drag = in_doubt(shrink=Source.BACKLASH)
    assert (drag.hand, drag.press, drag.unit) == (Hand.HOLD_DRAG, "drag", "upper")


@pytest.mark.parametrize("largest", [None, *Source])
def test_what_limits_a_verdict_is_said_where_nothing_at_the_bench_decides_it(
    largest: Source | None,
) -> None:
    """It is no step: the certificate is saved with the verdict open."""
    open_ = Inconclusive(LONGEST_NAME, 18, Remedy(largest=largest))
    found = advice(replace(DONE, inconclusive=(open_,)))
    assert (found.step, found.press) == ("certificate", "save")
    assert LONGEST_NAME in found.why
    assert len(found.why) <= 72
    assert ("inconclusive" in found.why) == (largest is not None)
    other = replace(open_, unit="other", remedy=Remedy(3))  # one unit's does not hide another's
    assert advice(replace(DONE, inconclusive=(open_, other))).hand is Hand.TURN_FORWARD


LONGEST_NAME = "n" * 16
LONGEST_SETTING = "s" * 16


@pytest.mark.parametrize("place", range(len(COURSE)))
@pytest.mark.parametrize("touches", [(0, 0), (1, 0), (3, 3)])
@pytest.mark.parametrize("stop_in", [False, True])
def test_next_and_why_are_short(place: int, touches: tuple[int, int], stop_in: bool) -> None:
    """With names of up to 16 letters: an instruction of 60 with its key, a reason of 72."""
    _, state = COURSE[place]
    longer: dict[str, Any] = {
        key: tuple(_longest(each) for each in value)
        if isinstance(value, tuple) and key != "touches"
        else value
        for key, value in state.items()
    }
    found = advice(replace(replace(DONE, touches=touches, stop_in=stop_in), **longer))
    assert len(found.next) + len(" (enter)") <= 60, found.next
    assert len(found.why) <= 72, found.why
    assert found.next[0].isupper()
    assert not found.next.endswith(".")
    assert found.why.endswith(".")


def _longest(each: object) -> object:
    if isinstance(each, Waiting):
        return Waiting(LONGEST_NAME, LONGEST_SETTING, 10, 18)
    if isinstance(each, OtherSetting):
        return OtherSetting(LONGEST_NAME, LONGEST_SETTING, 8)
    if isinstance(each, Outside):
        return Outside(LONGEST_NAME, LONGEST_SETTING)
    if isinstance(each, Inconclusive):
        return Inconclusive(LONGEST_NAME, 18, each.remedy)
    return LONGEST_NAME


def test_a_coil_set_needs_no_switch_proved() -> None:
    assert advice(replace(DONE, magneto=False, entered=ENTERED - {"switch"})).step == "certificate"


def test_the_closing_list() -> None:
    plain = closing_list(JobState())
    assert any("earth lead" in words for words in plain)
    assert not any("wedge" in words or "battery" in words for words in plain)
    assert any("wedge" in words for words in closing_list(JobState(wedge_in=True)))
    coil = closing_list(JobState(magneto=False, coil_set=True))
    assert any("battery" in words for words in coil)
    assert not any("earth lead" in words for words in coil)


@given(st.data())
def test_something_is_always_said(data: st.DataObject) -> None:
    """From any state, however odd, there is an answer, and it is the first of those due."""
    values: dict[str, Any] = {}
    for field in fields(JobState):
        now = getattr(DONE, field.name)
        fresh = getattr(JobState(), field.name)
        odd = {
            "touches": fresh,
            "unread": (Waiting("upper", "fixed"), Waiting("lower", "fixed")),
            "impulse": (Waiting("lower", "fixed"),),
            "other_settings": (OtherSetting("lower", "full retard", 2),),
            "inconclusive": (Inconclusive("lower", remedy=Remedy(2)), Inconclusive("upper")),
            "outside": (Outside("upper"), Outside("lower", "full retard")),
        }.get(field.name, ("upper", "lower") if isinstance(now, tuple) else fresh)
        values[field.name] = data.draw(st.sampled_from([now, fresh, odd]))
    state = JobState(**values)
    found = advice(state)
    assert found.next
    assert found.why
    assert due(state)[0] == found


def test_marks_wait_for_the_stroke_where_the_index_comes_at_several_places() -> None:
    geared = replace(DONE, entered=ENTERED - {"marks"}, stroke="not stated", index_places=9)
    assert advice(geared).step == "stroke"
    assert "9 places" in advice(geared).why
    assert advice(replace(geared, stroke="stated")).step == "marks"
    assert advice(replace(geared, index_places=1)).step == "marks"


@pytest.mark.parametrize("because", list(ToSetting))
def test_why_a_lever_is_to_be_moved(because: ToSetting) -> None:
    """Before anything is read where a coupling asks for it; else once all else is read."""
    other = OtherSetting(LONGEST_NAME, LONGEST_SETTING, 8, because)
    state = replace(DONE, other_settings=(other,), levers_on_the_way=True,
                    impulse=(Waiting(LONGEST_NAME, LONGEST_SETTING),))  # fmt: skip
    found = advice(state)
    assert (found.hand, found.press, found.what) == (Hand.MOVE_LEVER, "8", LONGEST_SETTING)
    assert len(found.why) <= 72


def test_linked_levers_are_entered_one_after_the_other_before_anything_is_read() -> None:
    lower = (OtherSetting("lower", "full retard", 2),)
    state = replace(DONE, other_settings=lower, unread=(Waiting("upper", "full retard"),))
    assert advice(state).step == "readings"
    lever = advice(replace(state, levers_on_the_way=True))
    assert (lever.hand, lever.unit, lever.press) == (Hand.MOVE_LEVER, "lower", "2")
