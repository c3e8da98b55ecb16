"""Angles at the ends of their intervals; circular statistics against hand-worked rows and scipy."""

from __future__ import annotations

import ast
import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import circmean, circstd

import rig
from rig.base.angles import (
    circular_mean,
    is_defined,
    mean_and_spread,
    modulo,
    nearest,
    resultant,
    wrap,
)

PACKAGE = Path(rig.__file__).parent
AN_ANGLE = st.floats(-1e6, 1e6)
PERIODS = st.sampled_from([120.0, 360.0, 720.0])


@pytest.mark.parametrize(
    ("angles", "period", "mean", "length"),
    [
        ([350.0, 10.0], 360.0, 0.0, 0.984808),
        ([359.0, 1.0, 3.0], 360.0, 1.0, 0.999594),
        ([0.0, 0.0, 90.0], 360.0, 26.565051, 0.745356),
        ([719.0, 1.0, 2.0], 720.0, 0.666676, 0.999941),
    ],
    ids=["A1", "A2", "A3", "A4"],
)
def test_mean_and_length(angles: list[float], period: float, mean: float, length: float) -> None:
    """Source: definitions in Mardia and Jupp, Directional Statistics (from memory)."""
    assert wrap(circular_mean(angles, period) - mean, period) == pytest.approx(0.0, abs=1e-6)
    assert abs(resultant(angles, period)) == pytest.approx(length, abs=1e-6)


def test_opposite_angles_have_no_mean() -> None:
    """A5: 90 and 270 cancel out; a figure for them would be rounding noise."""
    assert not is_defined([90.0, 270.0])
    with pytest.raises(ValueError, match="undefined"):
        circular_mean([90.0, 270.0])


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
    spread = float(circstd(angles, high=period, low=0.0)) * 2.0 * math.pi / period
    length = math.exp(-(spread**2) / 2.0)  # the circular spread is sqrt(-2 ln R)
    assert abs(resultant(angles, period)) == pytest.approx(length, abs=1e-9)


@given(AN_ANGLE, PERIODS)
def test_both_intervals_hold_and_whole_periods_are_taken(angle: float, period: float) -> None:
    for found, low_held, high_held in (
        (wrap(angle, period), -period / 2 < wrap(angle, period), wrap(angle, period) <= period / 2),
        (modulo(angle, period), modulo(angle, period) >= 0.0, modulo(angle, period) < period),
    ):
        assert low_held
        assert high_held
        turns = (angle - found) / period
        assert turns == pytest.approx(round(turns), abs=1e-6)


@given(st.integers(-2000, 2000), PERIODS, st.sampled_from([-1, 0, 1]))
def test_at_the_ends_of_the_intervals(turns: int, period: float, beside: int) -> None:
    """At half a period, at a whole one, and at the next number on either side of each."""
    half, whole = (turns + 0.5) * period, turns * period
    near_half, near_whole = half, whole
    if beside:
        near_half, near_whole = (math.nextafter(x, beside * math.inf) for x in (half, whole))
    past = near_half - half
    assert wrap(near_half, period) == (period / 2 + past if past <= 0 else past - period / 2)
    past = near_whole - whole
    assert wrap(near_whole, period) == pytest.approx(past, abs=1e-300)
    assert modulo(near_whole, period) in ({past} if past >= 0 else {0.0, period + past})


@given(AN_ANGLE, AN_ANGLE, PERIODS)
def test_nearest_is_the_same_place_within_half_a_period(
    angle: float, place: float, period: float
) -> None:
    found = nearest(angle, place, period)
    assert abs(found - place) <= period / 2 + 1e-6
    assert abs(math.remainder(found - angle, period)) < 1e-6


@given(st.lists(AN_ANGLE | st.sampled_from([-180.0, 180.0, 360.0, -1e-300]), max_size=9), PERIODS)
def test_an_array_is_taken_as_its_angles_are(angles: list[float], period: float) -> None:
    many = np.array(angles, np.float64)
    assert wrap(many, period).tolist() == [wrap(each, period) for each in angles]
    assert modulo(many, period).tolist() == [modulo(each, period) for each in angles]
    assert nearest(many, 12.5, period).tolist() == [nearest(each, 12.5, period) for each in angles]


def test_half_a_period_stays_positive_and_a_tiny_negative_angle_is_the_beginning() -> None:
    assert wrap(180.0) == wrap(-180.0) == wrap(540.0) == 180.0
    assert wrap(360.0, 720.0) == wrap(-360.0, 720.0) == 360.0
    assert wrap(-1e-300) == modulo(-1e-300) == modulo(-1e-300, 720.0) == 0.0


def test_nothing_else_takes_an_angle_into_its_turn() -> None:
    """No ``% 360``, ``% cycle`` or ``fmod`` outside this module, in the whole program."""
    inline = []
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mod):
                by = ast.unparse(node.right)
            elif isinstance(node, ast.Attribute) and node.attr in ("fmod", "remainder"):
                by = "turn"
            else:
                continue
            if re.search(r"^(360|720|180)(\.0)?$|cycle|period|turn|_deg$", by):
                inline.append(f"{path.relative_to(PACKAGE)}:{node.lineno}")
    assert {each.split(":")[0] for each in inline} == {"base/angles.py"}, inline


def test_spread_of_few_readings_divides_by_one_less() -> None:
    """JCGM 100:2008, 4.2.2."""
    mean, spread = mean_and_spread([359.8, 0.1, 0.4])
    assert mean == pytest.approx(0.1, abs=1e-6)
    assert spread == pytest.approx(0.3, abs=1e-6)
    assert mean_and_spread([12.5])[1] is None
