"""Save a timing certificate: the record (JSON) and its page (HTML), from one or more captures."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from rig.base.errors import InputError
from rig.base.escape import message
from rig.certificate import record
from rig.certificate.record import save_for_job
from rig.cli.output import (
    figures,
    json_option,
    newest_capture,
    open_job,
    result_lines,
    verdict_status,
)
from rig.engine.profile import Profile
from rig.job.results import Change, work_job
from rig.wire.capture import is_growing
from rig.words.diagnostics import remarks_on


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig certify``."""
    parser.add_argument("job", type=Path, help="the job folder")
    parser.add_argument("capture", type=Path, nargs="*", help="default: the newest capture")
    parser.add_argument(
        "--change",
        action="append",
        default=[],
        metavar="WORDS",
        help="what was changed since the last certificate; may be given again",
    )
    parser.add_argument(
        "--change-of",
        action="append",
        default=[],
        nargs=2,
        metavar=("UNIT", "WORDS"),
        help="the same, of one unit alone",
    )
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Save the certificate and say where it is."""
    job = open_job(args.job, "certify")
    paths = args.capture or [newest_capture(job, "certify")]
    for path in paths:
        if is_growing(path):
            raise InputError(
                f"{path}: a program is taking this capture just now; end it there first (s saves"
                " the certificate, q ends without one), or name another capture"
            )
    worked = work_job(job, paths)
    for text in remarks_on(worked):
        message(f"rig certify: {text}")
    record_path, page_path = save_for_job(job, worked, _told(args, job.profile))
    answer: dict[str, Any] = {
        "certificate": str(record_path),
        "page": str(page_path),
        "judgements": record.load(record_path)["judgements"],
    }
    figures(
        args,
        answer,
        [
            *result_lines(record_path),
            f"certificate: {record_path}",
            f"page:        {page_path}",
        ],
    )
    return verdict_status(worked.assessments, worked.comparisons) if worked.sound else 1


def _told(args: argparse.Namespace, profile: Profile) -> list[Change]:
    """Changes that are told now and stand in no capture."""
    told = [*(("", words) for words in args.change), *args.change_of]
    names = [unit.name for unit in profile.units]
    for unit, words in told:
        if unit and unit not in names:
            raise InputError(f"--change-of {unit}: the engine file has {', '.join(names)}")
        if not words.strip():
            raise InputError("a change needs words: what was changed?")
    return [Change(words.strip(), unit) for unit, words in told]
