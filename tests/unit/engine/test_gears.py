"""Trains and teeth.

Figures G1 to G6, H1 and H2: found by brute-force enumeration and by formula; tooth groups by the
greatest common divisor after W. C. Foiles, gear frequencies and Euclid's algorithm.
"""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from trains import simple_train

from rig.base.errors import InputError
from rig.engine import gear_train
from rig.engine.profile import Mesh, Train

COMPOUND = Train((Mesh("crank", 21, "idler", 42), Mesh("idler", 30, "unit", 20)))  # G6


@pytest.mark.parametrize(
    ("name", "teeth", "ratio", "crank_deg", "unit_deg", "turns", "passed", "unit_turns"),
    [
        ("G1", (24, 37, 48), 0.5, 15.0, 7.5, 74, 1776, 37),
        ("G2", (24, 48), 0.5, 15.0, 7.5, 2, 48, 1),
        ("G4", (33, 22), 1.5, 10.909091, 16.363636, 2, 66, 3),
        ("G5", (28, 41, 35, 56), 0.5, 12.857143, 6.428571, 410, 11480, 205),
    ],
)
def test_simple_trains(
    *,
    name: str,
    teeth: tuple[int, ...],
    ratio: float,
    crank_deg: float,
    unit_deg: float,
    turns: int,
    passed: int,
    unit_turns: int,
) -> None:
    train = simple_train(teeth)
    assert float(gear_train.speed(train, "unit")) == pytest.approx(ratio, abs=1e-9), name
    for mesh in train.meshes:  # whatever the mesh
        assert float(gear_train.tooth_crank_deg(train, mesh)) == pytest.approx(crank_deg, abs=1e-6)
        assert float(gear_train.tooth_shaft_deg(train, mesh, "unit")) == pytest.approx(
            unit_deg, abs=1e-6
        )
    meet = gear_train.marks_meet(train, "unit")
    assert (meet.crank_turns, meet.teeth, meet.shaft_turns) == (turns, passed, Fraction(unit_turns))


def test_marks_meet_by_turning_the_teeth_one_by_one() -> None:
    teeth = (28, 41, 35, 56)  # G5, counted out
    passed = next(n for n in range(1, 10**6) if all(n % z == 0 for z in teeth))
    assert gear_train.marks_meet(simple_train(teeth), "unit").teeth == passed


def test_compound_train_g6() -> None:
    first, second = COMPOUND.meshes
    assert gear_train.speed(COMPOUND, "unit") == Fraction(3, 4)
    assert float(gear_train.tooth_crank_deg(COMPOUND, first)) == pytest.approx(17.142857, abs=1e-6)
    assert float(gear_train.tooth_crank_deg(COMPOUND, second)) == pytest.approx(24.0, abs=1e-6)
    assert gear_train.marks_meet(COMPOUND, "unit").crank_turns == 4
    assert len(gear_train.mesh_positions(COMPOUND, ["unit"])) == 140  # in steps of 24/7
    assert gear_train.idler_notes(COMPOUND, "unit") == [
        "idler is a compound idler (42 and 30 teeth): it adds positions"
    ]


def test_a_plain_idler_adds_no_position() -> None:
    with_idler = simple_train((24, 37, 48))
    without = simple_train((24, 48))
    shifts = {p.shift_deg for p in gear_train.mesh_positions(with_idler, ["unit"])}
    assert shifts == {p.shift_deg for p in gear_train.mesh_positions(without, ["unit"])}
    assert len(shifts) == 48
    assert "plain idler" in gear_train.idler_notes(with_idler, "unit")[0]


@pytest.mark.parametrize(
    ("name", "teeth", "groups", "turns", "pairs", "hz"),
    [("H1", (23, 67), 1, 67, 1541, 0.447761), ("H2", (20, 60), 20, 3, 60, 10.0)],
)
def test_hunting_tooth(
    *, name: str, teeth: tuple[int, int], groups: int, turns: int, pairs: int, hz: float
) -> None:
    found = gear_train.hunting_tooth(*teeth, turns_per_min=1800)
    assert (found.groups, found.turns, found.pairs) == (groups, turns, pairs), name
    assert found.frequency_hz == pytest.approx(hz, abs=1e-6)


