"""One adjustment: how far, which way.

One means at a time, on the unit itself: what to do, which way, how far, with what.

Directions are as seen from the end that the unit (or the engine, for shafts of its train) names.
Turning a unit's body, or its contact plate, against its shaft's rotation makes it earlier.
Shifts are crank degrees, positive earlier; unit degrees are crank degrees times the shaft's turns
per crank turn. Source: geometry, unless a function says otherwise.

One means at a time, in the drive: meshes, toothed couplings, dogs, new holes.

As ``rig.adjust.steps``, which has the means on the unit itself. Directions on shafts of
the train are as seen from the end of the engine that its rotation is stated for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from rig.adjust.plan import Step
from rig.base.angles import modulo
from rig.base.errors import InputError
from rig.base.rounding import many, size
from rig.engine import gear_train
from rig.engine.gear_train import Rotation, shaft_speed
from rig.engine.profile import (
    Coupling,
    DriveDog,
    Engine,
    Gap,
    Leads,
    Lever,
    Planetary,
    Slot,
    Stage,
    Train,
    Unit,
    members,
)
from rig.timing.advance_range import LeverEnds

FINGER = "check the distributor finger afterwards: it has to point at the firing cylinder's lead"
NEUTRAL = (
    "the angle from magnetic neutral to opening becomes {change:+.1f} degrees of the unit's shaft: "
    "keep it within the maker's figure, or the spark weakens"
)


@dataclass(frozen=True, slots=True)
class GapRate:
    """Crank degrees earlier for a millimetre more of contact gap, and standard uncertainty."""

    deg_per_mm: float
    u_deg_per_mm: float


def opposite(rotation: Rotation) -> Rotation:
    """The other way round. Source: definition."""
    return "anticlockwise" if rotation == "clockwise" else "clockwise"


def moved_by(units: Sequence[Unit], shaft_deg: float) -> Mapping[str, float]:
    """Crank degrees by which each unit moves when their shaft does by ``shaft_deg``."""
    return {u.name: gear_train.crank_deg(shaft_deg, u.turns_per_crank_turn) for u in units}


def earlier(shift_deg: float, U_deg: float | None = None) -> str:
    """ "3.08 crank degrees later", to the last place of ``U_deg``."""
    return f"{size(shift_deg, U_deg)} crank degrees {'earlier' if shift_deg >= 0 else 'later'}"


@dataclass(frozen=True, slots=True)
class _Sizes:
    """The uncertainty of a correction, crank degrees, as degrees of the unit and millimetres."""

    U_deg: float | None
    turns: Fraction
    radius_mm: float = 0.0

    @property
    def unit_deg(self) -> float | None:
        return None if self.U_deg is None else gear_train.shaft_deg(self.U_deg, self.turns)

    @property
    def mm(self) -> float | None:
        return None if self.unit_deg is None else math.radians(self.unit_deg) * self.radius_mm


def slot_units(slot: Slot, units: Sequence[Unit]) -> list[Unit]:
    """The units that a slot moves: one for a contact plate, the whole body else.

    Raises InputError for an unknown name. Source: definition of the slot.
    """
    if slot.part == "body":
        return members(units, slot.unit)
    return [u for u in members(units, slot.unit) if u.name == slot.unit]


def slot_range_deg(slot: Slot, unit: Unit) -> tuple[float, float]:
    """Latest and earliest shift (crank degrees) that the slot has room for, from where it stands.

    Raises InputError for a radius of zero. Source: arc = radius x angle.
    """
    if slot.radius_mm <= 0.0:
        raise InputError(f"{slot.unit}: state the radius at which its slot lies, above 0 mm")
    ratio = unit.turns_per_crank_turn
    room = {
        "clockwise": gear_train.crank_deg(math.degrees(slot.clockwise_mm / slot.radius_mm), ratio),
        "anticlockwise": gear_train.crank_deg(
            math.degrees(slot.anticlockwise_mm / slot.radius_mm), ratio
        ),
    }
    return -room[unit.rotation], room[opposite(unit.rotation)]


def _turned(slot: Slot) -> str:
    return slot.unit if slot.part == "body" else f"the contact plate of {slot.unit}"


def slot_step(
    slot: Slot, units: Sequence[Unit], shift_deg: float, U_deg: float | None = None
) -> Step:
    """Turn a body or contact plate in its slots by ``shift_deg``; ``U_deg`` gives the digits.

    ``figures``: crank_deg, unit_deg, slot_mm, room_mm. ``enough`` is false when the slot is too
    short, and ``words`` then say by how much. Raises InputError as ``slot_range_deg``. Source:
    arc = radius x angle.
    """
    moved = slot_units(slot, units)
    unit = moved[0]
    latest, earliest = slot_range_deg(slot, unit)
    unit_deg = gear_train.shaft_deg(shift_deg, unit.turns_per_crank_turn)
    way = opposite(unit.rotation) if shift_deg >= 0 else unit.rotation
    room_mm = slot.clockwise_mm if way == "clockwise" else slot.anticlockwise_mm
    slot_mm = math.radians(abs(unit_deg)) * slot.radius_mm
    enough = slot_mm <= room_mm + 1e-6
    U = _Sizes(U_deg, unit.turns_per_crank_turn, slot.radius_mm)
    do = (
        f"turn {_turned(slot)} {size(slot_mm, U.mm)} mm along its slot {way}, seen from its "
        f"{unit.seen_from}"
    )
    words = (
        f"{do}: {size(unit_deg, U.unit_deg)} degrees of the unit at a radius of "
        f"{slot.radius_mm:g} mm, {earlier(shift_deg, U_deg)}"
    )
    if not enough:
        limit = earliest if shift_deg >= 0 else -latest
        words += (
            f"; the slot is {size(slot_mm - room_mm, U.mm)} mm too short, it allows "
            f"{room_mm:.2f} mm, which is {limit:.2f} crank degrees"
        )
    warnings: tuple[str, ...] = ("read again after tightening: things move",)
    if slot.part == "contact plate":
        warnings += (NEUTRAL.format(change=-unit_deg),)
    return Step(
        means="slot" if slot.part == "body" else "contact plate",
        part=slot.unit,
        do=do,
        words=words,
        shift_deg=moved_by(moved, unit_deg),
        enough=enough,
        figures={
            "crank_deg": shift_deg,
            "unit_deg": unit_deg,
            "slot_mm": slot_mm,
            "room_mm": room_mm,
            "way": way,
            "seen_from": unit.seen_from,
        },
        warnings=warnings,
    )


def file_range_deg(slot: Slot, unit: Unit) -> tuple[tuple[float, float], tuple[float, float]]:
    """The shifts (crank degrees) that filing the slot brings within reach: later, and earlier.

    Raises InputError as ``slot_range_deg``. Source: arc = radius x angle.
    """
    latest, earliest = slot_range_deg(slot, unit)
    more = gear_train.crank_deg(
        math.degrees(slot.file_mm / slot.radius_mm), unit.turns_per_crank_turn
    )
    return (latest - more, latest), (earliest, earliest + more)


def file_step(
    slot: Slot, units: Sequence[Unit], shift_deg: float, U_deg: float | None = None
) -> Step:
    """File a slot longer and turn the body or contact plate in it by ``shift_deg``.

    ``figures``: those of ``slot_step``, and longer_mm, by how much the slot has to be longer.
    Raises InputError as ``slot_range_deg``. Source: arc = radius x angle.
    """
    step = slot_step(slot, units, shift_deg, U_deg)
    unit = slot_units(slot, units)[0]
    unit_deg = gear_train.shaft_deg(abs(shift_deg), unit.turns_per_crank_turn)
    way = opposite(unit.rotation) if shift_deg >= 0 else unit.rotation
    room_mm = slot.clockwise_mm if way == "clockwise" else slot.anticlockwise_mm
    slot_mm = math.radians(unit_deg) * slot.radius_mm
    longer_mm = max(0.0, slot_mm - room_mm)
    U = _Sizes(U_deg, unit.turns_per_crank_turn, slot.radius_mm)
    do = (
        f"file each slot of {slot.unit} {size(longer_mm, U.mm)} mm longer, then turn "
        f"{_turned(slot)} {size(slot_mm, U.mm)} mm {way}, seen from its {unit.seen_from}"
    )
    return replace(
        step,
        means="file",
        do=do,
        words=(
            f"{do}: file where the slot stops it from turning {way}; "
            f"{size(unit_deg, U.unit_deg)} degrees of the unit at a radius of "
            f"{slot.radius_mm:g} mm, {earlier(shift_deg, U_deg)}"
        ),
        reversible=False,
        enough=longer_mm <= slot.file_mm + 1e-6,
        figures={**step.figures, "longer_mm": longer_mm},
        warnings=(
            "what is filed off cannot be put back: the flange must still be held, and the maker's "
            "manual or a licensed person decides whether it may be filed",
            *step.warnings,
        ),
    )


def gap_rate(gap: Gap) -> GapRate:
    """Crank degrees earlier for a millimetre more of gap, from readings on the unit itself.

    A straight line by least squares. Raises InputError for fewer than two readings, readings at
    one gap, a rate that is not known to a third, or one that has the opening later as the gap
    widens. Source: measured; that contacts open earlier with a wider gap follows from the cam.
    """
    width = np.array([r.gap_mm for r in gap.readings])
    if len(width) < 2 or np.ptp(width) < 0.01:
        raise InputError(
            f"{gap.unit}: what its gap does is not known; read it with two different gaps within "
            "the limits (its rate is never assumed)"
        )
    weight = np.array([r.u_deg for r in gap.readings]) ** -2.0
    middle = np.average(width, weights=weight)
    spread = weight * (width - middle)
    scale = float(np.sum(spread * (width - middle)))
    rate = float(np.sum(spread * np.array([r.btdc_deg for r in gap.readings]))) / scale
    u = scale**-0.5
    if rate <= -2.0 * u:
        raise InputError(
            f"{gap.unit}: its readings say that it opens later as the gap widens, which no cam "
            "does; check them"
        )
    if rate < 3.0 * u:
        raise InputError(
            f"{gap.unit}: the rate of its gap, {rate:.1f} degrees a millimetre, is not known well "
            "enough; read it with gaps further apart, or more often"
        )
    return GapRate(rate, u)


def gap_range_deg(gap: Gap) -> tuple[float, float]:
    """Latest and earliest shift (crank degrees) within the limits of the gap.

    Raises InputError as ``gap_rate``. Source: the measured rate.
    """
    rate = gap_rate(gap).deg_per_mm
    return min(0.0, rate * (gap.least_mm - gap.now_mm)), max(0.0, rate * (gap.most_mm - gap.now_mm))


def gap_step(gap: Gap, units: Sequence[Unit], shift_deg: float, U_deg: float | None = None) -> Step:
    """Change the contact gap so that the unit opens ``shift_deg`` earlier.

    ``figures``: crank_deg, gap_mm, deg_per_mm, u_shift_deg. Raises InputError as ``gap_rate``.
    Source: the rate measured on this unit.
    """
    rate = gap_rate(gap)
    unit = next(u for u in members(units, gap.unit) if u.name == gap.unit)
    to_mm = gap.now_mm + shift_deg / rate.deg_per_mm
    enough = gap.least_mm - 1e-9 <= to_mm <= gap.most_mm + 1e-9
    unit_deg = gear_train.shaft_deg(shift_deg, unit.turns_per_crank_turn)
    do = f"set the contact gap of {gap.unit} from {gap.now_mm:.2f} to {to_mm:.2f} mm"
    words = (
        f"{do}: {earlier(shift_deg, U_deg)}, at "
        f"{size(rate.deg_per_mm, 2.0 * rate.u_deg_per_mm)} degrees a millimetre as read on it"
    )
    if not enough:
        words += f"; its limits are {gap.least_mm:.2f} to {gap.most_mm:.2f} mm"
    return Step(
        means="gap",
        part=gap.unit,
        do=do,
        words=words,
        shift_deg={gap.unit: shift_deg},
        enough=enough,
        u_shift_deg=abs(to_mm - gap.now_mm) * rate.u_deg_per_mm,
        figures={
            "crank_deg": shift_deg,
            "gap_mm": to_mm,
            "deg_per_mm": rate.deg_per_mm,
            "u_shift_deg": abs(to_mm - gap.now_mm) * rate.u_deg_per_mm,
        },
        warnings=(NEUTRAL.format(change=-unit_deg), "write the new gap down with its limits"),
    )


def leads_step(leads: Leads, towers: int, units: Sequence[Unit]) -> Step:
    """Move all high-tension leads of a unit round its distributor, so that another lobe serves.

    ``towers`` positive makes the unit earlier by as many lobes. Source: lobes divide the turn.
    """
    unit = next(u for u in members(units, leads.unit) if u.name == leads.unit)
    shift = lobe_period_deg(unit) * towers
    way = "against" if towers > 0 else "in"
    word = "tower" if abs(towers) == 1 else "towers"
    do = (
        f"move every high-tension lead of {leads.unit} {abs(towers)} {word} {way} the rotation of "
        "its distributor finger"
    )
    return Step(
        means="leads",
        part=leads.unit,
        do=do,
        words=f"{do}: another lobe then serves, {earlier(shift)}",
        shift_deg={leads.unit: shift},
        figures={"towers": towers, "crank_deg": shift},
        warnings=(FINGER,),
    )


def lobe_period_deg(unit: Unit) -> float:
    """Crank degrees from one lobe of a unit to the next. Source: lobes divide the turn."""
    return float(Fraction(360, unit.lobes) / unit.turns_per_crank_turn)


def lever_step(
    lever: Lever, ends: LeverEnds, btdc_deg: float, shift_deg: float, U_deg: float | None = None
) -> Step:
    """Set the lever so that the unit opens at ``btdc_deg`` as the ends were read.

    ``figures``: place (0 full retard, 1 full advance). Source: the readings at both ends.
    """
    place = (btdc_deg - ends.retard_btdc) / (ends.advance_btdc - ends.retard_btdc)
    do = (
        f"set the lever of {lever.unit} {100.0 * place:.0f} per cent of its range up from full "
        "retard"
    )
    return Step(
        means="lever",
        part=lever.unit,
        do=do,
        words=f"{do}: {earlier(shift_deg, U_deg)}",
        shift_deg={lever.unit: shift_deg},
        figures={"place": place, "crank_deg": shift_deg},
    )


MARKS = "the timing marks will no longer agree: make new ones and write it down"


def shaft_for(unit: Unit, units: Sequence[Unit], train: Train | None) -> str | None:
    """The shaft of the train that a unit stands on, also when only its body's mate is named.

    None when the train does not drive it. Source: units in one body share their shaft.
    """
    own = [gear_train.shaft_of(mate, train) for mate in (unit, *members(units, unit.name))]
    return next((shaft for shaft in own if shaft is not None), None)


def _behind(unit: Unit, units: Sequence[Unit], train: Train | None) -> tuple[Stage, ...]:
    """The meshes from the crank to a unit; none when the train does not drive it."""
    shaft = shaft_for(unit, units, train)
    return () if train is None or shaft is None else gear_train.path(train, shaft)


@dataclass(frozen=True, slots=True)
class MeshTo:
    """A mesh on the way to a unit: what a tooth of it is worth, and the shaft that it drives."""

    name: str
    tooth_deg: float  # crank degrees
    driven: str
    driven_turns: float  # per crank turn


def meshes_to(train: Train, unit: Unit, units: Sequence[Unit]) -> list[MeshTo]:
    """The meshes from the crank to a unit; none when the train does not drive it.

    Source: ``rig.engine.gear_train``.
    """
    return [
        MeshTo(
            f"{mesh.driver} to {mesh.driven}",
            float(gear_train.tooth_crank_deg(train, mesh)),
            mesh.driven,
            float(gear_train.speed(train, mesh.driven)),
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
    tooth = float(gear_train.tooth_crank_deg(train, mesh))
    shift = teeth * tooth
    turns = gear_train.rotation(train, mesh.driven, engine.rotation)
    way = "on in its own rotation" if teeth > 0 else "back against its own rotation"
    if turns is not None:
        seen = turns if teeth > 0 else opposite(turns)
        way += f" ({seen}, seen from the engine's {engine.seen_from})"
    count = many(abs(teeth), "tooth", "teeth")
    moved = [u for u in units if mesh in _behind(u, units, train)]
    if isinstance(mesh, Planetary):
        do = f"put {mesh.driven} {abs(teeth)} of its {many(mesh.driven_teeth, 'place')} {way}"
        how = f"take its planetary stage apart, the crank held; {earlier(shift)}"
    else:
        do = f"put {mesh.driven} {count} {way}"
        how = (
            f"take it ({many(mesh.driven_teeth, 'tooth', 'teeth')}) out of mesh with "
            f"{mesh.driver} ({mesh.driver_teeth}), the crank held; {earlier(shift)}"
        )
    return Step(
        means="mesh",
        part=mesh.driven,
        do=do,
        words=f"{do}: {how}",
        shift_deg={u.name: shift for u in moved},
        figures={"teeth": teeth, "tooth_crank_deg": tooth, "crank_deg": shift},
        warnings=(FINGER, MARKS),
    )


def coupling_step(
    coupling: Coupling, steps: int, units: Sequence[Unit], train: Train | None = None
) -> Step:
    """Move a toothed coupling by ``steps`` of its smallest step (positive earlier).

    ``figures``: steps, drive_teeth, unit_teeth, shaft_deg, crank_deg. Raises InputError for an
    unknown shaft or no teeth. Source: as ``rig.engine.gear_train``.
    """
    speed = shaft_speed(train, coupling.shaft, units)
    move = gear_train.move(coupling.drive_teeth, coupling.unit_teeth, steps, speed)
    shift = float(move.crank_deg)
    first = _teeth_way(move.drive_teeth)
    second = _teeth_way(-move.unit_teeth)
    do = (
        f"coupling of {coupling.shaft}: put its middle piece {first} in the "
        f"{many(coupling.drive_teeth, 'tooth', 'teeth')} of the drive, and the "
        f"unit's half {second} in the "
        f"{many(coupling.unit_teeth, 'tooth', 'teeth')} of the middle piece"
    )
    return Step(
        means="coupling",
        part=coupling.shaft,
        do=do,
        words=f"{do}: {earlier(shift)}",
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
    shift = gear_train.crank_deg(unit_deg, moved[0].turns_per_crank_turn)
    way = "on in its own rotation" if slots > 0 else "back against its own rotation"
    seen = moved[0].rotation if slots > 0 else opposite(moved[0].rotation)
    do = (
        f"take the drive of {dog.unit} apart and put the unit's shaft {abs(slots)} of its "
        f"{dog.slots} slots {way} ({seen}, seen from its {moved[0].seen_from})"
    )
    return Step(
        means="dog",
        part=dog.unit,
        do=do,
        words=f"{do}: {earlier(shift)}",
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
    return tuple(sorted({modulo(round(modulo(each), 9)) for each in (*slots, *dog.others_deg)}))


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


def recut_step(
    dog: DriveDog, units: Sequence[Unit], shift_deg: float, U_deg: float | None = None
) -> Step:
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
    unit_deg = gear_train.shaft_deg(shift_deg, unit.turns_per_crank_turn)
    at_deg = clockwise_deg(dog, unit, unit_deg)
    way = "clockwise" if at_deg >= 0.0 else "anticlockwise"
    arc_mm = math.radians(abs(unit_deg)) * dog.radius_mm
    chord_mm = _chord_mm(dog, unit_deg)
    nearest_mm = min(_chord_mm(dog, at_deg - each) for each in places_deg(dog))
    others_deg = tuple(each for each in places_deg(dog) if each)
    U = _Sizes(U_deg, unit.turns_per_crank_turn, dog.radius_mm)
    do = (
        f"drive of {dog.unit}: lay out a new place in the {dog.recut}, "
        f"{size(unit_deg, U.unit_deg)} degrees {way} of the old one, seen from the unit's "
        f"{unit.seen_from}"
    )
    words = (
        f"{do}: at a radius of {dog.radius_mm:g} mm ({size(chord_mm, U.mm)} mm straight across, "
        f"{size(arc_mm, U.mm)} mm round), {earlier(shift_deg, U_deg)}"
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
        do=do,
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
