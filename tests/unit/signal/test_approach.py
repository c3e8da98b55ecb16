"""Run-up: begun again by a larger step back, forgiving a smaller one once it is passed."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rig.signal.crank_motion import Approach


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
