"""A proposal in words: what can be reached for each unit, with what, and each option."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from rig.adjust import plan
from rig.base.rounding import btdc, btdc_with, entered, is_known, listed, many, size, within


def proposal_lines(proposal: plan.Proposal, *, every: bool) -> Iterator[str]:
    """The state of each unit and what can be reached for it; then the options, in their order."""
    yield from (headline(proposal), "")
    for reach in proposal.units:
        yield from _reach(reach)
    yield from (f"{each.unit}: {misfit_words(each)}" for each in proposal.misfits)
    for n, each in enumerate(proposal.numbered if every else proposal.options, 1):
        yield from ("", *_option(n, each))
    if proposal.notes:
        yield from ("", *(f"note: {text}" for text in proposal.notes))


def headline(proposal: plan.Proposal) -> str:
    """What can be reached, in one sentence, and with which option."""
    if proposal.present.inside:
        return "everything is inside: nothing has to be moved"
    number, first = next(
        ((n, each) for n, each in enumerate(proposal.options, 1) if each.inside),
        (1, proposal.options[0]),
    )
    if first.inside and first.reversible:
        return f"option {number} brings everything inside: {many(len(first.steps), 'step')}"
    if first.inside:
        return (
            f"nothing that can be undone brings everything inside; option {number} does, and"
            " CANNOT be undone"
        )
    left = [each for each in first.outcomes if not each.inside]
    if not left:
        apart = next(each for each in first.pairs if not each.inside)
        return (
            f"no adjustment in the engine file brings {apart.want.unit} and {apart.want.other}"
            f" to their nominal difference: option 1 leaves them {_pair_verdict(apart)}, each"
            " unit inside"
        )
    outside = list(dict.fromkeys(each.want.unit for each in left))
    names = listed(outside)
    if not first.steps and len(proposal.options) > 1:
        return (
            f"nothing that can be undone brings {names} inside, or nearer; option 2 brings nearer,"
            " and CANNOT be undone"
        )
    if not first.steps:
        return f"nothing that the engine file names brings {names} inside, or nearer"
    units = dict.fromkeys(each.want.unit for each in first.outcomes)
    helped = [unit for unit in units if unit not in outside]
    also = f"{listed(helped)} inside; " if helped else ""
    ends = "; ".join(f"{each.want.unit} {outcome_words(each)}" for each in left)
    by_cut = [
        (n, found)
        for n, option in enumerate(proposal.options, 1)
        if not option.reversible and (found := _inside_of(option, outside))
    ]
    never = [unit for unit in outside if not any(unit in found for _, found in by_cut)]
    which = f"nothing that the engine file names brings {listed(never)} inside"
    if not never:
        which = "nothing that the engine file names brings everything inside"
    more = ""
    if by_cut:
        number, found = by_cut[0]
        more = f". Option {number} brings {listed(found)} inside, and CANNOT be undone"
    return f"{which}: option 1 leaves {also}{ends}{more}"


def _inside_of(option: plan.Option, units: Sequence[str]) -> list[str]:
    """Those of some units that an option leaves inside."""
    left = {each.want.unit for each in option.outcomes if not each.inside}
    return [unit for unit in units if unit not in left]


def _reach(reach: plan.Reach) -> Iterator[str]:
    """What can be reached for one unit by itself, with what, and what cannot."""
    yield f"{reach.unit} as read: {_all_verdicts(reach.now.outcomes)}"
    if reach.now.inside:
        return
    best, with_what = reach.best.outcomes, _with_what(reach.best)
    if reach.best.inside:
        yield f"  {with_what} brings it inside"
    elif not any(outcome.verdict.outside for outcome in best):
        if with_what:
            yield f"  {with_what} brings it to: {_all_verdicts(best)}"
        yield f"  {_why_inconclusive(best)}"
    elif reach.best.steps:
        yield (
            f"  nothing that can be undone brings it inside; {with_what} brings it nearer:"
            f" {_all_verdicts(best)}"
        )
    else:
        yield "  nothing that can be undone brings it nearer"
    if (lasting := reach.lasting) is not None:
        to = "inside" if lasting.inside else f"nearer, {_all_verdicts(lasting.outcomes)}"
        yield f"  {_with_what(lasting)} brings it {to}, which CANNOT be undone"


def _why_inconclusive(outcomes: Sequence[plan.Outcome]) -> str:
    """What would decide it, where no adjustment does."""
    worst = max(outcomes, key=lambda o: (not o.inside, math.inf if o.U_deg is None else o.U_deg))
    if not is_known(worst.U_deg):
        return "one reading has no uncertainty: take more, then nothing may have to be moved"
    U = worst.U_deg or 0.0
    if worst.want.earliest_btdc - worst.want.latest_btdc < 2.0 * U:
        return f"no place in its window is inside by {within(U)}: a smaller uncertainty is needed"
    return (
        f"its uncertainty of {within(U)} decides: more readings, or a better TDC, make it smaller"
    )


def _with_what(option: plan.Option) -> str:
    """``turning the body of upper and another mesh of idler``."""
    return " and ".join(f"{step.kind.called} {step.part}" for step in option.steps)


def _all_verdicts(outcomes: Sequence[plan.Outcome]) -> str:
    """The verdict on a unit with one want, or the worst of several."""
    worst = max(outcomes, key=lambda o: (o.verdict.outside, not o.inside, abs(o.error_deg)))
    where = "" if len(outcomes) == 1 or worst.inside else f"{_where(worst)} "
    return f"{where}{outcome_words(worst)}"


def _where(outcome: plan.Outcome) -> str:
    cylinder = "" if outcome.want.cylinder is None else f", cylinder {outcome.want.cylinder}"
    return f"{outcome.want.setting}{cylinder}"


def outcome_words(outcome: plan.Outcome) -> str:
    """``inside, 0.20° early of nominal``; ``OUTSIDE, 1.20° beyond the late limit, ...``."""
    off = size(outcome.error_deg, outcome.U_deg)
    side = "early" if outcome.error_deg > 0 else "late"
    nominal = f"{off}° {side} of nominal" if float(off) else "on nominal"
    if not outcome.verdict.outside:
        return f"{outcome.verdict}, {nominal}"
    if outcome.beyond_deg > 180.0:
        return "OUTSIDE, one crank turn out"  # early or late is the same in a cycle of two turns
    beyond = size(outcome.beyond_deg, outcome.U_deg)
    return f"OUTSIDE, {beyond}° beyond the {side} limit, {nominal}"


def _pair_verdict(pair: plan.Outcome) -> str:
    off = f"{size(pair.error_deg, pair.U_deg)}° from their nominal difference"
    return f"{'OUTSIDE' if pair.verdict.outside else pair.verdict}, {off}"


def misfit_words(each: plan.Misfit) -> str:
    """An error that no slipped tooth explains, and how far a key or a gear would be out."""

    def digits(deg: float) -> str:
        return f"{size(deg, each.U_deg)}°"

    def side(deg: float) -> str:
        return f"{digits(deg)} {'early' if deg > 0 else 'late'}"

    def at_shafts(deg: float) -> str:
        turns = each.shaft_turns.items()
        return ", ".join(f"{digits(deg * speed)} of {name}" for name, speed in turns)

    teeth = ", ".join(f"{entered(deg)}° ({name})" for name, deg in each.teeth_deg.items())
    return (
        f"{side(each.error_deg)} is not a multiple of a tooth, which is {teeth}: look for a key or"
        f" a re-made gear that is out by {digits(each.error_deg)} of crank"
        f" ({at_shafts(each.error_deg)}); with a tooth slipped as well, for one that is"
        f" {side(each.left_deg)} ({at_shafts(each.left_deg)})"
    )


def _option(number: int, option: plan.Option) -> Iterator[str]:
    inside = "all inside" if option.inside else "NOT all inside"
    what = "leave everything as it is"
    if option.steps:
        undone = "can be undone" if option.reversible else "CANNOT be undone"
        what = f"{many(option.disturbs, 'part')} disturbed, {undone}"
    yield f"option {number}: {inside}; {what}"
    yield from (f"  step {n}: {step.words}" for n, step in enumerate(option.steps, 1))
    for each in option.outcomes:
        yield (
            f"  {each.want.unit}, {_where(each)}: {btdc(each.want.read_btdc, each.want.U_deg)}"
            f" read, {btdc_with(each.predicted_btdc, each.U_deg)} predicted: {outcome_words(each)}"
        )
    worst: dict[tuple[str, str], plan.Outcome] = {}
    for pair in sorted(option.pairs, key=lambda p: (not p.inside, abs(p.error_deg))):
        worst[pair.want.unit, pair.want.other] = pair
    for (first, second), pair in worst.items():
        yield f"  {first} and {second}: {_pair_verdict(pair)}"
    for unit, place in option.lever_place.items():
        yield (
            f"  lever of {unit}: its nominal is at {100.0 * place:.0f} per cent of its range,"
            " from full retard up"
        )
    yield from (f"  caution: {text}" for text in option.warnings)
