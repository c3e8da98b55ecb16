"""What moving units by hand used up of their slots, beyond the adjustments that were carried out.

The travel of a slot is that of the engine file, less what the sheets of the job used of it. A unit
that was moved by hand since is measured by its readings before and after; where these do not say
how far it went, its slot is left out until it is measured and entered.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from rig.adjust.changes import Course, HandMove, Instant, before_moved_again, readings_of
from rig.adjust.kinds import opposite
from rig.adjust.plan import expanded, own_u
from rig.base.angles import wrap
from rig.base.rounding import figure
from rig.base.uncertainty import root_sum
from rig.engine import gear_train
from rig.engine.profile import Adjustments, Slot, Unit, members
from rig.job.capture_order import MadeWhen
from rig.timing.assess import assess
from rig.timing.values import Reading

if TYPE_CHECKING:
    from rig.adjust.predictions import Sheet


def after(
    course: Course, present: Adjustments, done: Sequence[Sheet]
) -> tuple[Adjustments, list[str]]:
    """``present`` with the slots as moves by hand left them, and a sentence for each of these.

    ``done`` are the sheets that were carried out: the moves noted for their steps are theirs. A
    move from before the engine file was changed counts for nothing.
    """
    units, engine = course.job.profile.units, course.job.engine.sha256
    moves = course.moves()
    free = _of_no_sheet(course, done, moves)
    by_hand = [each for each in free if each.engine_sha256 in ("", engine)]
    kept: list[Slot] = []
    notes: list[str] = []
    for slot in present.slots:
        turned = members(units, slot.unit)
        turned = turned if slot.part == "body" else [u for u in turned if u.name == slot.unit]
        names = {unit.name for unit in turned}
        if not any(each.unit in names for each in by_hand):
            kept.append(slot)
            continue
        left = None
        if sum(other.unit in (slot.unit, *names) for other in present.slots) == 1:
            moved = _moved(course, names, moves, by_hand, done)
            left = None if moved is None else _left(slot, turned[0], *moved)
        if left is None:
            notes.append(
                f"{slot.unit}: it was moved by hand, and the travel left in the slot of its"
                f" {slot.part} is not known: measure and enter it in the engine file"
            )
            continue
        kept.append(left)
        notes.append(
            f"{slot.unit}: it was moved by hand; by its readings before and after, its slot is"
            f" still free by {figure(left.clockwise_mm)} mm clockwise and"
            f" {figure(left.anticlockwise_mm)} mm anticlockwise at least; if it is not, measure and"
            " enter it in the engine file"
        )
    return replace(present, slots=tuple(kept)), notes


def _left(slot: Slot, unit: Unit, shift_deg: float, U_deg: float) -> Slot | None:
    """A slot of which a move used as much as made ``unit`` so much earlier; None where that is
    more than it had. Source: arc = radius x angle."""
    arc_mm, U_mm = (
        slot.radius_mm * math.radians(gear_train.shaft_deg(abs(deg), unit.turns_per_crank_turn))
        for deg in (shift_deg, U_deg)
    )
    way = opposite(unit.rotation) if shift_deg >= 0.0 else unit.rotation
    clockwise = way == "clockwise"
    if arc_mm > (slot.clockwise_mm if clockwise else slot.anticlockwise_mm) + U_mm:
        return None
    used = (arc_mm, 0.0) if clockwise else (0.0, arc_mm)
    return replace(
        slot,
        clockwise_mm=max(0.0, slot.clockwise_mm - used[0] - U_mm),
        anticlockwise_mm=max(0.0, slot.anticlockwise_mm - used[1] - U_mm),
    )


def _of_no_sheet(
    course: Course, done: Sequence[Sheet], moves: Sequence[HandMove]
) -> list[HandMove]:
    """The moves that are of no sheet: each has one for each of its steps, before the next sheet."""
    left = list(moves)
    for n, sheet in enumerate(done):
        for name in sheet.units:
            steps = sum(bool(step["shift_deg"].get(name)) for step in sheet.steps)
            own = [
                each for each in left
                if each.unit == name and course.is_before(sheet.when, each.at)
                and not any(course.is_before(over.when, each.at) for over in done[n + 1 : n + 2])
            ]  # fmt: skip
            left = [each for each in left if each not in own[:steps]]
    return left


def _moved(
    course: Course,
    names: Collection[str],
    moves: Sequence[HandMove],
    by_hand: Sequence[HandMove],
    done: Sequence[Sheet],
) -> tuple[float, float] | None:
    """How much earlier the moves ``by_hand`` made the units of one slot, and the expanded
    uncertainty of that, crank degrees: by what was read before and after all of them. None where
    that does not say."""
    own = [each for each in by_hand if each.unit in names]
    first, last = own[0].at, own[-1].at
    earlier: list[Instant | MadeWhen] = [each.when for each in done if each.units & set(names)]
    earlier += [each.at for each in moves if each.unit in names and each not in own]
    if not all(course.is_before(when, first) for when in earlier):
        return None
    before: list[Reading] = []
    since: list[Reading] = []
    for at, reading in readings_of(course.worked):
        if reading.unit in names and course.is_before(last, at):
            since.append(reading)
        elif (
            reading.unit in names
            and not course.is_before(first, at)
            and all(course.is_before(when, at) for when in earlier)
        ):
            before.append(before_moved_again(reading))
    was, now = (_standing(course, each) for each in (before, since))
    for key in sorted(was.keys() & now.keys(), key=str):
        (was_deg, was_u), (now_deg, now_u) = was[key], now[key]
        both = root_sum(was_u, now_u)
        return wrap(now_deg - was_deg), expanded(both, course.worked.rules)
    return None


def _standing(
    course: Course, readings: Sequence[Reading]
) -> dict[tuple[object, ...], tuple[float, tuple[float, float]]]:
    """The mean of each unit, setting and cylinder, and its standard uncertainty with ν."""
    reference = course.worked.reference
    return {
        (j.unit, j.setting, j.cylinder): (j.mean_btdc, own_u(j))
        for j in (assess(readings, course.job.profile, reference) if reference else ())
        if j.kind == "turned" and j.n > 1 and j.mean_btdc is not None
    }
