"""What was used up of slots and gaps since the engine file was written.

The engine file has a slot's free travel and a contact gap as they were then. What came after has to
know what was used: else it offers travel that is not there, or sets a gap from where it no longer
is. The steps of adjustments that were carried out show it. A unit that was moved by hand is
measured by its readings before and after; where these do not show how far it was moved, its slot is
left out until it is measured and entered. Where the file was brought up to date in between, it
counts.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from rig.adjust.changes import Course, HandMove, Instant, before_moved_again, readings_of
from rig.adjust.kinds import opposite
from rig.adjust.plan import AdjustmentKind, expanded, own_u
from rig.base.angles import wrap
from rig.base.rounding import figure
from rig.base.uncertainty import root_sum
from rig.engine import gear_train
from rig.engine.profile import Adjustments, Gap, Slot, Unit, members
from rig.job.capture_order import MadeWhen
from rig.timing.assess import assess
from rig.timing.values import Reading

if TYPE_CHECKING:
    from rig.adjust.predictions import Sheet

TURNED = {
    AdjustmentKind.SLOT: ("body",),
    AdjustmentKind.PLATE: ("contact plate",),
    AdjustmentKind.FILE: ("body", "contact plate"),
}
"""Steps that turn something along its slot, and which part of the unit that may be."""


def after_steps(entered: Adjustments, steps: Sequence[Mapping[str, Any]]) -> Adjustments:
    """``entered`` after ``steps`` were carried out, in their order, as a sheet keeps them.

    A step that began elsewhere than the file and the steps before it end belongs to an earlier
    state of the file and counts for nothing. No slot gets freer than it was entered, or filed to:
    a step that never was made must not offer travel that is not there.
    """
    slots = tuple(_slot_after(each, steps) for each in entered.slots)
    gaps = tuple(_gap_after(each, steps) for each in entered.gaps)
    return replace(entered, slots=slots, gaps=gaps)


def notes(entered: Adjustments, now: Adjustments) -> Iterator[str]:
    """What is no longer as it was entered, in a sentence each."""
    for old_slot, slot in zip(entered.slots, now.slots, strict=True):
        if slot != old_slot:
            yield (
                f"{slot.unit}: after the adjustments so far its slot is free by"
                f" {figure(slot.clockwise_mm)} mm clockwise and {figure(slot.anticlockwise_mm)} mm"
                " anticlockwise; if it is not, measure and enter it in the engine file"
            )
    for old_gap, gap in zip(entered.gaps, now.gaps, strict=True):
        if gap != old_gap:
            yield (
                f"{gap.unit}: its contact gap is {figure(gap.now_mm)} mm after the last adjustment;"
                " if it is not, measure and enter it in the engine file"
            )


def _slot_after(entered: Slot, steps: Sequence[Mapping[str, Any]]) -> Slot:
    now, turned_mm, filed_mm = entered, 0.0, {"clockwise": 0.0, "anticlockwise": 0.0}
    for step in steps:
        if step.get("part") != entered.unit or entered.part not in TURNED.get(step["kind"], ()):
            continue
        way = _figures(step).get("way")
        if way not in filed_mm:
            continue
        room_mm, arc_mm = _number(step, "room_mm"), _number(step, "slot_mm")
        if not _is(getattr(now, f"{way}_mm"), room_mm):
            now, turned_mm, filed_mm = entered, 0.0, dict.fromkeys(filed_mm, 0.0)
        if not _is(getattr(now, f"{way}_mm"), room_mm) or not math.isfinite(arc_mm):
            continue
        turned_mm += arc_mm if way == "clockwise" else -arc_mm
        filed_mm[way] += _number(step, "longer_mm", 0.0)
        now = replace(
            entered,
            clockwise_mm=_free_mm(entered.clockwise_mm + filed_mm["clockwise"], turned_mm),
            anticlockwise_mm=_free_mm(
                entered.anticlockwise_mm + filed_mm["anticlockwise"], -turned_mm
            ),
            file_mm=max(0.0, entered.file_mm - max(filed_mm.values())),
        )
    return now


def _free_mm(long_mm: float, used_mm: float) -> float:
    return max(0.0, long_mm - max(0.0, used_mm))


def _gap_after(entered: Gap, steps: Sequence[Mapping[str, Any]]) -> Gap:
    now_mm = entered.now_mm
    for step in steps:
        if step.get("part") == entered.unit and step["kind"] == AdjustmentKind.GAP:
            from_mm, to_mm = _number(step, "from_mm"), _number(step, "gap_mm")
            if (_is(now_mm, from_mm) or _is(entered.now_mm, from_mm)) and math.isfinite(to_mm):
                now_mm = to_mm
    return replace(entered, now_mm=now_mm)


def _figures(step: Mapping[str, Any]) -> Mapping[str, Any]:
    found = step.get("figures")
    return found if isinstance(found, Mapping) else {}


def _number(step: Mapping[str, Any], name: str, default: float = math.nan) -> float:
    found = _figures(step).get(name, default)
    return float(found) if isinstance(found, int | float) else math.nan


def _is(one_mm: float, other_mm: float) -> bool:
    return math.isclose(one_mm, other_mm, abs_tol=1e-9)


def after_moves(
    course: Course,
    present: Adjustments,
    done: Sequence[Sheet],
    asked: Mapping[str, MadeWhen] | None = None,
) -> tuple[Adjustments, list[str]]:
    """``present`` with the slots as moves by hand left them, and a sentence for each of these.

    ``done`` are the sheets that were carried out: the moves noted for their steps are theirs. A
    move from before the engine file was changed counts for nothing. With ``asked``, what can be
    moved was entered at the bench: of each unit when that was; of another it is the present state.
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
        own = [each for each in by_hand if each.unit in names]
        if asked is not None:
            since = asked.get(slot.unit)
            own = [each for each in own if since and course.is_before(since, each.at)]
        if not own:
            kept.append(slot)
            continue
        left = None
        if sum(other.unit in (slot.unit, *names) for other in present.slots) == 1:
            moved = _moved(course, names, moves, own, done)
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
    own: Sequence[HandMove],
    done: Sequence[Sheet],
) -> tuple[float, float] | None:
    """How much earlier their ``own`` moves by hand made the units of one slot, and the expanded
    uncertainty of that, crank degrees: by what was read before and after all of them. None where
    these do not show it."""
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
    reference, rules = course.worked.reference, course.worked.rules
    return {
        (j.unit, j.setting, j.cylinder): (j.mean_btdc, own_u(j))
        for j in (assess(readings, course.job.profile, reference, rules) if reference else ())
        if j.kind == "turned" and j.n > 1 and j.mean_btdc is not None
    }
