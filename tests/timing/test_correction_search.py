"""The search against brute force over all positions."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Literal

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rig.engine.means import Coupling, DriveDog, Gap, GapReading, Leads, Means, Mesh, Slot, Train
from rig.engine.profile import Engine, Synchronism, Unit
from rig.timing.correction_moves import moves
from rig.timing.correction_plan import Want
from rig.timing.correction_search import make_task, search

ENGINE = Engine("demo", 4, 4, (1, 3, 4, 2), (180.0,) * 4, "clockwise", "flywheel end")
Rotation = Literal["clockwise", "anticlockwise"]


def unit(name: str, turns: Fraction, *, body: str = "", rotation: Rotation = "clockwise") -> Unit:
    return Unit(name, 1, turns, 4, (), rotation=rotation, body=body)


def want(name: str, shift_deg: float, *, half_width: float = 1.0) -> Want:
    return Want(name, "fixed", 36.0 - shift_deg, 36.0, 36.0 + half_width, 36.0 - half_width)


def least(wants: list[Want], units: list[Unit], means: Means, *pairs: Synchronism) -> float:
    """The least remaining error that the search finds, to a thousandth of a degree."""
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
    return min(result.remaining_deg for result in results)


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
    found = least(wants, units, means, pair)
    twin = math.degrees(room_mm / 45.0) / 0.5
    own = math.degrees(rear_mm / 45.0) / 0.5
    x = np.linspace(-twin, twin, 161)[:, None]
    y = np.linspace(-own, own, 161)[None, :]
    together = np.abs((x - upper) - (y - rear) - stagger)
    gap = np.maximum(0.0, np.abs(x - lower) - 0.5)
    brute = np.maximum.reduce(
        [np.abs(x - upper) + 0 * y, gap + 0 * y, np.abs(y - rear) + 0 * x, together]
    ).min()
    step = max(twin, own) / 80.0
    assert found <= brute + 1e-3
    assert found >= brute - 2.0 * step


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
