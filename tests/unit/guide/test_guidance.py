"""The order of the work, its cautions, and that nothing is ever blocked."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.guide import advice as guidance
from rig.guide.advice import ROWS, JobState, advice, closing_list, due

ALL_CLOSED = frozenset({item.name for item in closing_list(JobState(coil_set=True, wedge_in=True))})
DONE = JobState(
    made_safe=True,
    gaps_written=True,
    rig="heard",
    rig_checked=True,
    switch_proved=True,
    index_seen=True,
    tdc_known=True,
    marks_compared=True,
    stroke="stated",
    tightened=True,
    touched_again=True,
    closed=ALL_CLOSED,
)

# Each step of the work and the state that makes it the next one.
COURSE: list[tuple[str, dict[str, Any]]] = [
    ("make safe", {"made_safe": False}),
    ("rig lost", {"rig": "lost"}),
    ("gap", {"gaps_written": False}),
    ("rig", {"rig": "not heard"}),
    ("switch", {"switch_proved": False}),
    ("index", {"index_seen": False}),
    ("rig bad", {"rig_bad": ("direction",)}),
    ("rig check", {"rig_checked": False}),
    ("dead centre moved", {"tdc_moved": True}),
    ("top dead centre", {"tdc_known": False}),
    ("stop out", {"stop_in": True}),
    ("marks", {"marks_compared": False}),
    ("stroke", {"stroke": "lost"}),
    ("wrong way", {"wrong_way": ("upper",)}),
    ("one turn out", {"one_turn_out": ("upper",)}),
    ("advance", {"automatic_advance": ("upper",)}),
    ("impulse", {"impulse_engaged": ("upper",)}),
    ("readings", {"unread": ("upper, full advance", "lower, full advance")}),
    ("play", {"play_unknown": ("upper",)}),
    ("confirm set", {"set_only": ("upper",)}),
    ("confirm change", {"change_made": True}),
    ("more readings", {"undecided": ("upper",)}),
    ("correction", {"outside": ("upper",)}),
    ("tighten", {"tightened": False}),
    ("touch again", {"touched_again": False}),
    ("certificate", {}),
    ("close", {"saved": True, "closed": frozenset()}),
]


def test_the_course_names_every_row_in_order() -> None:
    assert [step for step, _ in COURSE] == [row.step for row in ROWS]


@pytest.mark.parametrize(("step", "state"), COURSE)
def test_each_step_comes_when_it_is_due(step: str, state: dict[str, Any]) -> None:
    found = advice(replace(DONE, **state))
    assert found.step == step
    assert found.next
    assert found.why.endswith(".")


def test_nothing_left() -> None:
    assert advice(replace(DONE, saved=True)).step == "done"
    assert due(replace(DONE, saved=True)) == ()


def test_once_saved_only_the_closing_is_left() -> None:
    """The capture has ended: whatever was passed over, nothing more can be read for it."""
    assert [a.step for a in due(JobState(saved=True, tdc_known=True))] == ["close"]


def test_a_new_job_has_the_whole_course_before_it() -> None:
    steps = [a.step for a in due(JobState())]
    assert steps[:4] == ["make safe", "gap", "rig", "switch"]
    assert steps[-1] == "close"
    assert steps.index("top dead centre") < steps.index("stroke") < steps.index("certificate")


def test_cautions_stand_where_they_matter() -> None:
    first = advice(JobState(propeller=True))
    assert guidance.LIVE in first.caution
    assert guidance.PROPELLER in first.caution  # in the place of what says less
    assert guidance.ARC not in first.caution
    assert guidance.ARC in advice(JobState()).caution
    assert guidance.LAST_WORD in first.caution
    coil = advice(JobState(magneto=False, coil_set=True))
    assert guidance.PROPELLER not in coil.caution
    assert guidance.LIVE not in coil.caution
    assert guidance.COIL in coil.caution
    touching = advice(replace(DONE, tdc_known=False, stop_in=True))
    assert "clear both valves" in touching.caution
    reading = advice(replace(DONE, unread=("upper, fixed",)))
    assert guidance.LIVE in reading.caution


def test_with_the_stop_in_nothing_that_turns_the_crank_on_comes_first() -> None:
    new = JobState(made_safe=True, gaps_written=True, rig="heard", index_seen=True, stop_in=True)
    assert [a.step for a in due(new)][:2] == ["top dead centre", "switch"]
    again = replace(new, tdc_known=True)
    assert [a.step for a in due(again)][:2] == ["stop out", "switch"]
    assert advice(replace(new, made_safe=False)).step == "make safe"


def test_a_stop_put_in_to_touch_it_again_is_touched_before_it_comes_out() -> None:
    state = replace(DONE, stop_in=True, touched_again=False)
    assert "forward to the stop" in advice(state).next
    assert "back the other way" in advice(replace(state, touches=(1, 0))).next
    assert "out" in advice(replace(state, touches=(1, 1))).next


def test_touches_alternate() -> None:
    state = replace(DONE, tdc_known=False)
    assert "fit the stop" in advice(state).next
    state = replace(state, stop_in=True)
    assert "forward to the stop" in advice(state).next
    assert "back the other way" in advice(replace(state, touches=(1, 0))).next
    assert "forward to the stop" in advice(replace(state, touches=(1, 1))).next


def test_units_are_named() -> None:
    assert (
        "upper, full advance; lower, full advance"
        in advice(replace(DONE, unread=("upper, full advance", "lower, full advance"))).next
    )
    assert "upper, lower and rear" in advice(replace(DONE, outside=("upper", "lower", "rear"))).next
    assert (
        "state in the engine file"
        in advice(replace(DONE, outside=("upper",), means_stated=False)).next
    )


def test_a_coil_set_needs_no_switch_proved() -> None:
    assert advice(replace(DONE, magneto=False, switch_proved=False)).step == "certificate"


def test_the_closing_list() -> None:
    left = [i.name for i in closing_list(replace(DONE, wedge_in=True)) if not i.done]
    assert left == []
    names = [i.name for i in closing_list(JobState(wedge_in=True))]
    assert names[:5] == ["stop", "wedge", "leads", "earth", "switch"]
    assert "battery" not in names
    coil = [i.name for i in closing_list(JobState(magneto=False, coil_set=True))]
    assert "battery" in coil
    assert "earth" not in coil
    almost = replace(DONE, saved=True, closed=ALL_CLOSED - {"earth"})
    assert advice(almost).next == "the closing list: earthing lead back on"


@given(st.data())
def test_something_is_always_said(data: st.DataObject) -> None:
    """From any state, however odd, there is an answer, and it is the first of those due."""
    values: dict[str, Any] = {}
    for field in fields(JobState):
        now = getattr(DONE, field.name)
        fresh = getattr(JobState(), field.name)
        odd = ("upper", "lower") if isinstance(now, tuple) and field.name != "touches" else fresh
        values[field.name] = data.draw(st.sampled_from([now, fresh, odd]))
    state = JobState(**values)
    found = advice(state)
    assert found.next
    assert found.why
    assert due(state)[:1] in ((), (found,))


def test_marks_wait_for_the_stroke_where_the_index_comes_at_several_places() -> None:
    geared = replace(DONE, marks_compared=False, stroke="not stated", index_places=9)
    assert advice(geared).step == "stroke"
    assert "9 places" in advice(geared).next
    assert advice(replace(geared, stroke="stated")).step == "marks"
    assert advice(replace(geared, index_places=1)).step == "marks"
