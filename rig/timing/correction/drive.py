"""One means at a time, in the drive: meshes, toothed couplings, dogs, new holes.

As ``rig.timing.correction.steps``, which has the means on the unit itself. Directions on shafts of
the train are as seen from the end of the engine that its rotation is stated for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from rig.counted import many
from rig.engine import couplings, gears
from rig.engine.means import Coupling, DriveDog, Planetary, Stage, Train
from rig.engine.profile import Engine, Unit
from rig.faults import InputError
from rig.timing.correction.plan import Step
from rig.timing.correction.steps import FINGER, earlier, members, moved_by, opposite

MARKS = "the timing marks will no longer agree: make new ones and write it down"


def shaft_for(unit: Unit, units: Sequence[Unit], train: Train | None) -> str | None:
    """The shaft of the train that a unit stands on, also when only its body's mate is named.

    None when the train does not drive it. Source: units in one body share their shaft.
    """
    own = [gears.shaft_of(mate, train) for mate in (unit, *members(units, unit.name))]
    return next((shaft for shaft in own if shaft is not None), None)


def _behind(unit: Unit, units: Sequence[Unit], train: Train | None) -> tuple[Stage, ...]:
    """The meshes from the crank to a unit; none when the train does not drive it."""
    shaft = shaft_for(unit, units, train)
    return () if train is None or shaft is None else gears.path(train, shaft)


@dataclass(frozen=True, slots=True)
class MeshTo:
    """A mesh on the way to a unit: what a tooth of it is worth, and the shaft that it drives."""

    name: str
    tooth_deg: float  # crank degrees
    driven: str
    driven_turns: float  # per crank turn


def meshes_to(train: Train, unit: Unit, units: Sequence[Unit]) -> list[MeshTo]:
    """The meshes from the crank to a unit; none when the train does not drive it.

    Source: ``rig.engine.gears``.
    """
    return [
        MeshTo(
            f"{mesh.driver} to {mesh.driven}",
            float(gears.tooth_crank_deg(train, mesh)),
            mesh.driven,
            float(gears.speed(train, mesh.driven)),
        )
        for mesh in _behind(unit, units, train)
    ]


def downstream(train: Train | None, shaft: str, units: Sequence[Unit]) -> list[Unit]:
    """The units that move when ``shaft`` is put on: those on it, and those it drives.

    Raises InputError when the shaft is neither in the train nor a unit. Source: geometry.
    """
    named = any(shaft in (unit.name, unit.body) for unit in units)
    on_it = members(units, shaft) if named else []
    found = [
        unit
        for unit in units
        if unit in on_it or any(mesh.driven == shaft for mesh in _behind(unit, units, train))
    ]
    if not found:
        raise InputError(f"no unit is on the shaft {shaft}, or driven by it")
    return found


def mesh_step(train: Train, mesh: Stage, teeth: int, units: Sequence[Unit], engine: Engine) -> Step:
    """Slip one mesh by ``teeth`` (positive: what is driven goes on in its own rotation).

    ``figures``: teeth, tooth_crank_deg, crank_deg. Raises InputError for a train that is wrong.
    Source: a tooth is 360/(driver's teeth x driver's speed) crank degrees.
    """
    tooth = float(gears.tooth_crank_deg(train, mesh))
    shift = teeth * tooth
    turns = gears.rotation(train, mesh.driven, engine.rotation)
    way = "on in its own rotation" if teeth > 0 else "back against its own rotation"
    if turns is not None:
        seen = turns if teeth > 0 else opposite(turns)
        way += f" ({seen}, seen from the engine's {engine.seen_from})"
    count = many(abs(teeth), "tooth", "teeth")
    moved = [u for u in units if mesh in _behind(u, units, train)]
    return Step(
        means="mesh",
        part=mesh.driven,
        words=f"take the planetary stage of {mesh.driven} apart and put {mesh.driven}"
        f" {abs(teeth)} of its {mesh.driven_teeth} places {way}, the crank held: {earlier(shift)}"
        if isinstance(mesh, Planetary)
        else (
            f"take {mesh.driven} ({many(mesh.driven_teeth, 'tooth', 'teeth')}) out of "
            f"mesh with {mesh.driver} "
            f"({mesh.driver_teeth}) and put it {count} {way}, the crank held: {earlier(shift)}"
        ),
        shift_deg={u.name: shift for u in moved},
        figures={"teeth": teeth, "tooth_crank_deg": tooth, "crank_deg": shift},
        warnings=(FINGER, MARKS),
    )


def shaft_speed(train: Train | None, shaft: str, units: Sequence[Unit]) -> Fraction:
    """Turns per crank turn of a unit's shaft or one of the train's.

    Raises InputError when it is neither. Source: the train, else the unit's own figure.
    """
    if train is not None and any(mesh.driven == shaft for mesh in train.meshes):
        return gears.speed(train, shaft)
    return members(units, shaft)[0].turns_per_crank_turn


def coupling_step(
    coupling: Coupling, steps: int, units: Sequence[Unit], train: Train | None = None
) -> Step:
    """Move a toothed coupling by ``steps`` of its smallest step (positive earlier).

    ``figures``: steps, drive_teeth, unit_teeth, shaft_deg, crank_deg. Raises InputError for an
    unknown shaft or no teeth. Source: as ``rig.engine.couplings``.
    """
    speed = shaft_speed(train, coupling.shaft, units)
    move = couplings.move(coupling.drive_teeth, coupling.unit_teeth, steps, speed)
    shift = float(move.crank_deg)
    first = _teeth_way(move.drive_teeth)
    second = _teeth_way(-move.unit_teeth)
    return Step(
        means="coupling",
        part=coupling.shaft,
        words=(
            f"coupling of {coupling.shaft}: put its middle piece {first} in the "
            f"{many(coupling.drive_teeth, 'tooth', 'teeth')} of the drive, and the "
            f"unit's half {second} in the "
            f"{many(coupling.unit_teeth, 'tooth', 'teeth')} of the middle piece: {earlier(shift)}"
        ),
        shift_deg={u.name: shift for u in downstream(train, coupling.shaft, units)},
        figures={
            "steps": steps,
            "drive_teeth": move.drive_teeth,
            "unit_teeth": move.unit_teeth,
            "shaft_deg": float(move.shaft_deg),
            "crank_deg": shift,
        },
        warnings=(FINGER,) if abs(shift) > 30.0 else (),
    )


def _teeth_way(teeth: int) -> str:
    if teeth == 0:
        return "where it was"
    word = "tooth" if abs(teeth) == 1 else "teeth"
    way = "on, in the shaft's rotation" if teeth > 0 else "back, against the shaft's rotation"
    return f"{abs(teeth)} {word} {way},"


def dog_step(dog: DriveDog, slots: int, units: Sequence[Unit]) -> Step:
    """Put a dog together ``slots`` of its slots on (positive: the unit's shaft on in its rotation).

    ``figures``: slots, unit_deg, crank_deg. Source: equal slots divide the turn.
    """
    moved = members(units, dog.unit)
    unit_deg = 360.0 * slots / dog.slots
    shift = couplings.crank_deg(unit_deg, moved[0].turns_per_crank_turn)
    way = "on in its own rotation" if slots > 0 else "back against its own rotation"
    seen = moved[0].rotation if slots > 0 else opposite(moved[0].rotation)
    return Step(
        means="dog",
        part=dog.unit,
        words=(
            f"take the drive of {dog.unit} apart and put the unit's shaft {abs(slots)} of its "
            f"{dog.slots} slots {way} ({seen}, seen from its {moved[0].seen_from}): "
            f"{earlier(shift)}"
        ),
        shift_deg=moved_by(moved, unit_deg),
        figures={"slots": slots, "unit_deg": unit_deg, "crank_deg": shift},
        warnings=(FINGER,),
    )


def recut_least_deg(dog: DriveDog) -> float:
    """Least angle of the unit's shaft between a place and a new one, degrees.

    Raises InputError when the circle is too small for it. Source: chord = 2 radius sin(angle/2).
    """
    if dog.clear_mm <= 0.0:
        return 0.0
    if dog.clear_mm > 2.0 * dog.radius_mm:
        raise InputError(
            f"{dog.unit}: no hole at a radius of {dog.radius_mm:g} mm lies {dog.clear_mm:g} mm "
            "from another"
        )
    return 2.0 * math.degrees(math.asin(dog.clear_mm / (2.0 * dog.radius_mm)))


def places_deg(dog: DriveDog) -> tuple[float, ...]:
    """All places on the half that may be cut: degrees clockwise of the one in use, from 0 up.

    Source: equal slots divide the turn; the others are stated.
    """
    slots = (360.0 * k / dog.slots for k in range(dog.slots))
    return tuple(sorted({round(each % 360.0, 9) % 360.0 for each in (*slots, *dog.others_deg)}))


def recut_room_deg(dog: DriveDog) -> list[tuple[float, float]]:
    """Where a new place keeps clear of all that are there: stretches, degrees clockwise of the
    one in use, within -180 to 180.

    Raises InputError when there is no room. Source: ``recut_least_deg`` on either side of each.
    """
    least, there = recut_least_deg(dog), places_deg(dog)
    room: list[tuple[float, float]] = []
    for here, after in zip(there, (*there[1:], there[0] + 360.0), strict=True):
        low, high = here + least, after - least
        # A stretch that lies across 180 comes in two: one is reached clockwise, one the other way.
        room += [(low, min(high, 180.0))] if low <= 180.0 else []
        room += [(max(low, 180.0) - 360.0, high - 360.0)] if high > 180.0 else []
    room = [(low, high) for low, high in room if low <= high]
    if not room:
        raise InputError(
            f"{dog.unit}: no new place in its {dog.recut} keeps {dog.clear_mm:g} mm from each of "
            f"the {len(there)} that it has"
        )
    return room


def clockwise_deg(dog: DriveDog, unit: Unit, unit_deg: float) -> float:
    """Where a new place lies, degrees clockwise of the one in use, to put a unit's shaft on by
    ``unit_deg``. Source: a place in the unit's half lies behind the old one to make it earlier.
    """
    behind = (unit_deg >= 0) == (dog.recut == "unit half")
    way = opposite(unit.rotation) if behind else unit.rotation
    return abs(unit_deg) if way == "clockwise" else -abs(unit_deg)


def recut_step(dog: DriveDog, units: Sequence[Unit], shift_deg: float) -> Step:
    """Drill or cut one half of a drive anew, so that the unit is ``shift_deg`` earlier.

    ``figures`` to lay out: unit_deg, radius_mm, arc_mm, chord_mm, way, seen_from, half, others_deg
    (the places that are there besides the one in use, degrees clockwise of it), nearest_mm (from
    the new place to the nearest of all). ``enough`` is false where it is too near one of them. A
    new place in the unit's half lies behind the old one in its rotation to make it earlier, in the
    drive's half ahead of it. Raises InputError for a dog that may not be cut. Source: arc and
    chord of a circle.
    """
    if not dog.recut or dog.radius_mm <= 0.0:
        raise InputError(f"{dog.unit}: its drive may not be cut anew, or its radius is not stated")
    moved = members(units, dog.unit)
    unit = moved[0]
    unit_deg = couplings.shaft_deg(shift_deg, unit.turns_per_crank_turn)
    at_deg = clockwise_deg(dog, unit, unit_deg)
    way = "clockwise" if at_deg >= 0.0 else "anticlockwise"
    arc_mm = math.radians(abs(unit_deg)) * dog.radius_mm
    chord_mm = _chord_mm(dog, unit_deg)
    nearest_mm = min(_chord_mm(dog, at_deg - each) for each in places_deg(dog))
    others_deg = tuple(each for each in places_deg(dog) if each)
    words = (
        f"drive of {dog.unit}: lay out a new place in the {dog.recut}, {abs(unit_deg):.2f} "
        f"degrees {way} of the old one, seen from the unit's {unit.seen_from}, at a radius of "
        f"{dog.radius_mm:g} mm ({chord_mm:.2f} mm straight across, {arc_mm:.2f} mm round): "
        f"{earlier(shift_deg)}"
    )
    if others_deg:
        words += (
            f"; of the {many(len(others_deg) + 1, 'place')} on that half the nearest is "
            f"{nearest_mm:.2f} "
            "mm away"
        )
    return Step(
        means="recut",
        part=dog.unit,
        words=words,
        shift_deg=moved_by(moved, unit_deg),
        reversible=False,
        enough=nearest_mm >= dog.clear_mm - 1e-6,
        figures={
            "crank_deg": shift_deg,
            "unit_deg": unit_deg,
            "radius_mm": dog.radius_mm,
            "arc_mm": arc_mm,
            "chord_mm": chord_mm,
            "way": way,
            "seen_from": unit.seen_from,
            "half": dog.recut,
            "others_deg": others_deg,
            "nearest_mm": nearest_mm,
        },
        warnings=(
            "this cannot be undone: the drive must still carry its load, and the maker's manual "
            "or a licensed person decides whether it may be cut",
        ),
    )


def _chord_mm(dog: DriveDog, angle_deg: float) -> float:
    return 2.0 * dog.radius_mm * abs(math.sin(math.radians(angle_deg) / 2.0))
