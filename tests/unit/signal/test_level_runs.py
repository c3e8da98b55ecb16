"""Bounce and drop-outs measured from edges whose runs are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.signal.events import Closing, Finding, Opening, Settings
from rig.signal.rig_statistics import LevelRunCollector
from rig.wire.records import EDGE

SETTINGS = Settings(4096)


def edges(times: list[float], first_level: int = 1, which: int = 1) -> np.ndarray:
    rows = np.zeros(len(times), EDGE)
    rows["t_us"], rows["input"] = times, which
    rows["level"] = [(first_level + i) % 2 for i in range(len(times))]
    return rows


def opening(t_us: float, transition_us: float, closed_us: float = 5e5, closed_deg: float = 60.0
            ) -> Opening:  # fmt: skip
    return Opening(1, t_us, 10.0, 1, 40.0, 90.0, None, 3, transition_us, closed_us, closed_deg)


def test_closed_runs_of_an_opening_are_bounce() -> None:
    levels = LevelRunCollector(SETTINGS)
    # Parts at 1000, bounces closed 1100-1180 and 1300-1420, then stays open; closes at 90000.
    levels.take(edges([1000.0, 1100.0, 1180.0, 1300.0, 1420.0, 90_000.0]))
    levels.opened(opening(1000.0, 420.0))
    levels.closed(Closing(1, 90_000.0, 20.0, 1, 89_000.0, 8.0))
    found = levels.result()[1]
    assert found.chatter_us == pytest.approx((80.0, 120.0))
    assert found.dropouts_us == ()
    assert found.closed_us == (5e5,)
    assert found.open_us == (89_000.0,)


def test_open_runs_that_came_to_nothing_are_dropouts() -> None:
    levels = LevelRunCollector(SETTINGS)
    levels.take(edges([1000.0, 1050.0, 1200.0, 1500.0, 50_000.0, 50_300.0, 51_000.0]))
    levels.found(Finding(1000.0, "drop-out", 1, "two runs"))
    levels.found(Finding(50_000.0, "drop-out just before", 1, ""))
    levels.opened(opening(51_000.0, 0.0))
    found = levels.result()[1]
    assert found.dropouts_us == pytest.approx((50.0, 300.0, 300.0))
    assert found.chatter_us == ()


def test_open_low_is_read_as_open() -> None:
    levels = LevelRunCollector(Settings(4096, open_levels={1: 0}))
    levels.take(edges([1000.0, 1100.0, 1180.0], first_level=0))
    levels.opened(opening(1000.0, 180.0))
    assert levels.result()[1].chatter_us == pytest.approx((80.0,))


def test_runs_cut_off_by_the_start_are_not_taken_for_short_ones() -> None:
    levels = LevelRunCollector(SETTINGS)
    levels.take(edges([400.0]))
    levels.opened(opening(400.0, 0.0, closed_us=400.0, closed_deg=math.nan))
    assert levels.result()[1].closed_us == ()


def test_the_index_is_no_contact_and_repeats_are_no_edges() -> None:
    levels = LevelRunCollector(SETTINGS)
    levels.take(edges([100.0, 200.0], which=0))
    assert levels.result() == {}
    rows = edges([1000.0, 1100.0, 1150.0, 1180.0])
    rows["level"] = [1, 0, 0, 1]
    levels.take(rows)
    levels.opened(opening(1000.0, 180.0))
    assert levels.result()[1].chatter_us == pytest.approx((80.0,))
