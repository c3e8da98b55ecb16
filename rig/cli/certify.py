"""Certificates: save one, and prove one."""

from __future__ import annotations

import argparse
import os.path
from pathlib import Path

from rig.base.errors import InputError
from rig.base.rounding import many
from rig.certificate import issue, record, seal
from rig.certificate.prove import kind_of, prove, prove_job, prove_sheet
from rig.certificate.schema import ENGINE_FILE
from rig.cli.output import (
    JOB_AND_CAPTURES,
    Answer,
    Command,
    fields_of,
    job_results,
    newest_capture,
    open_job,
)
from rig.cli.results import assessment_lines, verdict_status
from rig.engine.profile import Profile
from rig.job.results import Change
from rig.wire.capture import is_growing


def certify(args: argparse.Namespace) -> Answer:
    """Save a timing certificate from one or more captures: the record (JSON) and
    its page (HTML).

    Exit status 1: it is saved, and a verdict is negative or an entry is wrong.
    """
    job = open_job(args)
    paths = args.capture or [newest_capture(args, job)]
    for path in paths:
        if is_growing(path):
            raise InputError(
                f"{path}: a program is still recording this capture: end it there first (s saves"
                " the certificate, q ends without one), or name another capture"
            )
    worked = job_results(args, job, paths)
    saved, page = issue.save_for_job(job, worked, _changes(args, job.profile))
    plain = record.load(saved)
    found = record.as_certificate(plain)
    lines = assessment_lines(found.judgements, found.comparisons)
    lines += [f"certificate: {saved}", f"page:        {page}"]
    status = verdict_status(worked.assessments, worked.comparisons) if worked.sound else 1
    figures = {"certificate": str(saved), "page": str(page), "judgements": plain["judgements"]}
    return Answer(figures, lines, status)


def _changes(args: argparse.Namespace, profile: Profile) -> list[Change]:
    """Changes that are entered now, so no capture has them."""
    names = [unit.name for unit in profile.units]
    changes = [*(("", words) for words in args.change), *args.change_of]
    for unit, words in changes:
        if unit and unit not in names:
            raise InputError(f"--change-of {unit}: the engine file has {', '.join(names)}")
        if not words.strip():
            raise InputError("a change needs words: what was changed?")
    return [Change(words.strip(), unit) for unit, words in changes]


def verify(args: argparse.Namespace) -> Answer:
    """Prove a certificate: every fingerprint, text, date and figure, computed again
    from its recordings. Needs only the job folder that the certificate is in: no
    network, no other file. Writes nothing. Says how the record is signed, and how
    to check a signature beside it.

    Takes a certificate (record, page or their folder), a unit report, a
    prediction, its outcome, a rig check, or a job folder for all that is in it.

    Exit status 1: something does not hold.
    """
    path: Path = args.certificate
    saved: Path | None = None
    if os.path.isfile(path / ENGINE_FILE):
        checks = prove_job(path)
    elif kind_of(path) is not None:
        checks = prove_sheet(path, args.job)
    else:
        checks = prove(path, args.job)
        saved = record.record_path(path)
    failed = [check for check in checks if not check.holds]
    figures = {
        "certificate": str(path),
        "holds": not failed,
        "signatures": seal.found(saved) if saved else [],
        "checks": [fields_of(each, "what", "holds", "stated", "found", "words") for each in checks],
    }
    lines = [
        f"{'holds' if check.holds else 'DOES NOT HOLD':<14} {check.what}: {check.words}"
        + ("" if check.holds else f" (recorded {check.stated}, found {check.found})")
        for check in sorted(checks, key=lambda check: not check.holds)  # what does not hold, last
        if args.all_checks or not check.holds or check.sort != "figure"
    ]
    good = sum(check.holds and check.sort == "figure" for check in checks)
    if good and not args.all_checks:
        again = many(good, "figure")
        lines.insert(0, f"{'holds':<14} {again}, computed again (--all-checks shows each)")
    of = many(len(checks), "check of fingerprints, texts, dates and figures",
              "checks of fingerprints, texts, dates and figures")  # fmt: skip
    lines.append(f"{len(failed)} of {of} do not hold" if failed else f"everything holds: {of}")
    return Answer(
        figures, [*lines, *(["", *seal.words(saved)] if saved else [])], int(bool(failed))
    )


CERTIFY = f"""
{JOB_AND_CAPTURES}
--change WORDS...            what was changed since the last certificate; repeatable
--change-of UNIT WORDS...    the same, of one unit
"""
VERIFY = """
certificate PATH   a certificate, another sheet, or a job folder
--job FOLDER       the job folder, if the certificate was moved
--all-checks       show all checks, not only failures
"""
COMMANDS = {
    "certify": Command(certify, CERTIFY),
    "verify": Command(verify, VERIFY),
}
