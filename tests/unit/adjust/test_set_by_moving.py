"""Setting by moving the unit: the whole course, and what goes wrong in it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, get_args

import pytest

from rig.adjust import set_by_moving
from rig.adjust.set_by_moving import STATES, Seen, Setting, State

START = Setting("upper", 36.0, earlier="anticlockwise", later="clockwise")
AT = Seen(crank_deg=125.9, off_deg=0.0, moved_deg=0.1, contacts_open=False)


def seen(off_deg: float = 0.0, **other: Any) -> Seen:
    return replace(AT, crank_deg=125.9 + off_deg, off_deg=off_deg, **other)


def run(*looks: Seen, start: Setting = START) -> Setting:
    now = start
    for look in looks:
        now = set_by_moving.step(now, look)
    return now


def test_the_whole_course() -> None:
    far = seen(-30.0, moved_deg=20.0)
    now = run(far)
    assert now.state == "bring"
    now = run(far, seen(0.1))
    assert now.state == "move"
    assert "anticlockwise until its contacts open" in now.words
    now = run(seen(-0.2), seen(0.3), start=now)
    now = run(seen(0.1, opened=True, contacts_open=True), start=now)
    assert now.state == "opened"
    assert now.result is not None
    assert now.result.crank_deg == pytest.approx(126.0)
    assert now.result.btdc_deg == pytest.approx(35.9)  # where the crank did stand
    assert now.result.hand_deg == pytest.approx(0.25)  # half of -0.2 to 0.3
    now = run(seen(0.2, contacts_open=True), start=now)
    assert now.state == "opened"
    now = run(seen(-4.0, contacts_open=False, moved_deg=4.0), start=now)
    assert now.state == "turn back"
    now = run(seen(-15.0), start=now)
    assert now.state == "turn back"
    now = run(seen(-21.0), start=now)
    assert now.state == "confirm"
    now = run(seen(1.0, turned_reading_btdc=35.6, contacts_open=True), start=now)
    assert now.state == "done"
    assert now.result is not None
    assert now.result.confirmed_deg == pytest.approx(-0.3)
    assert now.result.btdc_deg == pytest.approx(35.9)  # kept apart from the turned one


def test_a_still_crank_has_at_least_the_play_of_a_count() -> None:
    now = set_by_moving.step(
        run(seen(0.0)), seen(0.0, opened=True, contacts_open=True), count_deg=0.15
    )
    assert now.result is not None
    assert now.result.hand_deg == pytest.approx(0.075)


def test_open_contacts_are_closed_first() -> None:
    now = run(seen(0.0, contacts_open=True))
    assert now.state == "close"
    assert "clockwise until its contacts close" in now.words
    assert run(seen(0.0), start=now).state == "move"
    assert run(seen(5.0, contacts_open=True), start=now).state == "bring"


def test_a_crank_that_moves_is_brought_again() -> None:
    assert run(seen(0.0), seen(5.0)).state == "bring"
    assert run(seen(0.0), seen(0.5, moved_deg=6.0)).state == "bring"


@pytest.mark.parametrize("at_deg", [0.05, 0.1, 0.3])
def test_the_crank_is_at_the_target_within_a_tenth_of_the_window_s_half_width(
    at_deg: float,
) -> None:
    start = replace(START, at_deg=at_deg)
    assert run(seen(-1.5 * at_deg), start=start).state == "bring"
    assert run(seen(1.5 * at_deg), start=start).state == "bring"
    assert run(seen(0.9 * at_deg), start=start).state == "move"
    held = run(seen(0.0), seen(at_deg + 0.5), start=start)
    assert held.state == "move"  # held a little off: said, and the reading takes where it is


def test_a_crank_that_came_from_the_wrong_side_is_not_at_the_target() -> None:
    assert run(seen(0.0, right_side=False)).state == "bring"


def test_an_opening_met_by_turning_is_no_set_reading() -> None:
    """The crank moves through the opening: the parting is not taken for the unit's adjustment."""
    now = run(seen(0.0), seen(1.5, moved_deg=9.0, opened=True, contacts_open=True))
    assert now.state == "bring"
    assert now.result is None


def test_contacts_that_close_again_are_opened_again() -> None:
    """Turned back, the contacts close as well: only another opening says that it was moved on."""
    opened = seen(0.0, opened=True, contacts_open=True)
    assert run(seen(0.0), opened, seen(0.0)).state == "opened"
    again = run(seen(0.0), opened, seen(0.0), seen(0.4, opened=True, contacts_open=True))
    assert again.state == "opened"
    assert again.result is not None
    assert again.result.btdc_deg == pytest.approx(again.wanted_btdc - 0.4)


def test_an_early_turned_reading_changes_nothing() -> None:
    assert run(seen(-30.0, turned_reading_btdc=33.0)).state == "bring"


def test_the_table_is_closed() -> None:
    """Every state is in it, is reached from the first, and all but the last can end."""
    states = set(get_args(State))
    assert set(STATES) == states
    ends = {state: {after for _, after in stage.ends} for state, stage in STATES.items()}
    assert set().union(*ends.values()) <= states
    assert [state for state, after in ends.items() if not after] == ["done"]
    reached: set[State] = {"bring"}
    for _ in states:
        reached |= {after for state in reached for after in ends[state]}
    assert reached == states
