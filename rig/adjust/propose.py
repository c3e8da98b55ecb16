"""What the engine file's means can do about what was read: options in order, and each unit alone.

The search decides what can be reached; here that is put in the order in which it is shown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from rig.adjust import steps
from rig.adjust.moves import Move, moves
from rig.adjust.plan import (
    Misfit,
    Option,
    Outcome,
    PairOutcome,
    PairWant,
    Proposal,
    Reach,
    Step,
    Want,
    outlook,
)
from rig.adjust.search import Found, left_out, present, search
from rig.adjust.task import Rank, Task, make_task
from rig.base.errors import InputError
from rig.engine.profile import Adjustments, Profile, Train
from rig.timing.advance_range import LeverEnds
from rig.timing.verdict import Rule

GRAIN_DEG = 0.1
MOST_MEANS = 4  # combined in one option
NEAREST = 3


"""So many options are offered where none gets everything inside."""


LASTING = 4


"""So many of the options that cannot be undone are looked for."""


class Shown(NamedTuple):
    """The order in which options are shown: the smaller the earlier."""

    cannot_be_undone: bool
    changes_nothing: bool
    rank: Rank


@dataclass(frozen=True, slots=True)
class _Asked:
    """What ``propose`` was asked, for the functions that work it out."""

    profile: Profile
    adjustments: Sequence[Move]
    ends: Mapping[str, LeverEnds]
    set_levers: Mapping[str, LeverEnds]  # those that may be set
    grain_deg: float
    most: int

    def found(self, task: Task, *, keep: int = 8, lasting: bool = False) -> list[Found]:
        return search(
            task, self.adjustments, most=self.most, grain_deg=self.grain_deg, ends=self.set_levers,
            keep=keep, lasting=lasting,
        )  # fmt: skip

    def still(self, task: Task) -> Found:
        return present(task, grain_deg=self.grain_deg, ends=self.set_levers)


def propose(
    wants: Sequence[Want],
    profile: Profile,
    means: Adjustments,
    *,
    pairs: Sequence[PairWant] = (),
    levers: Sequence[LeverEnds] = (),
    grain_deg: float | None = None,
) -> Proposal:
    """What can be done about ``wants`` and ``pairs`` with the stated means, in the order shown.

    Units in one body move together. ``grain_deg`` is the error below which two options are taken
    as equal: by default a tenth of a degree, or the uncertainty of the readings where that is more.
    Raises InputError without wants or without means. Source: ``rig.adjust.search``.
    """
    if not wants:
        raise InputError("a correction needs a reading and what is wanted of it")
    ends = {end.unit: end for end in levers}
    known = {w.unit: w.U_deg for w in wants if w.U_deg is not None}
    found, notes = moves(
        profile.units, profile.engine, means, ends, {w.unit: w.read_btdc for w in wants}, known
    )
    if not found and not notes:
        raise InputError(
            "the engine file names nothing that can be moved: enter its slots, meshes, couplings "
            "and so on under [means]"
        )
    grain = grain_deg if grain_deg is not None else max(GRAIN_DEG, *(w.u_deg for w in wants))
    bodies = {u.body or u.name for u in profile.units if u.name in {w.unit for w in wants}}
    most = min(2 + len(bodies), MOST_MEANS)
    set_levers = {lever.unit: ends[lever.unit] for lever in means.levers if lever.unit in ends}
    asked = _Asked(profile, found, ends, set_levers, grain, most)
    task = make_task(wants, pairs, profile.units, profile.decision_rule)
    offered, others = _ordered(
        asked.still(task), asked.found(task), asked.found(task, keep=LASTING, lasting=True)
    )
    units = tuple(
        _reach(asked, name, [want for want in wants if want.unit == name])
        for name in dict.fromkeys(want.unit for want in wants)
    )
    return Proposal(
        options=tuple(_option(asked, f, task) for f in offered),
        others=tuple(_option(asked, f, task) for f in others),
        units=units,
        misfits=tuple(m for reach in units if (m := _misfit(profile, means.train, reach))),
        notes=(*notes, *left_out(found, most)),
    )


def _ordered(
    still: Found, undoable: Sequence[Found], lasting: Sequence[Found]
) -> tuple[list[Found], list[Found]]:
    """What is offered, in the order shown; and the rest in the same order.

    Where something that can be undone gets everything inside, only what gets there too; else what
    comes nearest. What cannot be undone has to bring more than all that can, or everything inside.
    """
    undoable = [f for f in undoable if f.choices or f.ranges]
    helping = sorted((f for f in undoable if f.rank < still.rank), key=_shown)
    reached = [f for f in helping if f.inside]
    best = min([still, *helping], key=lambda f: f.rank)
    cuts = [f for f in lasting if f.inside or (not best.inside and f.rank < best.rank)]
    offered = [*(reached or helping[:NEAREST]), still]
    if not still.inside:
        offered += sorted(cuts, key=_shown)[:NEAREST]
    offered = _no_more_than_needed(sorted(offered, key=_shown))
    rest = [f for f in (*undoable, *lasting) if not any(f is each for each in offered)]
    return offered, sorted(rest, key=_shown)


def _no_more_than_needed(offered: Sequence[Found]) -> list[Found]:
    """Without those that move all that one before them does, and more: they are no better."""
    kept: list[tuple[frozenset[object], Found]] = []
    for found in offered:
        moved = frozenset[object](
            [(c.occupies, i) for c, i in found.choices] + [r.occupies for r, _ in found.ranges]
        )
        if not moved or not any(before and before <= moved for before, _ in kept):
            kept.append((moved, found))
    return [found for _, found in kept]


def _shown(found: Found) -> Shown:
    nothing = not found.choices and not found.ranges
    return Shown(not found.reversible, nothing and not found.inside, found.rank)


def _reach(asked: _Asked, unit: str, wants: Sequence[Want]) -> Reach:
    """What can be reached for one unit alone."""
    task = make_task(wants, (), asked.profile.units, asked.profile.decision_rule)
    best, lasting = asked.found(task, keep=1)[0], None
    if not best.inside:
        cuts = asked.found(task, keep=1, lasting=True)
        lasting = next((cut for cut in cuts if cut.rank < best.rank), None)
    return Reach(
        unit,
        _option(asked, asked.still(task), task),
        _option(asked, best, task),
        _option(asked, lasting, task) if lasting else None,
    )


def _misfit(profile: Profile, train: Train | None, reach: Reach) -> Misfit | None:
    """The error of a unit that nothing brings inside, where no slipped tooth explains it.

    A tooth explains it where it would bring the unit to its window, its uncertainty considered.
    """
    outcomes = reach.now.outcomes
    helped = not any(o.verdict.outside for o in reach.best.outcomes)
    if train is None or helped or any(o.U_deg is None for o in outcomes):
        return None
    unit = next(u for u in profile.units if u.name == reach.unit)
    meshes = steps.meshes_to(train, unit, profile.units)
    # What a shift has to be at least and at most to leave none of the unit's wants outside.
    most = min(o.want.earliest_btdc + (o.U_deg or 0.0) - o.predicted_btdc for o in outcomes)
    least = max(o.want.latest_btdc - (o.U_deg or 0.0) - o.predicted_btdc for o in outcomes)
    if not meshes or least > most:
        return None
    error = sum(o.error_deg for o in outcomes) / len(outcomes)
    slipped = []
    for mesh in meshes:
        tooth = mesh.tooth_deg
        if math.floor(most / tooth) * tooth >= least:
            return None
        slipped.append(tooth * (round(error / tooth) or math.copysign(1.0, error)))
    return Misfit(
        unit.name,
        error,
        {mesh.name: mesh.tooth_deg for mesh in meshes},
        min(slipped, key=lambda each: abs(error - each)),
        {mesh.driven: mesh.driven_turns for mesh in meshes},
        max(o.U_deg or 0.0 for o in outcomes),
    )


def _option(asked: _Asked, found: Found, task: Task) -> Option:
    steps = [step for choices, i in found.choices for step in choices.steps(i)]
    steps += [move.step(value) for move, value in found.ranges]
    column = {unit.name: i for i, unit in enumerate(asked.profile.units)}
    n = len(task.wants)
    known = [U if math.isfinite(U) else None for U in map(float, found.U)]
    outcomes = tuple(
        _outcome(want, float(found.shift_deg[column[want.unit]]), float(error), U, task.rule)
        for want, error, U in zip(task.wants, found.errors[:n], known[:n], strict=True)
    )
    pairs = tuple(
        PairOutcome(
            pair,
            float(error),
            U,
            outlook(float(error), U, -pair.tolerance_deg, pair.tolerance_deg, task.rule),
        )
        for pair, error, U in zip(task.pairs, found.errors[n:], known[n:], strict=True)
    )
    return Option(
        steps=tuple(_with_mates(step, task, asked.profile) for step in steps),
        outcomes=outcomes,
        pairs=pairs,
        remaining_deg=found.remaining_deg,
        inside=all(each.inside for each in outcomes) and all(each.inside for each in pairs),
        lever_place=_lever_places(asked, found, outcomes),
        disturbs=found.disturbs,
        reversible=found.reversible,
        words="; then ".join(step.words for step in steps) or "leave everything as it is",
    )


def _outcome(
    want: Want, shift_deg: float, error_deg: float, U_deg: float | None, rule: Rule
) -> Outcome:
    low, high = want.latest_btdc - want.wanted_btdc, want.earliest_btdc - want.wanted_btdc
    verdict = outlook(error_deg, U_deg, low, high, rule)
    return Outcome(want, shift_deg, want.wanted_btdc + error_deg, error_deg, U_deg, verdict)


def _with_mates(step: Step, task: Task, profile: Profile) -> Step:
    """The step, with a warning for each unit that it moves without having been read."""
    read = {want.unit for want in task.wants}
    unread = [u.name for u in profile.units if step.shift_deg.get(u.name) and u.name not in read]
    if not unread:
        return step
    names = " and ".join(unread)
    more = f"this moves {names} as well, which was not read: read it afterwards"
    return replace(step, warnings=(*step.warnings, more))


def _lever_places(asked: _Asked, found: Found, outcomes: Sequence[Outcome]) -> dict[str, float]:
    """Unit: where in its range the wanted figure comes to lie, 0 full retard to 1 full advance."""
    column = {unit.name: i for i, unit in enumerate(asked.profile.units)}
    by_lever = {move.lever: value for move, value in found.ranges if move.lever}
    places = {}
    for name, end in asked.ends.items():
        wants = [o.want for o in outcomes if o.want.unit == name]
        span = end.advance_btdc - end.retard_btdc
        if not wants or span <= 0.0:
            continue
        moved = float(found.shift_deg[column[name]]) - by_lever.get(name, 0.0)
        at = wants[0].read_btdc + by_lever[name] if name in by_lever else None
        target = at if at is not None else wants[0].wanted_btdc - moved
        places[name] = (target - end.retard_btdc) / span
    return places
