"""How long a TDC holds, by what was touched before and after it."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.engine.profile import Encoder
from rig.tdc.piston_stop import tdc_from_stop
from rig.tdc.reference import Method, TdcReference, set_by_hand
from rig.tdc.validity import ALWAYS, NEVER, Touched, validity
from rig.words.diagnostics import reason_words

ENCODER = Encoder(4096)
OFF_DEG = 6.0


def touched(tdc_deg: float, capture: str = "a", cylinder: int = 1) -> TdcReference:
    """Found by a stop that blocks 60 degrees, two touches a side a hundredth apart."""
    found = tdc_from_stop(
        [tdc_deg - 30.0, tdc_deg - 29.99],
        [tdc_deg + 30.0, tdc_deg + 29.99],
        counts_per_turn=4096,
        cylinder=cylinder,
    )
    return replace(found, capture=capture)


def series(*offs: bool) -> list[Touched]:
    """Touches at 1, 2, ...: six degrees off where True."""
    return [
        Touched((0.0, float(n)), touched(100.0 + 0.001 * n + OFF_DEG * off))
        for n, off in enumerate(offs, 1)
    ]


USED = touched(100.0)


def test_nothing_touched_again_says_nothing_against_it() -> None:
    found = validity(USED, (0.0, 5.0), [], ENCODER)
    assert (found.since, found.until) == (ALWAYS, NEVER)


def test_it_holds_until_the_last_touch_that_agrees() -> None:
    found = validity(USED, (0.0, 0.0), series(False, True), ENCODER)
    assert (found.since, found.until) == (ALWAYS, (0.0, 1.0))
    assert found.at((0.0, 0.5))
    assert not found.at((0.0, 1.5))
    assert found.after is not None
    assert found.after.shift_deg == pytest.approx(OFF_DEG, abs=0.01)
    assert "TDC has moved by 6.0" in reason_words(found.why_not((0.0, 1.5)))
    assert found.why_not((0.0, 0.5)) is None


def test_chosen_after_the_move_it_does_not_hold_before() -> None:
    found = validity(USED, (0.0, 3.0), series(True, False), ENCODER)
    assert (found.since, found.until) == ((0.0, 2.0), NEVER)
    assert not found.at((0.0, 1.5))


def test_a_touch_that_agrees_afterwards_clears_it() -> None:
    """The one between was at fault: nothing had moved."""
    assert validity(USED, (0.0, 0.0), series(True, False), ENCODER).until == NEVER


def test_another_method_in_the_same_recording_is_another_opinion() -> None:
    gauge = replace(touched(100.0 + OFF_DEG), method=Method.FIT)
    here = [Touched((0.0, 1.0), gauge)]
    assert validity(USED, (0.0, 0.0), here, ENCODER).until == NEVER
    there = [Touched((1.0, 1.0), replace(gauge, capture="b"))]
    assert validity(USED, (0.0, 0.0), there, ENCODER).until == (0.0, 0.0)


def test_one_set_by_hand_stands_for_what_came_before_and_is_checked_by_what_comes_after() -> None:
    by_hand = set_by_hand(100.0, how="by hand", half_width_deg=0.5)
    assert validity(by_hand, (0.0, 1.5), series(True), ENCODER) == validity(
        by_hand, (0.0, 1.5), [], ENCODER
    )
    assert validity(by_hand, (0.0, 0.5), series(True), ENCODER).until == (0.0, 0.5)


def test_other_cylinders_say_nothing() -> None:
    other = [Touched((0.0, 1.0), touched(106.0, cylinder=3))]
    assert validity(USED, (0.0, 0.0), other, ENCODER).until == NEVER


def test_another_place_of_a_geared_index_is_no_move() -> None:
    geared = Encoder(4096, turns_per_crank_turn=Fraction(3, 2))
    there = [Touched((0.0, 1.0), touched(220.0))]
    assert validity(USED, (0.0, 0.0), there, geared).until == NEVER
    moved = [Touched((0.0, 1.0), touched(226.0))]
    assert validity(USED, (0.0, 0.0), moved, geared).until == (0.0, 0.0)


@given(st.lists(st.booleans(), max_size=8), st.integers(0, 8))
def test_no_reading_is_assessed_between_touches_that_do_not_both_agree(
    offs: list[bool], place: int
) -> None:
    """Whatever the order: beside a touch that is off, with no agreeing one beyond, it is not."""
    at = (0.0, place + 0.5)
    found = validity(USED, at, series(*offs), ENCODER)
    agree = [n for n, off in enumerate(offs, 1) if not off]
    for gap in range(len(offs) + 1):  # between touch number gap and the next
        here = (0.0, gap + 0.25)
        first, last = (min([*agree, at[1]]), max([*agree, at[1]]))
        within = first <= here[1] <= last
        open_before = not any(off for n, off in enumerate(offs, 1) if n < first)
        open_after = not any(off for n, off in enumerate(offs, 1) if n > last)
        wanted = within or (here[1] < first and open_before) or (here[1] > last and open_after)
        assert found.at(here) == wanted
