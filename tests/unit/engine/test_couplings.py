"""Couplings and shafts.

V2 to V5: 19 and 20 teeth giving 1/380 of a turn, period car service article kept by an owners'
club; 24- and 28-tooth spline used as a vernier, US Army TM 9-2815-247-34; B1 and B2 by counting.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.engine import gear_train
from rig.engine.gear_train import Vernier

HALF = Fraction(1, 2)


@pytest.mark.parametrize(
    ("name", "n", "m", "turns", "count", "shaft_deg", "crank_deg"),
    [
        ("V2", 19, 20, HALF, 380, 0.947368, 1.894737),
        ("V3", 11, 12, HALF, 132, 2.727273, 5.454545),
        ("V4", 24, 28, Fraction(1), 168, 2.142857, 2.142857),
    ],
)
def test_steps(
    *, name: str, n: int, m: int, turns: Fraction, count: int, shaft_deg: float, crank_deg: float
) -> None:
    of = Vernier(n, m, turns)
    assert of.positions == count, name
    assert float(of.step_shaft_deg) == pytest.approx(shaft_deg, abs=1e-6)
    assert float(of.step_crank_deg) == pytest.approx(crank_deg, abs=1e-6)


def test_v4_is_not_the_product_of_its_teeth() -> None:
    assert Vernier(24, 28, HALF).positions != 24 * 28


def test_nearest_v5() -> None:
    found = Vernier(19, 20, HALF).nearest(5.0)
    assert found.steps == 3
    assert float(found.crank_deg) == pytest.approx(5.684211, abs=1e-6)
    assert found.error_deg == pytest.approx(0.684211, abs=1e-6)
    # One way on the one side, the other way on the other: on 3 in the 19, back 3 in the 20.
    assert (found.drive_teeth, found.unit_teeth) == (3, 3)
    assert Vernier(19, 20, HALF).nearest(-5.0).drive_teeth == -3


@given(st.integers(1, 40), st.integers(1, 40), st.integers(-900, 900))
def test_teeth_moved_give_the_step(n: int, m: int, steps: int) -> None:
    found = Vernier(n, m, HALF).move(steps)
    turned = Fraction(360 * found.drive_teeth, n) - Fraction(360 * found.unit_teeth, m)
    assert (turned - found.shaft_deg) % 360 == 0
    assert found.crank_deg == found.shaft_deg / HALF


@given(st.integers(1, 12), st.integers(1, 12), st.integers(-200, 200))
def test_fewest_teeth_by_brute_force(n: int, m: int, steps: int) -> None:
    found = Vernier(n, m, HALF).move(steps)
    least = min(
        abs(a) + abs(b)
        for a in range(-n, n + 1)
        for b in range(-m, m + 1)
        if (Fraction(360 * a, n) - Fraction(360 * b, m) - found.shaft_deg) % 360 == 0
    )
    assert abs(found.drive_teeth) + abs(found.unit_teeth) == least


def test_angles_from_shaft_to_shaft() -> None:
    assert gear_train.crank_deg(0.4, HALF) == pytest.approx(0.8)  # B1
    assert gear_train.crank_deg(0.4, Fraction(3, 2)) == pytest.approx(0.266667, abs=1e-6)  # B1
    assert gear_train.shaft_deg(25.0, Fraction(9, 16)) == pytest.approx(14.0625)  # B2


@pytest.mark.parametrize(
    ("cylinders", "poles", "ratio", "crank_deg"),
    [
        (4, 2, "1", 10.0),
        (6, 2, "3/2", 6.666667),
        (6, 4, "3/4", 13.333333),
        (9, 4, "9/8", 8.888889),
        (14, 8, "7/8", 11.428571),
        (2, 2, "1/2", 20.0),
    ],
)
def test_ten_degrees_of_magnet_in_degrees_of_crank(
    cylinders: int, poles: int, ratio: str, crank_deg: float
) -> None:
    """Rows computed beside FAA-H-8083-32 ch. 4: magnet/crank speed is cylinders/(2 x poles) for a
    four-stroke with a spark at each flux reversal."""
    speed = Fraction(cylinders, 2 * poles)
    assert speed == Fraction(ratio)
    assert gear_train.crank_deg(10.0, speed) == pytest.approx(crank_deg, abs=1e-6)
    # Reversals lie 360/poles magnet degrees apart: in crank degrees the firing interval, 720/N.
    assert gear_train.crank_deg(360.0 / poles, speed) == pytest.approx(720.0 / cylinders)


def test_bad_couplings() -> None:
    with pytest.raises(InputError, match="both sides need teeth"):
        Vernier(0, 20, HALF)
    with pytest.raises(InputError, match="above zero"):
        Vernier(19, 20, Fraction(0))
    with pytest.raises(InputError, match="above zero"):
        gear_train.shaft_deg(3.0, Fraction(-1, 2))
