"""What can be moved on an engine, kind by kind. To add an adjustment, write its kind here.

Each kind says once what it turns, how far it goes, what place it occupies or replaces, whether it
can be undone, and what to do in words. ``moves`` gives all of them to the search.

Degrees of a unit are crank degrees times its shaft's turns per crank turn. A unit's body or contact
plate turned against its shaft's rotation opens earlier. Directions are as seen from the end that
the unit names; for shafts of the gear train, from the end that the engine's rotation is for.
Source: geometry, unless a function says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from functools import partial
from typing import Any

import numpy as np

from rig.adjust.moves import Fitted, Move, Place, period_deg
from rig.adjust.plan import AdjustmentKind, Figure, Step
from rig.base.angles import modulo
from rig.base.earlier_rules import EarlierRule
from rig.base.errors import InputError
from rig.base.rounding import many, size
from rig.engine import gear_train
from rig.engine.profile import (
    Adjustments,
    Coupling,
    DriveDog,
    Gap,
    Leads,
    Lever,
    Planetary,
    Rotation,
    Slot,
    Stage,
    Train,
    Unit,
)
from rig.words.figures import coupling_move

READ_AGAIN = "read again after tightening: things move"
FINGER = "check the distributor finger afterwards: it has to point at the firing cylinder's lead"
MARKS = "the timing marks will no longer agree: make new ones and write it down"
NEUTRAL = (
    "the angle from magnetic neutral to opening becomes {change:+.1f} degrees of the unit's shaft: "
    "keep it within the maker's figure, or the spark weakens"
)
FILED = (
    "what is filed off cannot be put back: the flange must still be held, and the maker's manual "
    "or a licensed person decides whether it may be filed"
)
CUT = (
    "this cannot be undone: the drive must still carry its load, and the maker's manual or a "
    "licensed person decides whether it may be cut"
)

LEAST_FILED_MM = 0.01  # common practice, no source: nobody files by less


def opposite(rotation: Rotation) -> Rotation:
    return "anticlockwise" if rotation == "clockwise" else "clockwise"


def _step(
    kind: AdjustmentKind, part: str, do: str, comes_to: str, shift_deg: Mapping[str, float],
    figures: Mapping[str, Figure], *warnings: str, **more: Any,
) -> Step:  # fmt: skip
    words = f"{do}: {comes_to}"
    return Step(kind, part, words, shift_deg, do, figures=figures, warnings=warnings, **more)


def _moved_by(units: Sequence[Unit], shaft_deg: float) -> dict[str, float]:
    return {u.name: gear_train.crank_deg(shaft_deg, u.turns_per_crank_turn) for u in units}


def _of_shaft(unit: Unit, crank_deg: float) -> float:
    return gear_train.shaft_deg(crank_deg, unit.turns_per_crank_turn)


def _arc_mm(radius_mm: float, unit_deg: float) -> float:
    return math.radians(abs(unit_deg)) * radius_mm


def earlier(shift_deg: float, U_deg: float = math.inf) -> str:
    """ "3.08 crank degrees later", to the last place of ``U_deg``."""
    return f"{size(shift_deg, U_deg)} crank degrees {'earlier' if shift_deg >= 0 else 'later'}"


def _which_way(count: int, rotation: Rotation | None, seen_from: str) -> str:
    """Which way a shaft that turns in ``rotation`` is put; None: seen from no end."""
    way = "on in its own rotation" if count > 0 else "back against its own rotation"
    if rotation is None:
        return way
    return f"{way} ({rotation if count > 0 else opposite(rotation)}, seen from {seen_from})"


def _round_both_ways(positions: int) -> list[int]:
    """All positions on a circle but the present one, by the shorter way: 4 gives -1, 1, 2."""
    half = positions // 2
    return [k for k in range(half - positions + 1, half + 1) if k]


# -- the gear train: another tooth at a mesh --


def _trains(of: Fitted, train: Train) -> Iterator[Move]:
    shafts = list(dict.fromkeys(s for unit in of.units if (s := of.shaft(unit)) is not None))
    if not shafts:
        raise InputError("the gear train does not end at a unit, so that it corrects none")
    found = gear_train.mesh_positions(train, shafts)[1:]
    if not found:
        raise InputError("every mesh of the gear train has to obey its marks: it takes no other")
    shift_deg = np.zeros((len(found), len(of.units)))
    for column, unit in enumerate(of.units):
        if (shaft := of.shaft(unit)) is not None:
            shift_deg[:, column] = [p.shift_deg[shafts.index(shaft)] for p in found]

    def steps(i: int) -> tuple[Step, ...]:
        slips = zip(train.meshes, found[i].slips, strict=True)
        return tuple(mesh_step(of, mesh, teeth) for mesh, teeth in slips if teeth)

    cost = np.array([(np.count_nonzero(p.slips), p.teeth) for p in found], np.float64)
    yield Move(Place(AdjustmentKind.MESH), shift_deg, steps, cost)


def mesh_step(of: Fitted, mesh: Stage, teeth: int) -> Step:
    """Slip one mesh by ``teeth`` (positive: what is driven goes on in its own rotation).

    Raises InputError for a train that is wrong. Source: a tooth is 360/(driver's teeth x driver's
    speed) crank degrees.
    """
    train = of.train
    if train is None:
        raise InputError("the engine file names no gear train")
    tooth = float(gear_train.tooth_crank_deg(train, mesh))
    shift = teeth * tooth
    turns = gear_train.rotation(train, mesh.driven, of.engine.rotation)
    way = _which_way(teeth, turns, f"the engine's {of.engine.seen_from}")
    if isinstance(mesh, Planetary):
        do = f"put {mesh.driven} {abs(teeth)} of its {many(mesh.driven_teeth, 'place')} {way}"
        how = "take its planetary stage apart"
    else:
        do = f"put {mesh.driven} {many(abs(teeth), 'tooth', 'teeth')} {way}"
        driven = many(mesh.driven_teeth, "tooth", "teeth")
        how = f"take it ({driven}) out of mesh with {mesh.driver} ({mesh.driver_teeth})"
    return _step(
        AdjustmentKind.MESH, mesh.driven, do, f"{how}, the crank held; {earlier(shift)}",
        {u.name: shift for u in of.units if mesh in of.driven_by(u)},
        {"teeth": teeth, "tooth_crank_deg": tooth, "crank_deg": shift}, FINGER, MARKS,
    )  # fmt: skip


# -- a toothed coupling --


def _couplings(of: Fitted, coupling: Coupling) -> Iterator[Move]:
    speed = gear_train.shaft_speed(of.train, coupling.shaft, of.units)
    step = gear_train.Vernier(coupling.drive_teeth, coupling.unit_teeth, speed).step_crank_deg
    # Half a period may be a whole number of steps: it must not be lost to a rounded ratio.
    period = max(period_deg(u) for u in of.moved_with(coupling.shaft))
    most = int(period / 2.0 / float(step) + 1e-9)
    if counts := [k for k in range(-most, most + 1) if k]:
        yield of.positions(counts, partial(coupling_step, of, coupling))


def coupling_step(of: Fitted, coupling: Coupling, steps: int) -> Step:
    """Move a toothed coupling by ``steps`` of its smallest step (positive earlier).

    Raises InputError for an unknown shaft or no teeth. Source: ``rig.engine.gear_train``.
    """
    speed = gear_train.shaft_speed(of.train, coupling.shaft, of.units)
    move = gear_train.Vernier(coupling.drive_teeth, coupling.unit_teeth, speed).move(steps)
    shift = float(move.crank_deg)
    figures = {
        "steps": steps, "drive_teeth": move.drive_teeth, "unit_teeth": move.unit_teeth,
        "shaft_deg": float(move.shaft_deg), "crank_deg": shift,
    }  # fmt: skip
    return _step(
        AdjustmentKind.COUPLING, coupling.shaft,
        f"coupling of {coupling.shaft}: {coupling_move(coupling, move)}", earlier(shift),
        {u.name: shift for u in of.moved_with(coupling.shaft)}, figures,
        *([FINGER] if abs(shift) > 30.0 else []),
    )  # fmt: skip


# -- the dog of a drive: another of its slots, or a new place --


def _dogs(of: Fitted, dog: DriveDog) -> Iterator[Move]:
    if dog.slots > 1:
        yield of.positions(_round_both_ways(dog.slots), partial(dog_step, of, dog))


def dog_step(of: Fitted, dog: DriveDog, slots: int) -> Step:
    """Put a dog together ``slots`` of its slots on (positive: the unit's shaft on in its rotation).

    Source: equal slots divide the turn.
    """
    moved = of.body(dog.unit)
    unit, unit_deg = moved[0], 360.0 * slots / dog.slots
    shift = gear_train.crank_deg(unit_deg, unit.turns_per_crank_turn)
    do = (
        f"take the drive of {dog.unit} apart and put the unit's shaft {abs(slots)} of its "
        f"{dog.slots} slots {_which_way(slots, unit.rotation, f'its {unit.seen_from}')}"
    )
    return _step(
        AdjustmentKind.DOG, dog.unit, do, earlier(shift), _moved_by(moved, unit_deg),
        {"slots": slots, "unit_deg": unit_deg, "crank_deg": shift}, FINGER,
    )  # fmt: skip


def _recuts(of: Fitted, dog: DriveDog) -> Iterator[Move]:
    if not dog.recut:
        return
    unit = of.body(dog.unit)[0]
    way = clockwise_deg(dog, unit, 1.0)  # of a new place that makes it earlier
    for stretch in recut_room_deg(dog):
        low, high = sorted(
            gear_train.crank_deg(way * each, unit.turns_per_crank_turn) for each in stretch
        )
        yield of.range(
            partial(recut_step, of, dog), low, high, dislike=1e-4,
            replaces=frozenset({Place(AdjustmentKind.DOG, dog.unit)}),
        )  # fmt: skip


def recut_least_deg(dog: DriveDog) -> float:
    """Least angle of the unit's shaft between a place and a new one, degrees.

    Source: chord = 2 radius sin(angle/2).
    """
    return 2.0 * math.degrees(math.asin(dog.clear_mm / (2.0 * dog.radius_mm)))


def places_deg(dog: DriveDog) -> tuple[float, ...]:
    """All places on the half that may be cut: degrees clockwise of the one in use, from 0 up."""
    slots = (360.0 * k / dog.slots for k in range(dog.slots))
    return tuple(sorted({modulo(round(modulo(each), 9)) for each in (*slots, *dog.others_deg)}))


def recut_room_deg(dog: DriveDog) -> list[tuple[float, float]]:
    """Where a new place keeps clear of all that are there: stretches, degrees clockwise of the
    one in use, within -180 to 180. Raises InputError when there is no room.
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
    ``unit_deg``. Source: a place in the unit's half lies behind the old one in its rotation to make
    it earlier, in the drive's half ahead of it.
    """
    behind = (unit_deg >= 0) == (dog.recut == "unit half")
    way = opposite(unit.rotation) if behind else unit.rotation
    return abs(unit_deg) if way == "clockwise" else -abs(unit_deg)


def recut_step(of: Fitted, dog: DriveDog, shift_deg: float) -> Step:
    """Drill or cut one half of a drive again, so that the unit is ``shift_deg`` earlier.

    ``figures`` to lay out: ``others_deg`` are the places that are there besides the one in use,
    degrees clockwise of it; ``nearest_mm`` is from the new place to the nearest of all. Source: arc
    and chord of a circle.
    """
    moved = of.body(dog.unit)
    unit, U_deg, radius_mm = moved[0], of.finest(moved), dog.radius_mm
    unit_deg, U_unit_deg = _of_shaft(unit, shift_deg), _of_shaft(unit, U_deg)
    at_deg = clockwise_deg(dog, unit, unit_deg)
    way = "clockwise" if at_deg >= 0.0 else "anticlockwise"

    def chord_mm(angle_deg: float) -> float:
        return 2.0 * radius_mm * abs(math.sin(math.radians(angle_deg) / 2.0))

    def mm(length_mm: float) -> str:
        return size(length_mm, _arc_mm(radius_mm, U_unit_deg))

    arc_mm = _arc_mm(radius_mm, unit_deg)
    nearest_mm = min(chord_mm(at_deg - each) for each in places_deg(dog))
    others_deg = tuple(each for each in places_deg(dog) if each)
    comes_to = (
        f"at a radius of {radius_mm:g} mm ({mm(chord_mm(unit_deg))} mm straight across, "
        f"{mm(arc_mm)} mm round), {earlier(shift_deg, U_deg)}"
    )
    if others_deg:
        places = many(len(others_deg) + 1, "place")
        comes_to += f"; of the {places} on that half the nearest is {nearest_mm:.2f} mm away"
    return _step(
        AdjustmentKind.RECUT, dog.unit,
        f"drive of {dog.unit}: lay out a new place in the {dog.recut}, "
        f"{size(unit_deg, U_unit_deg)} degrees {way} of the old one, seen from the unit's "
        f"{unit.seen_from}",
        comes_to, _moved_by(moved, unit_deg),
        {
            "crank_deg": shift_deg, "unit_deg": unit_deg, "radius_mm": radius_mm,
            "arc_mm": arc_mm, "chord_mm": chord_mm(unit_deg), "way": way,
            "seen_from": unit.seen_from, "half": dog.recut, "others_deg": others_deg,
            "nearest_mm": nearest_mm,
        },
        CUT, reversible=False,
    )  # fmt: skip


# -- the slots of a flange or a contact plate: as they are, or filed longer --


def slot_units(of: Fitted, slot: Slot) -> list[Unit]:
    """The units that a slot moves: one for a contact plate, the whole body else."""
    return of.body(slot.unit) if slot.part == "body" else [of.unit(slot.unit)]


def slot_range_deg(slot: Slot, unit: Unit) -> tuple[float, float]:
    """Latest and earliest shift (crank degrees) that the slot has room for, from its present place.

    Source: arc = radius x angle.
    """
    clockwise, anticlockwise = (
        _crank_deg(slot, unit, room_mm) for room_mm in (slot.clockwise_mm, slot.anticlockwise_mm)
    )
    if unit.rotation == "clockwise":
        return -clockwise, anticlockwise
    return -anticlockwise, clockwise


def _crank_deg(slot: Slot, unit: Unit, arc_mm: float) -> float:
    return gear_train.crank_deg(math.degrees(arc_mm / slot.radius_mm), unit.turns_per_crank_turn)


def _slots(of: Fitted, slot: Slot) -> Iterator[Move]:
    room = slot_range_deg(slot, slot_units(of, slot)[0])
    yield of.range(partial(slot_step, of, slot), *room, slot.part)


def _filed_slots(of: Fitted, slot: Slot) -> Iterator[Move]:
    unit = slot_units(of, slot)[0]
    latest, earliest = slot_range_deg(slot, unit)
    more = _crank_deg(slot, unit, slot.file_mm)
    unfiled = Place(slot_step(of, slot, 0.0).kind, slot.unit, slot.part)
    for low, high in ((latest - more, latest), (earliest, earliest + more)) if more > 0.0 else ():
        yield of.range(
            partial(slot_step, of, slot, filed=True), low, high, slot.part, dislike=1e-4,
            replaces=frozenset({unfiled}), idle=_crank_deg(slot, unit, LEAST_FILED_MM),
        )  # fmt: skip


def slot_step(of: Fitted, slot: Slot, shift_deg: float, *, filed: bool = False) -> Step:
    """Turn a body or contact plate in its slots by ``shift_deg``, filed longer first or not.

    Source: arc = radius x angle.
    """
    moved = slot_units(of, slot)
    unit, U_deg = moved[0], of.finest(moved)
    unit_deg, U_unit_deg = _of_shaft(unit, shift_deg), _of_shaft(unit, U_deg)
    arc_mm = _arc_mm(slot.radius_mm, unit_deg)
    U_mm = _arc_mm(slot.radius_mm, U_unit_deg)
    way = opposite(unit.rotation) if shift_deg >= 0 else unit.rotation
    room_mm = slot.clockwise_mm if way == "clockwise" else slot.anticlockwise_mm
    kind, turned, warnings = AdjustmentKind.SLOT, slot.unit, [READ_AGAIN]
    if slot.part == "contact plate":
        kind, turned = AdjustmentKind.PLATE, f"the contact plate of {slot.unit}"
        warnings.append(NEUTRAL.format(change=-unit_deg))
    along, ends = f"{size(arc_mm, U_mm)} mm", f"{way}, seen from its {unit.seen_from}"
    do = f"turn {turned} {along} along its slot {ends}"
    comes_to = (
        f"{size(unit_deg, U_unit_deg)} degrees of the unit at a radius of {slot.radius_mm:g} mm, "
        f"{earlier(shift_deg, U_deg)}"
    )
    figures: dict[str, Figure] = {
        "crank_deg": shift_deg, "unit_deg": unit_deg, "slot_mm": arc_mm, "room_mm": room_mm,
        "way": way, "seen_from": unit.seen_from,
    }  # fmt: skip
    if filed:
        kind, warnings = AdjustmentKind.FILE, [FILED, *warnings]
        figures["longer_mm"] = longer_mm = max(0.0, arc_mm - room_mm)
        longer = f"{size(longer_mm, U_mm)} mm longer"
        do = f"file each slot of {slot.unit} {longer}, then turn {turned} {along} {ends}"
        comes_to = f"file where the slot stops it from turning {way}; {comes_to}"
    shifts = _moved_by(moved, unit_deg)
    return _step(kind, slot.unit, do, comes_to, shifts, figures, *warnings, reversible=not filed)


# -- the contact gap --


def gap_rate(gap: Gap) -> tuple[float, float]:
    """Crank degrees earlier for a millimetre more of gap, and standard uncertainty.

    From readings on the unit itself: a straight line by least squares. Raises InputError for fewer
    than two readings, readings at one gap, a rate that is not known to a third, or one that has the
    opening later as the gap widens, which no cam does.
    """
    width = np.array([r.gap_mm for r in gap.readings])
    if len(width) < 2 or np.ptp(width) < 0.01:
        raise InputError(
            f"{gap.unit}: what its gap does is not known; read it with two different gaps within "
            "the limits (its rate is never assumed)"
        )
    btdc, u_btdc = np.array([(r.btdc_deg, r.u_deg) for r in gap.readings]).T
    weight = u_btdc**-2.0  # by hand and not by polyfit, whose last digits differ from saved sheets
    off = width - np.average(width, weights=weight)
    scale = float(np.sum(weight * off * off))
    rate, u = float(np.sum(weight * off * btdc)) / scale, scale**-0.5
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
    return rate, u


def _gaps(of: Fitted, gap: Gap) -> Iterator[Move]:
    rate, _ = gap_rate(gap)
    beyond_mm = max(gap.least_mm - gap.now_mm, gap.now_mm - gap.most_mm)
    if beyond_mm > 1e-6 and EarlierRule.GAP_BEYOND_LIMITS not in of.rules:
        raise InputError(
            f"{gap.unit}: its contact gap of {gap.now_mm:.2f} mm is not within {gap.least_mm:.2f}"
            f" to {gap.most_mm:.2f} mm: set it within them, then read again"
        )
    low = min(0.0, rate * (gap.least_mm - gap.now_mm))
    high = max(0.0, rate * (gap.most_mm - gap.now_mm))
    yield of.range(partial(gap_step, of, gap), low, high)


def gap_step(of: Fitted, gap: Gap, shift_deg: float) -> Step:
    """Change the contact gap so that the unit opens ``shift_deg`` earlier.

    Raises InputError as ``gap_rate``. Source: the rate measured on this unit.
    """
    (rate, u_rate), unit = gap_rate(gap), of.unit(gap.unit)
    to_mm = gap.now_mm + shift_deg / rate
    u_shift_deg = abs(to_mm - gap.now_mm) * u_rate
    how_far = earlier(shift_deg, of.finest([unit]))
    neutral = NEUTRAL.format(change=-_of_shaft(unit, shift_deg))
    return _step(
        AdjustmentKind.GAP, gap.unit,
        f"set the contact gap of {gap.unit} from {gap.now_mm:.2f} to {to_mm:.2f} mm",
        f"{how_far}, at {size(rate, 2.0 * u_rate)} degrees a millimetre as read on it",
        {gap.unit: shift_deg},
        {
            "crank_deg": shift_deg, "from_mm": gap.now_mm, "gap_mm": to_mm, "deg_per_mm": rate,
            "u_shift_deg": u_shift_deg,
        },
        neutral, "write the new gap down with its limits", u_shift_deg=u_shift_deg,
    )  # fmt: skip


# -- the high-tension leads, so that another lobe serves --


def _leads(of: Fitted, leads: Leads) -> Iterator[Move]:
    unit = of.unit(leads.unit)
    if any(setting.per_cylinder for setting in unit.settings):
        raise InputError(
            f"{unit.name}: its lobes are meant to differ, so that no other lobe can take over and "
            "its leads stay where they are"
        )
    if unit.lobes < 2:
        raise InputError(f"{unit.name}: one lobe only, so that moving its leads changes nothing")
    yield of.positions(_round_both_ways(unit.lobes), partial(leads_step, of, leads))


def leads_step(of: Fitted, leads: Leads, towers: int) -> Step:
    """Move all high-tension leads of a unit round its distributor, so that another lobe serves.

    ``towers`` positive makes the unit earlier by as many lobes. Source: lobes divide the turn.
    """
    unit = of.unit(leads.unit)
    shift = towers * float(Fraction(360, unit.lobes) / unit.turns_per_crank_turn)
    do = (
        f"move every high-tension lead of {leads.unit} {many(abs(towers), 'tower')} "
        f"{'against' if towers > 0 else 'in'} the rotation of its distributor finger"
    )
    return _step(
        AdjustmentKind.LEADS, leads.unit, do, f"another lobe then serves, {earlier(shift)}",
        {leads.unit: shift}, {"towers": towers, "crank_deg": shift}, FINGER,
    )  # fmt: skip


# -- the advance lever --


def _levers(of: Fitted, lever: Lever) -> Iterator[Move]:
    if lever.unit not in of.ends or lever.unit not in of.read_btdc:
        raise InputError(
            f"{lever.unit}: read it at both ends of its lever before its place is worked out"
        )
    if lever.unit in of.at_places:
        raise InputError(
            f"{lever.unit}: it has windows at more than one place of its lever, so that setting the"
            " lever corrects nothing"
        )
    end, now = of.ends[lever.unit], of.read_btdc[lever.unit]
    yield of.range(
        partial(lever_step, of, lever), end.retard_btdc - now, end.advance_btdc - now,
        prefer=(end.retard_btdc + end.advance_btdc) / 2.0 - now, dislike=1e-3,
    )  # fmt: skip


def lever_step(of: Fitted, lever: Lever, shift_deg: float) -> Step:
    """Set the lever so that the unit opens ``shift_deg`` earlier than it was read.

    ``figures``: place (0 full retard, 1 full advance). Source: the readings at both ends.
    """
    ends = of.ends[lever.unit]
    place = (of.read_btdc[lever.unit] + shift_deg - ends.retard_btdc) / ends.span_deg
    return _step(
        AdjustmentKind.LEVER, lever.unit,
        f"set the lever of {lever.unit} {100.0 * place:.0f} per cent of its range up from full "
        "retard",
        earlier(shift_deg, of.finest([of.unit(lever.unit)])),
        {lever.unit: shift_deg}, {"place": place, "crank_deg": shift_deg},
    )  # fmt: skip


# -- all of them --

MOVES_OF: tuple[
    tuple[Callable[[Adjustments], Iterable[Any]], Callable[[Fitted, Any], Iterator[Move]]], ...
] = (
    (lambda entered: filter(None, [entered.train]), _trains),
    (lambda entered: entered.couplings, _couplings),
    (lambda entered: entered.dogs, _dogs),
    (lambda entered: entered.dogs, _recuts),
    (lambda entered: entered.slots, _slots),
    (lambda entered: entered.slots, _filed_slots),
    (lambda entered: entered.gaps, _gaps),
    (lambda entered: entered.leads, _leads),
    (lambda entered: entered.levers, _levers),
)
"""Where the engine file has each kind, and how it moves; in the order in which things are done."""


def moves(of: Fitted, entered: Adjustments) -> tuple[list[Move], list[str]]:
    """Every adjustment that can be used, in the order in which it is done, and why others cannot.

    Raises InputError for a train that is wrong.
    """
    found: list[Move] = []
    notes: list[str] = []
    for listed, moves_of in MOVES_OF:
        for item in listed(entered):
            try:
                found.extend(moves_of(of, item))
            except InputError as error:
                notes.append(str(error))
    notes += [
        f"{dog.unit}: a new place in its {dog.recut} may break into one that is there: enter"
        " clear_mm, how far apart their centres have to be at least"
        for dog in entered.dogs
        if dog.recut and dog.clear_mm <= (dog.width_mm or 0.0)
    ]
    if entered.train is not None:
        for shaft in filter(None, map(of.shaft, of.units)):
            notes += gear_train.idler_notes(entered.train, shaft)
    return found, list(dict.fromkeys(notes))
