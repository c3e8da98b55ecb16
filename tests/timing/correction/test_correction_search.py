"""The search against brute force over all positions."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from typing import Literal

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rig.engine.means import Coupling, DriveDog, Gap, GapReading, Leads, Means, Mesh, Slot, Train
from rig.engine.profile import Engine, Synchronism, Unit
from rig.timing.correction.moves import moves
from rig.timing.correction.plan import Want
from rig.timing.correction.search import Found, make_task, search

ENGINE = Engine("demo", 4, 4, (1, 3, 4, 2), (180.0,) * 4, "clockwise", "flywheel end")
Rotation = Literal["clockwise", "anticlockwise"]


def unit(name: str, turns: Fraction, *, body: str = "", rotation: Rotation = "clockwise") -> Unit:
    return Unit(name, 1, turns, 4, (), rotation=rotation, body=body)


def want(
    name: str,
    shift_deg: float,
    *,
    early: float = 1.0,
    late: float = 1.0,
    cylinder: int | None = None,
) -> Want:
    return Want(name, "fixed", 36.0 - shift_deg, 36.0, 36.0 + early, 36.0 - late, cylinder=cylinder)


def least(wants: list[Want], units: list[Unit], means: Means, *pairs: Synchronism) -> float:
    """The remaining error of the best that the search finds, to a thousandth of a degree."""
    return best(wants, units, means, *pairs).remaining_deg


def best(wants: list[Want], units: list[Unit], means: Means, *pairs: Synchronism) -> Found:
    """The best that the search finds, errors told apart to a thousandth of a degree."""
    found, _ = moves(units, ENGINE, means, {}, {})
    task = make_task(wants, units, pairs)
    results = search(task, found, most=4, grain_deg=1e-3)
    for result in results:  # what is told is what the steps do
        told = np.zeros(len(units))
        for choices, i in result.choices:
            told += choices.shift_deg[i]
        for move, value in result.ranges:
            assert move.low - 1e-9 <= value <= move.high + 1e-9
            told += value * move.per_deg
        assert told == pytest.approx(result.shift_deg)
        raw = task.base + task.per_shift @ told - result.errors
        assert raw / task.period == pytest.approx(np.round(raw / task.period), abs=1e-7)
    return results[0]


teeth = st.integers(5, 12)


@settings(max_examples=40, deadline=None)
@given(
    teeth,
    teeth,
    teeth,
    teeth,
    st.integers(2, 6),
    st.integers(2, 6),
    st.floats(-60.0, 60.0),
    st.floats(0.0, 2.0),
    st.floats(0.0, 2.0),
)
@example(11, 5, 5, 5, 2, 3, 14.0, 0.0, 0.0)  # the coupling turned by half its positions
def test_one_unit_against_brute_force(  # noqa: PLR0917
    a: int, b: int, c: int, d: int, n: int, m: int, shift: float, cw_mm: float, acw_mm: float
) -> None:
    turns = Fraction(a * c, b * d)
    means = Means(
        slots=(Slot("upper", 40.0, cw_mm, acw_mm),),
        train=Train((Mesh("crank", a, "idler", b), Mesh("idler", c, "upper", d))),
        couplings=(Coupling("upper", n, m),),
    )
    period = 360.0 / float(turns)
    first, second = 360.0 / a, 360.0 * b / (a * c)
    vernier = 360.0 / math.lcm(n, m) / float(turns)
    # Clockwise rotation: the body turned anticlockwise makes it earlier.
    earliest = math.degrees(acw_mm / 40.0) / float(turns)
    latest = -math.degrees(cw_mm / 40.0) / float(turns)
    i, j, k = np.meshgrid(np.arange(b * d), np.arange(d), np.arange(math.lcm(n, m)), sparse=True)
    need = shift - (i * first + j * second + k * vernier)
    need -= period * np.round(need / period)
    best = np.maximum(0.0, np.maximum(latest - need, need - earliest)).min()
    found = least([want("upper", shift)], [unit("upper", turns)], means)
    assert found == pytest.approx(best, abs=2e-3)


@settings(max_examples=30, deadline=None)
@given(
    st.floats(-9.0, 9.0),
    st.floats(-9.0, 9.0),
    st.floats(-9.0, 9.0),
    st.floats(0.1, 3.0),
    st.floats(0.1, 3.0),
    st.sampled_from([0.0, 2.0]),
)
def test_units_in_one_body_and_a_third_to_match(
    upper: float, lower: float, rear: float, room_mm: float, rear_mm: float, stagger: float
) -> None:
    """Two units in one body on one slot, one with a gap of its own; a third on its own slot."""
    half = Fraction(1, 2)
    units = [unit("upper", half, body="twin"), unit("lower", half, body="twin"), unit("rear", half)]
    readings = (GapReading(0.35, 35.0, 0.01), GapReading(0.45, 36.0, 0.01))
    means = Means(
        slots=(Slot("twin", 45.0, room_mm, room_mm), Slot("rear", 45.0, rear_mm, rear_mm)),
        gaps=(Gap("lower", 0.40, 0.35, 0.45, readings),),
    )
    pair = Synchronism("upper", "rear", stagger, 0.5, "demo")
    wants = [want("upper", upper), want("lower", lower), want("rear", rear)]
    found = best(wants, units, means, pair)
    twin = math.degrees(room_mm / 45.0) / 0.5
    own = math.degrees(rear_mm / 45.0) / 0.5
    x = np.linspace(-twin, twin, 161)[:, None]
    y = np.linspace(-own, own, 161)[None, :]
    together = np.abs((x - upper) - (y - rear) - stagger)
    gap = np.maximum(0.0, np.abs(x - lower) - 0.5)
    ones = [np.abs(x - upper) + 0 * y, gap + 0 * y, np.abs(y - rear) + 0 * x]
    strain = np.maximum.reduce([*ones, together / 0.5])  # wants may be 1 off, the pair 0.5
    fits = strain <= 1.0
    step = max(twin, own) / 80.0
    if fits.any():
        assert found.inside
        assert found.strain <= strain[fits].min() + 3e-3
    if found.inside:  # a coarse grid may miss the narrow place where all is inside
        assert found.strain >= strain.min() - 4.0 * step
    else:
        assert abs(found.strain - strain.min()) <= 4.0 * step + 3e-3


def test_a_dog_a_lead_and_a_new_hole() -> None:
    half = Fraction(1, 2)
    one = [unit("upper", half)]
    dog = Means(dogs=(DriveDog("upper", slots=2),))
    assert least([want("upper", 357.0)], one, dog) == pytest.approx(3.0)
    leads = Means(leads=(Leads("upper"),))
    assert least([want("upper", -178.0)], one, leads) == pytest.approx(2.0)
    hole = Means(dogs=(DriveDog("upper", 1, "unit half", 20.0, 8.0),))
    # 8 mm from the old hole is 23.07 degrees of the unit, 46.15 of the crank.
    clear = 2.0 * math.degrees(2.0 * math.asin(8.0 / 40.0))
    assert least([want("upper", clear - 5.0)], one, hole) == pytest.approx(5.0)
    assert least([want("upper", -3.0)], one, hole) == pytest.approx(3.0)  # left as it is
    assert least([want("upper", -123.4)], one, hole) == pytest.approx(0.0, abs=1e-6)


def test_inside_goes_before_nearest_to_the_figure() -> None:
    """A window of half a degree early and two late, two cylinders 2 degrees apart on one slot.

    Half-way leaves 1 degree either way, which is outside early. By hand: e/0.5 = (2 - e)/2 gives
    0.4 degrees early and 1.6 late, each four fifths of the way to its limit.
    """
    wants = [
        want("upper", 3.0, early=0.5, late=2.0, cylinder=1),
        want("upper", 5.0, early=0.5, late=2.0, cylinder=2),
    ]
    means = Means(slots=(Slot("upper", 40.0, 9.0, 9.0),))
    found = best(wants, [unit("upper", Fraction(1))], means)
    assert found.inside
    assert found.errors == pytest.approx([0.4, -1.6], abs=1e-4)
    assert found.strain == pytest.approx(0.8, abs=1e-4)


def test_what_nothing_can_help_does_not_keep_the_rest_outside() -> None:
    """Two units in one body, 5.34 apart where 4 +/- 1 is wanted, each within 1 of its figure."""
    units = [unit("one", Fraction(1), body="twin"), unit("two", Fraction(1), body="twin")]
    means = Means(slots=(Slot("twin", 50.0, 9.0, 9.0),))
    pair = Synchronism("one", "two", 4.0, 1.0, "invented")
    wants = [replace(want("one", -3.97), wanted_btdc=24.0, read_btdc=27.97, earliest_btdc=25.0,
                     latest_btdc=23.0),
             replace(want("two", -2.63), wanted_btdc=20.0, read_btdc=22.63, earliest_btdc=21.0,
                     latest_btdc=19.0)]  # fmt: skip
    found = best(wants, units, means, pair)
    assert not found.inside
    assert found.remaining_deg == pytest.approx(1.34, abs=1e-5)
    assert found.errors[:2] == pytest.approx([0.67, -0.67], abs=1e-5)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-6.0, 6.0), st.floats(0.05, 2.0), st.floats(0.05, 2.0)),
        min_size=1,
        max_size=4,
    )
)
def test_one_slot_and_lopsided_windows_against_all_its_positions(
    cylinders: list[tuple[float, float, float]],
) -> None:
    """Inside whenever any position of the slot is; then the least greatest error of those."""
    wants = [
        want("upper", shift, early=early, late=late, cylinder=n)
        for n, (shift, early, late) in enumerate(cylinders, 1)
    ]
    means = Means(slots=(Slot("upper", 40.0, 3.0, 3.0),))
    found = best(wants, [unit("upper", Fraction(1))], means)
    room = math.degrees(3.0 / 40.0)
    x = np.linspace(-room, room, 4001)[:, None]
    errors = x - np.array([shift for shift, _, _ in cylinders])
    early = np.array([each for _, each, _ in cylinders])
    late = np.array([each for _, _, each in cylinders])
    strain = np.maximum(errors / early, -errors / late).max(axis=1)
    typical = float(((early + late) / 2.0).min())
    near = 2e-3 + 4.0 * (room / 2000.0) * typical / min(early.min(), late.min())
    fits = strain <= 1.0
    if fits.any():
        assert found.inside
        assert found.strain * typical == pytest.approx(strain[fits].min() * typical, abs=near)
    elif not found.inside:
        assert found.strain * typical == pytest.approx(strain.min() * typical, abs=near)


def test_a_wide_window_does_not_outweigh_a_narrow_one() -> None:
    """Advance 36 +/- 1 read 1.1 early, retard 6 with 0 to 10 read at 0.94, both on one slot.

    By hand: (1.1 + s)/1 = (5.06 - s)/6 gives s = -0.22 degrees, both about nine tenths of the way
    to their limits; the least greatest error in degrees would leave the advance 3 degrees early.
    """
    advance = Want("upper", "full advance", 37.1, 36.0, 37.0, 35.0)
    retard = Want("upper", "full retard", 0.94, 6.0, 10.0, 0.0)
    means = Means(slots=(Slot("upper", 45.0, 3.0, 3.0),))
    found = best([advance, retard], [unit("upper", Fraction(1))], means)
    assert found.inside
    assert found.shift_deg == pytest.approx([-0.22], abs=1e-3)
