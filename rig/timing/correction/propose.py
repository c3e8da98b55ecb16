"""What the engine file's means can do about what was read, ranked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from rig.engine.means import Means
from rig.engine.profile import Profile
from rig.faults import InputError
from rig.timing.correction import search as searching
from rig.timing.correction.moves import moves
from rig.timing.correction.plan import (
    LeverEnds,
    Option,
    Outcome,
    PairOutcome,
    Proposal,
    Step,
    Want,
)

GRAIN_DEG = 0.1
MOST_MEANS = 4  # combined in one option


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
    ``rig.timing.correction.search``.
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
