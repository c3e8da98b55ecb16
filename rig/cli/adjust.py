"""What to move so that every unit opens where it should: how far, which way, with what.

Uses what the engine file enters under [adjustment], says for each unit what can be reached, and
ranks the options: what can be undone comes first. Taking an option (--take) saves what it
predicts in the job; after the change, --confirm sets the next reading beside it. The maker's manual
has the last word on what may be moved, cut or drilled.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from rig.adjust import outcomes, predictions
from rig.adjust.plan import (
    Confirmation,
    Misfit,
    Option,
    Outcome,
    PairOutcome,
    Prediction,
    Proposal,
    Reach,
    not_corrected,
)
from rig.base.errors import InputError
from rig.base.escape import message
from rig.base.rounding import btdc, btdc_with, entered, is_known, listed, many, size, within
from rig.cli.output import figures, folded, json_option, newest_capture, open_job, plain
from rig.job.folder import Job
from rig.job.results import JobResults, work_job
from rig.words.diagnostics import remarks_on


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig adjust``."""
    parser.add_argument("job", type=Path, help="the job folder")
    parser.add_argument("capture", type=Path, nargs="*", help="default: the newest capture")
    parser.add_argument("--take", type=int, metavar="OPTION",
                        help="this option is carried out: save what it predicts")  # fmt: skip
    parser.add_argument("--confirm", action="store_true",
                        help="set what was read since beside the newest prediction")  # fmt: skip
    parser.add_argument("--change-not-made", action="store_true",
                        help="the newest prediction was never carried out")  # fmt: skip
    parser.add_argument("--prediction", type=Path, help="confirm this prediction, not the newest")
    parser.add_argument("--grain-deg", type=float,
                        help="errors closer than this are taken as equal")  # fmt: skip
    parser.add_argument(
        "--all-options", action="store_true", help="show the options that do not help, too"
    )
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Rank the options, or confirm; 1 when none brings all inside, or it is not confirmed."""
    job = open_job(args.job, "correct")
    worked = work_job(job, args.capture or [newest_capture(job, "correct")])
    for text in remarks_on(worked):
        message(f"rig adjust: {text}")
    if worked.reference is None:
        raise InputError(f"{args.job}: TDC is not known yet, so there are no verdicts")
    now = datetime.now(UTC)
    if args.confirm or args.prediction:
        return _confirm(args, job, worked, now)
    said = predictions.Said(args.take or 1, args.grain_deg, carried_out=not args.change_not_made)
    proposal, predicted, read = predictions.proposed(job, worked, said, now)
    options = proposal.numbered
    moving = not_corrected(read, job.profile)
    saved = None
    if args.take is not None:
        saved = predictions.save(job, worked, said, now)
    answer = {
        "reached": proposal.reached,
        "words": _headline(proposal),
        "options": [
            asdict(option)
            | {"number": number, "offered": number <= len(proposal.options)}
            | {"predictions": [asdict(each) for each in each_predicted]}
            for number, (option, each_predicted) in enumerate(
                zip(options, predicted, strict=True), 1
            )
        ],
        "units": list(proposal.units),
        "misfits": [plain(each) | {"words": _misfit(each)} for each in proposal.misfits],
        "notes": list(proposal.notes),
        "not_corrected": moving,
        "saved": str(saved) if saved else None,
    }
    lines = _lines(proposal, every=args.all_options)
    lines = [*moving, "", *lines] if moving else lines
    if saved and args.take is not None:
        lines += [f"option {args.take} is taken; its prediction: {saved}"]
        lines += [_predicted(each) for each in predicted[args.take - 1]]
        lines += ["Make the change, tighten, read again, then: rig adjust JOB --confirm"]
    figures(args, answer, folded(lines))
    return 0 if proposal.reached and not moving else 1


def _confirm(args: argparse.Namespace, job: Job, worked: JobResults, now: datetime) -> int:
    sheet = predictions.load(args.prediction) if args.prediction else predictions.newest(job)
    if sheet is None:
        raise InputError(f"{job.folder}: no prediction was saved; rig adjust --take saves one")
    found = predictions.confirmed(job, worked, sheet)
    saved = outcomes.save(job, worked, sheet, found, now)
    answer = {
        "prediction": str(sheet.path),
        "change": sheet.words,
        "confirmations": found,
        "said": remarks_on(worked),
        "saved": str(saved),
    }
    lines = [f"change: {sheet.words}", *(_confirmation(each) for each in found)]
    figures(args, answer, folded(lines))
    return 1 if any(each.verdict in predictions.NEGATIVE for each in found) else 0


def _confirmation(each: Confirmation) -> str:
    return f"{each.verdict:<17} {_which(each.prediction)}: {each.words}"


def _predicted(each: Prediction) -> str:
    U_deg = predictions.SIDES * each.u_deg
    before, after = btdc(each.before_btdc, U_deg), btdc(each.predicted_btdc, U_deg)
    return f"  {_which(each)}: {before} before, {after} predicted"


def _which(each: Prediction) -> str:
    cylinder = "" if each.cylinder is None else f", cylinder {each.cylinder}"
    return f"{each.unit}, {each.setting}{cylinder}"


def _lines(proposal: Proposal, *, every: bool) -> list[str]:
    """How each unit stands and what can be reached for it; then the options, in their order."""
    lines = [_headline(proposal), ""]
    for reach in proposal.units:
        lines += _reach(reach)
    lines += [f"{each.unit}: {_misfit(each)}" for each in proposal.misfits]
    shown = proposal.numbered if every else proposal.options
    for number, option in enumerate(shown, 1):
        lines += ["", *_option(number, option)]
    if proposal.notes:
        lines += ["", *(f"note: {text}" for text in proposal.notes)]
    return lines


def _headline(proposal: Proposal) -> str:
    """What can be reached, in one sentence, and with which option."""
    if proposal.present.inside:
        return "everything is inside: nothing has to be moved"
    inside = [n for n, option in enumerate(proposal.options, 1) if option.inside]
    first = proposal.options[inside[0] - 1] if inside else proposal.options[0]
    if inside and first.reversible:
        return f"option {inside[0]} brings everything inside: {many(len(first.steps), 'step')}"
    if inside:
        return (
            "nothing that can be undone brings everything inside; option "
            f"{inside[0]} does, and CANNOT be undone"
        )
    left = [each for each in first.outcomes if not each.inside]
    if not left:
        apart = next(each for each in first.pairs if not each.inside)
        return (
            f"no adjustment in the engine file brings {apart.want.first} and {apart.want.second} "
            f"to their nominal difference: option 1 leaves them {_pair_verdict(apart)}, each"
            " unit inside"
        )
    names = listed(dict.fromkeys(each.want.unit for each in left))
    if not first.steps and len(proposal.options) > 1:
        return (
            f"nothing that can be undone brings {names} inside, or nearer; option 2 brings nearer, "
            "and CANNOT be undone"
        )
    if not first.steps:
        return f"nothing that the engine file names brings {names} inside, or nearer"
    helped = dict.fromkeys(each.want.unit for each in first.outcomes if each.inside)
    for each in left:
        helped.pop(each.want.unit, None)
    also = f"{listed(helped)} inside; " if helped else ""
    ends = "; ".join(f"{each.want.unit} {_verdict(each)}" for each in left)
    return f"nothing that the engine file names brings {names} inside: option 1 leaves {also}{ends}"


def _reach(reach: Reach) -> list[str]:
    """What can be reached for one unit by itself, with what, and what cannot."""
    now, best = reach.now.outcomes, reach.best.outcomes
    lines = [f"{reach.unit} as read: {_all_verdicts(now)}"]
    if reach.now.inside:
        return lines
    with_what = _with_what(reach.best)
    if reach.best.inside:
        lines.append(f"  {with_what} brings it inside")
    elif not any(outcome.verdict.outside for outcome in best):
        lines += [f"  {with_what} brings it to: {_all_verdicts(best)}"] if with_what else []
        lines.append(f"  {_why_inconclusive(best)}")
    elif reach.best.steps:
        lines.append(f"  nothing that can be undone brings it inside; {with_what} brings it")
        lines[-1] += f" nearer: {_all_verdicts(best)}"
    else:
        lines.append("  nothing that can be undone brings it nearer")
    if reach.lasting is not None:
        to = (
            "inside" if reach.lasting.inside else f"nearer, {_all_verdicts(reach.lasting.outcomes)}"
        )
        lines.append(f"  {_with_what(reach.lasting)} brings it {to}, which CANNOT be undone")
    return lines


def _why_inconclusive(outcomes: Sequence[Outcome]) -> str:
    """What would decide it, where no adjustment does."""
    worst = max(outcomes, key=lambda o: (not o.inside, math.inf if o.U_deg is None else o.U_deg))
    if not is_known(worst.U_deg):
        return "one reading has no uncertainty: take more, then nothing may have to be moved"
    U = worst.U_deg or 0.0
    width = worst.want.earliest_btdc - worst.want.latest_btdc
    if width < 2.0 * U:
        return f"no place in its window is inside by {within(U)}: a smaller uncertainty is needed"
    return (
        f"its uncertainty of {within(U)} decides: more readings, or a better TDC, make it smaller"
    )


def _with_what(option: Option) -> str:
    """ "slot of upper and mesh of idler"."""
    return " and ".join(f"{step.means.called} {step.part}" for step in option.steps)


def _all_verdicts(outcomes: Sequence[Outcome]) -> str:
    """The verdict on a unit with one want, or the worst of several."""
    worst = max(outcomes, key=lambda o: (o.verdict.outside, not o.inside, abs(o.error_deg)))
    if len(outcomes) == 1 or worst.inside:
        return _verdict(worst)
    return f"{_where(worst)} {_verdict(worst)}"


def _where(outcome: Outcome) -> str:
    cylinder = "" if outcome.want.cylinder is None else f", cylinder {outcome.want.cylinder}"
    return f"{outcome.want.setting}{cylinder}"


def _verdict(outcome: Outcome) -> str:
    """ "inside, 0.20° early of nominal", "OUTSIDE, 1.20° beyond the late limit, ..."."""
    off = size(outcome.error_deg, outcome.U_deg)
    side = "early" if outcome.error_deg > 0 else "late"
    nominal = f"{off}° {side} of nominal" if float(off) else "on nominal"
    if outcome.verdict.outside:
        if outcome.beyond_deg > 180.0:
            return f"OUTSIDE, one crank turn {side}"
        beyond = size(outcome.beyond_deg, outcome.U_deg)
        return f"OUTSIDE, {beyond}° beyond the {side} limit, {nominal}"
    return f"{outcome.verdict}, {nominal}"


def _pair_verdict(pair: PairOutcome) -> str:
    off = f"{size(pair.error_deg, pair.U_deg)}° from their nominal difference"
    return f"{'OUTSIDE' if pair.verdict.outside else pair.verdict}, {off}"


def _misfit(each: Misfit) -> str:
    """What an error is that no slipped tooth explains, and by how much."""
    teeth = ", ".join(f"{entered(deg)}° ({name})" for name, deg in each.teeth_deg.items())

    def at_shafts(deg: float) -> str:
        turns = each.shaft_turns.items()
        return ", ".join(f"{size(deg * speed, each.U_deg)}° of {name}" for name, speed in turns)

    def side(deg: float) -> str:
        return f"{size(deg, each.U_deg)}° {'early' if deg > 0 else 'late'}"

    return (
        f"{side(each.error_deg)} is not a multiple of a tooth, which is {teeth}: look for a key or "
        f"a re-made gear that is out by {size(each.error_deg, each.U_deg)} crank degrees "
        f"({at_shafts(each.error_deg)}); with a tooth slipped as well, for one that is "
        f"{side(each.left_deg)} ({at_shafts(each.left_deg)})"
    )


def _option(number: int, option: Option) -> list[str]:
    inside = "all inside" if option.inside else "NOT all inside"
    if option.steps:
        parts = f"{many(option.disturbs, 'part')} disturbed"
        undone = "can be undone" if option.reversible else "CANNOT be undone"
        lines = [f"option {number}: {inside}; {parts}, {undone}"]
    else:
        lines = [f"option {number}: {inside}; leave everything as it is"]
    lines += [f"  step {n}: {step.words}" for n, step in enumerate(option.steps, 1)]
    for each in option.outcomes:
        read = btdc(each.want.read_btdc, each.want.U_deg)
        lines.append(
            f"  {each.want.unit}, {_where(each)}: {read} read,"
            f" {btdc_with(each.predicted_btdc, each.U_deg)} predicted: {_verdict(each)}"
        )
    worst: dict[tuple[str, str], PairOutcome] = {}
    for pair in option.pairs:  # one for each cylinder: the worst of them speaks for the two
        names = (pair.want.first, pair.want.second)
        worst[names] = max(
            pair, worst.get(names, pair), key=lambda p: (not p.inside, abs(p.error_deg))
        )
    for (first, second), pair in worst.items():
        lines.append(f"  {first} and {second}: {_pair_verdict(pair)}")
    for unit, place in option.lever_place.items():
        lines.append(
            f"  lever of {unit}: its nominal lies at {100.0 * place:.0f} per cent of its range,"
            " from full retard up"
        )
    return [*lines, *(f"  caution: {text}" for text in option.warnings)]
