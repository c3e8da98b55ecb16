"""What the next reading ought to be, and whether it is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from rig.faults import InputError
from rig.timing.circular import wrap
from rig.timing.correction.plan import Confirmation, Option, Prediction
from rig.timing.correction.wants import own_u_deg
from rig.timing.judge import ONE_TURN_OUT
from rig.timing.results import Judgement

SIDES = 2.0  # coverage factor for about 95 %


def predict(
    option: Option, judgements: Sequence[Judgement], made_utc: str = ""
) -> list[Prediction]:
    """What the next readings ought to be, one for each turned judgement of a unit that moves.

    ``made_utc`` (ISO 8601) is when the change was stated. Source: the shifts of the steps.
    """
    shift: dict[str, float] = {}
    unsure: dict[str, float] = {}  # standard uncertainty of the shift
    for step in option.steps:
        for unit, deg in step.shift_deg.items():
            shift[unit] = shift.get(unit, 0.0) + deg
            unsure[unit] = math.hypot(unsure.get(unit, 0.0), step.u_shift_deg)
    out = []
    for j in judgements:
        if j.kind == "turned" and j.mean_btdc is not None and shift.get(j.unit):
            turned = 360.0 if ONE_TURN_OUT in j.marks else 0.0
            after = wrap(j.mean_btdc + turned + shift[j.unit])
            out.append(
                Prediction(
                    unit=j.unit,
                    setting=j.setting,
                    cylinder=j.cylinder,
                    before_btdc=j.mean_btdc,
                    shift_deg=shift[j.unit],
                    predicted_btdc=after,
                    u_deg=math.hypot(own_u_deg(j), unsure[j.unit]),
                    made_utc=made_utc,
                )
            )
    return out


def confirm(prediction: Prediction, judgement: Judgement, read_utc: str = "") -> Confirmation:
    """The next judgement set beside what was predicted.

    Compared within about 95 % of both readings' own uncertainties; the shared reference drops out.
    A correction made the wrong way round moved the opening by as much to the other side. Raises
    InputError for another unit, setting or cylinder, a judgement without a mean, or a reading
    (``read_utc``, ISO 8601) older than the change. Source: JCGM 100:2008, 5.1.2 and 5.2.
    """
    p, j = prediction, judgement
    if (p.unit, p.setting, p.cylinder) != (j.unit, j.setting, j.cylinder):
        raise InputError(
            f"the prediction is of {p.unit}, {p.setting}, cylinder {p.cylinder or 'all'}; the "
            f"reading is of {j.unit}, {j.setting}, cylinder {j.cylinder or 'all'}"
        )
    if j.mean_btdc is None or j.kind != "turned":
        raise InputError(f"{j.unit}: a prediction is confirmed by turning, and nothing counts yet")
    if p.made_utc and read_utc and _utc(read_utc) < _utc(p.made_utc):
        raise InputError(
            f"the reading of {j.unit} ({read_utc}) is older than the last change ({p.made_utc}): "
            "read it again"
        )
    within = SIDES * math.hypot(p.u_deg, own_u_deg(j))
    off = wrap(j.mean_btdc - p.predicted_btdc)
    moved = wrap(j.mean_btdc - p.before_btdc)
    other_way = wrap(moved + p.shift_deg)
    shift = wrap(p.shift_deg)
    read = f"{j.unit} reads {j.mean_btdc:.2f}, predicted {p.predicted_btdc:.2f} degrees BTDC"
    result = Confirmation(p, j.mean_btdc, off, within, "confirmed", f"{read}: confirmed")
    if ONE_TURN_OUT in j.marks:
        words = f"{read}: not confirmed, it is one crank turn out"
        return replace(result, verdict="not confirmed", words=words)
    if abs(p.shift_deg) <= within:
        words = f"{read}: the change was too small for these readings to tell"
        return replace(result, verdict="too small to tell", words=words)
    if abs(off) <= within:
        return result
    if abs(other_way) <= max(within, 0.2 * abs(shift)):
        ways = ("earlier", "later") if moved > 0 else ("later", "earlier")
        words = (
            f"{read}: made the wrong way round, it went {abs(moved):.2f} degrees {ways[0]} instead "
            f"of {ways[1]}; undo it and go as far again the other way"
        )
        return replace(result, verdict="wrong way round", words=words)
    if abs(moved) <= within:
        words = f"{read}: it has not moved; was the change made, and on this unit?"
        return replace(result, verdict="not moved", words=words)
    words = (
        f"{read}: not confirmed, {abs(off):.2f} degrees {'early' if off > 0 else 'late'} of the "
        f"prediction (readings allow {within:.2f})"
    )
    return replace(result, verdict="not confirmed", words=words)


def _utc(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"{text!r} is no time of the form 2025-01-31T12:00:00+00:00") from None
