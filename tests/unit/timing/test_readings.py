"""Openings tied to cylinder, lobe and stroke."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_engines import (
    ADVANCE,
    four,
    nine,
    opening,
    profile,
    reference,
    single,
    unit,
)

from rig.base.errors import InputError
from rig.engine.profile import Profile, Setting, Window
from rig.signal.events import Reason, Rejection
from rig.timing.readings import FiringTdc, FiringTdcEntry, to_reading
from rig.timing.values import Reading


def tied(
    crank_deg: float | None,
    job: Profile,
    stroke: FiringTdc | None = None,
    tdc_deg: float = 0.0,
) -> Reading:
    return to_reading(
        opening(crank_deg), job, reference(tdc_deg), setting=ADVANCE.name, stroke=stroke
    )


@given(st.floats(0.0, 359.9), st.integers(-20, 20), st.floats(-20.0, 20.0))
def test_any_opening_of_a_single_cylinder(tdc_deg: float, cycle: int, early: float) -> None:
    stroke = FiringTdc(2, 1)
    crank_deg = tdc_deg + 720.0 * (cycle + 1) - 36.0 - early
    found = tied(crank_deg, single(), stroke, tdc_deg)
    assert found.btdc_deg == pytest.approx(36.0 + early)
    assert (found.cylinder, found.lobe, found.stroke_known, found.wrong_stroke) == (
        1,
        0,
        True,
        False,
    )


def test_one_crank_turn_out_is_reported() -> None:
    right, wrong = FiringTdc(1, 1), FiringTdc(0, 1)
    assert not tied(360.0 - 36.2, single(), right).wrong_stroke
    found = tied(360.0 - 36.2, single(), wrong)
    assert found.wrong_stroke
    assert found.btdc_deg == pytest.approx(36.2)
    assert found.valid


def test_a_unit_that_sparks_on_both_strokes_is_exempt() -> None:
    both = replace(unit(turns="1"), both_strokes=True)
    for crank_deg in (324.0, 684.0):
        found = tied(crank_deg, single(both), FiringTdc(0, 1))
        assert not found.wrong_stroke
        assert found.btdc_deg == pytest.approx(36.0)
    assert tied(324.0, single(both)).stroke_known


def test_four_in_line_follow_the_firing_order() -> None:
    """1-3-4-2, 180 degrees apart: cylinder 3 fires half a turn after cylinder 1."""
    stroke = FiringTdc(0, 1)
    found = [tied(180.0 * i - 36.0, four(), stroke) for i in range(8)]
    assert [one.cylinder for one in found] == [1, 3, 4, 2] * 2
    assert [one.lobe for one in found] == [0, 1] * 4
    assert all(one.btdc_deg == pytest.approx(36.0) for one in found)


def test_the_other_turn_swaps_cylinders_that_share_a_tdc() -> None:
    stroke = FiringTdc(1, 1)
    found = [tied(180.0 * i - 36.0, four(), stroke) for i in range(4)]
    assert [one.cylinder for one in found] == [4, 2, 1, 3]
    assert not any(one.wrong_stroke for one in found)


def test_without_a_statement_they_cannot_be_distinguished() -> None:
    found = [tied(180.0 * i - 36.0, four()) for i in range(4)]
    assert [one.cylinder for one in found] == [None] * 4
    assert [one.lobe for one in found] == [0, 1, 0, 1]
    assert not any(one.stroke_known for one in found)
    assert all(one.btdc_deg == pytest.approx(36.0) for one in found)
    assert all(one.valid for one in found)


def test_without_a_statement_a_single_cylinder_is_still_cylinder_1() -> None:
    found = tied(324.0, single())
    assert (found.cylinder, found.stroke_known, found.wrong_stroke) == (1, False, False)


def test_a_two_stroke_needs_no_statement() -> None:
    job = profile(2, (1, 2), (180.0, 180.0), unit(turns="1", lobes=2), strokes=2)
    found = [tied(180.0 * i - 36.0, job) for i in range(4)]
    assert [one.cylinder for one in found] == [1, 2, 1, 2]
    assert all(one.stroke_known for one in found)


def test_nine_on_a_star() -> None:
    stroke = FiringTdc(0, 1)
    found = [tied(80.0 * i - 36.0, nine(), stroke) for i in range(18)]
    assert [one.cylinder for one in found] == [1, 3, 5, 7, 9, 2, 4, 6, 8] * 2
    assert [one.lobe for one in found] == list(range(9)) * 2
    other = [tied(80.0 * i - 36.0, nine(), FiringTdc(1, 1)) for i in range(9)]
    assert all(one.wrong_stroke for one in other)
    assert all(one.btdc_deg == pytest.approx(36.0) for one in other)


def test_lobes_of_a_fast_unit_rotate_against_the_cylinders() -> None:
    """Four lobes at 9/8 of crank speed open nine times a cycle: lobes and cylinders part ways."""
    job = nine(unit(turns="9/8", lobes=4))
    found = [tied(80.0 * i - 36.0, job, FiringTdc(0, 1)) for i in range(36)]
    assert [one.lobe for one in found] == [i % 4 for i in range(36)]
    assert found[9].cylinder == 1
    assert found[9].lobe == 1


def test_uneven_intervals() -> None:
    """Two cylinders on one pin at 45 degrees: they fire 315 and 405 degrees apart."""
    job = profile(2, (1, 2), (315.0, 405.0), unit(lobes=2))
    stroke = FiringTdc(0, 1)
    found = [tied(angle - 36.0, job, stroke) for angle in (0.0, 315.0, 720.0, 1035.0)]
    assert [(one.cylinder, one.lobe) for one in found] == [(1, 0), (2, 1), (1, 0), (2, 1)]
    unstated = [tied(angle - 36.0, job) for angle in (0.0, 315.0)]
    assert [one.cylinder for one in unstated] == [1, 2]
    assert not any(one.stroke_known for one in unstated)


def test_uneven_halves_of_a_cycle_keep_their_lobes() -> None:
    """A 180-degree twin: 180 and 540, where even spacing of the lobes would be a coin toss."""
    job = profile(2, (1, 2), (180.0, 540.0), unit(lobes=2))
    found = [tied(a - 36.0, job, FiringTdc(0, 1)) for a in (0.0, 180.0, 720.0, 900.0)]
    assert [one.lobe for one in found] == [0, 1, 0, 1]


def test_a_unit_for_some_cylinders_only() -> None:
    front = replace(unit("front", 1), lobe_cylinders=(1,))
    rear = replace(unit("rear", 2), lobe_cylinders=(2,))
    job = profile(2, (1, 2), (315.0, 405.0), front, rear)
    found = to_reading(
        opening(315.0 - 36.0, 2),
        job,
        reference(),
        setting=ADVANCE.name,
        stroke=FiringTdc(0, 1),
    )
    assert (found.unit, found.cylinder, found.lobe) == ("rear", 2, 0)


def test_a_statement_on_another_cylinder() -> None:
    assert FiringTdcEntry(545.0, 3).on(four(), reference()) == FiringTdc(1, 3)
    found = tied(540.0 - 36.0, four(), FiringTdcEntry(545.0, 3).on(four(), reference()))
    assert found.cylinder == 3
    assert found.btdc_deg == pytest.approx(36.0)


@pytest.mark.parametrize("away", [-30.0, -2.0, 0.0, 3.0, 30.0])
def test_the_statement_means_the_nearest_tdc(away: float) -> None:
    assert FiringTdcEntry(161.9 + 720.0 + away, 1).on(single(), reference(161.9)).turn == 2


def test_tdc_found_on_another_cylinder() -> None:
    """Cylinder 3 of 1-3-4-2 stands at the top half a turn from cylinder 1."""
    third = replace(reference(100.0), cylinder=3)
    stroke = FiringTdcEntry(100.0, 3).on(four(), third)
    found = to_reading(opening(280.0 - 36.0), four(), third, setting=ADVANCE.name, stroke=stroke)
    assert found.cylinder == 4
    assert found.btdc_deg == pytest.approx(36.0)


def test_link_rods_are_entered_or_not_assessed() -> None:
    job = nine()
    linked = replace(job, engine=replace(job.engine, master_cylinder=1, entered_tdc_deg={3: 81.7}))
    stroke = FiringTdc(0, 1)
    stated = tied(81.7 - 36.0, linked, stroke)
    assert (stated.cylinder, stated.valid) == (3, True)
    assert stated.btdc_deg == pytest.approx(36.0)
    unstated = tied(160.0 - 36.0, linked, stroke)
    assert (unstated.cylinder, unstated.btdc_deg, unstated.valid) == (5, None, False)
    assert unstated.rejection == Rejection(Reason.LINK_ROD_TDC, (5,))


def test_the_master_need_not_be_cylinder_1() -> None:
    """Found at the master, cylinder 5, its openings are assessed; cylinder 1 is on a link rod."""
    job = nine()
    linked = replace(job, engine=replace(job.engine, master_cylinder=5))
    at_master = replace(reference(0.0), cylinder=5)
    stroke = FiringTdcEntry(0.0, 5).on(linked, at_master)
    setting = ADVANCE.name
    own = to_reading(opening(720.0 - 36.0), linked, at_master, setting=setting, stroke=stroke)
    assert (own.cylinder, own.valid) == (5, True)
    assert own.btdc_deg == pytest.approx(36.0)
    first = to_reading(opening(560.0 - 36.0), linked, at_master, setting=setting, stroke=stroke)
    assert (first.cylinder, first.btdc_deg, first.valid) == (1, None, False)
    assert first.rejection == Rejection(Reason.LINK_ROD_TDC, (1,))
    at_first = to_reading(
        opening(160.0 - 36.0), linked, reference(), setting=setting, stroke=FiringTdc(0, 1)
    )
    assert (at_first.cylinder, at_first.valid) == (5, False)
    assert at_first.rejection == Rejection(Reason.MASTER_ROD_TDC, (5, 1))


def test_windows_counted_from_cylinder_1_need_no_tdc_of_their_own() -> None:
    windows = {5: Window(39.0, 38.0, 37.0, "manual")}
    setting = replace(ADVANCE, per_cylinder=windows, counted_from="first")
    job = nine(unit(lobes=9, setting=setting))
    linked = replace(job, engine=replace(job.engine, master_cylinder=1))
    found = tied(160.0 - 38.0, linked, FiringTdc(0, 1))
    assert (found.cylinder, found.valid) == (5, True)
    assert found.btdc_deg == pytest.approx(38.0)


def test_an_opening_after_tdc_is_negative() -> None:
    late = replace(unit(), settings=(Setting("full retard", Window(2.0, -2.0, -6.0, "manual")),))
    found = to_reading(
        opening(724.0),
        single(late),
        reference(),
        setting="full retard",
        stroke=FiringTdc(0, 1),
    )
    assert found.btdc_deg == pytest.approx(-4.0)


def test_without_a_window_it_still_finds_its_cylinder() -> None:
    job = four(unit(turns="1", lobes=2, setting=Setting(ADVANCE.name, None)))
    found = tied(180.0 - 36.0, job, FiringTdc(0, 1))
    assert found.cylinder == 3
    assert found.btdc_deg == pytest.approx(36.0)


def test_what_is_missing_is_reported() -> None:
    without_index = tied(None, single())
    assert (without_index.valid, without_index.btdc_deg) == (False, None)
    assert without_index.rejection == Rejection(Reason.NO_INDEX)
    without_tdc = to_reading(opening(324.0), single(), None, setting=ADVANCE.name)
    assert (without_tdc.valid, without_tdc.crank_deg) == (False, 324.0)
    assert without_tdc.rejection == Rejection(Reason.NO_TDC)
    short = replace(opening(324.0), rejection=Rejection(Reason.TURNED_BACK))
    kept = to_reading(short, single(), reference(), setting=ADVANCE.name)
    assert (kept.valid, kept.rejection) == (False, Rejection(Reason.TURNED_BACK))
    assert kept.btdc_deg == pytest.approx(36.0)


def test_a_set_reading_counts_although_the_crank_stood_still() -> None:
    still = replace(opening(324.0), rejection=Rejection(Reason.CRANK_STILL), direction=0)
    found = to_reading(still, single(), reference(), setting=ADVANCE.name, kind="set", start_us=2e6)
    assert (found.kind, found.valid, found.rejection, found.t_s) == ("set", True, None, 3.0)


def test_a_cylinder_that_the_engine_lacks_is_refused() -> None:
    with pytest.raises(InputError, match="cylinder 9"):
        FiringTdcEntry(0.0, 9).on(single(), reference())
