"""Run-up: begun again by a larger step back, forgiving a smaller one once it is passed."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.signal.crank_motion import Approach, CrankMotion
from rig.signal.events import Settings
from rig.wire.records import POSITION

Rows = np.ndarray[tuple[int], np.dtype[np.void]]


def walked(*places: float, forgiven: float = 20.0) -> Approach:
    run = Approach(forgiven)
    for place in places:
        run.moved(place, place, place)
    return run


def test_the_start_of_a_recording_counts_as_a_reversal() -> None:
    assert walked(100.0).measured(100.0) == (0.0, True)
    assert walked(100.0, 150.0).measured(150.0) == (50.0, True)


def test_a_small_step_back_is_forgiven_once_passed() -> None:
    run = walked(0, 200, 185)
    assert run.measured(190) == (190, False)
    assert run.measured(201) == (201, True)


def test_a_larger_step_back_begins_again() -> None:
    run = walked(0, 200, 179, 190)
    assert run.measured(190) == (11, True)


def test_going_back_on_and_on_starts_from_the_lowest() -> None:
    run = walked(0, 200, 150, 100, 50, -30, 10)
    assert run.measured(10) == (40, True)


def test_steps_between_two_records_are_seen() -> None:
    run = Approach(20.0)
    run.moved(0, 0, 0)
    run.moved(0, 300, 300)
    run.moved(270, 310, 305)  # 30 back, and forward again
    assert run.measured(305)[0] == 35
    run = Approach(20.0)
    run.moved(0, 0, 0)
    run.moved(0, 300, 270)  # forward, then 30 back
    assert run.measured(270)[0] == 0


@given(st.lists(st.floats(0, 100), min_size=1, max_size=50))
def test_forward_only_is_all_approach(steps: list[float]) -> None:
    run = Approach(2.0)
    place = 0.0
    run.moved(place, place, place)
    for step in steps:
        place += step
        run.moved(place - step, place, place)
    assert run.measured(place) == (place, True)


@given(
    st.lists(st.tuples(st.integers(-4, 6), st.integers(0, 4)), min_size=1, max_size=200),
    st.lists(st.integers(0, 60), max_size=8),
)
def test_many_records_at_once_are_as_one_by_one(
    steps: list[tuple[int, int]], pieces: list[int]
) -> None:
    now = np.cumsum([float(step) for step, _ in steps])
    low, high = now - [extra for _, extra in steps], now + [extra for _, extra in steps]
    single, many = Approach(3.0), Approach(3.0)
    at = 0
    for piece in [*pieces, len(now)]:
        upto = min(at + piece, len(now))
        start, furthest = many.moved_along(low[at:upto], high[at:upto], now[at:upto])
        for k in range(at, upto):
            single.moved(low[k], high[k], now[k])
            assert (start[k - at + 1], furthest[k - at + 1]) == (single.start, single.furthest)
        assert (many.start, many.furthest) == (single.start, single.furthest)
        at = upto


def moved(batches: list[Rows], forgiven_deg: float = 2.0) -> tuple[list[float], list[float]]:
    """Start and furthest point after each position, as given in batches."""
    motion = CrankMotion(Settings(3600, forgiven_deg=forgiven_deg))
    starts, furthests = [], []
    for rows in batches:
        motion.add(rows)
        movement = motion.to(math.inf)
        assert len(movement.start) == len(rows) + 1
        starts += movement.start[1:].tolist()
        furthests += movement.furthest[1:].tolist()
    return starts, furthests


def positions(*rows: tuple[float, int, int, int]) -> Rows:
    """Time in milliseconds, lowest, highest and present count of each."""
    made = np.zeros(len(rows), POSITION)
    for nth, (t_ms, low, high, now) in enumerate(rows):
        made[nth] = (1e3 * t_ms, now, low, high, 0, 1e3 * t_ms, -1, -1)
    return made


BEFORE = [(0, 0, 0, 0), (100, 0, 200, 200)]


def test_an_approach_begins_again_after_a_silence_that_may_hide_a_reversal() -> None:
    """The crank went back by 15 degrees and on by 17, and the records of it were lost."""
    starts, furthests = moved([positions(*BEFORE, (900, 210, 220, 220), (1000, 220, 240, 240))])
    assert starts[-2:] == [220.5, 220.5]
    assert furthests[-2:] == [220.5, 240.5]


@pytest.mark.parametrize(
    "after",
    [
        pytest.param((900, 200, 220, 220), id="it goes on from where it was"),
        pytest.param((900, 200, 200, 200), id="nothing moved, as in a pin recording"),
        pytest.param((300, 210, 220, 220), id="two records lost: no time for a reversal"),
    ],
)
def test_an_approach_goes_on_when_a_silence_hides_nothing(after: tuple[int, int, int, int]) -> None:
    starts, _ = moved([positions(*BEFORE, after)])
    assert starts[-1] == 0.5


STEPS = st.lists(
    st.tuples(st.integers(20, 600), st.integers(-30, 40), st.integers(0, 5), st.booleans()),
    min_size=1,
    max_size=40,
)


@given(STEPS, st.lists(st.integers(0, 40), max_size=5))
def test_silences_are_the_same_in_any_batches(
    steps: list[tuple[int, int, int, bool]], cuts: list[int]
) -> None:
    rows, t_ms, now = [], 0, 0
    for wait_ms, step, more, lost in steps:
        t_ms, before, now = t_ms + wait_ms, now, now + step
        seen = (now,) if lost else (before, now)
        rows.append((t_ms, min(seen) - more, max(seen) + more, now))
    whole = positions(*rows)
    places = sorted(min(cut, len(rows)) for cut in cuts)
    pieces = np.split(whole, places)
    single = moved(list(np.split(whole, len(whole))))
    np.testing.assert_array_equal(moved(pieces), single)
    np.testing.assert_array_equal(moved([whole]), single)


@given(STEPS)
def test_an_approach_is_never_longer_than_the_crank_can_have_come(
    steps: list[tuple[int, int, int, bool]],
) -> None:
    """Forward of every record that is missing: what it hid is never counted."""
    rows, t_ms, now = [], 0, 0
    for wait_ms, step, _, lost in steps:
        gone = 500 if lost else wait_ms % 200  # a silence in which the crank went far back
        before, now = now, now + abs(step) + (60 if lost else 0)
        t_ms += gone
        rows.append((t_ms, now if lost else before, now, now))
    starts, furthests = moved([positions(*rows)])
    last = max([nth for nth, each in enumerate(steps) if each[3] and nth], default=0)
    assert furthests[-1] - starts[-1] == now - rows[last][3]
