"""What the adjustments carried out so far changed of what the engine file says.

The engine file has a slot's free travel and a contact gap as they were when it was written. A
second adjustment has to know what the first one used: else it offers travel that is not there, or
sets a gap from where it no longer is. Where the file was brought up to date in between, it counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from rig.adjust.plan import AdjustmentKind
from rig.base.rounding import figure
from rig.engine.profile import Adjustments, Gap, Slot

TURNED = {
    AdjustmentKind.SLOT: ("body",),
    AdjustmentKind.PLATE: ("contact plate",),
    AdjustmentKind.FILE: ("body", "contact plate"),
}
"""Steps that turn something along its slot, and which part of the unit that may be."""


def after(entered: Adjustments, steps: Sequence[Mapping[str, Any]]) -> Adjustments:
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
            clockwise_mm=_left(entered.clockwise_mm + filed_mm["clockwise"], turned_mm),
            anticlockwise_mm=_left(
                entered.anticlockwise_mm + filed_mm["anticlockwise"], -turned_mm
            ),
            file_mm=max(0.0, entered.file_mm - max(filed_mm.values())),
        )
    return now


def _left(long_mm: float, used_mm: float) -> float:
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
