"""Circular statistics against hand-worked rows and against scipy."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import circmean, circstd

from rig.base.angles import circular_mean, circular_sd, is_defined, mean_and_spread, resultant, wrap


@pytest.mark.parametrize(
    ("angles", "period", "mean", "length", "sd"),
    [
        ([350.0, 10.0], 360.0, 0.0, 0.984808, 10.025560),
        ([359.0, 1.0, 3.0], 360.0, 1.0, 0.999594, 1.633076),
        ([0.0, 0.0, 90.0], 360.0, 26.565051, 0.745356, 43.927096),
        ([719.0, 1.0, 2.0], 720.0, 0.666676, 0.999941, 1.247228),
    ],
    ids=["A1", "A2", "A3", "A4"],
)
def test_mean_length_and_spread(
    angles: list[float], period: float, mean: float, length: float, sd: float
) -> None:
    """Source: definitions in Mardia and Jupp, Directional Statistics (from memory)."""
    assert wrap(circular_mean(angles, period) - mean, period) == pytest.approx(0.0, abs=1e-6)
    assert abs(resultant(angles, period)) == pytest.approx(length, abs=1e-6)
    assert circular_sd(angles, period) == pytest.approx(sd, abs=1e-6)


def test_opposite_angles_have_no_mean() -> None:
    """A5: 90 and 270 cancel out; a figure for them would be rounding noise."""
    assert not is_defined([90.0, 270.0])
    with pytest.raises(ValueError, match="undefined"):
        circular_mean([90.0, 270.0])
    with pytest.raises(ValueError, match="undefined"):
        circular_sd([90.0, 270.0])


def test_no_angles_have_no_mean() -> None:
    with pytest.raises(ValueError, match="no angles"):
        circular_mean([])


@given(
    st.lists(st.floats(-900.0, 900.0), min_size=1, max_size=20),
    st.sampled_from([360.0, 720.0]),
)
def test_against_scipy(angles: list[float], period: float) -> None:
    if abs(resultant(angles, period)) < 1e-3:
        return
    theirs = float(circmean(angles, high=period, low=0.0))
    assert wrap(circular_mean(angles, period) - theirs, period) == pytest.approx(0.0, abs=1e-6)
    spread = float(circstd(angles, high=period, low=0.0))
    assert circular_sd(angles, period) == pytest.approx(spread, abs=1e-5)


@given(st.floats(-3000.0, 3000.0), st.sampled_from([360.0, 720.0]))
def test_wrapped_by_whole_periods(angle: float, period: float) -> None:
    wrapped = wrap(angle, period)
    assert -period / 2 < wrapped <= period / 2
    turns = (angle - wrapped) / period
    assert turns == pytest.approx(round(turns), abs=1e-9)


def test_half_a_period_stays_positive() -> None:
    assert wrap(180.0) == wrap(-180.0) == wrap(540.0) == 180.0


def test_spread_of_few_readings_divides_by_one_less() -> None:
    """JCGM 100:2008, 4.2.2. The circular one divides by n: smaller by sqrt(2/3) for three."""
    mean, spread = mean_and_spread([359.8, 0.1, 0.4])
    assert mean == pytest.approx(0.1, abs=1e-6)
    assert spread == pytest.approx(0.3, abs=1e-6)
    assert circular_sd([359.8, 0.1, 0.4]) == pytest.approx(0.3 * math.sqrt(2 / 3), abs=1e-5)
    assert mean_and_spread([12.5])[1] is None
