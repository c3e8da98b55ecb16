"""What the index says, when it comes, of the counts since it last came."""

from __future__ import annotations

import math

import pytest

from rig.signal.events import IndexPass, Reason, Rejection, Settings
from rig.signal.track import IndexCheck

FOUR = Settings(400)


UNCONFIRMED = Rejection(Reason.COUNTS_UNCONFIRMED)


def passed(
    turn: float, *, direction: int = 1, off: float = 0.0, anchored: bool = False
) -> IndexPass:
    return IndexPass(turn * 1e6, direction, 360.0 * turn, off, anchored, 400.0 * turn)


def test_the_index_vouches_for_what_lies_between_two_sound_passes() -> None:
    check = IndexCheck(FOUR)
    for each in (passed(1, anchored=True), passed(2), passed(3, off=7.0), passed(4)):
        check.take(each)
    assert check.off_passes == 1
    assert check.why_not(1.5e6) is None
    assert check.why_not(2.5e6) == Rejection(Reason.COUNTS_LOST, (7,))
    assert check.why_not(3.5e6) is None
    assert not check.counts_wrong


@pytest.mark.parametrize(
    ("turns", "wrong"),
    [
        ([], False),
        ([1.0], False),
        ([4.0], True),
        ([2.0, 1.0], False),  # an index that was missed
        ([4.0, 8.0, 4.0], True),  # four times too many, and one missed
        ([0.3, 0.7, 0.3, 0.7], False),  # an index that comes twice
        ([0.6, 0.6, 0.6], True),
        ([1.005] * 4, False),
    ],
)
def test_turn_after_turn_of_other_counts_means_that_the_entered_ones_are_wrong(
    turns: list[float], wrong: bool
) -> None:
    check = IndexCheck(FOUR)
    at = 1.0
    check.take(passed(at, anchored=True))
    for turn in turns:
        at += turn
        check.take(passed(at, off=math.remainder(at, 1.0) * 400))
    assert check.counts_wrong == wrong
    assert bool(check.why_not(1e9)) == wrong


def test_turns_either_side_of_a_restart_or_a_reversal_are_not_joined() -> None:
    check = IndexCheck(FOUR)
    check.take(passed(1, anchored=True))
    check.take(passed(8, anchored=True))
    check.take(passed(8.01, direction=-1))
    check.take(passed(8.0))
    assert check.turns == []


def test_a_pass_that_becomes_the_anchor_shows_what_was_lost_before_it() -> None:
    """Openings since the loss were rejected as they came; touches of the piston stop were not."""
    check = IndexCheck(FOUR)
    for each in (passed(1, anchored=True), passed(2), passed(3, off=7.0, anchored=True), passed(4)):
        check.take(each)
    assert check.why_not(2.5e6) is None
    assert check.lost(2.5e6) == Rejection(Reason.COUNTS_LOST, (7,))
    assert check.lost(1.5e6) is check.lost(3.5e6) is None


OFF = 100.0  # counts, a quarter of a turn


@pytest.mark.parametrize(
    ("later", "valid"),
    [
        ([], True),  # nothing contradicts the first pulse
        ([passed(2)], True),
        ([passed(1.25, off=OFF)], False),
        ([passed(1.25, off=OFF), passed(2)], True),  # the second was a stray pulse
        ([passed(1.25, off=OFF), passed(2.25, off=OFF, anchored=True), passed(3.25)], False),
        ([passed(2), passed(2.25, off=OFF)], True),
    ],
)
def test_what_came_before_the_first_pass_rests_on_it(later: list[IndexPass], valid: bool) -> None:
    """A stray pulse may come before the index does. Angles before it are counted back from it."""
    check = IndexCheck(FOUR)
    for each in (passed(1, anchored=True), *later):
        check.take(each)
    assert (check.why_not(0.5e6) is None) == valid


@pytest.mark.parametrize("trusting", [False, True])
def test_where_counts_are_lost_elsewhere_a_later_index_confirms_an_angle(trusting: bool) -> None:
    """Counts may be lost again before the first pass and after the last."""
    check = IndexCheck(FOUR, trusting=trusting)
    lost = [passed(5, off=7.0), passed(6, off=7.0, anchored=True), passed(7)]
    for each in (passed(1, anchored=True), passed(2), passed(3)):
        check.take(each)
        assert check.unconfirmed(0.5e6) is check.unconfirmed(9e6) is None
    for each in lost:
        check.take(each)
    why = None if trusting else UNCONFIRMED
    at = (0.5, 1.5, 2.5, 5.5, 6.5, 7.5)
    assert [check.unconfirmed(turn * 1e6) for turn in at] == [why, None, None, why, None, why]
    check.take(passed(8))
    assert check.unconfirmed(7.5e6) is None


@pytest.mark.parametrize(
    ("off", "valid"),
    [
        (0.0, True),
        (OFF, False),  # by one pass alone, and the next, after a step, is elsewhere
    ],
)
def test_a_first_pass_that_none_agrees_with_before_counts_are_lost(off: float, valid: bool) -> None:
    check = IndexCheck(FOUR)
    for each in (passed(1, anchored=True), passed(1.25, off=off, anchored=True), passed(2.25)):
        check.take(each)
    assert (check.why_not(1.1e6) is None) == (check.why_not(0.5e6) is None) == valid
    check.take(passed(3.25, off=OFF, anchored=True))
    assert check.why_not(2.1e6) is None  # two passes agreed on these
