"""Slider-crank and rim against figures found elsewhere.

Source of the relation: with no offset, Heywood, Internal Combustion Engine Fundamentals, ch. 2
(from memory); with offset, Pythagoras as in the Cornell KMODDL tutorial on offset slider-cranks.
The figures were computed from it at 50 digits and by a second route (root search); six decimals.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.engine.geometry import (
    MM_PER_INCH,
    btdc_from_travel_deg,
    deg_from_rim_rule,
    deg_from_rim_tape,
    deg_per_mm,
    height_mm,
    rim_rule_mm,
    rim_tape_mm,
    same_travel_other_side_deg,
    stop_bias_deg,
    stop_travel_mm,
    stroke_mm,
    theta_bdc_deg,
    theta_tdc_deg,
    throw_from_stroke_mm,
    top_mm,
    travel_mm,
)
from rig.engine.profile import Geometry

NEAR = 1e-6

TRAVELS = [  # 2r, L, e, degrees BTDC (after: negative), travel, degrees per mm
    (88.0, 176.0, 0.0, 38.0, 11.424737, 1.7635),  # K1
    (120.65, 254.0, 0.0, 25.0, 6.934684, 1.8477),  # K4
    (49.0, 98.0, 0.0, 5.0, 0.116496, 21.4813),  # K5
    (140.0, 250.0, 0.0, 90.0, 80.000000, 0.8185),  # K6
    (88.0, 176.0, 6.0, 38.0, 11.478057, 1.7518),  # K7
    (88.0, 176.0, -6.0, 38.0, 11.380904, 1.7737),  # K8
    (100.0, 190.0, 12.0, 30.0, 8.417519, 1.8426),  # K9
    (100.0, 190.0, 12.0, -30.0, 8.306377, 1.8792),  # K10
]

ANGLES = [  # 2r, L, e, travel, degrees BTDC, the same travel in degrees ATDC
    (88.0, 176.0, 0.0, 1.5, 13.429344, 13.429344),  # I1
    (120.65, 254.0, 0.0, 6.35, 23.897701, 23.897701),  # I3: 1/4 in, 4.75 in stroke, 10 in rod
    (88.9, 165.1, 0.0, 8.73125, 32.565197, 32.565197),  # I4: 11/32 in, 3.5 in, 6.5 in
    (82.5, 170.0, 0.0, 0.1, 3.579821, 3.579821),  # I5
    (88.0, 176.0, 6.0, 10.0, 35.337388, 35.486206),  # I6
    (100.0, 190.0, 12.0, 5.0, 22.966800, 23.088703),  # I7
]

DEAD_CENTRES = [  # r, L, e, theta TDC, theta BDC, down-stroke, true stroke
    (44.0, 176.0, 6.0, 1.562806, 182.605251, 181.042445, 88.054601),  # O2
    (44.0, 176.0, -6.0, -1.562806, 177.394749, 178.957555, 88.054601),  # O3
    (50.0, 190.0, 12.0, 2.865984, 184.917100, 182.051116, 100.215046),  # O4
]

# Bias of a stop, r = 44, L = 176: offset -> (travel, bias in degrees). Derived and held against
# the table by brute force; the method itself: Ahrons, Steam Locomotive Construction (dead centres).
BIASES = {
    1.0: [(5.0, 0.006057), (10.0, 0.012402), (20.0, 0.026044), (40.0, 0.057874)],
    6.0: [(5.0, 0.036339), (10.0, 0.074409), (20.0, 0.156255), (40.0, 0.347214)],
    12.0: [(5.0, 0.072677), (10.0, 0.148809), (20.0, 0.312473), (40.0, 0.694231)],
}


@pytest.mark.parametrize("row", TRAVELS, ids=str)
def test_travel_and_slope(row: tuple[float, ...]) -> None:
    twice_r, rod, e, b, travel, per_mm = row
    crank = Geometry(twice_r / 2, rod, e)
    assert float(travel_mm(b, crank)) == pytest.approx(travel, abs=NEAR)
    assert deg_per_mm(b, crank) == pytest.approx(per_mm, abs=6e-5)


@pytest.mark.parametrize("row", ANGLES, ids=str)
def test_angle_of_a_travel(row: tuple[float, ...]) -> None:
    twice_r, rod, e, travel, before, after = row
    crank = Geometry(twice_r / 2, rod, e)
    assert btdc_from_travel_deg(travel, crank) == pytest.approx(before, abs=NEAR)
    assert btdc_from_travel_deg(travel, crank, after=True) == pytest.approx(-after, abs=NEAR)


@pytest.mark.parametrize("row", DEAD_CENTRES, ids=str)
def test_dead_centres(row: tuple[float, ...]) -> None:
    r, rod, e, tdc, bdc, down, stroke = row
    crank = Geometry(r, rod, e)
    assert theta_tdc_deg(crank) == pytest.approx(tdc, abs=NEAR)
    assert theta_bdc_deg(crank) == pytest.approx(bdc, abs=NEAR)
    assert theta_bdc_deg(crank) - theta_tdc_deg(crank) == pytest.approx(down, abs=NEAR)
    assert stroke_mm(crank) == pytest.approx(stroke, abs=NEAR)


@pytest.mark.parametrize(
    ("stroke", "rod", "e", "throw"),
    [(88.0, 176.0, 6.0, 43.972719), (100.0, 190.0, 12.0, 49.892742)],
)
def test_throw_from_true_stroke(stroke: float, rod: float, e: float, throw: float) -> None:
    assert throw_from_stroke_mm(stroke, rod, e) == pytest.approx(throw, abs=NEAR)


def test_the_two_term_series_is_not_what_is_computed() -> None:
    # The series gives 11.412242 for K1 and 79.800000 for K6: wrong answers.
    assert float(travel_mm(38.0, Geometry(44, 176, 0))) != pytest.approx(11.412242, abs=1e-3)
    assert float(travel_mm(90.0, Geometry(70, 250, 0))) != pytest.approx(79.8, abs=1e-3)


@pytest.mark.parametrize("e", BIASES)
def test_bias_of_the_stop(e: float) -> None:
    for travel, bias in BIASES[e]:
        assert stop_bias_deg(travel, Geometry(44, 176, e)) == pytest.approx(bias, abs=NEAR)
        assert stop_bias_deg(travel, Geometry(44, 176, -e)) == pytest.approx(-bias, abs=NEAR)
        assert stop_bias_deg(travel, Geometry(44, 176, 0)) == 0.0


@pytest.mark.parametrize(
    "row",  # r, L, e, travel, touch before, touch after
    [
        (44.0, 176.0, 6.0, 10.0, 326.225418, 37.049012),  # T2
        (50.0, 190.0, 12.0, 15.0, 322.257351, 43.856556),  # T3
    ],
    ids=str,
)
def test_travel_of_the_stop_from_the_arc_that_it_blocks(row: tuple[float, ...]) -> None:
    r, rod, e, travel, before, after = row
    half = (after - before) % 360.0 / 2.0
    assert stop_travel_mm(half, Geometry(r, rod, e)) == pytest.approx(travel, abs=NEAR)


def test_how_little_the_piston_moves_near_the_top() -> None:
    # T7 (computed): the engine of K1 moves 0.01 mm in 1.0926 degrees, 0.001 mm in 0.3455.
    crank = Geometry(44, 176, 0)
    assert btdc_from_travel_deg(0.01, crank) == pytest.approx(1.0926, abs=5e-5)
    assert btdc_from_travel_deg(0.001, crank) == pytest.approx(0.3455, abs=5e-5)


@pytest.mark.parametrize(
    ("row", "diameter", "b", "tape", "rule"),
    [
        ("R1", 300.0, 30.0, 78.539816, 77.645714),
        ("R2", 412.0, 36.0, 129.433617, 127.315002),
    ],
)
def test_rim_lengths(row: str, diameter: float, b: float, tape: float, rule: float) -> None:
    # Arc and chord of a circle; figures computed two ways.
    assert rim_tape_mm(b, diameter) == pytest.approx(tape, abs=NEAR)
    assert rim_rule_mm(b, diameter) == pytest.approx(rule, abs=NEAR)
    assert deg_from_rim_tape(tape, diameter) == pytest.approx(b, abs=NEAR)
    assert deg_from_rim_rule(rule, diameter) == pytest.approx(b, abs=NEAR)


@pytest.mark.parametrize(
    ("row", "diameter", "tape", "b"),
    [("R3", 304.8, 63.5, 23.873241), ("R4", 520.0, 100.0, 22.036838)],
)
def test_degrees_of_a_tape(row: str, diameter: float, tape: float, b: float) -> None:
    assert deg_from_rim_tape(tape, diameter) == pytest.approx(b, abs=NEAR)
    assert deg_from_rim_rule(tape, diameter) > b, row  # a rule laid across is not a tape


CRANKS = st.builds(
    lambda r, over, share: Geometry(r, r * (1.0 + over), share * r * over * 0.9),
    st.floats(5.0, 200.0),
    st.floats(0.6, 4.0),
    st.floats(-0.5, 0.5),
)


@given(CRANKS, st.floats(0.5, 150.0), st.booleans())
def test_travel_and_angle_are_each_others_inverse(
    crank: Geometry, size: float, after: bool
) -> None:
    b = -size if after else size
    travel = float(travel_mm(b, crank))
    assert btdc_from_travel_deg(travel, crank, after=after) == pytest.approx(b, abs=1e-5)


@given(CRANKS, st.floats(2.0, 150.0))
def test_slope_is_the_derivative(crank: Geometry, b: float) -> None:
    step = 1e-4
    rise = float(travel_mm(b + step, crank) - travel_mm(b - step, crank)) / (2 * step)
    assert 1.0 / deg_per_mm(b, crank) == pytest.approx(abs(rise), rel=1e-4, abs=1e-7)


@given(CRANKS)
def test_stroke_is_what_the_piston_makes(crank: Geometry) -> None:
    heights = height_mm(np.linspace(0.0, 360.0, 7201), crank)
    assert heights.max() == pytest.approx(top_mm(crank), rel=1e-6)
    assert heights.max() - heights.min() == pytest.approx(stroke_mm(crank), rel=1e-6)
    throw = throw_from_stroke_mm(stroke_mm(crank), crank.rod_mm, crank.offset_mm or 0.0)
    assert throw == pytest.approx(crank.throw_mm, rel=1e-9)


@given(CRANKS, st.floats(1.0, 120.0))
def test_stop_travel_is_met_at_both_ends_of_the_arc(crank: Geometry, half: float) -> None:
    travel = stop_travel_mm(half, crank)
    before = btdc_from_travel_deg(travel, crank)
    after = btdc_from_travel_deg(travel, crank, after=True)
    assert (before - after) / 2.0 == pytest.approx(half, abs=1e-5)
    middle_after_tdc = -(before + after) / 2.0
    assert middle_after_tdc == pytest.approx(stop_bias_deg(travel, crank), abs=1e-5)


@pytest.mark.parametrize("offset", [0.0, 6.0, -6.0])
def test_infinite_slope_at_both_dead_centres(offset: float) -> None:
    crank = Geometry(44, 176, offset)
    bottom = theta_tdc_deg(crank) - theta_bdc_deg(crank)
    for dead in (0.0, bottom, bottom + 360.0):
        assert deg_per_mm(dead, crank) == math.inf
        assert 0.0 < deg_per_mm(dead + 0.01, crank) < math.inf
    if offset:  # half a turn from the top is then not the bottom
        assert deg_per_mm(180.0, crank) < math.inf


@pytest.mark.parametrize(
    ("offset", "b", "other"),
    [
        # r 44, L 176: bottom dead centre lies 182.605251 after the bore's direction (O2, O3).
        (6.0, 179.5, 178.415168),
        (-6.0, -179.5, -178.415168),
        (0.0, 179.5, -179.5),
        (6.0, 0.0, 0.0),
        (6.0, 35.337388, -35.486206),  # I6
        (6.0, -35.486206, 35.337388),
        (6.0, 178.957555, 178.957555),  # O2: the bottom itself
    ],
)
def test_the_same_travel_on_the_other_stroke(offset: float, b: float, other: float) -> None:
    """The first row by root search on the height of the piston pin, between 170 and 178.9."""
    found = same_travel_other_side_deg(b, Geometry(44, 176, offset))
    assert found == pytest.approx(other, abs=2e-6)


@given(CRANKS, st.floats(-180.0, 180.0))
def test_the_other_stroke_is_another_place_of_the_same_travel(crank: Geometry, b: float) -> None:
    other = same_travel_other_side_deg(b, crank)
    assert -180.0 < other <= 180.0
    assert float(travel_mm(other, crank)) == pytest.approx(float(travel_mm(b, crank)), abs=1e-9)
    down = theta_bdc_deg(crank) - theta_tdc_deg(crank)  # degrees of the stroke downwards
    past, past_other = -b % 360.0, -other % 360.0
    if all(min(abs(x), abs(x - down), abs(x - 360.0)) > 1e-6 for x in (past, past_other)):
        assert (past < down) != (past_other < down)


def test_inch() -> None:
    assert MM_PER_INCH == 25.4  # exact by definition (international inch, 1959; from memory)


@pytest.mark.parametrize(
    ("crank", "what"),
    [
        (Geometry(50, 40, 0), "cannot turn"),
        (Geometry(50, 60, 12), "cannot turn"),
        (Geometry(0, 60, 0), "cannot turn"),
        (Geometry(math.nan, 60, 0), "cannot turn"),
    ],
)
def test_a_crank_that_cannot_turn_is_refused(crank: Geometry, what: str) -> None:
    with pytest.raises(InputError, match=what):
        travel_mm(10.0, crank)


def test_lengths_that_cannot_be_are_refused() -> None:
    crank = Geometry(44, 176, 0)
    with pytest.raises(InputError, match=r"outside the stroke of 88 mm"):
        btdc_from_travel_deg(88.1, crank)
    with pytest.raises(InputError, match="half way round"):
        deg_from_rim_tape(500.0, 300.0)
    with pytest.raises(InputError, match="does not fit"):
        deg_from_rim_rule(301.0, 300.0)
    with pytest.raises(InputError, match="diameter"):
        deg_from_rim_tape(10.0, 0.0)
    with pytest.raises(InputError, match="half of a blocked arc"):
        stop_travel_mm(181.0, crank)
    with pytest.raises(InputError, match="longer than half the stroke"):
        throw_from_stroke_mm(100.0, 40.0)
