"""Dead centre by equal lifts.

T2, T5, T8 and the slider-crank: with e = 0 the piston position of Heywood, Internal Combustion
Engine Fundamentals, ch. 2; with offset by Pythagoras, Cornell KMODDL tutorial on offset
slider-cranks. The numbers were computed at 50 digits and by root search.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rig.engine import geometry
from rig.engine.equal_lifts import equal_lifts
from rig.engine.gauge import Gauge, GaugePoint
from rig.engine.profile import Geometry
from rig.faults import InputError

OFFSET = Geometry(throw_mm=44.0, rod_mm=176.0, offset_mm=6.0)
K1 = Geometry(throw_mm=44.0, rod_mm=176.0, offset_mm=0.0)
UNKNOWN = Geometry(throw_mm=44.0, rod_mm=176.0)
EVEN = Gauge(u_lift_mm=0.0, u_angle_deg=0.02)  # all middles weigh the same


def at_lifts(shape: Geometry, lifts: tuple[float, ...], bore_deg: float = 0.0) -> list[GaugePoint]:
    """Exact points either side; ``bore_deg`` is where the bore's direction lies on the rig."""
    top = bore_deg + geometry.theta_tdc_deg(shape)
    return [
        GaugePoint((top - geometry.btdc_from_travel_deg(x, shape, after=after)) % 360.0, x)
        for x in lifts
        for after in (False, True)
    ]


def test_equal_lifts_t5() -> None:
    found = equal_lifts(at_lifts(OFFSET, (2.0, 5.0, 10.0)), EVEN)
    middles = [m.middle_deg % 360.0 for m in found.middles]
    assert middles == pytest.approx([1.577142, 1.599145, 1.637215], abs=1e-6)
    assert found.reference.tdc_deg == pytest.approx(1.561888, abs=1e-6)
    assert found.reference.tdc_deg - 1.562806 == pytest.approx(-0.92e-3, abs=1e-5)
    assert found.reference.method == "gauge, equal lifts"
    # A mean of the middles is not it: it keeps the offset.
    assert abs(np.mean(middles) - 1.562806) > 0.04
    usual = equal_lifts(at_lifts(OFFSET, (2.0, 5.0, 10.0)), Gauge())
    assert usual.reference.tdc_deg == pytest.approx(1.562806, abs=2e-3)


def test_equal_lifts_across_zero() -> None:
    found = equal_lifts(at_lifts(K1, (2.0, 6.0, 9.0), bore_deg=359.7), EVEN)
    assert found.reference.tdc_deg == pytest.approx(359.7, abs=1e-6)  # not 179.7
    assert found.reference.warnings == ()


def test_a_single_lift_knows_what_it_cannot_see() -> None:
    points = at_lifts(OFFSET, (10.0,))
    blind = equal_lifts(points, EVEN).reference
    assert blind.tdc_deg == pytest.approx(1.637215, abs=1e-6)  # T2: 0.074409 late
    assert "a second would take" in blind.warnings[0]
    # The offset that nobody states is covered by what is stated of the result.
    assert blind.uncertainty.U_deg > 0.074409
    known = equal_lifts(points, EVEN, OFFSET).reference
    assert known.tdc_deg == pytest.approx(1.562806, abs=1e-6)
    limited = equal_lifts(points, EVEN, replace(UNKNOWN, offset_limit_mm=6.0)).reference
    part = next(p for p in limited.uncertainty.parts if p.name == "cylinder offset")
    assert part.u_deg == pytest.approx(0.074409 / math.sqrt(3.0), abs=1e-6)


def test_uncertainty_of_one_pair_t8() -> None:
    # T8: a stop repeating to 0.02 mm; the slope is taken from the arc, so to a few per cent.
    found = equal_lifts(at_lifts(K1, (2.0,)), Gauge(u_lift_mm=0.02, u_angle_deg=0.0))
    assert found.middles[0].u_deg == pytest.approx(0.0554, rel=0.02)
    found = equal_lifts(at_lifts(K1, (10.0,)), Gauge(u_lift_mm=0.02, u_angle_deg=0.0))
    assert found.middles[0].u_deg == pytest.approx(0.0263, rel=0.06)


def test_repeats_on_a_side_are_averaged() -> None:
    points = at_lifts(K1, (2.0, 5.0))
    again = [replace(p, angle_deg=p.angle_deg + 0.1) for p in points if p.angle_deg > 180.0]
    found = equal_lifts(points + again, EVEN)
    assert found.reference.tdc_deg == pytest.approx(0.025, abs=1e-6)
    assert len(found.middles) == 2


def test_stated_uncertainty_of_equal_lifts_against_scatter() -> None:
    rng = np.random.default_rng(3)
    stated = Gauge(u_lift_mm=0.02, u_angle_deg=0.03)
    exact = at_lifts(OFFSET, (2.0, 4.0, 7.0, 10.0))
    slope = [
        geometry.deg_per_mm(geometry.btdc_from_travel_deg(p.lift_mm, OFFSET), OFFSET) for p in exact
    ]
    errors, us, covered = [], [], 0
    for _ in range(300):
        points = [
            GaugePoint(p.angle_deg + s * rng.normal(0.0, 0.02) + rng.normal(0.0, 0.03), p.lift_mm)
            for p, s in zip(exact, slope, strict=True)
        ]
        found = equal_lifts(points, stated).reference
        errors.append(found.tdc_deg - 1.562806)
        us.append(found.uncertainty.u_deg)
        covered += abs(errors[-1]) <= found.uncertainty.U_deg
    assert 0.85 < np.median(us) / np.std(errors) < 1.35
    assert covered >= 276


def test_a_lift_without_its_partner_is_named() -> None:
    points = [*at_lifts(K1, (2.0, 5.0), bore_deg=90.0), GaugePoint(60.0, 8.0)]
    found = equal_lifts(points, Gauge()).reference
    assert "8 mm was read on one side only" in found.warnings[0]


def test_bad_series() -> None:
    one = [p for p in at_lifts(K1, (2.0, 5.0, 8.0), bore_deg=90.0) if p.angle_deg < 90.0]
    with pytest.raises(InputError, match="one side"):
        equal_lifts(one, Gauge())
    doubled = one + [replace(p, angle_deg=p.angle_deg + 0.2) for p in one]
    with pytest.raises(InputError, match="one side"):
        equal_lifts(doubled, Gauge())
    with pytest.raises(InputError, match="too few"):
        equal_lifts(one[:1], Gauge())
    with pytest.raises(InputError, match="below the top"):
        equal_lifts([GaugePoint(90.0, -1.0), GaugePoint(120.0, -1.0)], Gauge())
