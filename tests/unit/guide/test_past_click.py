"""Past an impulse coupling: followed step by step, told when one was missed."""

import textwrap
from typing import get_args

from rig.guide import impulse
from rig.guide.impulse import Seen, State, TripEvent, TripState, step


def run(*looks: Seen, needed: float = 20.0) -> TripState:
    now = TripState(needed)
    for look in looks:
        now = step(now, look)
    return now


CLICK = Seen(26.0, clicked=True)


def test_the_whole_way() -> None:
    now = run(Seen(-40.0), Seen(0.0), CLICK)
    assert now.state == "back"
    assert "come back 49 degrees more" in now.words
    now = run(Seen(0.0), CLICK, Seen(5.0), Seen(-24.0))
    assert now.state == "forward"
    assert now.missed == ""
    now = run(CLICK, Seen(-24.0), Seen(-10.0), Seen(0.0, running=True))
    assert now.state == "done"


def test_turning_on_too_soon_is_said() -> None:
    now = run(CLICK, Seen(-5.0), Seen(0.0))
    assert now.state == "back"
    assert "not far enough back" in now.words
    assert run(CLICK, Seen(-5.0), Seen(-3.5)).missed == ""  # a trembling hand


def test_gone_too_far_back_the_coupling_may_have_engaged() -> None:
    now = run(CLICK, Seen(-24.0), Seen(-60.0))
    assert now.state == "click"
    assert "too far back" in now.words


def test_a_second_click_says_that_it_had_engaged() -> None:
    now = run(CLICK, Seen(-30.0), Seen(26.0, clicked=True))
    assert now.state == "back"
    assert "clicked again" in now.words


def test_going_on_a_little_after_the_click_is_not_turning_too_soon() -> None:
    assert run(CLICK, Seen(31.0)).missed == ""
    now = run(CLICK, Seen(-30.0), Seen(26.0, clicked=True), Seen(39.0))
    assert "clicked again" in now.words  # what was really missed stays said
    assert "not far enough" in run(CLICK, Seen(39.0), Seen(5.0), Seen(8.0)).words


def test_the_words_go_into_three_lines_beside_the_figure() -> None:
    for (_, event), state in impulse.TABLE.items():
        missed = impulse.MISSED.get(event, "")
        words = TripState(87.0, state, missed=missed, past_deg=87.0).words
        assert len(textwrap.wrap(words, 37)) <= 3, words


def test_the_table_is_closed() -> None:
    states, events = set(get_args(State)), set(get_args(TripEvent))
    assert {state for state, _ in impulse.TABLE} <= states
    assert {event for _, event in impulse.TABLE} == events - {"nothing"}
    assert {(state, event) for state, event, _ in impulse.SEEN_AS} == set(impulse.TABLE)
    assert set(impulse.WORDS) == states
