"""Prove a certificate: every fingerprint, text, date and figure, recomputed from its recordings.

Needs nothing but the job folder in which the certificate lies: no network, no other file, and it
writes nothing. Says how the record is signed, and how a signature beside it is checked.
"""

from __future__ import annotations

import argparse
import os.path
from pathlib import Path

from rig.base.rounding import many
from rig.certificate import record as certificate
from rig.certificate import seal
from rig.certificate.prove import kind_of, prove, prove_job, prove_sheet
from rig.certificate.schema import ENGINE_FILE
from rig.cli.output import figures, json_option


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig verify``."""
    what = (
        "the record, its page, or their folder; a unit report, a prediction, its outcome, a rig"
        " check; or a job's folder, for all that is in it"
    )
    parser.add_argument("certificate", type=Path, help=what)
    parser.add_argument("--job", type=Path, help="the job folder, when the certificate was moved")
    parser.add_argument(
        "--all-checks", action="store_true", help="show every check, not failures only"
    )
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Check the certificate; 0 when all holds, 1 when anything does not."""
    path: Path = args.certificate
    record: Path | None = None
    if os.path.isfile(path / ENGINE_FILE):
        checks = prove_job(path)
    elif kind_of(path) is not None:
        checks = prove_sheet(path, args.job)
    else:
        checks = prove(path, args.job)
        record = certificate.record_path(path)
    failed = [check for check in checks if not check.holds]
    answer = {
        "certificate": str(args.certificate),
        "holds": not failed,
        "signatures": seal.found(record) if record else [],
        "checks": [
            {"what": c.what, "holds": c.holds, "stated": c.stated, "found": c.found,
             "words": c.words}
            for c in checks
        ],
    }  # fmt: skip
    lines = [
        f"{'holds' if check.holds else 'DOES NOT HOLD':<14} {check.what}: {check.words}"
        + ("" if check.holds else f" (stated {check.stated}, found {check.found})")
        for check in checks
        if args.all_checks or not check.holds or check.sort != "figure"
    ]
    if not args.all_checks:
        good = sum(check.holds and check.sort == "figure" for check in checks)
        if good:
            lines.append(
                f"{'holds':<14} {many(good, 'figure')}, computed anew (--all-checks shows each)"
            )
    verdict = f"everything holds: {len(checks)} fingerprints, texts, dates and figures"
    if failed:
        of = f"{len(checks)} fingerprints, texts, dates and figures"
        verdict = f"{len(failed)} of {of} do not hold"
    elif not any(check.sort == "figure" for check in checks):
        verdict = f"{len(checks)} fingerprints and dates hold; no figure was computed anew"
    about = ["", *seal.words(record)] if record else []
    figures(args, answer, [*lines, verdict, *about])
    return 1 if failed else 0
