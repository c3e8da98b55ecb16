"""What a job's captures say: readings, assessments and comparison, without saving anything."""

from __future__ import annotations

import argparse
from pathlib import Path

from rig.base.escape import message
from rig.base.rounding import after_index_with
from rig.cli.output import figures as put
from rig.cli.output import (
    json_option,
    judgement_lines,
    newest_capture,
    open_job,
    reading_lines,
    reading_parts,
    verdict_status,
)
from rig.job.results import work_job
from rig.words.diagnostics import remarks_on


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig results``."""
    parser.add_argument("job", type=Path, help="the job folder")
    parser.add_argument("capture", type=Path, nargs="*", help="default: the newest capture")
    parser.add_argument("--readings", action="store_true", help="every reading, too")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print the figures; 1 when a verdict is negative, or something stated cannot be so."""
    job = open_job(args.job, "figures")
    worked = work_job(job, args.capture or [newest_capture(job, "figures")])
    for text in remarks_on(worked):
        message(f"rig results: {text}")
    if worked.reference is None:
        message("rig results: TDC is not known yet, so there are no verdicts")
    answer = {
        "captures": [str(played.path) for played in worked.played],
        "reference": worked.reference,
        "readings": [reading_parts(each) for each in worked.readings],
        "judgements": worked.assessments,
        "comparisons": worked.comparisons,
        "said": remarks_on(worked),
    }
    lines = []
    if worked.reference is not None:
        of = worked.reference
        tdc = after_index_with(of.tdc_deg, of.uncertainty.U_deg)
        lines.append(f"TDC: {tdc} ({of.by})")
    if args.readings:
        lines += reading_lines(worked.readings)
    put(args, answer, lines + judgement_lines(worked.assessments, worked.comparisons))
    return verdict_status(worked.assessments, worked.comparisons) if worked.sound else 1
