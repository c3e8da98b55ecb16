"""Prove a certificate: every fingerprint and every figure, recomputed from capture and engine file.

Needs nothing but the job folder in which the certificate lies: no network, no other file, and it
writes nothing. Says how the record is signed, and how a signature beside it is checked.
"""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from rig.command.say import figures, json_option
from rig.engine.file import profile_from_bytes
from rig.job.certify import build, noted_changes
from rig.job.work import work
from rig.record import certificate, signing
from rig.record.schema import FOR_TDC
from rig.record.seal import Record
from rig.record.verify import FIGURES, Check, verify


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig verify``."""
    parser.add_argument("certificate", type=Path, help="the record, its page, or their folder")
    parser.add_argument("--job", type=Path, help="the job folder, when the certificate was moved")
    parser.add_argument("--all", action="store_true", help="show every check, not failures only")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Check the certificate; 0 when all holds, 1 when anything does not."""
    checks = verify(args.certificate, recompute, args.job)
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
        if args.all or not check.holds or not _is_figure(check)
    ]
    if not args.all:
        good = sum(check.holds and _is_figure(check) for check in checks)
        lines.append(f"{'holds':<14} {good} figures, computed anew (--all shows each)")
    verdict = (
        f"everything holds: {len(checks)} fingerprints and figures"
        if not failed
        else f"{len(failed)} of {len(checks)} fingerprints and figures do not hold"
    )
    figures(args, answer, [*lines, verdict, "", *signing.words(record)])
    return 1 if failed else 0


def recompute(folder: Path, record: Record) -> Record:
    """The record built anew from the captures in ``folder`` and the engine file that it holds."""
    stated = certificate.as_certificate(record)
    engine_file = stated.engine_file.text.encode("utf-8")
    profile = profile_from_bytes(engine_file, stated.engine_file.name)
    captures = folder / "captures"
    read = [each.file for each in stated.captures if each.used_for != FOR_TDC]
    worked = work(
        profile, [captures / Path(name).name for name in read], stated.reference, captures
    )
    # What the person told at the time of issue stands in no capture: the seal alone vouches for it.
    told = stated.changes[len(noted_changes(worked)) :]
    return build(engine_file, profile, worked, datetime.fromisoformat(stated.issued_utc), told)


def _is_figure(check: Check) -> bool:
    return check.what.partition(".")[0].partition("[")[0] in FIGURES
