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

from rig.adjust.changes import Changed, HandMove, moves_of_units, order_of, readings_of
from rig.adjust.kinds import opposite
from rig.adjust.plan import expanded, own_u
from rig.base.angles import wrap
from rig.base.rounding import figure
from rig.base.uncertainty import root_sum
from rig.engine import gear_train
from rig.engine.profile import Adjustments, Slot, Unit, members
from rig.job.capture_order import MadeWhen
from rig.job.folder import Job
from rig.job.results import JobResults
from rig.signal.events import Reason
from rig.timing.assess import assess
from rig.timing.values import Reading

if TYPE_CHECKING:
    from rig.adjust.predictions import Sheet


def after(
    job: Job, worked: JobResults, present: Adjustments, done: Sequence[Sheet], until: MadeWhen
) -> tuple[Adjustments, list[str]]:
    """``present`` with the slots as moves by hand left them, and a sentence for each of these.

    ``done`` are the sheets that were carried out: the moves noted for their steps are theirs. A
    move from before the engine file was changed counts for nothing.
    """
    moves = moves_of_units(job, worked, until)
    by_hand = [
        each for each in _of_no_sheet(job, worked, done, moves)
        if each.engine_sha256 in ("", job.engine.sha256)
    ]  # fmt: skip
    kept: list[Slot] = []
    notes: list[str] = []
    for slot in present.slots:
        units = members(job.profile.units, slot.unit)
        units = units if slot.part == "body" else [u for u in units if u.name == slot.unit]
        names = {unit.name for unit in units}
        if not any(each.unit in names for each in by_hand):
            kept.append(slot)
            continue
        left = None
        if sum(other.unit in (slot.unit, *names) for other in present.slots) == 1:
            moved = _moved(job, worked, names, moves, by_hand, done)
            left = None if moved is None else _left(slot, units[0], *moved)
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
    job: Job, worked: JobResults, done: Sequence[Sheet], moves: Sequence[HandMove]
) -> list[HandMove]:
    """The moves that are of no sheet: each has one for each of its steps, before the next sheet."""
    order, left = order_of(job, worked), list(moves)
    for n, sheet in enumerate(done):
        over = done[n + 1].when if n + 1 < len(done) else None
        for name in sheet.units:
            steps = sum(bool(step["shift_deg"].get(name)) for step in sheet.steps)
            own = [
                each for each in left
                if each.unit == name and sheet.when.is_before(*each.at, order)
                and not (over and over.is_before(*each.at, order))
            ]  # fmt: skip
            left = [each for each in left if each not in own[:steps]]
    return left


def _moved(
    job: Job,
    worked: JobResults,
    names: Collection[str],
    moves: Sequence[HandMove],
    by_hand: Sequence[HandMove],
    done: Sequence[Sheet],
) -> tuple[float, float] | None:
    """How much earlier the moves ``by_hand`` made the units of one slot, and the expanded
    uncertainty of that, crank degrees: by what was read before and after all of them. None where
    that does not say."""
    order = order_of(job, worked)
    own = [each for each in by_hand if each.unit in names]
    first, last = Changed(own[0].at, ""), Changed(own[-1].at, "")
    theirs = [each for each in moves if each.unit in names and each not in own]
    if worked.reference is None or any(first.is_before(each.at, order) for each in theirs):
        return None
    sheets = [each.when for each in done if each.units & set(names)]
    if not all(when.is_before(*own[0].at, order) for when in sheets):
        return None
    before: list[Reading] = []
    since: list[Reading] = []
    for at, reading in readings_of(worked):
        if reading.unit not in names:
            continue
        if last.is_before(at, order):
            since.append(reading)
        elif (
            not first.is_before(at, order)
            and all(Changed(each.at, "").is_before(at, order) for each in theirs)
            and all(when.is_before(*at, order) for when in sheets)
        ):
            why = reading.rejection
            again = why is not None and why.reason is Reason.MOVED_AGAIN
            before.append(replace(reading, rejection=None) if again else reading)
    one, two = (
        {
            (j.unit, j.setting, j.cylinder): j
            for j in assess(each, job.profile, worked.reference)
            if j.kind == "turned" and j.n > 1
        }
        for each in (before, since)
    )
    for key in sorted(one.keys() & two.keys(), key=str):
        was, now = one[key].mean_btdc, two[key].mean_btdc
        if was is not None and now is not None:
            both = root_sum(own_u(one[key]), own_u(two[key]))
            return wrap(now - was), expanded(both, worked.rules)
    return None
