"""The crank held while contacts open. That a held crank trembles to and fro below a furthest place,
and that one that is turned gains ground, is common practice, no source."""

import math

import pytest

from rig.signal.crank_motion import Mark, is_held, why_held
from rig.signal.events import Reason
from rig.wire.records import Edge

SECOND = 1e6
COUNT_DEG = 0.1


def mark(
    count: int, *, furthest: int, lowest: int, lull_s: float, after: tuple[int, int] | None
) -> Mark:
    """An edge at 10 s in ``count``; ``after`` is the boundary and step of the edge that follows."""
    at, step = after or (0, 0)
    next_us = 10.03 * SECOND if after else math.nan
    edge = Edge(
        10.0 * SECOND, 1, 1, count,
        [9.90 * SECOND, 9.95 * SECOND, next_us, math.nan], [count, count, at, 0], [1, 1, step, 0],
    )  # fmt: skip
    stalled_us = (10.0 - lull_s) * SECOND
    return Mark(edge, 0.0, furthest + 0.5, stalled_us, lowest + 0.5, (0.0,) * 4)


@pytest.mark.parametrize(
    ("at", "held"),
    [
        (mark(500, furthest=501, lowest=499, lull_s=1.2, after=(500, -1)), True),
        (mark(501, furthest=501, lowest=500, lull_s=1.2, after=(501, -1)), True),
        (mark(501, furthest=501, lowest=500, lull_s=1.2, after=None), True),
        (mark(500, furthest=501, lowest=499, lull_s=1.2, after=(501, 1)), True),
        # A lull too short, too much movement in it, ground that is new, or gained just after.
        (mark(501, furthest=501, lowest=500, lull_s=0.8, after=(501, -1)), False),
        (mark(501, furthest=501, lowest=496, lull_s=1.2, after=(501, -1)), False),
        (mark(502, furthest=501, lowest=500, lull_s=1.2, after=(502, -1)), False),
        (mark(501, furthest=501, lowest=500, lull_s=1.2, after=(502, 1)), False),
    ],
)
def test_a_stall_of_a_second_without_new_ground_is_a_crank_held(at: Mark, held: bool) -> None:
    assert is_held(at, 1, COUNT_DEG) is held


def test_an_encoder_that_counts_down_sees_the_same() -> None:
    """Counts -502 to -501 lie forward of -500: boundary -501 passed downwards is new ground."""
    edge = Edge(
        10.0 * SECOND, 1, 1, -502,
        [9.90 * SECOND, 9.95 * SECOND, 10.03 * SECOND, math.nan],
        [-500, -501, -502, 0], [-1, -1, -1, 0],
    )  # fmt: skip
    nudged = Mark(edge, 0.0, 501.5, 8.8 * SECOND, 500.5, (0.0,) * 4)
    assert not is_held(nudged, -1, COUNT_DEG)
    back = edge._replace(around_at=[-500, -501, -501, 0], around_step=[-1, -1, 1, 0])
    assert is_held(nudged._replace(edge=back), -1, COUNT_DEG)


def test_contacts_that_had_just_closed_were_not_opened_by_moving_the_unit() -> None:
    assert why_held(closed_us=3.0 * SECOND) is Reason.CRANK_STILL
    assert why_held(closed_us=0.2 * SECOND) is Reason.JUST_CLOSED
