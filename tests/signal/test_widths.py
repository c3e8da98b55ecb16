"""The widths of the four quadrature states, against encoders whose widths are known."""

import numpy as np
import pytest

from rig.signal.widths import EVEN, Widths


def turned(widths: np.ndarray, speeds: np.ndarray, counts: int, each: int) -> Widths:
    """Feed what a rig would total up: ``counts`` counts, a record every ``each`` of them."""
    measured = Widths()
    total = np.zeros(4)
    measured.take(0, total.tolist(), 0)
    for count in range(counts):
        total[count % 4] += widths[count % 4] / speeds[count]
        if (count + 1) % each == 0:
            measured.take(count + 1, total.tolist(), 0)
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


def test_equal_states_are_left_alone() -> None:
    rng = np.random.default_rng(5)
    speeds = 1e-3 * (1 + 0.3 * rng.standard_normal(8192).cumsum() / 64)
    assert turned(np.ones(4), np.abs(speeds) + 1e-5, 8192, 150).offsets == EVEN


def test_a_stretch_in_which_the_crank_turned_round_is_left_out() -> None:
    measured = Widths()
    measured.take(0, [0.0] * 4, 0)
    measured.take(160, [9e3, 1e3, 1e3, 1e3], 1)
    assert measured.n == 0
    measured.take(320, [19e3, 11e3, 11e3, 11e3], 1)
    assert measured.n == 1


def test_backwards_is_as_good() -> None:
    measured = Widths()
    widths = np.array([1.2, 0.8, 1.1, 0.9])
    total = np.zeros(4)
    measured.take(0, total.tolist(), 0)
    for k in range(1, 2000):
        total[(1 - k) % 4] += widths[(1 - k) % 4] * 1000
        if k % 30 == 0:
            measured.take(-k, total.tolist(), 0)
    assert measured.shares[0] == pytest.approx(widths, abs=1e-6)
