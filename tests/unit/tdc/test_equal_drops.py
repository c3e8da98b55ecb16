"""TDC by equal drops.

T2, T5, T8 and the slider-crank: with e = 0 the piston position of Heywood, Internal Combustion
Engine Fundamentals, ch. 2; with offset by Pythagoras, Cornell KMODDL tutorial on offset
slider-cranks. The numbers were computed at 50 digits and by root search.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_engines import link_rod_touches, nine
from scipy.optimize import brentq

from rig.base.angles import wrap
from rig.base.earlier_rules import EarlierRule
from rig.base.errors import InputError
from rig.base.uncertainty import Source
from rig.engine import geometry
from rig.engine.profile import Geometry
from rig.tdc.dial_gauge import NOT_KNOWN, Gauge, GaugePoint, equal_drops, near
from rig.tdc.gauge_points import NOTE, GaugeNotes, gauge_note, gauge_series
from rig.wire.records import Note

OFFSET = Geometry(throw_mm=44.0, rod_mm=176.0, offset_mm=6.0)
K1 = Geometry(throw_mm=44.0, rod_mm=176.0, offset_mm=0.0)
UNKNOWN = Geometry(throw_mm=44.0, rod_mm=176.0)
EVEN = Gauge(u_drop_mm=0.0, u_angle_deg=0.02)  # all middles weigh the same


def at_drops(shape: Geometry, drops: tuple[float, ...], bore_deg: float = 0.0) -> list[GaugePoint]:
    """Exact points either side; ``bore_deg`` is where the bore's direction lies on the rig."""
    top = bore_deg + geometry.theta_tdc_deg(shape)
    return [
        GaugePoint((top - geometry.btdc_from_travel_deg(x, shape, after=after)) % 360.0, x)
        for x in drops
        for after in (False, True)
    ]


def test_equal_drops_t5() -> None:
    found = equal_drops(at_drops(OFFSET, (2.0, 5.0, 10.0)), EVEN)
    middles = [m.middle_deg % 360.0 for m in found.middles]
    assert middles == pytest.approx([1.577142, 1.599145, 1.637215], abs=1e-6)
    assert found.reference.tdc_deg == pytest.approx(1.561888, abs=1e-6)
    assert found.reference.tdc_deg - 1.562806 == pytest.approx(-0.92e-3, abs=1e-5)
    assert found.reference.method == "gauge, equal drops"
    # A mean of the middles is not it: it keeps the offset.
    assert abs(np.mean(middles) - 1.562806) > 0.04
    usual = equal_drops(at_drops(OFFSET, (2.0, 5.0, 10.0)), Gauge())
    assert usual.reference.tdc_deg == pytest.approx(1.562806, abs=2e-3)


def test_equal_drops_across_zero() -> None:
    found = equal_drops(at_drops(K1, (2.0, 6.0, 9.0), bore_deg=359.7), EVEN)
    assert found.reference.tdc_deg == pytest.approx(359.7, abs=1e-6)  # not 179.7
    assert found.reference.warnings == ()


def test_a_single_drop_knows_what_it_cannot_see() -> None:
    points = at_drops(OFFSET, (10.0,))
    blind = equal_drops(points, EVEN).reference
    assert blind.tdc_deg == pytest.approx(1.637215, abs=1e-6)  # T2: 0.074409 late
    assert "a second would correct" in blind.warnings[0]
    # The offset that nobody states is covered by what is stated of the result.
    assert blind.uncertainty.U_deg > 0.074409
    known = equal_drops(points, EVEN, OFFSET).reference
    assert known.tdc_deg == pytest.approx(1.562806, abs=1e-6)
    limited = equal_drops(points, EVEN, replace(UNKNOWN, offset_limit_mm=6.0)).reference
    part = next(p for p in limited.uncertainty.parts if p.source is Source.OFFSET)
    assert part.u_deg == pytest.approx(0.074409 / math.sqrt(3.0), abs=1e-6)


def test_uncertainty_of_one_pair_t8() -> None:
    # T8: a stop repeating to 0.02 mm; the slope is taken from the arc, so to a few per cent.
    found = equal_drops(at_drops(K1, (2.0,)), Gauge(u_drop_mm=0.02, u_angle_deg=0.0))
    assert found.middles[0].u_deg == pytest.approx(0.0554, rel=0.02)
    found = equal_drops(at_drops(K1, (10.0,)), Gauge(u_drop_mm=0.02, u_angle_deg=0.0))
    assert found.middles[0].u_deg == pytest.approx(0.0263, rel=0.06)


