"""Touches of a stop, from positions of the crank alone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.typing import NDArray

from rig.signal.events import Settings
from rig.tdc import piston_stop
from rig.tdc.piston_stop import StopTouches
from rig.tdc.touches import Hold, Movement, ShortWay, Touch, peaks
from rig.wire.records import POSITION

FINE = Settings(4096)
COARSE = Settings(600)


def find_touches(at: NDArray[np.void], settings: Settings) -> list[Touch]:
    return Movement(at, settings).touches()


def find_short_way(at: NDArray[np.void], settings: Settings) -> ShortWay | None:
    return Movement(at, settings).short_way()


def find_hold(
    at: NDArray[np.void], settings: Settings, touches: Sequence[Touch] = ()
) -> Hold | None:
    return Movement(at, settings).hold(touches)


def positions(counts: Sequence[int], every_us: float = 20_000.0) -> NDArray[np.void]:
    """A position every 20 ms."""
    rows = np.zeros(len(counts), POSITION)
    rows["t_us"] = np.arange(len(counts)) * every_us
    rows["count"] = rows["low"] = rows["high"] = counts
    return rows


WALKS = st.lists(st.integers(-4, 4), max_size=60)


@pytest.mark.slow
@given(WALKS, st.integers(1, 8))
@example([1, -1, 1, -1], 1)
@example([0, 3, 0, 0, -3, 3, 0, -3], 3)
def test_peaks_are_those_of_scipy(walk: Sequence[int], least: float) -> None:
    """Only importing it is slow."""
    from scipy.signal import find_peaks

    reach = np.cumsum([0.5, *walk])
    assert peaks(reach, least) == find_peaks(reach, prominence=least)[0].tolist()


def to_and_from(held: Sequence[int], way: int = 1) -> list[int]:
    """Up to the stop in steps, held there, and back again by 400 counts."""
    here = held[0]
    there = [here - way * step for step in range(400, 0, -20)]
    return [*there, *held, *reversed(there)]


@pytest.mark.parametrize("way", [1, -1])
def test_one_touch_held_steady(way: int) -> None:
    (touch,) = find_touches(positions(to_and_from([1000] * 40, way)), FINE)
    assert (touch.side, touch.at, touch.steady) == (way, 1000.5, True)
    assert touch.held_s == pytest.approx(0.8, abs=0.1)


def test_a_hand_that_sways_against_the_stop_makes_one_touch() -> None:
    """Each return to the farthest count looks like a touch of its own; it is the same one."""
    swaying = [1000, 1000, 999, 1000, 998, 1000, 999, 1000, 1000, 999, 1000, 998, 1000, 1000] * 3
    (touch,) = find_touches(positions(to_and_from(swaying)), FINE)
    assert touch.at == 1000.5
    assert touch.steady


def test_two_touches_either_side_of_a_way_back_are_two() -> None:
    counts = to_and_from([1000] * 30) + to_and_from([1001] * 30)
    forward = [touch for touch in find_touches(positions(counts), FINE) if touch.side == 1]
    assert [touch.at for touch in forward] == [1000.5, 1001.5]


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("forced_deg", [6.0, 8.0, 30.0])
def test_a_stop_that_was_forced_once_is_known_by_the_touches_at_its_place(
    forced_deg: float, way: int
) -> None:
    """Three at one place, and one further on: what is left would be that one alone."""
    forced = round(way * forced_deg / FINE.count_deg)
    places = [1000, 1001, 1000 + forced, 1000]
    movement = Movement(
        positions([c for place in places for c in to_and_from([place] * 30, way)]), FINE
    )
    assert [t.at for t in movement.touches() if t.side == way] == [1000.5 + forced]
    assert movement.passed is not None
    assert (movement.passed.side, movement.passed.n) == (way, 3)
    assert movement.passed.by_deg == pytest.approx(forced_deg, abs=0.2)


@pytest.mark.parametrize("places", [[800, 1000, 1000], [700, 850, 1000], [900, 1000]])
def test_a_rest_in_the_open_before_the_stop_was_met_is_passed_in_silence(places: list[int]) -> None:
    movement = Movement(positions([c for p in places for c in to_and_from([p] * 30)]), FINE)
    assert {t.at for t in movement.touches() if t.side == 1} == {1000.5}
    assert movement.passed is None


def test_a_touch_that_goes_on_is_not_given_yet() -> None:
    assert find_touches(positions(to_and_from([1000] * 30)[:45]), FINE) == []


def test_a_touch_left_at_once_and_one_that_wanders_are_not_steady() -> None:
    (knock,) = find_touches(positions(to_and_from([1000] * 3)), FINE)
    assert not knock.steady
    (wandering,) = find_touches(positions(to_and_from([1000, 997] * 20)), FINE)
    assert not wandering.steady  # 0.26 degrees


def test_with_a_coarse_encoder_the_edge_of_a_count_is_steady() -> None:
    counts = [c // 4 for c in to_and_from([4000, 3999] * 20)]
    (touch,) = find_touches(positions(counts), COARSE)
    assert touch.steady


@pytest.mark.parametrize("way", [1, -1])
def test_a_stop_approached_over_a_short_way_is_no_touch_and_the_way_is_reported(way: int) -> None:
    """34 counts of 4096 are 3.0 degrees."""
    held = [1000] * 40
    counts = [1000 - way * 34] * 5 + to_and_from(held, way)[20:]
    found = positions(counts)
    assert [touch.side for touch in find_touches(found, FINE)] == []
    short = find_short_way(found, FINE)
    assert short is not None
    assert short.side == way
    assert short.way_deg == pytest.approx(3.0, abs=0.1)


def test_true_touches_knocks_and_tremblings_are_no_short_ways() -> None:
    assert find_short_way(positions(to_and_from([1000] * 40)), FINE) is None
    knock = [966] * 5 + to_and_from([1000] * 2)[20:]
    assert find_short_way(positions(knock), FINE) is None
    trembling = [1000, 1001, 1000, 999] * 20
    assert find_short_way(positions([*trembling, *range(1000, 600, -20)]), FINE) is None
    assert find_short_way(positions([1, 2]), FINE) is None


@pytest.mark.parametrize("way", [1, -1])
def test_a_touch_that_goes_on_is_a_hold_at_its_place(way: int) -> None:
    counts = to_and_from([1000] * 30, way)
    held = find_hold(positions(counts[:50]), FINE)
    assert held is not None
    assert held.is_touch
    assert (held.touch.side, held.touch.at) == (way, 1000.5)
    assert held.way_deg == pytest.approx(400 * 360 / 4096, abs=2.0)
    assert find_hold(positions(counts), FINE) is None  # it was left again


def test_a_hold_is_distinguished_from_turning_a_knock_and_a_short_way() -> None:
    turning = list(range(600, 1000, 20))
    assert find_hold(positions(turning), FINE) is None
    assert find_hold(positions([*turning, 1000, 1000]), FINE) is None  # not held long enough
    short = find_hold(positions([966] * 5 + [1000] * 40), FINE)
    assert short is not None
    assert not short.is_touch
    assert short.way_deg == pytest.approx(3.0, abs=0.1)
    assert find_hold(positions([1000] * 60), FINE) is None  # it never moved
    assert find_hold(positions([1, 2]), FINE) is None


@pytest.mark.parametrize("way", [1, -1])
def test_a_rest_at_a_place_that_the_crank_went_past_is_no_touch(way: int) -> None:
    """Turned back in the open, held a while and turned on: there was no stop."""
    here = 1000
    swing = [here - way * step for step in range(900, 500, -20)]
    rest = [here - way * 500] * 60
    back = [here - way * step for step in range(500, 900, 20)]
    stop = to_and_from([here] * 40, way)
    found = find_touches(positions([*swing, *rest, *back, *reversed(back), *stop]), FINE)
    assert [(touch.side, touch.at) for touch in found if touch.side == way] == [(way, here + 0.5)]
    again = positions([*stop, *back, *reversed(back), *rest])
    assert find_hold(again, FINE, find_touches(again, FINE)) is None


@pytest.mark.parametrize("way", [1, -1])
def test_a_place_that_was_passed_before_the_stop_was_fitted_is_touched_all_the_same(
    way: int,
) -> None:
    here = 1000
    free = [here + way * step for step in range(-600, 500, 20)]
    stop = to_and_from([here] * 40, way)
    found = find_touches(positions([*free, *reversed(free), *stop, *stop]), FINE)
    assert [t.at for t in found if t.side == way and t.steady] == [here + 0.5] * 2


@given(st.lists(st.integers(1, 700), min_size=1, max_size=40))
@example([1] * 40)
@example([4000])
def test_a_stop_left_in_does_not_fill_the_memory_and_its_touches_are_kept(cuts: list[int]) -> None:
    """However the positions are cut: at most one touch is lost where older positions are left."""
    whole = positions((to_and_from([1000] * 30) + to_and_from([400] * 30, -1)) * 20)
    every = find_touches(whole, FINE)
    ends = np.minimum(np.cumsum(cuts), len(whole)).tolist()
    pieces = [piece for piece in np.split(whole, ends) if len(piece)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(piston_stop, "MOST_POSITIONS", 1000)
        kept = StopTouches(0.0, 1, "reference")
        for piece in pieces:
            kept.add(piece, FINE)
            assert sum(map(len, kept.trail)) < 1000
    found = [*kept.before, *find_touches(np.concatenate(kept.trail), FINE)]
    assert len(every) == 40
    assert len(found) >= len(every) - len(whole) // 1000
    assert {(touch.side, touch.at) for touch in found} == {(t.side, t.at) for t in every}
    boundaries = [whole["t_us"][at] for at in range(1000, len(whole), 1000)]
    assert sorted(touch.t_us for touch in found) == sorted(
        touch.t_us for touch in every if touch.t_us not in lost(every, boundaries, found)
    )


def lost(every: list[Touch], boundaries: list[float], found: list[Touch]) -> set[float]:
    """Touches next to a boundary that were not found, at most one at each."""
    missing = {touch.t_us for touch in every} - {touch.t_us for touch in found}
    assert all(min(abs(at - boundary) for boundary in boundaries) < 3e6 for at in missing)
    return missing
