"""Bounce, drop-outs and true runs measured on contacts whose runs are known."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rig.signal.events import Closing, Opening, Settings
from rig.signal.openings import OpeningFinder
from rig.signal.rig_statistics import LevelRuns, StatisticsCollector, statistics_of
from rig.wire.records import EDGE, POSITION, Batch

LONG_US = 300_000.0  # much longer than any bounce


def turning(times: list[float], levels: list[int], end_us: float) -> Batch:
    """A crank that steps up each 5 ms, and edges of contact 1."""
    positions = np.zeros(int(end_us // 5_000) + 1, POSITION)
    positions["t_us"] = positions["done_us"] = np.arange(len(positions)) * 5_000.0
    positions["count"] = positions["low"] = positions["high"] = np.arange(len(positions))
    edges = np.zeros(len(times), EDGE)
    edges["t_us"], edges["level"], edges["input"] = times, levels, 1
    edges["count"] = edges["t_us"] // 5_000
    edges["around_at"] = edges["count"][:, None] + np.arange(-1, 3)
    edges["around_t_us"] = 5_000.0 * edges["around_at"]
    edges["around_step"] = 1
    return Batch(positions, edges)


def of_contact(times: list[float], settings: Settings | None = None) -> LevelRuns:
    levels = [(n + 1) % 2 for n in range(len(times))]
    if settings is not None:
        levels = [1 - level for level in levels]
    batch = turning(times, levels, times[-1] + LONG_US)
    batch.positions["levels"] = (1 - levels[0]) << 4
    return statistics_of([batch], settings or Settings(4096)).inputs[0].runs


# 150 us to 1.9 ms: shorter than the closed run that ends a transition, longer than what is weighed
# as noise (open runs are longer than the longest drop-out).
runs = st.lists(
    st.tuples(st.integers(1_100, 2_900), st.integers(150, 1_900)).map(
        lambda pair: (float(pair[0]), float(pair[1]))
    ),
    max_size=6,
)


@given(bounces=runs)
def test_the_longest_closed_run_of_an_opening_is_its_bounce(
    bounces: list[tuple[float, float]],
) -> None:
    """Closed, bounces, open, closed: each way round of the levels."""
    times = [LONG_US]
    for open_us, closed_us in bounces:
        times += [times[-1] + open_us, times[-1] + open_us + closed_us]
    times += [times[-1] + LONG_US]
    longest_us = max((closed_us for _, closed_us in bounces), default=0.0)
    wanted = LevelRuns(bounce_us=longest_us, open_us=times[-1] - times[0])
    assert of_contact(times) == wanted
    assert of_contact(times, Settings(4096, open_levels={1: 0})) == wanted


def test_open_runs_that_ended_closed_are_dropouts() -> None:
    """Two runs of 50 and 250 us, then one of 400 us; an opening, closed for 60 ms before it."""
    times = [10_000.0, 10_050.0, 10_150.0, 10_400.0, 50_000.0, 50_400.0, 110_400.0]
    assert of_contact(times) == LevelRuns(dropout_us=400.0)


def test_true_runs_are_those_seen_whole_with_the_crank_turning() -> None:
    collector = StatisticsCollector(Settings(4096))
    for direction, closed_us, closed_deg in (
        (1, 5e5, 60.0), (-1, 4e5, 60.0), (0, 1e3, 60.0), (1, 2e3, math.nan),
    ):  # fmt: skip
        seen = Opening(1, 1e6, 10.0, direction, 40.0, 90.0, None, 1, 0.0, closed_us, closed_deg)
        collector.events([seen])
    for direction, open_us in ((1, 9e4), (1, 7e4), (0, 1e3), (1, math.nan)):
        collector.events([Closing(1, 2e6, 20.0, direction, open_us, 8.0)])
    found = collector.result(OpeningFinder(Settings(4096)).widths).inputs[0].runs
    assert found == LevelRuns(closed_us=4e5, open_us=7e4)


def test_the_index_is_no_contact() -> None:
    batch = turning([1_000.0, 9_000.0, 200_000.0, 208_000.0], [1, 0, 1, 0], 400_000.0)
    batch.edges["input"] = 0
    assert statistics_of([batch], Settings(400)).inputs == ()
