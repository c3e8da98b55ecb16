"""Firing order and dead centres. Intervals are definitions: 720/N and 360/N degrees of crank."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.engine.geometry import (
    StopMisleads,
    datum_after_first_deg,
    firing_after_first_deg,
    geometry_of,
    on_link_rod,
    plug_hole_offset_deg,
    stop_cylinder,
    stop_misleads,
    tdc_after_first_deg,
    tdc_known,
)
from rig.engine.profile import Engine, Geometry

FOUR = Engine("four", 4, 4, (1, 3, 4, 2), (180.0,) * 4, "clockwise", "flywheel end")
RADIAL = Engine(
    "nine", 4, 9, (1, 3, 5, 7, 9, 2, 4, 6, 8), (80.0,) * 9, "clockwise", "rear",
    geometry=Geometry(70, 270, 0), entered_tdc_deg={3: 80.9}, master_cylinder=1,
)  # fmt: skip


def test_four_cylinders() -> None:
    assert firing_after_first_deg(FOUR) == {1: 0.0, 2: 540.0, 3: 180.0, 4: 360.0}
    assert tdc_after_first_deg(FOUR) == firing_after_first_deg(FOUR)
    assert [plug_hole_offset_deg(FOUR, each) for each in (1, 2, 3, 4)] == [0, 180, 180, 0]


def test_an_order_that_does_not_begin_with_cylinder_1() -> None:
    turned = Engine("four", 4, 4, (4, 2, 1, 3), (180.0,) * 4, "clockwise", "flywheel end")
    assert firing_after_first_deg(turned) == firing_after_first_deg(FOUR)


def test_uneven_intervals() -> None:
    twin = Engine("vee", 4, 2, (1, 2), (410.0, 310.0), "clockwise", "drive end")
    assert firing_after_first_deg(twin) == {1: 0.0, 2: 410.0}
    assert plug_hole_offset_deg(twin, 2) == pytest.approx(50.0)


def test_link_rods_are_stated_or_not_known() -> None:
    assert tdc_after_first_deg(RADIAL) == {1: 0.0, 3: 80.9}
    assert datum_after_first_deg(RADIAL)[3] == 80.9
    assert datum_after_first_deg(RADIAL)[5] == 160.0
    assert [each for each in range(1, 10) if tdc_known(RADIAL, each)] == [1, 3]
    assert plug_hole_offset_deg(RADIAL, 3) == 80.9
    with pytest.raises(InputError, match="is on a link rod"):
        plug_hole_offset_deg(RADIAL, 5)
    assert geometry_of(RADIAL, 1) == RADIAL.geometry
    assert geometry_of(RADIAL, 3) is None


FIFTH = replace(RADIAL, master_cylinder=5, entered_tdc_deg={})


def test_the_master_is_the_cylinder_that_the_engine_file_names() -> None:
    """Its piston alone moves as a slider-crank, and its top lies where the firing order has it."""
    assert [each for each in range(1, 10) if not on_link_rod(FIFTH, each)] == [5]
    assert (geometry_of(FIFTH, 5), geometry_of(FIFTH, 1)) == (RADIAL.geometry, None)
    assert plug_hole_offset_deg(FIFTH, 5) == 160.0
    assert (stop_cylinder(FIFTH), stop_cylinder(RADIAL), stop_cylinder(FOUR)) == (5, 1, 1)


def test_what_follows_from_where_top_dead_centre_was_found() -> None:
    def known(engine: Engine, counted_from: int) -> list[int]:
        return [c for c in range(1, 10) if tdc_known(engine, c, counted_from)]

    assert known(FIFTH, 5) == [5]  # found at the master: cylinder 1 hangs on a link rod
    assert known(FIFTH, 1) == [1]
    tied = replace(FIFTH, entered_tdc_deg={5: 161.3, 3: 80.2})
    assert known(tied, 5) == known(tied, 1) == [1, 3, 5]
    assert tdc_after_first_deg(tied, 5) == {1: 0.0, 3: 80.2, 5: 161.3}


def test_a_stop_on_a_link_rod_misleads_unless_its_top_is_entered() -> None:
    assert stop_misleads(FIFTH, 5) == stop_misleads(FOUR, 2) == stop_misleads(RADIAL, 1) is None
    wrong = stop_misleads(FIFTH, 1)
    assert wrong == StopMisleads(1, 5, 5)
    assert "cylinder 1 is on a link rod, and its TDC is not entered" in wrong.words
    assert "Fit the stop in cylinder 5" in wrong.words
    assert stop_misleads(replace(FIFTH, entered_tdc_deg={5: 161.3}), 1) is None
    assert stop_misleads(RADIAL, 5) == StopMisleads(5, 1, 5)
    assert stop_misleads(RADIAL, 3) is None


@given(st.integers(1, 9), st.sets(st.integers(2, 9)), st.integers(1, 9))
def test_a_stop_is_refused_or_warned_of_on_every_link_rod_that_is_not_entered(
    master: int, entered: set[int], cylinder: int
) -> None:
    places = firing_after_first_deg(RADIAL)
    engine = replace(
        RADIAL, master_cylinder=master, entered_tdc_deg={each: places[each] for each in entered}
    )
    if cylinder == master:
        plug_hole_offset_deg(engine, cylinder)
        assert stop_misleads(engine, cylinder) is None
    elif cylinder not in {1, *entered}:
        with pytest.raises(InputError, match=f"cylinder {master}, which has the master rod"):
            plug_hole_offset_deg(engine, cylinder)
        assert stop_misleads(engine, cylinder) == StopMisleads(cylinder, master, cylinder)
    elif cylinder == 1:
        assert bool(stop_misleads(engine, 1)) == (master not in entered)


def test_no_such_cylinder() -> None:
    with pytest.raises(InputError, match="no cylinder 5; it has 1 to 4"):
        plug_hole_offset_deg(FOUR, 5)