def test_hunting_frequency_is_not_gcd_times_pinion_speed() -> None:
    # H1: some pages print gcd x pinion speed, 30 Hz here, which is wrong.
    assert gear_train.hunting_tooth(23, 67, 1800).frequency_hz != pytest.approx(30.0, rel=0.5)
    assert math.isnan(gear_train.hunting_tooth(23, 67).frequency_hz)


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 9), st.integers(2, 9), st.integers(2, 9), st.integers(2, 9))
def test_positions_are_those_of_brute_force(a: int, b: int, c: int, d: int) -> None:
    train = Train((Mesh("crank", a, "idler", b), Mesh("idler", c, "unit", d)))
    whole = 360 / gear_train.speed(train, "unit")
    steps = [gear_train.tooth_crank_deg(train, mesh) for mesh in train.meshes]
    ways = product(range(b * d), range(b * d))
    brute = {sum(k * s for k, s in zip(way, steps, strict=True)) % whole for way in ways}
    found = gear_train.mesh_positions(train, ["unit"])
    assert {p.shift_deg[0] % whole for p in found} == brute
    for position in found:  # the slips do what they say
        moved = sum(k * s for k, s in zip(position.slips, steps, strict=True))
        assert (moved - position.shift_deg[0]) % whole == 0
        assert abs(position.shift_deg[0]) <= whole / 2


def test_a_unit_driven_from_the_idler_moves_while_the_cam_stays() -> None:
    # The cam keeps its place: only through the idler's meshing can the unit move.
    meshes = (
        Mesh("crank", 24, "idler", 36),
        Mesh("idler", 36, "cam", 48),
        Mesh("idler", 18, "unit", 24, free=False),
    )
    moved = gear_train.mesh_positions(Train(meshes, keeps=("cam",)), ["unit"])
    assert len(moved) > 1
    for position in moved:
        crank_to_idler, idler_to_cam, idler_to_unit = position.slips
        assert (crank_to_idler + idler_to_cam) % 48 == 0
        assert idler_to_unit == 0
    # Driven from the cam instead, it has no position of its own.
    from_cam = Train((meshes[0], meshes[1], Mesh("cam", 1, "unit", 1, free=False)), ("cam",))
    assert [p.shift_deg for p in gear_train.mesh_positions(from_cam, ["unit"])] == [(Fraction(0),)]


def test_listed_by_error() -> None:
    found = gear_train.listed_by_error(COMPOUND, "unit", 7.0)
    assert found[0][0] == pytest.approx(48 / 7 - 7.0, abs=1e-9)
    errors = [abs(error) for error, _ in found]
    assert errors == sorted(errors)
    assert len(found) == 140  # 480 crank degrees of a whole turn in steps of 24/7


def test_direction_of_shafts() -> None:
    train = simple_train((24, 37, 48))
    assert gear_train.rotation(train, "idler 1", "clockwise") == "anticlockwise"
    assert gear_train.rotation(train, "unit", "clockwise") == "clockwise"
    chain = Train((Mesh("crank", 20, "unit", 40, kind="chain"),))
    assert gear_train.rotation(chain, "unit", "anticlockwise") == "anticlockwise"
    bevel = Train((Mesh("crank", 20, "unit", 40, kind="bevel"),))
    assert gear_train.rotation(bevel, "unit", "clockwise") is None


@pytest.mark.parametrize(
    ("meshes", "words"),
    [
        ((Mesh("crank", 0, "unit", 48),), "0 teeth"),
        ((Mesh("crank", 24, "unit", -3),), "-3 teeth"),
        ((Mesh("crank", 24, "idler", 37),), "does not end at unit"),
        ((Mesh("shaft", 24, "unit", 37),), "not driven from the crank"),
        ((Mesh("crank", 24, "unit", 37), Mesh("crank", 20, "unit", 37)), "two gears"),
        ((Mesh("crank", 24, "unit", 37), Mesh("unit", 20, "crank", 37)), "nothing drives"),
    ],
)
def test_bad_trains(meshes: tuple[Mesh, ...], words: str) -> None:
    with pytest.raises(InputError, match=words):
        gear_train.path(Train(meshes), "unit")


def test_bad_gears() -> None:
    with pytest.raises(InputError, match="both need teeth"):
        gear_train.hunting_tooth(0, 20)
    with pytest.raises(InputError, match="crank alone"):
        gear_train.marks_meet(simple_train((24, 48)), "crank")
    ends = gear_train.mistakes(simple_train((24, 48), "cam"), ["upper", "lower"])
    assert "does not end at a unit" in ends[0][1]
    huge = Train((Mesh("crank", 211, "idler", 251), Mesh("idler", 227, "unit", 257)))
    with pytest.raises(InputError, match="more than"):
        gear_train.mesh_positions(huge, ["unit"])