def test_repeats_on_a_side_are_averaged() -> None:
    points = at_drops(K1, (2.0, 5.0))
    again = [replace(p, angle_deg=p.angle_deg + 0.1) for p in points if p.angle_deg > 180.0]
    found = equal_drops(points + again, EVEN)
    assert found.reference.tdc_deg == pytest.approx(0.025, abs=1e-6)
    assert len(found.middles) == 2


def test_entered_uncertainty_of_equal_drops_against_scatter() -> None:
    rng = np.random.default_rng(3)
    stated = Gauge(u_drop_mm=0.02, u_angle_deg=0.03)
    exact = at_drops(OFFSET, (2.0, 4.0, 7.0, 10.0))
    slope = [
        geometry.deg_per_mm(geometry.btdc_from_travel_deg(p.drop_mm, OFFSET), OFFSET) for p in exact
    ]
    errors, us, covered = [], [], 0
    for _ in range(300):
        points = [
            GaugePoint(p.angle_deg + s * rng.normal(0.0, 0.02) + rng.normal(0.0, 0.03), p.drop_mm)
            for p, s in zip(exact, slope, strict=True)
        ]
        found = equal_drops(points, stated).reference
        errors.append(found.tdc_deg - 1.562806)
        us.append(found.uncertainty.u_deg)
        covered += abs(errors[-1]) <= found.uncertainty.U_deg
    assert 0.85 < np.median(us) / np.std(errors) < 1.35
    assert covered >= 276


def test_a_drop_without_its_partner_is_reported() -> None:
    points = [*at_drops(K1, (2.0, 5.0), bore_deg=90.0), GaugePoint(60.0, 8.0)]
    found = equal_drops(points, Gauge()).reference
    assert "8 mm was read on one side only" in found.warnings[0]


def test_bad_series() -> None:
    one = [p for p in at_drops(K1, (2.0, 5.0, 8.0), bore_deg=90.0) if p.angle_deg < 90.0]
    with pytest.raises(InputError, match="no drop was read on both sides"):
        equal_drops(one, Gauge())
    doubled = one + [replace(p, angle_deg=p.angle_deg + 0.2) for p in one]
    with pytest.raises(InputError, match="no drop was read on both sides"):
        equal_drops(doubled, Gauge())
    with pytest.raises(InputError, match="too few"):
        equal_drops(one[:1], Gauge())
    with pytest.raises(InputError, match="below TDC"):
        equal_drops([GaugePoint(90.0, -1.0), GaugePoint(120.0, -1.0)], Gauge())


# -- lifts that are only nearly equal --


def angle_of(drop_mm: float, shape: Geometry, *, after: bool) -> float:
    """Degrees past the bore's direction at ``drop_mm``, by root search on the triangle of throw,
    rod and offset alone (Pythagoras)."""
    r, rod, e = shape.throw_mm, shape.rod_mm, shape.offset_mm or 0.0

    def height(theta: float) -> float:
        return r * math.cos(theta) + math.sqrt(rod**2 - (r * math.sin(theta) - e) ** 2)

    top = math.asin(e / (rod + r))
    wanted = math.sqrt((rod + r) ** 2 - e**2) - drop_mm
    ends = (top, top + 2.8) if after else (top - 2.8, top)
    return math.degrees(brentq(lambda theta: height(theta) - wanted, *ends, xtol=1e-14))


def nearly(shape: Geometry, *pairs: tuple[float, float], top_deg: float = 90.0) -> list[GaugePoint]:
    """Exact points: a drop before the top and another after it, for each pair."""
    return [
        GaugePoint(top_deg + angle_of(drop, shape, after=after), drop)
        for pair in pairs
        for after, drop in zip((False, True), pair, strict=True)
    ]


