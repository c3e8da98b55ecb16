"""One means at a time: directions, millimetres, limits.

G1 and G6: teeth as crank degrees, by counting. V5: nearest step of a 19 and 20 tooth coupling,
period car service article kept by an owners' club. The rest is geometry.
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from typing import Literal

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from trains import simple_train

from rig.adjust import kinds
from rig.adjust.moves import Fitted
from rig.base.errors import InputError
from rig.engine import gear_train, profile
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

Rotation = Literal["clockwise", "anticlockwise"]
HALF = Fraction(1, 2)
UPPER = Unit("upper", 1, HALF, 4, (), body="twin", rotation="clockwise", seen_from="drive end")
LOWER = replace(UPPER, name="lower", input=2)
REAR = Unit("rear", 3, Fraction(3, 2), 2, (), rotation="anticlockwise", seen_from="cam end")
UNITS = (UPPER, LOWER, REAR)
ENGINE = Engine("demo", 4, 4, (1, 3, 4, 2), (180.0,) * 4, "clockwise", "flywheel end")
FITTED = Fitted(UNITS, ENGINE)


def test_slot_turns_against_the_shaft_to_be_earlier() -> None:
    step = kinds.slot_step(FITTED, Slot("twin", 45.0, 3.0, 4.0), 5.0)
    assert step.figures["unit_deg"] == pytest.approx(2.5)  # crank degrees x shaft ratio
    assert step.figures["slot_mm"] == pytest.approx(math.pi * 90.0 * 2.5 / 360.0)
    assert step.figures["way"] == "anticlockwise"
    assert "anticlockwise, seen from its drive end" in step.words
    assert step.shift_deg == {"upper": 5.0, "lower": 5.0}  # one body
    later = kinds.slot_step(FITTED, Slot("rear", 45.0, 3.0, 4.0), -5.0)
    assert later.figures["way"] == "anticlockwise"
    assert later.figures["unit_deg"] == pytest.approx(-7.5)
    assert "later" in later.words


def test_naming_one_unit_of_a_body_means_the_body() -> None:
    assert set(kinds.slot_step(FITTED, Slot("upper", 45.0, 3.0, 4.0), 1.0).shift_deg) == {
        "upper",
        "lower",
    }
    plate = kinds.slot_step(FITTED, Slot("upper", 20.0, 3.0, 4.0, "contact plate"), 1.0)
    assert plate.shift_deg == {"upper": 1.0}
    assert "-0.5 degrees of the unit's shaft" in plate.warnings[1]  # neutral to opening


def test_slot_too_short() -> None:
    slot = Slot("twin", 45.0, 3.0, 1.0)
    allowed = math.degrees(1.0 / 45.0) / 0.5
    assert kinds.slot_range_deg(slot, UPPER) == pytest.approx((-3.0 * allowed, allowed))


def test_unknown_names() -> None:
    with pytest.raises(InputError, match="no unit or body is called side"):
        profile.members(UNITS, "side")
    with pytest.raises(InputError, match="no unit is on the shaft"):
        FITTED.moved_with("cam")


def test_mesh_g1_and_its_direction() -> None:
    train = simple_train((24, 37, 48), "twin")
    step = kinds.mesh_step(replace(FITTED, train=train), train.meshes[0], -1)
    assert step.shift_deg == pytest.approx({"upper": -15.0, "lower": -15.0})
    # The crank turns clockwise, the idler therefore anticlockwise; back is clockwise.
    assert "1 tooth back against its own rotation (clockwise, seen from the engine's flywheel" in (
        step.words
    )
    assert any("distributor finger" in w for w in step.warnings)
    on = kinds.mesh_step(replace(FITTED, train=train), train.meshes[1], 2)
    assert "2 teeth on in its own rotation (clockwise, seen from the engine's" in on.words


def test_mesh_behind_a_bevel_gear_names_no_side() -> None:
    train = Train((Mesh("crank", 24, "rear", 16, kind="bevel"),))
    step = kinds.mesh_step(replace(FITTED, train=train), train.meshes[0], 1)
    assert "seen from" not in step.words
    assert step.shift_deg == pytest.approx({"rear": 15.0})


def test_coupling_v5() -> None:
    step = kinds.coupling_step(FITTED, Coupling("upper", 19, 20), 3)
    assert step.shift_deg == pytest.approx({"upper": 5.684211, "lower": 5.684211}, abs=1e-6)
    assert "3 teeth on, in the shaft's rotation, in the 19 teeth of the drive" in step.words
    assert "3 teeth back, against the shaft's rotation, in the 20 teeth" in step.words
    assert step.warnings == ()


def test_coupling_on_a_shaft_of_the_train() -> None:
    train = Train((Mesh("crank", 24, "cam", 48), Mesh("cam", 30, "rear", 10)))
    step = kinds.coupling_step(replace(FITTED, train=train), Coupling("cam", 11, 12), 1)
    assert step.shift_deg == pytest.approx({"rear": 5.454545}, abs=1e-6)  # V3, the cam at half


def test_a_mate_in_the_body_of_a_driven_unit_is_driven_too() -> None:
    train = simple_train((24, 48), "lower")
    assert [replace(FITTED, train=train).shaft(u) for u in UNITS] == ["lower", "lower", None]
    step = kinds.mesh_step(replace(FITTED, train=train), train.meshes[0], 1)
    assert step.shift_deg == pytest.approx({"upper": 15.0, "lower": 15.0})


def test_dog() -> None:
    step = kinds.dog_step(FITTED, DriveDog("twin", slots=4), -1)
    assert step.shift_deg == pytest.approx({"upper": -180.0, "lower": -180.0})
    assert "1 of its 4 slots back against its own rotation (anticlockwise, seen" in step.words


@pytest.mark.parametrize(
    ("half", "shift", "way"),
    [
        ("unit half", 6.0, "anticlockwise"),  # behind, so that the shaft has to go on
        ("unit half", -6.0, "clockwise"),
        ("drive half", 6.0, "clockwise"),
        ("drive half", -6.0, "anticlockwise"),
    ],
)
def test_a_new_hole_is_laid_out(half: str, shift: float, way: str) -> None:
    dog = DriveDog("twin", 1, "unit half" if half == "unit half" else "drive half", 18.0)
    step = kinds.recut_step(FITTED, dog, shift)
    assert step.figures["way"] == way
    assert step.figures["arc_mm"] == pytest.approx(math.pi * 36.0 * 3.0 / 360.0)
    assert step.figures["chord_mm"] == pytest.approx(36.0 * math.sin(math.radians(1.5)))
    assert not step.reversible
    assert "cannot be undone" in step.warnings[0]
    assert f"degrees {way} of the old one, seen from the unit's drive end" in step.words


def test_the_direction_of_a_new_hole_by_putting_it_together() -> None:
    """A pin at a fixed angle of the drive: where does the shaft come to stand?"""
    pin_deg, old_deg, cut_deg = 77.0, 31.0, -3.0  # cut against the rotation, in the unit's half
    before, after = pin_deg - old_deg, pin_deg - (old_deg + cut_deg)
    assert after - before == 3.0  # the shaft is 3 degrees on, which is earlier
    step = kinds.recut_step(FITTED, DriveDog("twin", 1, "unit half", 18.0), 6.0)
    assert step.figures["unit_deg"] == pytest.approx(after - before)
    assert step.figures["way"] != UPPER.rotation


def test_a_hole_without_a_least_distance_may_lie_anywhere() -> None:
    assert kinds.recut_least_deg(DriveDog("twin", 1, "unit half", 18.0)) == 0.0


def test_a_new_place_keeps_clear_of_every_slot_not_only_the_one_in_use() -> None:
    """Two slots 180 degrees apart at 20 mm: 8 mm clear is 23.07 degrees either side of both."""
    dog = DriveDog("twin", 2, "unit half", 20.0, 8.0)
    least = 2.0 * math.degrees(math.asin(8.0 / 40.0))
    room = kinds.recut_room_deg(dog)
    assert [round(x, 6) for stretch in sorted(room) for x in stretch] == [
        round(x, 6) for x in (least - 180.0, -least, least, 180.0 - least)
    ]
    near_second = kinds.recut_step(FITTED, dog, 2.0 * (180.0 - least + 1.0))
    assert near_second.figures["nearest_mm"] == pytest.approx(
        40.0 * math.sin(math.radians(least - 1.0) / 2.0)
    )
    assert near_second.figures["others_deg"] == (180.0,)
    with pytest.raises(InputError, match="6 that it has"):
        kinds.recut_room_deg(replace(dog, slots=6, clear_mm=12.0))


@settings(max_examples=200, deadline=None)
@given(
    st.integers(1, 6),
    st.lists(st.floats(-360.0, 360.0), max_size=4),
    st.floats(0.0, 15.0),
    st.sampled_from(["unit half", "drive half"]),
    st.sampled_from(["clockwise", "anticlockwise"]),
    st.floats(-179.9, 180.0),
)
def test_room_for_a_new_place_is_all_of_the_circle_that_is_clear(
    slots: int,
    others: list[float],
    clear_mm: float,
    half: Literal["unit half", "drive half"],
    rotation: Rotation,
    at_deg: float,
) -> None:
    """Points laid out in millimetres: a place is in the room just when it is clear of them all."""
    unit = replace(UPPER, rotation=rotation)
    dog = DriveDog("upper", slots, half, 15.0, clear_mm, tuple(others))
    ours = 15.0 * np.exp(1j * np.radians([*(360.0 * k / slots for k in range(slots)), *others]))
    nearest = float(np.abs(ours - 15.0 * np.exp(1j * np.radians(at_deg))).min())
    assume(abs(nearest - clear_mm) > 1e-3)
    try:
        room = kinds.recut_room_deg(dog)
    except InputError:
        room = []
    assert any(low <= at_deg <= high for low, high in room) == (nearest > clear_mm)
    way = kinds.clockwise_deg(dog, unit, 1.0)
    step = kinds.recut_step(Fitted([unit], ENGINE), dog, gear_train.crank_deg(at_deg * way, HALF))
    assert step.figures["nearest_mm"] == pytest.approx(nearest, abs=1e-6)
    if at_deg:
        assert step.figures["way"] == ("clockwise" if at_deg > 0.0 else "anticlockwise")


def gap(*readings: tuple[float, float]) -> Gap:
    return Gap("lower", 0.40, 0.35, 0.45, tuple(GapReading(g, b, 0.05) for g, b in readings))


def test_gap_rate_comes_from_the_unit_itself() -> None:
    rate, u_rate = kinds.gap_rate(gap((0.35, 35.1), (0.45, 36.0)))
    assert rate == pytest.approx(9.0)
    assert u_rate == pytest.approx(math.sqrt(2.0) * 0.05 / 0.1)
    step = kinds.gap_step(FITTED, gap((0.35, 35.1), (0.45, 36.0)), 0.36)
    assert step.figures["gap_mm"] == pytest.approx(0.44)
    assert step.shift_deg == {"lower": 0.36}  # one unit of the body only
    assert "-0.2 degrees of the unit's shaft" in step.warnings[0]
    (move,), _ = kinds.moves(FITTED, Adjustments(gaps=(gap((0.35, 35.1), (0.45, 36.0)),)))
    assert move.is_range
    assert (move.low, move.high) == pytest.approx((-0.45, 0.45))


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ((), "never assumed"),
        (((0.40, 35.0),), "two different gaps"),
        (((0.40, 35.0), (0.40, 35.2)), "two different gaps"),
        (((0.35, 36.0), (0.45, 35.0)), "no cam does"),
        (((0.35, 35.0), (0.45, 35.1)), "not known well enough"),
    ],
)
def test_gap_without_a_rate(readings: tuple[tuple[float, float], ...], words: str) -> None:
    with pytest.raises(InputError, match=words):
        kinds.gap_rate(gap(*readings))


def test_leads() -> None:
    step = kinds.leads_step(FITTED, Leads("upper"), 1)
    assert step.shift_deg == {"upper": 180.0}
    assert "1 tower against the rotation" in step.words
    assert "2 towers in the rotation" in kinds.leads_step(FITTED, Leads("upper"), -2).words


def test_which_lead_serves_by_turning_a_distributor() -> None:
    """Four towers, finger at crank speed/2: a unit one lobe late needs the leads moved back."""
    late_by = kinds.leads_step(FITTED, Leads("upper"), 1).shift_deg[
        "upper"
    ]  # the shaft stands one lobe behind where it should
    finger_at_firing = (0.0 - late_by * 0.5) / 90.0  # in towers, growing in the rotation
    assert finger_at_firing == -1.0  # so that cylinder 1's lead belongs one tower back
    assert "against" in kinds.leads_step(FITTED, Leads("upper"), 1).words


def test_lever() -> None:
    read = replace(FITTED, ends={"upper": LeverEnds("upper", 8.0, 38.0)}, read_btdc={"upper": 38.0})
    step = kinds.lever_step(read, Lever("upper"), -15.0)
    assert step.figures["place"] == pytest.approx(0.5)
    assert "50 per cent" in step.words


def test_a_new_place_that_may_break_into_an_old_one_is_said() -> None:
    def said(dog: DriveDog) -> bool:
        _, notes = kinds.moves(FITTED, Adjustments(dogs=(dog,)))
        return any("break into" in note for note in notes)

    assert said(DriveDog("twin", 1, "unit half", 18.0))
    assert said(DriveDog("twin", 1, "unit half", 18.0, 6.0, width_mm=6.0))
    assert not said(DriveDog("twin", 1, "unit half", 18.0, 6.5, width_mm=6.0))
    assert not said(DriveDog("twin", 2))
