"""One means at a time, on the unit itself: what to do, which way, how far, with what.

Directions are as seen from the end that the unit (or the engine, for shafts of its train) names.
Turning a unit's body, or its contact plate, against its shaft's rotation makes it earlier.
Shifts are crank degrees, positive earlier; unit degrees are crank degrees times the shaft's turns
per crank turn. Source: geometry, unless a function says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from rig.engine import couplings
from rig.engine.gears import Rotation
from rig.engine.means import Gap, Leads, Lever, Slot
from rig.engine.profile import Unit
from rig.faults import InputError
from rig.timing.correction.plan import LeverEnds, Step

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


def members(units: Sequence[Unit], owner: str) -> list[Unit]:
    """The units that go by a name: the unit of that name, or all in the body of that name.

    A unit that shares a body stands for the whole body. Raises InputError for an unknown name.
    Source: units in one body move together.
    """
    found = [u for u in units if owner in (u.name, u.body)]
    if not found:
        known = ", ".join(u.name for u in units)
        raise InputError(f"no unit or body is called {owner}: the engine file names {known}")
    bodies = {u.body for u in found if u.body}
    return [u for u in units if u in found or u.body in bodies]


def moved_by(units: Sequence[Unit], shaft_deg: float) -> Mapping[str, float]:
    """Crank degrees by which each unit moves when their shaft does by ``shaft_deg``."""
    return {u.name: couplings.crank_deg(shaft_deg, u.turns_per_crank_turn) for u in units}


def earlier(shift_deg: float) -> str:
    return f"{abs(shift_deg):.2f} crank degrees {'earlier' if shift_deg >= 0 else 'later'}"


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
        "clockwise": couplings.crank_deg(math.degrees(slot.clockwise_mm / slot.radius_mm), ratio),
        "anticlockwise": couplings.crank_deg(
            math.degrees(slot.anticlockwise_mm / slot.radius_mm), ratio
        ),
    }
    return -room[unit.rotation], room[opposite(unit.rotation)]


def slot_step(slot: Slot, units: Sequence[Unit], shift_deg: float) -> Step:
    """Turn a body or contact plate in its slots by ``shift_deg``.

    ``figures``: crank_deg, unit_deg, slot_mm, room_mm. ``enough`` is false when the slot is too
    short, and ``words`` then say by how much. Raises InputError as ``slot_range_deg``. Source:
    arc = radius x angle.
    """
    moved = slot_units(slot, units)
    unit = moved[0]
    latest, earliest = slot_range_deg(slot, unit)
    unit_deg = couplings.shaft_deg(shift_deg, unit.turns_per_crank_turn)
    way = opposite(unit.rotation) if shift_deg >= 0 else unit.rotation
    room_mm = slot.clockwise_mm if way == "clockwise" else slot.anticlockwise_mm
    slot_mm = math.radians(abs(unit_deg)) * slot.radius_mm
    enough = slot_mm <= room_mm + 1e-6
    what = "the body" if slot.part == "body" else "the contact plate"
    words = (
        f"turn {what} of {slot.unit} {way}, seen from its {unit.seen_from}, by "
        f"{abs(unit_deg):.2f} degrees of the unit ({slot_mm:.2f} mm along the slot at a radius of "
        f"{slot.radius_mm:g} mm): {earlier(shift_deg)}"
    )
    if not enough:
        limit = earliest if shift_deg >= 0 else -latest
        words += (
            f"; the slot is {slot_mm - room_mm:.2f} mm too short, it allows {room_mm:.2f} mm, "
            f"which is {limit:.2f} crank degrees"
        )
    warnings: tuple[str, ...] = ("read again after tightening: things move",)
    if slot.part == "contact plate":
        warnings += (NEUTRAL.format(change=-unit_deg),)
    return Step(
        means="slot" if slot.part == "body" else "contact plate",
        part=slot.unit,
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
    more = couplings.crank_deg(
        math.degrees(slot.file_mm / slot.radius_mm), unit.turns_per_crank_turn
    )
    return (latest - more, latest), (earliest, earliest + more)


def file_step(slot: Slot, units: Sequence[Unit], shift_deg: float) -> Step:
    """File a slot longer and turn the body or contact plate in it by ``shift_deg``.

    ``figures``: those of ``slot_step``, and longer_mm, by how much the slot has to be longer.
    Raises InputError as ``slot_range_deg``. Source: arc = radius x angle.
    """
    step = slot_step(slot, units, shift_deg)
    unit = slot_units(slot, units)[0]
    unit_deg = couplings.shaft_deg(abs(shift_deg), unit.turns_per_crank_turn)
    way = opposite(unit.rotation) if shift_deg >= 0 else unit.rotation
    room_mm = slot.clockwise_mm if way == "clockwise" else slot.anticlockwise_mm
    slot_mm = math.radians(unit_deg) * slot.radius_mm
    longer_mm = max(0.0, slot_mm - room_mm)
    what = "the body" if slot.part == "body" else "the contact plate"
    return replace(
        step,
        means="file",
        words=(
            f"file each slot of {slot.unit} {longer_mm:.2f} mm longer, where it stops {what} from "
            f"turning {way}, seen from its {unit.seen_from}; then turn it {way} by {unit_deg:.2f} "
            f"degrees of the unit ({slot_mm:.2f} mm along the slot at a radius of "
            f"{slot.radius_mm:g} mm): {earlier(shift_deg)}"
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


def gap_step(gap: Gap, units: Sequence[Unit], shift_deg: float) -> Step:
    """Change the contact gap so that the unit opens ``shift_deg`` earlier.

    ``figures``: crank_deg, gap_mm, deg_per_mm, u_shift_deg. Raises InputError as ``gap_rate``.
    Source: the rate measured on this unit.
    """
    rate = gap_rate(gap)
    unit = next(u for u in members(units, gap.unit) if u.name == gap.unit)
    to_mm = gap.now_mm + shift_deg / rate.deg_per_mm
    enough = gap.least_mm - 1e-9 <= to_mm <= gap.most_mm + 1e-9
    unit_deg = couplings.shaft_deg(shift_deg, unit.turns_per_crank_turn)
    words = (
        f"set the contact gap of {gap.unit} from {gap.now_mm:.2f} to {to_mm:.2f} mm: "
        f"{earlier(shift_deg)}, at {rate.deg_per_mm:.1f} degrees a millimetre as read on it"
    )
    if not enough:
        words += f"; its limits are {gap.least_mm:.2f} to {gap.most_mm:.2f} mm"
    return Step(
        means="gap",
        part=gap.unit,
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
    return Step(
        means="leads",
        part=leads.unit,
        words=(
            f"move every high-tension lead of {leads.unit} {abs(towers)} {word} {way} the rotation "
            f"of its distributor finger, so that another lobe serves: {earlier(shift)}"
        ),
        shift_deg={leads.unit: shift},
        figures={"towers": towers, "crank_deg": shift},
        warnings=(FINGER,),
    )


def lobe_period_deg(unit: Unit) -> float:
    """Crank degrees from one lobe of a unit to the next. Source: lobes divide the turn."""
    return float(Fraction(360, unit.lobes) / unit.turns_per_crank_turn)


def lever_step(lever: Lever, ends: LeverEnds, btdc_deg: float, shift_deg: float) -> Step:
    """Set the lever so that the unit opens at ``btdc_deg`` as the ends were read.

    ``figures``: place (0 full retard, 1 full advance). Source: the readings at both ends.
    """
    place = (btdc_deg - ends.retard_btdc) / (ends.advance_btdc - ends.retard_btdc)
    return Step(
        means="lever",
        part=lever.unit,
        words=(
            f"set the lever of {lever.unit} {100.0 * place:.0f} per cent of its range up from full "
            f"retard: {earlier(shift_deg)}"
        ),
        shift_deg={lever.unit: shift_deg},
        figures={"place": place, "crank_deg": shift_deg},
    )
