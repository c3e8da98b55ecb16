"""The widths of the four quadrature states, against encoders whose widths are known."""

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.signal.interpolate import EVEN, StateWidths
from rig.wire.records import WIDTH


def rows(*records: tuple[int, Sequence[float], int]) -> np.ndarray:
    """Width records: count, time spent in each state, breaks."""
    return np.array([(n, count, dwell, breaks) for n, (count, dwell, breaks) in enumerate(records)],
                    WIDTH)  # fmt: skip


def totals(widths: np.ndarray, speeds: np.ndarray, counts: int, each: int) -> np.ndarray:
    """What a rig would total up: ``counts`` counts, a record every ``each`` of them."""
    records: list[tuple[int, Sequence[float], int]] = [(0, [0.0] * 4, 0)]
    total = np.zeros(4)
    for count in range(counts):
        total[count % 4] += widths[count % 4] / speeds[count]
        if (count + 1) % each == 0:
            records.append((count + 1, total.tolist(), 0))
    return rows(*records)


def turned(widths: np.ndarray, speeds: np.ndarray, counts: int, each: int) -> StateWidths:
    measured = StateWidths()
    measured.take(totals(widths, speeds, counts, each))
    return measured


@pytest.mark.parametrize("each", [13, 41, 150])
def test_unequal_states_are_measured_through_a_changing_speed(each: int) -> None:
    widths = np.array([1.25, 0.65, 1.25, 0.85])
    t = np.arange(8192)
    speeds = 1e-3 * (1 + 0.5 * np.sin(t / 300.0) + 0.1 * np.sin(t / 37.0))
    found, errors = turned(widths, speeds, 8192, each).shares
    assert found == pytest.approx(widths, abs=0.004)
    assert np.all(np.abs(found - widths) < 5 * errors + 1e-3)


def test_the_offsets_are_the_running_sum_of_the_widths() -> None:
    measured = turned(np.array([1.2, 0.8, 1.1, 0.9]), np.full(8192, 1e-3), 8192, 150)
    assert measured.offsets == pytest.approx((0.0, 0.2, 0.0, 0.1), abs=1e-6)


def test_offsets_that_are_not_worth_it_are_left_in() -> None:
    """Boundaries at 0, 0.2, 0, 0.1 lie up to 0.125 from their mean."""
    records = totals(np.array([1.2, 0.8, 1.1, 0.9]), np.full(8192, 1e-3), 8192, 150)
    for worth, taken_out in ((0.124, True), (0.126, False)):
        measured = StateWidths(worth)
        measured.take(records)
        assert (measured.offsets != EVEN) is taken_out


def test_equal_states_are_left_alone() -> None:
    rng = np.random.default_rng(5)
    speeds = 1e-3 * (1 + 0.3 * rng.standard_normal(8192).cumsum() / 64)
    assert turned(np.ones(4), np.abs(speeds) + 1e-5, 8192, 150).offsets == EVEN


def test_a_stretch_in_which_the_crank_turned_round_is_left_out() -> None:
    measured = StateWidths()
    measured.take(rows((0, [0.0] * 4, 0), (160, [9e3, 1e3, 1e3, 1e3], 1)))
    assert measured.n == 0
    measured.take(rows((320, [19e3, 11e3, 11e3, 11e3], 1)))
    assert measured.n == 1


def test_backwards_is_as_good() -> None:
    measured = StateWidths()
    widths = np.array([1.2, 0.8, 1.1, 0.9])
    total = np.zeros(4)
    measured.take(rows((0, [0.0] * 4, 0)))
    for k in range(1, 2000):
        total[(1 - k) % 4] += widths[(1 - k) % 4] * 1000
        if k % 30 == 0:
            measured.take(rows((-k, total.tolist(), 0)))
    assert measured.shares[0] == pytest.approx(widths, abs=1e-6)


@given(st.lists(st.integers(1, 60), min_size=1, max_size=20), st.integers(11, 130))
def test_pieces_do_not_matter_and_offsets_hold_after_each_record(
    pieces: list[int], each: int
) -> None:
    """The offsets after a record are those of a measurement that ends with it."""
    t = np.arange(4096)
    records = totals(np.array([1.2, 0.8, 1.1, 0.9]), 1e-3 * (2 + np.sin(t / 99.0)), 4096, each)
    whole = StateWidths().take(records)
    measured, found, at = StateWidths(), [], 0
    for piece in [*pieces, len(records)]:
        after = measured.take(records[at : at + piece])
        assert measured.offsets == tuple(after[-1])
        found.append(after[:-1])
        at += piece
    assert np.array_equal(np.concatenate([*found, after[-1:]]), whole)
    assert any(whole[-1])
