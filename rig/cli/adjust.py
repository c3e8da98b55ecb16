"""What to move so that every unit opens where it should, and whether it did as predicted."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime

from rig.adjust import outcomes, plan, predictions
from rig.adjust.proposal_words import headline, misfit_words, proposal_lines
from rig.base.errors import InputError
from rig.base.rounding import btdc
from rig.cli.output import JOB_AND_CAPTURES, Answer, Command, fields_of, job_results, open_job
from rig.job.folder import Job
from rig.job.results import JobResults, PredictedOpening
from rig.words.diagnostics import remarks_on


def run(args: argparse.Namespace) -> Answer:
    """What to move so that every unit opens where it should: how far, which way, with
    what. Uses what the engine file enters under [adjustment], shows what can be reached
    for each unit, and ranks the options: what can be undone comes first.

    --take saves in the job what an option predicts. After the change, --confirm
    compares the next reading with it. The maker's manual has the last word on what
    may be moved, cut or drilled.

    Exit status 1: no option brings everything inside, or a prediction is not
    confirmed.
    """
    job = open_job(args)
    worked = job_results(args, job, args.capture, assessed=True)
    now = datetime.now(UTC)
    if args.confirm or args.prediction:
        return _confirm(args, job, worked, now)
    made = not args.change_not_made
    choice = predictions.Choice(args.take or 1, args.grain_deg, carried_out=made)
    proposal, predicted, read = predictions.proposed(job, worked, choice, now)
    moving = plan.not_corrected(read, job.profile)
    saved = predictions.save(job, worked, choice, now) if args.take is not None else None
    options = enumerate(zip(proposal.numbered, predicted, strict=True), 1)
    figures = {
        "reached": proposal.reached,
        "words": headline(proposal),
        "options": [
            fields_of(each)
            | {"number": n, "offered": n <= len(proposal.options)}
            | {"predictions": list(map(plan.plain_prediction, own))}
            | {"pairs": list(map(plan.plain_pair, each.pairs))}
            for n, (each, own) in options
        ],
        "units": proposal.units,
        "misfits": [fields_of(each) | {"words": misfit_words(each)} for each in proposal.misfits],
        "notes": proposal.notes,
        "not_corrected": moving,
        "saved": str(saved) if saved else None,
    }  # fmt: skip
    lines = [*moving, *([""] if moving else []), *proposal_lines(proposal, every=args.all_options)]
    if saved and args.take is not None:
        lines += [f"option {args.take} is taken; its prediction: {saved}"]
        for each in predicted[args.take - 1]:
            before, after = (
                btdc(deg, each.expanded_deg) for deg in (each.before_btdc, each.predicted_btdc)
            )
            lines.append(f"  {_which(each)}: {before} before, {after} predicted")
        lines += ["Make the change, tighten, read again, then: rig adjust JOB --confirm"]
    return Answer(figures, lines, 0 if proposal.reached and not moving else 1)


def _confirm(args: argparse.Namespace, job: Job, worked: JobResults, now: datetime) -> Answer:
    sheet = predictions.load(args.prediction) if args.prediction else predictions.newest(job)
    if sheet is None:
        raise InputError(f"{job.folder}: no prediction was saved; rig adjust --take saves one")
    found = outcomes.confirmed(job, worked, sheet)
    saved = outcomes.save(job, worked, sheet, found, now)
    figures = {
        "prediction": str(sheet.path),
        "change": sheet.made.words,
        "confirmations": [each.plain() for each in found],
        "said": remarks_on(worked),
        "saved": str(saved),
    }
    lines = [f"change: {sheet.made.words}"]
    lines += [f"{each.opening.verdict:<17} {_which(each.opening)}: {each.words}" for each in found]
    return Answer(figures, lines, int(any(each.missed for each in found)))


def _which(each: PredictedOpening) -> str:
    cylinder = "" if each.cylinder is None else f", cylinder {each.cylinder}"
    return f"{each.unit}, {each.setting}{cylinder}"


OPTIONS = f"""
{JOB_AND_CAPTURES}
--take N            save what this option predicts; then carry it out
--confirm           compare the readings since with the newest prediction
--change-not-made   the newest prediction was never carried out
--prediction FILE   confirm this prediction, not the newest
--grain-deg DEG     errors closer than this count as equal
--all-options       also show options that do not help
"""
COMMANDS = {"adjust": Command(run, OPTIONS)}
