"""Stretches without new ground, against a walk over the positions one by one."""

import math
from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rig.signal.crank_motion import Stall

POSITIONS = st.lists(
    st.tuples(st.integers(1, 50), st.integers(-5, 5), st.integers(-9, 9)), min_size=1, max_size=40
)


def one_by_one(t_us: list[float], low: list[float], furthest: list[float]) -> list[list[float]]:
    since, lowest, before = math.inf, math.nan, math.nan
    seen = []
    for t, least, far in zip(t_us, low, furthest, strict=True):
        if far != before:
            since, lowest, before = t, least, far
        lowest = min(lowest, least)
        seen.append([since, lowest])
    return seen


@given(POSITIONS, st.lists(st.integers(0, 40), max_size=5))
def test_it_is_the_walk_one_by_one_whatever_the_cut(
    positions: list[tuple[int, int, int]], cuts: list[int]
) -> None:
    t_us = np.cumsum([float(wait) for wait, _, _ in positions])
    low = np.array([place + 0.5 for _, place, _ in positions])
    furthest = np.array([place + 0.5 for _, _, place in positions])
    lull, seen = Stall(), []
    edges = [0, *sorted(c for c in cuts if c < len(t_us)), len(t_us)]
    for first, last in pairwise(edges):
        since, lowest = lull.along(t_us[first:last], low[first:last], furthest[first:last])
        assert since.shape == lowest.shape == (last - first + 1,)
        seen += [[s, least] for s, least in zip(since[1:], lowest[1:], strict=True)]
    assert seen == one_by_one(t_us.tolist(), low.tolist(), furthest.tolist())


def test_before_any_position_there_is_no_stall() -> None:
    since, _ = Stall().along(np.empty(0), np.empty(0), np.empty(0))
    assert since.tolist() == [math.inf]
