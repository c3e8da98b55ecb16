"""What earlier adjustments used of a slot, and where they left a gap."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.adjust.used_up import after_steps, notes
from rig.engine.profile import Adjustments, Gap, Slot

SLOT = Slot("upper", 45.0, 3.0, 2.0, file_mm=1.0)
GAP = Gap("upper", 0.40, 0.30, 0.50)


def turned(way: str, room_mm: float, arc_mm: float, **more: float) -> dict[str, Any]:
    kind = "file" if more else "slot"
    figures = {"way": way, "room_mm": room_mm, "slot_mm": arc_mm, **more}
    return {"kind": kind, "part": "upper", "figures": figures}


def slot_after(*steps: dict[str, Any], entered: Slot = SLOT) -> tuple[float, float, float]:
    (slot,) = after_steps(Adjustments(slots=(entered,)), steps).slots
    return slot.clockwise_mm, slot.anticlockwise_mm, slot.file_mm


def test_what_is_left_of_a_slot() -> None:
    """By hand: 3 mm clockwise, 2 of them used; then back 0.5; then filed 0.25 beyond its end."""
    first = turned("clockwise", 3.0, 2.0)
    back = turned("anticlockwise", 2.0, 0.5)
    filed = turned("clockwise", 1.5, 1.75, longer_mm=0.25)
    assert slot_after() == (3.0, 2.0, 1.0)
    assert slot_after(first) == pytest.approx((1.0, 2.0, 1.0))
    assert slot_after(first, back) == pytest.approx((1.5, 2.0, 1.0))
    assert slot_after(first, back, filed) == pytest.approx((0.0, 2.0, 0.75))


def test_a_file_brought_up_to_date_counts() -> None:
    measured = replace(SLOT, clockwise_mm=1.1, anticlockwise_mm=3.9)
    assert slot_after(turned("clockwise", 3.0, 2.0), entered=measured) == (1.1, 3.9, 1.0)
    since = turned("clockwise", 1.1, 0.4)
    left = slot_after(turned("clockwise", 3.0, 2.0), since, entered=measured)
    assert left == pytest.approx((0.7, 3.9, 1.0))


def test_steps_of_other_parts_and_spoilt_ones_change_nothing() -> None:
    other = turned("clockwise", 3.0, 2.0) | {"part": "lower"}
    spoilt = turned("clockwise", 3.0, 2.0) | {"figures": "none"}
    wordy = {"kind": "slot", "part": "upper", "figures": {"way": "up", "room_mm": "3"}}
    assert slot_after(other, spoilt, wordy) == (3.0, 2.0, 1.0)


@given(st.lists(st.tuples(st.sampled_from(["clockwise", "anticlockwise"]), st.floats(0.0, 1.0))))
def test_no_slot_gets_freer_than_it_was(shares: list[tuple[str, float]]) -> None:
    """Whatever was done within its ends, its bolt is where the sum of all moves has it."""
    steps: list[dict[str, Any]] = []
    at_mm = 0.0
    for way, share in shares:
        clockwise, anticlockwise, _ = slot_after(*steps)
        room = clockwise if way == "clockwise" else anticlockwise
        steps.append(turned(way, room, share * room))
        at_mm += share * room if way == "clockwise" else -share * room
    clockwise, anticlockwise, _ = slot_after(*steps)
    assert clockwise == pytest.approx(3.0 - max(0.0, at_mm), abs=1e-6)
    assert anticlockwise == pytest.approx(2.0 - max(0.0, -at_mm), abs=1e-6)


def test_a_gap_is_where_it_was_set() -> None:
    def step(from_mm: float, to_mm: float) -> dict[str, Any]:
        figures = {"from_mm": from_mm, "gap_mm": to_mm}
        return {"kind": "gap", "part": "upper", "figures": figures}

    entered = Adjustments(gaps=(GAP,))
    now = after_steps(entered, [step(0.40, 0.45), step(0.45, 0.43)])
    assert now.gaps[0].now_mm == 0.43
    assert "0.43 mm" in next(notes(entered, now))
    assert after_steps(entered, [step(0.35, 0.45)]) == entered  # from before the file had 0.40
    assert not list(notes(entered, entered))
