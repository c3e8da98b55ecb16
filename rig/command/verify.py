"""Prove a certificate: every fingerprint, text, date and figure, recomputed from its recordings.

Needs nothing but the job folder in which the certificate lies: no network, no other file, and it
writes nothing. Says how the record is signed, and how a signature beside it is checked.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from rig.command.say import figures, json_option
from rig.job.prove import prove
from rig.record import certificate, signing
from rig.record.compared import Check
from rig.record.inputs import RECOMPUTED, is_sentence


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig verify``."""
    parser.add_argument("certificate", type=Path, help="the record, its page, or their folder")
    parser.add_argument("--job", type=Path, help="the job folder, when the certificate was moved")
    parser.add_argument("--all", action="store_true", help="show every check, not failures only")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Check the certificate; 0 when all holds, 1 when anything does not."""
    checks = prove(args.certificate, args.job)
    record = certificate.record_path(args.certificate)
    failed = [check for check in checks if not check.holds]
    answer = {
        "certificate": str(args.certificate),
        "holds": not failed,
        "signatures": signing.found(record),
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
        if args.all or not check.holds or not _is_figure(check) or _reworded(check)
    ]
    if not args.all:
        good = sum(check.holds and _is_figure(check) and not _reworded(check) for check in checks)
        if good:
            lines.append(f"{'holds':<14} {good} figures, computed anew (--all shows each)")
    verdict = f"everything holds: {len(checks)} fingerprints, texts, dates and figures"
    if failed:
        of = f"{len(checks)} fingerprints, texts, dates and figures"
        verdict = f"{len(failed)} of {of} do not hold"
    elif not any(map(_is_figure, checks)):
        verdict = f"{len(checks)} fingerprints and dates hold; no figure was computed anew"
    figures(args, answer, [*lines, verdict, "", *signing.words(record)])
    return 1 if failed else 0


def _is_figure(check: Check) -> bool:
    return check.what.partition(".")[0].partition("[")[0] in RECOMPUTED


def _reworded(check: Check) -> bool:
    """Words of another version, shown beside those of this one."""
    return check.holds and check.stated != check.found and is_sentence(check.what)
