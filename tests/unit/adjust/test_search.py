"""The search against brute force over all positions."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from typing import Literal

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from rig.adjust.kinds import moves
from rig.adjust.moves import Fitted, Floats
from rig.adjust.plan import Outlook, Want, outlook
from rig.adjust.search import Found, Search
from rig.adjust.task import make_task
from rig.engine.profile import (
    Adjustments,
    Coupling,
    DriveDog,
    Engine,
    Gap,
    GapReading,
    Leads,
    Lever,
    Mesh,
    Slot,
    Train,
    Unit,
)
from rig.timing.advance_range import LeverEnds

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
    U: float | None = 0.0,
) -> Want:
    return Want(
        name, "fixed", 36.0 - shift_deg, 36.0, 36.0 + early, 36.0 - late, U, cylinder=cylinder
    )


def pair(first: Want, second: Want, stagger: float, tolerance: float, U: float = 0.0) -> Want:
    apart = first.read_btdc - second.read_btdc
    limits = stagger + tolerance, stagger - tolerance
    return Want(first.unit, "fixed", apart, stagger, *limits, U, other=second.unit)


def least(wants: list[Want], units: list[Unit], means: Adjustments, *pairs: Want) -> float:
    """The remaining error of the best that the search finds, to a thousandth of a degree."""
    return float(np.abs(best(wants, units, means, *pairs).errors).max())


def best(
    wants: list[Want],
    units: list[Unit],
    means: Adjustments,
    *pairs: Want,
    lasting: bool = False,
) -> Found:
    """The best that the search finds, errors told apart to a thousandth of a degree."""
    found, _ = moves(Fitted(units, ENGINE, means.train), means)
    task = make_task([*wants, *pairs], units, "guarded", 1e-3)
    results = Search(task, found, most=4).best(lasting=lasting)
    assert all(result.reversible != lasting for result in results)
    for result in results:  # what is told is what the steps do
        told = np.zeros(len(units))
        for move, at in result.moved:
            if move.is_range:
                assert move.low - 1e-9 <= at <= move.high + 1e-9
            told += at * move.shift_deg[0] if move.is_range else move.shift_deg[int(at)]
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
    means = Adjustments(
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
    narrow = want("upper", shift, early=1e-3, late=1e-3)
    found = least([narrow], [unit("upper", turns)], means)
    assert found == pytest.approx(best, abs=2e-3)


@settings(max_examples=15, deadline=None)
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
    means = Adjustments(
        slots=(Slot("twin", 45.0, room_mm, room_mm), Slot("rear", 45.0, rear_mm, rear_mm)),
        gaps=(Gap("lower", 0.40, 0.35, 0.45, readings),),
    )
    wants = [want("upper", upper), want("lower", lower), want("rear", rear)]
    found = best(wants, units, means, pair(wants[0], wants[2], stagger, 0.5))
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
    now = [abs(upper), abs(lower), abs(rear), abs(rear - upper - stagger) / 0.5]
    if fits.any():
        assert found.inside
        if min(now) > 1.0:  # what is inside already need not come nearer
            assert found.rank.exact[0] <= strain[fits].min() + 3e-3
    assert found.rank.exact[0] >= strain.min() - 4.0 * step  # a coarse grid may miss a narrow place


def test_a_dog_a_lead_and_a_new_hole() -> None:
    half = Fraction(1, 2)
    one = [unit("upper", half)]
    dog = Adjustments(dogs=(DriveDog("upper", slots=2),))
    assert least([want("upper", 357.0)], one, dog) == pytest.approx(3.0)
    leads = Adjustments(leads=(Leads("upper"),))
    assert least([want("upper", -178.0)], one, leads) == pytest.approx(2.0)
    hole = Adjustments(dogs=(DriveDog("upper", 1, "unit half", 20.0, 8.0),))
    # 8 mm from the old hole is 23.07 degrees of the unit, 46.15 of the crank.
    clear = 2.0 * math.degrees(2.0 * math.asin(8.0 / 40.0))
    cut = best([want("upper", clear - 5.0)], one, hole, lasting=True)
    assert np.abs(cut.errors).max() == pytest.approx(5.0)
    assert least([want("upper", -123.4)], one, hole) == pytest.approx(123.4)  # left as it is
    cut = best([want("upper", -123.4)], one, hole, lasting=True)
    assert np.abs(cut.errors).max() == pytest.approx(0.0, abs=1e-6)


def test_inside_goes_before_nearest_to_the_figure() -> None:
    """A window of half a degree early and two late, two cylinders 2 degrees apart on one slot.

    Half-way leaves 1 degree either way, which is outside early. By hand: e/0.5 = (2 - e)/2 gives
    0.4 degrees early and 1.6 late, each four fifths of the way to its limit.
    """
    wants = [
        want("upper", 3.0, early=0.5, late=2.0, cylinder=1),
        want("upper", 5.0, early=0.5, late=2.0, cylinder=2),
    ]
    means = Adjustments(slots=(Slot("upper", 40.0, 9.0, 9.0),))
    found = best(wants, [unit("upper", Fraction(1))], means)
    assert found.inside
    assert found.errors == pytest.approx([0.4, -1.6], abs=1e-4)
    assert found.rank.exact[0] == pytest.approx(0.8, abs=1e-4)


def test_what_nothing_can_help_does_not_keep_the_rest_outside() -> None:
    """Two units in one body, 5.34 apart where 4 +/- 1 is wanted, each within 1 of its figure."""
    units = [unit("one", Fraction(1), body="twin"), unit("two", Fraction(1), body="twin")]
    means = Adjustments(slots=(Slot("twin", 50.0, 9.0, 9.0),))
    wants = [replace(want("one", -3.97), wanted_btdc=24.0, read_btdc=27.97, earliest_btdc=25.0,
                     latest_btdc=23.0),
             replace(want("two", -2.63), wanted_btdc=20.0, read_btdc=22.63, earliest_btdc=21.0,
                     latest_btdc=19.0)]  # fmt: skip
    found = best(wants, units, means, pair(wants[0], wants[1], 4.0, 1.0))
    assert not found.inside
    assert np.abs(found.errors).max() == pytest.approx(1.34, abs=1e-5)
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
    means = Adjustments(slots=(Slot("upper", 40.0, 3.0, 3.0),))
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
    if all(-late <= -shift <= early for shift, early, late in cylinders):
        assert not found.moved  # inside as it stands
    elif fits.any():
        assert found.inside
        assert found.rank.exact[0] * typical == pytest.approx(
            strain[fits].min() * typical, abs=near
        )
    elif not found.inside:
        assert found.rank.exact[0] * typical == pytest.approx(strain.min() * typical, abs=near)


def test_a_wide_window_does_not_outweigh_a_narrow_one() -> None:
    """Advance 36 +/- 1 read 1.1 early, retard 6 with 0 to 10 read at 0.94, both on one slot.

    By hand: (1.1 + s)/1 = (5.06 - s)/6 gives s = -0.22 degrees, both about nine tenths of the way
    to their limits; the least greatest error in degrees would leave the advance 3 degrees early.
    """
    advance = Want("upper", "full advance", 37.1, 36.0, 37.0, 35.0, 0.0)
    retard = Want("upper", "full retard", 0.94, 6.0, 10.0, 0.0, 0.0)
    means = Adjustments(slots=(Slot("upper", 45.0, 3.0, 3.0),))
    found = best([advance, retard], [unit("upper", Fraction(1))], means)
    assert found.inside
    assert found.shift_deg == pytest.approx([-0.22], abs=1e-3)


@st.composite
def engines(draw: st.DrawFn) -> tuple[list[Unit], list[Want], list[Want], Adjustments]:
    """Two or three units, some in one body, some with nothing that moves them."""
    names = ["one", "two", "three"][: draw(st.integers(2, 3))]
    twin = draw(st.booleans())
    units = [unit(n, Fraction(1), body="twin" if twin and n != "three" else "") for n in names]
    owners = list(dict.fromkeys(u.body or u.name for u in units))
    slotted = draw(st.lists(st.sampled_from(owners), max_size=2, unique=True))
    room = st.sampled_from([0.5, 1.5, 4.0])
    slots = tuple(Slot(name, 57.3, draw(room), draw(room)) for name in slotted)
    dogged = draw(st.lists(st.sampled_from(owners), max_size=2, unique=True))
    dogs = tuple(DriveDog(name, draw(st.sampled_from([90, 120]))) for name in dogged)
    wants = [
        want(
            name,
            draw(st.floats(-12.0, 12.0)),
            early=draw(st.floats(0.2, 2.0)),
            late=draw(st.floats(0.2, 2.0)),
            U=draw(st.sampled_from([0.0, 0.1, 0.5, None])),
        )
        for name in names
    ]
    pairs = []
    if draw(st.booleans()):
        stagger, tolerance = draw(st.floats(-2.0, 2.0)), draw(st.floats(0.3, 2.0))
        pairs.append(pair(wants[0], wants[-1], stagger, tolerance, draw(st.floats(0.0, 0.3))))
    return units, wants, pairs, Adjustments(slots=slots, dogs=dogs)


def counts(
    errors: Floats, limits: list[tuple[float, float, float | None]], margin: float
) -> Floats:
    """How many of some errors (rows, n) are outside and inconclusive: guarded by U, (2, n).

    ``margin`` is taken off inside and outside limits alike, so that none lies on a limit.
    """
    outside, unsure = np.zeros(errors.shape[1]), np.zeros(errors.shape[1])
    for error, (low, high, U) in zip(errors, limits, strict=True):
        wide = np.inf if U is None else U
        inside = (error >= low + wide + margin) & (error <= high - wide - margin)
        out = (error < low - wide + margin) | (error > high + wide - margin)
        outside += out
        unsure += ~inside & ~out
    return np.array([outside, unsure])


@settings(max_examples=50, deadline=None)
@given(engines())
def test_every_unit_that_can_be_is_inside_whatever_cannot_be(
    made: tuple[list[Unit], list[Want], list[Want], Adjustments],
) -> None:
    """All positions of all that moves: no other has fewer units outside, then inconclusive, then
    pairs; and of those with as many none brings the worst of the units inside nearer."""
    units, wants, pairs, means = made
    axes: list[Floats] = []
    reach: list[Floats] = []  # what a degree does to each unit
    for owner, values in [
        *((s.unit, np.linspace(-s.clockwise_mm, s.anticlockwise_mm, 61)) for s in means.slots),
        *((d.unit, np.arange(-2.0, 3.0) * 360.0 / d.slots) for d in means.dogs),
    ]:
        radius = math.degrees(1.0 / 57.3) if len(values) == 61 else 1.0
        axes.append(values * radius)
        reach.append(np.array([float(owner in (u.name, u.body)) for u in units]))
    places = np.array([each.ravel() for each in np.meshgrid(*axes, indexing="ij")])
    shift = np.array(reach).T @ places if reach else np.zeros((len(units), 1))
    errors = shift - np.array([[-each.error_deg] for each in wants])
    limits = [
        (w.latest_btdc - w.wanted_btdc, w.earliest_btdc - w.wanted_btdc, w.U_deg) for w in wants
    ]
    apart = np.array([shift[0] - shift[-1] + p.error_deg for p in pairs])
    apart = apart.reshape(len(pairs), shift.shape[1])
    pair_limits = [(*p.limits_deg, p.U_deg) for p in pairs]
    margin = 1e-3
    brute = np.vstack([counts(errors, limits, margin), counts(apart, pair_limits, margin)])
    ranks = [tuple(map(float, column)) for column in brute.T]

    found = best(wants, units, means, *pairs)
    assert found.rank[:4] <= min(ranks)
    of_found = [
        outlook(float(error), U, low, high, "guarded")
        for error, (low, high, U) in zip(found.errors, [*limits, *pair_limits], strict=True)
    ]
    told = [0.0, 0.0, 0.0, 0.0]
    for i, verdict in enumerate(of_found):
        place = 0 if i < len(wants) else 2
        told[place] += verdict.outside
        told[place + 1] += verdict is Outlook.INCONCLUSIVE
    assert found.rank[:4] == tuple(told)  # by the rule of the verdict itself

    sides = np.array([[max(-low, 0.05), max(high, 0.05)] for low, high, _ in limits])
    strain = np.maximum(errors / sides[:, 1:], -errors / sides[:, :1])
    same = [n for n, rank in enumerate(ranks) if rank == found.rank[:4]]
    if same and not pairs:  # the greatest of those that are inside
        guards = [
            (low + (np.inf if U is None else U), high - (np.inf if U is None else U))
            for low, high, U in limits
        ]
        fits = np.array([(e >= lo) & (e <= hi) for e, (lo, hi) in zip(errors, guards, strict=True)])
        still = np.array([[each.error_deg] for each in wants])
        settled = np.array(
            [
                max(e / early, -e / late) if lo <= e <= hi else -1.0
                for (e,), (late, early), (lo, hi) in zip(still, sides, guards, strict=True)
            ]
        )
        spoilt = ((settled >= 0.0)[:, None] & ~fits).sum(axis=0)
        same = [n for n in same if spoilt[n] <= found.rank.spoilt]
        of_inside = np.where(fits & (strain > settled[:, None] + 1e-9), strain, 0.0)
        ours = [
            max(e / early, -e / late) for e, (late, early) in zip(found.errors, sides, strict=True)
        ]
        to_do = [
            strain
            for strain, before, verdict in zip(ours, settled, of_found, strict=True)
            if verdict is Outlook.INSIDE and strain > before + 1e-9
        ]
        nearest = of_inside.max(axis=0)[same].min(initial=np.inf)
        assert max(to_do, default=0.0) <= nearest + 1e-2


def test_a_unit_that_nothing_can_help_does_not_hide_what_helps_the_other() -> None:
    """One 2.24 late on its own slot, the other 9.7 late with nothing, to open together +/- 0.5."""
    units = [unit("one", Fraction(1)), unit("two", Fraction(1))]
    wants = [want("one", 2.24, U=0.2), want("two", 9.7, U=0.2)]
    means = Adjustments(slots=(Slot("one", 45.0, 9.0, 9.0),))
    alone = best(wants, units, means)
    assert alone.errors == pytest.approx([0.0, -9.7], abs=1e-5)
    paired = best(wants, units, means, pair(wants[0], wants[1], 0.0, 0.5, 0.1))
    assert paired.errors == pytest.approx([0.0, -9.7, 9.7], abs=1e-5)
    ahead = replace(wants[1], read_btdc=36.0 + 9.7)  # drawn the other way, still on its figure
    other = best([wants[0], ahead], units, means, pair(wants[0], ahead, 0.0, 0.5, 0.1))
    assert other.errors == pytest.approx([0.0, 9.7, -9.7], abs=1e-5)


def test_two_steps_that_bring_a_unit_inside_are_found_beside_one_that_cannot_be() -> None:
    """A tooth of 15 degrees and the slot for one, the other in the same train without a slot."""
    units = [unit("one", Fraction(1)), unit("two", Fraction(1))]
    wants = [want("one", 17.0, U=0.1), want("two", 9.7, U=0.1)]
    train = Train((Mesh("crank", 24, "one", 24), Mesh("crank", 24, "two", 24)))
    means = Adjustments(slots=(Slot("one", 45.0, 2.0, 2.0),), train=train)
    found = best(wants, units, means)
    # Two alone, by a tooth: 5.3 early is nearer than 9.7 late.
    assert found.errors == pytest.approx([0.0, 5.3], abs=1e-5)
    assert found.rank[:4] == (1.0, 0.0, 0.0, 0.0)


@settings(max_examples=30, deadline=None)
@given(st.integers(3, 12), st.floats(2.0, 40.0), st.floats(0.0, 1.0), st.floats(-6.0, 6.0))
@example(12, 35.05910402836325, 0.19132392605720028, -1.336502590354187)
@example(11, 37.94230642927282, 0.689630155447081, 2.551033649136926)
def test_a_lever_is_as_near_its_middle_as_any_position_allows(
    teeth: int, range_deg: float, place: float, shift: float
) -> None:
    """A coupling and the lever, both on one unit: against all positions of the coupling."""
    one = want("upper", shift)
    ends = LeverEnds("upper", one.read_btdc - place * range_deg,
                     one.read_btdc + (1.0 - place) * range_deg)  # fmt: skip
    means = Adjustments(couplings=(Coupling("upper", teeth, teeth + 1),), levers=(Lever("upper"),))
    units = [unit("upper", Fraction(1))]
    of = Fitted(units, ENGINE, ends={"upper": ends}, read_btdc={"upper": one.read_btdc})
    found, _ = moves(of, means)
    task = make_task([one], units, "guarded", 1e-3)
    assume(abs(shift) > 1.0)  # else inside as it is
    best = Search(task, found, ends={"upper": ends}).best()[0]
    steps = teeth * (teeth + 1)
    need = shift - 360.0 / steps * np.arange(steps)
    at = place + (need - 360.0 * np.round(need / 360.0)) / range_deg
    fits = at[(at >= 0.0) & (at <= 1.0)]
    assume(len(fits))
    off = np.abs(fits - 0.5).min()
    assume(abs(10.0 * off - round(10.0 * off)) > 1e-3)  # on the edge of a tenth
    assert best.rank.lever == math.floor(10.0 * off)