def test_t5_with_drops_a_few_hundredths_apart() -> None:
    """T5's middles and its line, although no drop was met again exactly."""
    points = nearly(OFFSET, (2.0, 2.01), (5.01, 4.97), (9.97, 10.02), top_deg=0.0)
    for shape in (None, UNKNOWN, OFFSET):
        found = equal_drops(points, EVEN, shape)
        middles = [m.middle_deg % 360.0 for m in found.middles]
        assert middles == pytest.approx([1.577142, 1.599145, 1.637215], abs=1.5e-3)
        assert found.reference.tdc_deg == pytest.approx(1.561888, abs=2e-3)
    moved = [m.moved_deg for m in found.middles]
    # Half of the degrees a millimetre there, times what the lifts differ by.
    slopes = [
        geometry.deg_per_mm(geometry.btdc_from_travel_deg(x, K1), K1) for x in (2.0, 5.0, 10.0)
    ]
    expected = [-slope * by / 2.0 for slope, by in zip(slopes, (0.01, -0.04, 0.05), strict=True)]
    assert moved == pytest.approx(expected, rel=0.02)
    assert "nearly equal ones corrected" in found.reference.how
    assert "drop 2 mm before TDC and 2.01 mm after it" in found.reference.warnings[0]
    assert found.reference.warnings[0].endswith(f"moves their middle by {moved[0]:+.3f} degrees")


@given(
    throw=st.floats(10.0, 150.0),
    rods=st.floats(2.8, 8.0),
    offset=st.floats(-0.1, 0.1),
    depth=st.floats(0.003, 0.5),
    step=st.floats(-1.0, 1.0),
)
def test_what_bringing_together_errs_by_is_within_what_is_counted(
    throw: float, rods: float, offset: float, depth: float, step: float
) -> None:
    """Any crank, up to a quarter turn from the top; the program is told nothing of it. What an
    offset does to the middle half-way is no matter of the step: it is taken from the search too."""
    shape = Geometry(throw, rods * throw, offset * throw)
    drop = depth * 2.0 * throw
    by = step * min(0.05, drop / 11.0)
    found = equal_drops(nearly(shape, (drop, drop + by)), EVEN)
    (middle,) = found.middles
    half_way = [90.0 + angle_of(drop + by / 2.0, shape, after=after) for after in (False, True)]
    off = (middle.middle_deg - sum(half_way) / 2.0 + 180.0) % 360.0 - 180.0
    assert abs(off) <= NOT_KNOWN * abs(middle.moved_deg) + 1e-4
    part = [p for p in found.reference.uncertainty.parts if p.source is Source.UNEQUAL_DROPS]
    if abs(by) > 1e-5:
        (counted,) = part
        assert counted.u_deg == pytest.approx(NOT_KNOWN * abs(middle.moved_deg) / math.sqrt(3.0))
    told = equal_drops(nearly(shape, (drop, drop + by)), EVEN, shape).middles[0]
    off = (told.middle_deg - sum(half_way) / 2.0 + 180.0) % 360.0 - 180.0
    assert abs(off) <= 0.03 * abs(told.moved_deg) + 1e-4


def test_how_near_is_near() -> None:
    assert near(3.80, 3.81)
    assert near(3.80, 3.85)
    assert not near(3.80, 3.86)
    assert not near(0.10, 0.12)  # a tenth of the smaller one
    points = nearly(K1, (3.80, 3.86), (8.0, 8.0))
    told = equal_drops(points, Gauge()).reference.warnings
    assert told[:2] == (
        "drop 3.8 mm was read on one side only and left out",
        "drop 3.86 mm was read on one side only and left out",
    )
    with pytest.raises(InputError, match=r"within 0\.05 mm"):
        equal_drops(points[:2], Gauge())


def test_as_many_as_can_find_a_partner_and_equal_ones_stay_as_they_are() -> None:
    """3.82 and 3.83 together would leave 3.80 and 3.86 without one."""
    pairs = ((8.0, 8.0), (3.80, 3.82), (3.83, 3.86), (2.0, 2.0))
    found = equal_drops(nearly(K1, *pairs), Gauge())
    assert [m.drop_mm for m in found.middles] == pytest.approx([2.0, 3.81, 3.845, 8.0])
    assert [m.apart_mm for m in found.middles] == pytest.approx([0.0, 0.02, 0.03, 0.0])
    alone = equal_drops(nearly(K1, (8.0, 8.0), (2.0, 2.0)), Gauge()).middles
    assert [found.middles[0], found.middles[3]] == list(alone)
    turned = equal_drops(nearly(K1, *pairs)[::-1], Gauge())
    assert turned.reference.tdc_deg == pytest.approx(found.reference.tdc_deg, abs=1e-9)
    assert turned.middles == found.middles


