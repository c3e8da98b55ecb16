"""From what was read and what is wanted to what to do, and whether it did what was predicted.

``propose`` ranks what the engine file's means can do; ``predict`` says what the next reading ought
to be; ``confirm`` sets that reading beside it. Angles are crank degrees, BTDC positive; a shift is
positive when it makes the opening earlier.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from rig.engine.means import Means
from rig.engine.profile import Profile
from rig.faults import InputError
from rig.timing import correction_search as searching
from rig.timing.budget import TOP_DEAD_CENTRE
from rig.timing.circular import wrap
from rig.timing.correction_moves import moves
from rig.timing.correction_plan import (
    Confirmation,
    LeverEnds,
    Option,
    Outcome,
    PairOutcome,
    Prediction,
    Proposal,
    Step,
    Want,
)
from rig.timing.judge import ONE_TURN_OUT
from rig.timing.results import Judgement

GRAIN_DEG = 0.1
MOST_MEANS = 4  # combined in one option
SIDES = 2.0  # coverage factor for about 95 %


def wants_from(judgements: Sequence[Judgement], profile: Profile) -> list[Want]:
    """What each unit's turned readings ask for: one want a unit, setting and judged cylinder.

    Of a unit judged over all cylinders that figure counts; else each cylinder's own. "As left"
    readings go before "as found" ones. A unit one crank turn out is wanted back by that turn.
    Raises InputError when nothing was read against a window. Source: the judgements.
    """
    usable = [
        j
        for j in judgements
        if j.kind == "turned" and j.mean_btdc is not None and j.nominal_btdc is not None
    ]
    wants: list[Want] = []
    for unit in profile.units:
        for setting in unit.settings:
            own = [j for j in usable if (j.unit, j.setting) == (unit.name, setting.name)]
            phase = "as left" if any(j.phase == "as left" for j in own) else "as found"
            own = [j for j in own if j.phase == phase]
            over_all = [j for j in own if j.cylinder is None]
            wants.extend(_want(j) for j in (over_all or own))
    if not wants:
        raise InputError(
            "no unit was read by turning against a window, so there is nothing to correct: "
            "take readings, or state the window in the engine file"
        )
    return wants


def _want(judgement: Judgement) -> Want:
    j = judgement
    if None in (j.mean_btdc, j.earliest_btdc, j.nominal_btdc, j.latest_btdc):
        raise ValueError(f"{j.unit} has no window or no mean")
    mean, nominal = float(j.mean_btdc or 0.0), float(j.nominal_btdc or 0.0)
    turned = 360.0 if ONE_TURN_OUT in j.marks else 0.0
    return Want(
        unit=j.unit,
        setting=j.setting,
        read_btdc=nominal + wrap(mean - nominal) + turned,
        wanted_btdc=nominal,
        earliest_btdc=float(j.earliest_btdc or 0.0),
        latest_btdc=float(j.latest_btdc or 0.0),
        u_deg=own_u_deg(j),
        cylinder=j.cylinder,
    )


def own_u_deg(judgement: Judgement) -> float:
    """Standard uncertainty of a judgement without the reference it shares with others, degrees.

    Without one (a single reading): 0.1. Source: JCGM 100:2008, 5.2: what is shared drops out.
    """
    if judgement.uncertainty is None:
        return 0.1
    parts = [p.u_deg for p in judgement.uncertainty.parts if p.name != TOP_DEAD_CENTRE]
    return math.hypot(*parts)


def propose(
    wants: Sequence[Want],
    profile: Profile,
    means: Means,
    *,
    levers: Sequence[LeverEnds] = (),
    grain_deg: float | None = None,
) -> Proposal:
    """What can be done about ``wants`` with the stated means, best first.

    Units in one body move together; pairs of the profile's synchronism are brought together as
    well. ``grain_deg`` is the error below which two options are taken as equal: by default a tenth
    of a degree, or the uncertainty of the readings where that is more. When nothing reaches, the
    proposal says how near it gets. Raises InputError without wants or without means. Source:
    ``rig.timing.correction_search``.
    """
    if not wants:
        raise InputError("a correction needs a reading and what is wanted of it")
    ends = {end.unit: end for end in levers}
    found, notes = moves(
        profile.units, profile.engine, means, ends, {w.unit: w.read_btdc for w in wants}
    )
    if not found and not notes:
        raise InputError(
            "the engine file names nothing that can be moved: state its slots, meshes, couplings "
            "and so on under [means]"
        )
    grain = grain_deg if grain_deg is not None else max(GRAIN_DEG, *(w.u_deg for w in wants))
    task = searching.make_task(wants, profile.units, profile.synchronism)
    bodies = {u.body or u.name for u in profile.units if u.name in {w.unit for w in wants}}
    most = min(2 + len(bodies), MOST_MEANS)
    notes += searching.left_out(found, most)
    set_levers = {lever.unit: ends[lever.unit] for lever in means.levers if lever.unit in ends}
    ranked = searching.search(task, found, most=most, grain_deg=grain, ends=set_levers)
    options = tuple(_option(f, task, profile, ends) for f in ranked)
    best = options[0]
    return Proposal(options, best.inside, _proposal_words(best), tuple(notes))


def _proposal_words(best: Option) -> str:
    if best.inside and not best.steps:
        return "everything is inside as it stands: nothing has to be moved"
    if best.inside:
        return f"{len(best.steps)} step{'s' * (len(best.steps) > 1)}: {best.words}"
    outside = [outcome for outcome in best.outcomes if not outcome.inside]
    if not outside:
        pair = max((p for p in best.pairs if not p.inside), key=lambda p: abs(p.error_deg))
        return (
            f"nothing that the engine file names brings {pair.first} and {pair.second} together as "
            f"stated; the nearest leaves them {abs(pair.error_deg):.2f} degrees from it, each "
            f"within its own window: {best.words}"
        )
    worst = max(outside, key=lambda o: abs(o.error_deg))
    side = "early" if worst.error_deg > 0 else "late"
    return (
        "nothing that the engine file names reaches the window; the nearest leaves "
        f"{worst.want.unit} {abs(worst.error_deg):.2f} degrees {side}: {best.words}"
    )


def _option(
    found: searching.Found,
    task: searching.Task,
    profile: Profile,
    ends: Mapping[str, LeverEnds],
) -> Option:
    steps = [step for choices, i in found.choices for step in choices.steps(i)]
    steps += [move.step(value) for move, value in found.ranges]
    column = {unit.name: i for i, unit in enumerate(profile.units)}
    n = len(task.wants)
    outcomes = []
    for want, error in zip(task.wants, found.errors[:n], strict=True):
        reached = want.wanted_btdc + error
        inside = want.latest_btdc - searching.EDGE <= reached <= want.earliest_btdc + searching.EDGE
        shift = float(found.shift_deg[column[want.unit]])
        predicted = want.wanted_btdc + float(error)
        outcomes.append(Outcome(want, shift, predicted, float(error), bool(inside)))
    pairs = tuple(
        PairOutcome(p.first, p.second, float(e), abs(float(e)) <= p.tolerance_deg + searching.EDGE)
        for (p, _, _), e in zip(task.pairs, found.errors[n:], strict=True)
    )
    return Option(
        steps=tuple(_with_mates(step, task, profile) for step in steps),
        outcomes=tuple(outcomes),
        pairs=pairs,
        remaining_deg=found.remaining_deg,
        inside=found.inside,
        lever_place=_lever_places(found, outcomes, profile, ends),
        disturbs=found.disturbs,
        reversible=found.reversible,
        words="; then ".join(step.words for step in steps) or "leave everything as it is",
    )


def _with_mates(step: Step, task: searching.Task, profile: Profile) -> Step:
    """The step, with a warning for each unit that it moves without having been read."""
    read = {want.unit for want in task.wants}
    unread = [u.name for u in profile.units if step.shift_deg.get(u.name) and u.name not in read]
    if not unread:
        return step
    names = " and ".join(unread)
    more = f"this moves {names} as well, which was not read: read it afterwards"
    return replace(step, warnings=(*step.warnings, more))


def _lever_places(
    found: searching.Found,
    outcomes: Sequence[Outcome],
    profile: Profile,
    ends: Mapping[str, LeverEnds],
) -> dict[str, float]:
    """Unit: where in its range the wanted figure comes to lie, 0 full retard to 1 full advance."""
    column = {unit.name: i for i, unit in enumerate(profile.units)}
    by_lever = {move.key.removeprefix("lever "): value for move, value in found.ranges}
    places = {}
    for name, end in ends.items():
        wants = [o.want for o in outcomes if o.want.unit == name]
        span = end.advance_btdc - end.retard_btdc
        if not wants or span <= 0.0:
            continue
        moved = float(found.shift_deg[column[name]]) - by_lever.get(name, 0.0)
        at = wants[0].read_btdc + by_lever[name] if name in by_lever else None
        target = at if at is not None else wants[0].wanted_btdc - moved
        places[name] = (target - end.retard_btdc) / span
    return places


def predict(
    option: Option, judgements: Sequence[Judgement], made_utc: str = ""
) -> list[Prediction]:
    """What the next readings ought to be, one for each turned judgement of a unit that moves.

    ``made_utc`` (ISO 8601) is when the change was stated. Source: the shifts of the steps.
    """
    shift: dict[str, float] = {}
    for step in option.steps:
        for unit, deg in step.shift_deg.items():
            shift[unit] = shift.get(unit, 0.0) + deg
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
                    u_deg=own_u_deg(j),
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
