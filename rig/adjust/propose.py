"""What the adjustments of an engine can do about what was read: options in order, and each unit
alone.

The search finds what can be reached; here the options get the order in which they are shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from statistics import fmean

import numpy as np

from rig.adjust.kinds import earlier, moves
from rig.adjust.moves import Fitted
from rig.adjust.plan import (
    Misfit,
    Option,
    Outcome,
    Proposal,
    Reach,
    Step,
    Want,
    outlook,
)
from rig.adjust.search import Found, Search
from rig.adjust.task import WRONG_STROKE_DEG, Rank, make_task
from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError
from rig.base.rounding import listed, size
from rig.engine import gear_train
from rig.engine.profile import Adjustments, Profile
from rig.timing.advance_range import LeverEnds

GRAIN_DEG = 0.1
MOST_MOVES = 4  # combined in one option
NEAREST = 3  # so many options are offered where none gets everything inside
LASTING = 4  # so many of the options that cannot be undone are looked for


def propose(
    wants: Sequence[Want],
    profile: Profile,
    entered: Adjustments,
    *,
    pairs: Sequence[Want] = (),
    levers: Sequence[LeverEnds] = (),
    grain_deg: float | None = None,
    rules: Rules = (),
) -> Proposal:
    """What can be done about ``wants`` and ``pairs`` with the adjustments entered, in the order
    shown.

    Units in one body move together. ``grain_deg`` is the error below which two options are taken
    as equal: by default a tenth of a degree, or the uncertainty of the readings where that is more.
    ``rules`` are those of an earlier version. Raises InputError without wants or without
    adjustments. Source: ``rig.adjust.search``.
    """
    if not wants:
        raise InputError("a correction needs a reading and its window")
    by_last = EarlierRule.LEVER_MOVES_ALL in rules
    names = list(dict.fromkeys(want.unit for want in wants))
    of = Fitted(
        profile.units, profile.engine, entered.train,
        ends={end.unit: end for end in levers if end.span_deg > 0.0},
        read_btdc={w.unit: w.read_btdc for w in wants} if by_last
        else {name: _figure([w for w in wants if w.unit == name]) for name in names},
        U_deg={w.unit: w.U_deg for w in wants if w.U_deg is not None},
        at_places=() if by_last
        else [n for n in names if len({w.setting for w in wants if w.unit == n}) > 1],
        rules=rules,
    )  # fmt: skip
    found, notes = moves(of, entered)
    if not found and not notes:
        raise InputError(
            "the engine file names nothing that can be moved: enter its slots, meshes, couplings "
            "and so on under [adjustment]"
        )
    bodies = {u.body or u.name for u in profile.units if u.name in of.read_btdc}
    grain = max(GRAIN_DEG, *(w.u_deg for w in wants)) if grain_deg is None else grain_deg
    ends = {lever.unit: of.ends[lever.unit] for lever in entered.levers if lever.unit in of.ends}

    def search(wanted: Sequence[Want]) -> Search:
        task = make_task(wanted, profile.units, profile.decision_rule, grain)
        return Search(task, found, min(2 + len(bodies), MOST_MOVES), ends)

    whole = search([*wants, *pairs])
    offered, others = _ordered(whole)
    units = [
        _reach(of, name, search([w for w in wants if w.unit == name])) for name in of.read_btdc
    ]
    options = tuple(_option(of, whole, found) for found in offered)
    if not any(option.inside for option in options):
        notes = [*_compromises(of, wants), *notes]
    return Proposal(
        options=options,
        others=tuple(_option(of, whole, found) for found in others),
        units=tuple(units),
        misfits=tuple(m for reach in units if (m := _misfit(of, reach))),
        notes=(*notes, *whole.left_out()),
    )


def _figure(own: Sequence[Want]) -> float:
    """What was read of a unit: of all its cylinders, else the mean of those that were read."""
    whole = [want.read_btdc for want in own if want.cylinder is None]
    return fmean(whole[:1] or [want.read_btdc for want in own])


def _compromises(of: Fitted, wants: Sequence[Want]) -> Iterator[str]:
    """For each body of which no place has all that was read inside: the place nearest to all."""
    bodies = [of.body(name) for name in dict.fromkeys(u.body or u.name for u in of.units)]
    for units in bodies:
        names = {unit.name for unit in units}
        own = [want for want in wants if want.unit in names]
        least = max((w.limits_deg[0] - w.error_deg for w in own), default=0.0)
        most = min((w.limits_deg[1] - w.error_deg for w in own), default=0.0)
        if least > most and all(abs(want.error_deg) <= WRONG_STROKE_DEG for want in own):
            U_deg = of.finest(units)
            read = listed(dict.fromkeys(want.unit for want in own))
            yield (
                f"no place of the body of {read} has everything read of it inside: nearest to all"
                f" is {earlier((least + most) / 2.0, U_deg)} than now, where the worst is"
                f" {size((least - most) / 2.0, U_deg)} degrees beyond its limit"
            )


def _ordered(search: Search) -> tuple[list[Found], list[Found]]:
    """What is offered, in the order shown; and the rest in the same order.

    Where something that can be undone gets everything inside, only what gets there too; else what
    comes nearest. What cannot be undone has to bring more than all that can, or everything inside.
    """
    still = search.present()
    undoable = [f for f in search.best() if f.moved]
    lasting = search.best(keep=LASTING, lasting=True)
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
            move.occupies if move.is_range else (move.occupies, at) for move, at in found.moved
        )
        if not moved or not any(before and before <= moved for before, _ in kept):
            kept.append((moved, found))
    return [found for _, found in kept]


def _shown(found: Found) -> tuple[bool, bool, Rank]:
    """The order in which options are shown: what cannot be undone last, before it the present
    state unless that is inside."""
    return not found.reversible, not found.moved and not found.inside, found.rank


def _reach(of: Fitted, unit: str, alone: Search) -> Reach:
    """What can be reached for one unit, the others left out of account."""
    best, lasting = alone.best(keep=1)[0], None
    if not best.inside:
        cuts = alone.best(keep=1, lasting=True)
        lasting = next((cut for cut in cuts if cut.rank < best.rank), None)
    return Reach(
        unit,
        _option(of, alone, alone.present()),
        _option(of, alone, best),
        _option(of, alone, lasting) if lasting else None,
    )


def _misfit(of: Fitted, reach: Reach) -> Misfit | None:
    """The error of a unit that nothing brings inside, where no slipped tooth explains it.

    A tooth explains it where it would bring the unit to its window, its uncertainty considered.
    """
    outcomes, train = reach.now.outcomes, of.train
    helped = not any(o.verdict.outside for o in reach.best.outcomes)
    meshes = of.driven_by(of.unit(reach.unit))
    if train is None or not meshes or helped or any(o.U_deg is None for o in outcomes):
        return None
    # What a shift has to be at least and at most to leave none of the unit's wants outside.
    most = min(o.want.earliest_btdc + (o.U_deg or 0.0) - o.predicted_btdc for o in outcomes)
    least = max(o.want.latest_btdc - (o.U_deg or 0.0) - o.predicted_btdc for o in outcomes)
    teeth = {
        f"{mesh.driver} to {mesh.driven}": float(gear_train.tooth_crank_deg(train, mesh))
        for mesh in meshes
    }
    if least > most or any(math.floor(most / tooth) * tooth >= least for tooth in teeth.values()):
        return None
    error = sum(o.error_deg for o in outcomes) / len(outcomes)
    slipped = [
        tooth * (round(error / tooth) or math.copysign(1.0, error)) for tooth in teeth.values()
    ]
    return Misfit(
        reach.unit,
        error,
        teeth,
        min(slipped, key=lambda each: abs(error - each)),
        {mesh.driven: float(gear_train.speed(train, mesh.driven)) for mesh in meshes},
        max(o.U_deg or 0.0 for o in outcomes),
    )


def _option(of: Fitted, search: Search, found: Found) -> Option:
    task = search.task
    steps = [step for move, at in found.moved for step in move.steps(at)]
    moved = {u.name: float(deg) for u, deg in zip(of.units, found.shift_deg, strict=True)}
    outcomes: list[Outcome] = []
    pairs: list[Outcome] = []
    for want, error, U in zip(task.wants, found.errors.tolist(), found.U.tolist(), strict=True):
        U_deg = U if math.isfinite(U) else None
        verdict = outlook(error, U_deg, *want.limits_deg, task.rule)
        shift_deg = moved[want.unit] - moved.get(want.other, 0.0)
        kept = pairs if want.other else outcomes
        kept.append(Outcome(want, shift_deg, want.wanted_btdc + error, error, U_deg, verdict))
    return Option(
        steps=tuple(_with_mates(step, of, outcomes) for step in steps),
        outcomes=tuple(outcomes),
        pairs=tuple(pairs),
        remaining_deg=float(np.abs(found.errors).max()),
        inside=all(each.inside for each in (*outcomes, *pairs)),
        lever_place=_lever_places(of, found, moved, outcomes),
        disturbs=int(found.rank.disturbs),
        reversible=found.reversible,
        words="; then ".join(step.words for step in steps) or "leave everything as it is",
    )


def _with_mates(step: Step, of: Fitted, outcomes: Sequence[Outcome]) -> Step:
    """The step, with a warning for each unit that it moves without having been read."""
    read = {each.want.unit for each in outcomes}
    unread = [u.name for u in of.units if step.shift_deg.get(u.name) and u.name not in read]
    if not unread:
        return step
    more = f"this moves {' and '.join(unread)} as well, which was not read: read it afterwards"
    return replace(step, warnings=(*step.warnings, more))


def _lever_places(
    of: Fitted, found: Found, moved: dict[str, float], outcomes: Sequence[Outcome]
) -> dict[str, float]:
    """Unit -> where in its lever's range its nominal is, 0 full retard to 1 full advance."""
    by_lever = {move.lever: value for move, value in found.moved if move.lever}
    places = {}
    for name, end in of.ends.items():
        want = next((o.want for o in outcomes if o.want.unit == name), None)
        if want is not None:
            at = want.wanted_btdc - moved[name]
            if name in by_lever:
                at = of.read_btdc[name] + by_lever[name]
            places[name] = (at - end.retard_btdc) / end.span_deg
    return places