def test_drops_a_rounding_apart_are_one() -> None:
    """2.0000004 and 2.0000006 mm: as one drop, not as two that a line is laid through."""
    points = nearly(K1, (2.0000004, 2.0000006), (2.0000006, 2.0000004))
    found = equal_drops(points, Gauge())
    assert [m.apart_mm for m in found.middles] == [0.0]
    assert found.reference.tdc_deg == pytest.approx(90.0, abs=1e-5)


def test_near_drops_on_one_side_are_no_pair() -> None:
    one_side = nearly(K1, (3.80, 6.0), (3.82, 9.0))[::2]
    with pytest.raises(InputError, match="no drop was read on both sides"):
        equal_drops(one_side, Gauge())


@pytest.mark.parametrize("zero_mm", [0.0, 0.03])
@pytest.mark.parametrize("drops", [(2.0, 4.0, 7.0, 10.0), (0.6, 1.5, 3.0)])
def test_entered_uncertainty_of_nearly_equal_drops_against_scatter(
    drops: tuple[float, ...], zero_mm: float
) -> None:
    """The far side missed by up to 0.05 mm, the gauge's zero off; the gauge shows hundredths."""
    rng = np.random.default_rng(11)
    stated = Gauge(u_drop_mm=0.01, u_angle_deg=0.03)
    errors, us, covered, brought = [], [], 0, 0
    for _ in range(200):
        points = []
        for drop in drops:
            for after in (False, True):
                stood = drop + (rng.uniform(-0.035, 0.035) if after else 0.0)
                typed = round(stood + zero_mm + rng.normal(0.0, 0.01), 2)
                angle = angle_of(stood, OFFSET, after=after) + rng.normal(0.0, 0.03)
                points.append(GaugePoint(angle, typed))
        found = equal_drops(points, stated)
        brought += sum(bool(m.apart_mm) for m in found.middles)
        errors.append((found.reference.tdc_deg - 1.562806 + 180.0) % 360.0 - 180.0)
        us.append(found.reference.uncertainty.u_deg)
        covered += abs(errors[-1]) <= found.reference.uncertainty.U_deg
    assert brought > 200
    assert 0.8 < np.median(us) / np.std(errors) < 1.35
    assert covered >= 184


@pytest.mark.parametrize("pin_deg", [40.0, 80.0, 120.0, 160.0, 240.0])
@pytest.mark.parametrize(
    "drops",
    [(2.0,), (5.0,), (20.0,), (45.0,), (2.0, 5.0), (10.0, 30.0), (30.0, 45.0),
     (5.0, 10.0, 20.0, 30.0)],
)  # fmt: skip
def test_equal_drops_on_a_link_rod_are_as_uncertain_as_they_are_off(
    pin_deg: float, drops: tuple[float, ...]
) -> None:
    """Source: closed chain of the linkage, see ``link_rod_touches``. The gauge itself is exact."""
    met = [link_rod_touches(pin_deg, drop) for drop in drops]
    points = [
        GaugePoint(at, drop)
        for (before, after, _), drop in zip(met, drops, strict=True)
        for at in (before, after)
    ]
    exact = Gauge(u_drop_mm=1e-6, u_angle_deg=1e-3)
    found = equal_drops(points, exact, on_link_rod=True).reference
    off_deg = abs(wrap(found.tdc_deg - met[0][2]))
    assert off_deg <= found.uncertainty.U_deg
    if pin_deg in (80.0, 120.0, 240.0) and len(drops) == 1:
        assert off_deg > 2.0 * equal_drops(points, exact).reference.uncertainty.U_deg


def test_gauge_points_noted_on_a_link_rod_are_known_to_be() -> None:
    """The master is cylinder 5, so that cylinder 1 is on a link rod; versions until 0.6.0 counted
    it as any other."""
    linked = nine()
    linked = replace(linked, engine=replace(linked.engine, master_cylinder=5))

    def u_deg(*rules: EarlierRule) -> float:
        notes = GaugeNotes(rules=rules)
        for at in (340.0, 20.0):
            notes.take(Note(0.0, NOTE, gauge_note(5.0, at)))
        (found,) = gauge_series(notes, linked, 1).references
        return found.uncertainty.u_deg

    assert u_deg() > 4.0 * u_deg(EarlierRule.LINK_ROD_GAUGE_AS_MASTER)
