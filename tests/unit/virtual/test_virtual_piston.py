"""The piston and the stop, against figures computed at 50 digits by formula and by root search.

Geometry by Pythagoras, as in the KMODDL tutorial on offset slider-cranks (Cornell).
"""

from __future__ import annotations

import pytest

from rig.virtual.motion import Piston


@pytest.mark.parametrize(
    ("piston", "btdc", "travel"),
    [
        (Piston(44.0, 176.0, 0.0), 38.0, 11.424737),  # K1
        (Piston(60.325, 254.0, 0.0), 25.0, 6.934684),  # K4
        (Piston(24.5, 98.0, 0.0), 5.0, 0.116496),  # K5
        (Piston(70.0, 250.0, 0.0), 90.0, 80.000000),  # K6
        (Piston(44.0, 176.0, 6.0), 38.0, 11.478057),  # K7
        (Piston(44.0, 176.0, -6.0), 38.0, 11.380904),  # K8
        (Piston(50.0, 190.0, 12.0), 30.0, 8.417519),  # K9
        (Piston(50.0, 190.0, 12.0), -30.0, 8.306377),  # K10
    ],
)
def test_travel(piston: Piston, btdc: float, travel: float) -> None:
    assert piston.travel_mm(-btdc) == pytest.approx(travel, abs=1e-6)


@pytest.mark.parametrize(
    ("piston", "travel", "before", "after"),
    [
        (Piston(44.0, 176.0, 0.0), 1.5, 13.429344, 13.429344),  # I1
        (Piston(60.325, 254.0, 0.0), 6.35, 23.897701, 23.897701),  # I3
        (Piston(44.0, 176.0, 6.0), 10.0, 35.337388, 35.486206),  # I6
        (Piston(50.0, 190.0, 12.0), 5.0, 22.966800, 23.088703),  # I7
    ],
)
def test_touches(piston: Piston, travel: float, before: float, after: float) -> None:
    assert piston.touch_deg(travel, 1) == pytest.approx(-before, abs=1e-6)
    assert piston.touch_deg(travel, -1) == pytest.approx(after, abs=1e-6)


@pytest.mark.parametrize(
    ("piston", "stop", "top", "bias"),
    [
        (Piston(44.0, 176.0, 6.0), 10.0, 1.562806, 0.074409),  # T2
        (Piston(50.0, 190.0, 12.0), 15.0, 2.865984, 0.190969),  # T3
    ],
)
def test_the_middle_of_the_touches_is_off_by_the_known_bias(
    piston: Piston, stop: float, top: float, bias: float
) -> None:
    assert piston.top_deg == pytest.approx(top, abs=1e-6)
    middle = 0.5 * (piston.touch_deg(stop, 1) + piston.touch_deg(stop, -1))
    assert middle == pytest.approx(bias, abs=1e-6)


def test_a_stop_below_the_stroke_cannot_be_touched() -> None:
    with pytest.raises(ValueError, match="does not pass"):
        Piston(44.0, 176.0).touch_deg(200.0, 1)
