"""What to move so that every unit opens where it should: how far, which way, with what.

Uses the means that the engine file states under [means], ranks what they can do, and says what the
next reading ought to be. Taking an option (--take) saves that prediction in the job; after the
change, --confirm sets the next reading beside it. The maker's manual has the last word on what may
be moved, cut or drilled.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from rig.command.lever import ends_of
from rig.command.opened import newest_capture, open_job
from rig.command.say import angle, figures, json_option, message
from rig.engine.stated import many
from rig.faults import InputError
from rig.job import predictions
from rig.job.folder import Job
from rig.job.when import iso
from rig.job.work import Worked, work_job
from rig.timing.correction.plan import Confirmation, Option, PairOutcome, Prediction, Proposal
from rig.timing.correction.predict import predict
from rig.timing.correction.propose import propose
from rig.timing.correction.wants import not_corrected, wants_from

NEAREST = 3
"""So many options are shown where none gets everything inside."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig correct``."""
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
    parser.add_argument("--all", action="store_true", help="show the options that do not help, too")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Rank the options, or confirm; 1 when nothing reaches or the prediction is not borne out."""
    job = open_job(args.job, "correct")
    worked = work_job(job, args.capture or [newest_capture(job, "correct")])
    for text in worked.said:
        message(f"rig correct: {text}")
    if worked.reference is None:
        raise InputError(f"{args.job}: top dead centre is not known yet, so nothing can be judged")
    now = datetime.now(UTC)
    if args.confirm or args.prediction:
        return _confirm(args, job, worked, now)
    now_judged = predictions.judged_now(job, worked, carried_out=not args.change_not_made)
    proposal = propose(
        wants_from(now_judged, job.profile), job.profile, job.means,
        levers=ends_of(now_judged, job.profile), grain_deg=args.grain_deg,
    )  # fmt: skip
    moving = not_corrected(now_judged, job.profile)
    predicted = [predict(option, now_judged, iso(now)) for option in proposal.options]
    saved = None
    if args.take is not None:
        if not 1 <= args.take <= len(proposal.options):
            raise InputError(f"--take {args.take}: there are options 1 to {len(proposal.options)}")
        option, wanted = proposal.options[args.take - 1], predicted[args.take - 1]
        if not wanted:
            raise InputError(f"--take {args.take}: it moves no unit that was read")
        saved = predictions.save(job, worked, option, wanted, now)
    answer = {
        "reached": proposal.reached,
        "words": proposal.words,
        "options": [
            asdict(option) | {"predictions": [asdict(each) for each in each_predicted]}
            for option, each_predicted in zip(proposal.options, predicted, strict=True)
        ],
        "notes": list(proposal.notes),
        "not_corrected": moving,
        "saved": str(saved) if saved else None,
    }
    lines = _lines(proposal, every=args.all)
    lines = [*moving, "", *lines] if moving else lines
    if saved and args.take is not None:
        lines += [f"option {args.take} is taken; its prediction: {saved}"]
        lines += [_predicted(each) for each in predicted[args.take - 1]]
        lines += ["make the change, tighten, read again, then: rig correct JOB --confirm"]
    figures(args, answer, lines)
    return 0 if proposal.reached and not moving else 1


def _confirm(args: argparse.Namespace, job: Job, worked: Worked, now: datetime) -> int:
    sheet = predictions.load(args.prediction) if args.prediction else predictions.newest(job)
    if sheet is None:
        raise InputError(f"{job.folder}: no prediction was saved; rig correct --take saves one")
    found = predictions.confirmed(job, worked, sheet)
    saved = predictions.save_outcome(job, sheet, found, now)
    answer = {
        "prediction": str(sheet.path),
        "change": sheet.words,
        "confirmations": found,
        "saved": str(saved),
    }
    figures(args, answer, [f"change: {sheet.words}", *(_confirmation(each) for each in found)])
    return 1 if any(each.verdict in predictions.NEGATIVE for each in found) else 0


def _confirmation(each: Confirmation) -> str:
    return f"{each.verdict:<17} {_which(each.prediction)}: {each.words}"


def _predicted(each: Prediction) -> str:
    before, after = angle(each.before_btdc), angle(each.predicted_btdc)
    return f"  {_which(each)}: {before} before, {after} predicted"


def _which(each: Prediction) -> str:
    cylinder = "" if each.cylinder is None else f", cylinder {each.cylinder}"
    return f"{each.unit}, {each.setting}{cylinder}"


def _lines(proposal: Proposal, *, every: bool) -> list[str]:
    """The options that get everything inside, or the nearest ones if none do; the present state."""
    lines = [proposal.words]
    nothing = not proposal.options[0].steps  # everything is inside, or nothing helps
    for number, option in enumerate(proposal.options, 1):
        useful = not nothing and (option.inside if proposal.reached else number <= NEAREST)
        if every or useful or not option.steps:
            lines += ["", *_option(number, option)]
    if proposal.notes:
        lines += ["", *(f"note: {text}" for text in proposal.notes)]
    return lines


def _option(number: int, option: Option) -> list[str]:
    if option.steps:
        parts = f"{many(option.disturbs, 'part')} disturbed"
        undone = "can be undone" if option.reversible else "CANNOT be undone"
        head = f"leaves {_at_most(option)}, {parts}, {undone}"
    else:
        head = f"leave everything as it is: {_at_most(option)}"
    inside = "all inside" if option.inside else "NOT all inside"
    lines = [f"option {number}: {inside}; {head}"]
    lines += [f"  step {n}: {step.words}" for n, step in enumerate(option.steps, 1)]
    for each in option.outcomes:
        want = each.want
        cylinder = "" if want.cylinder is None else f", cylinder {want.cylinder}"
        lines.append(
            f"  {want.unit}, {want.setting}{cylinder}: {angle(want.read_btdc)} read,"
            f" {angle(each.predicted_btdc)} predicted, {_off(each.error_deg, each.inside)}"
        )
    worst: dict[tuple[str, str], PairOutcome] = {}
    for pair in option.pairs:  # one for each cylinder: the worst of them speaks for the two
        names = (pair.first, pair.second)
        worst[names] = max(pair, worst.get(names, pair), key=lambda each: abs(each.error_deg))
    for pair in worst.values():
        lines.append(
            f"  {pair.first} and {pair.second}: {abs(pair.error_deg):.2f}° at most from what they"
            f" are to stand apart, {'inside' if pair.inside else 'OUTSIDE'}"
        )
    for unit, place in option.lever_place.items():
        lines.append(
            f"  lever of {unit}: the wanted figure lies at {100.0 * place:.0f} per cent of its"
            " range, from full retard up"
        )
    return [*lines, *(f"  caution: {text}" for text in option.warnings)]


def _at_most(option: Option) -> str:
    """The largest error: of what is outside, where anything is."""
    errors = [abs(each.error_deg) for each in option.outcomes if not each.inside]
    errors += [abs(pair.error_deg) for pair in option.pairs if not pair.inside]
    if errors:
        return f"{max(errors):.2f}° off at most of what is outside"
    return f"{option.remaining_deg:.2f}° off at most"


def _off(error_deg: float, inside: bool) -> str:
    side = "early" if error_deg > 0 else "late"
    size = "on the figure" if abs(error_deg) < 0.005 else f"{abs(error_deg):.2f}° {side} of it"
    return f"{size}, {'inside' if inside else 'OUTSIDE'}"
