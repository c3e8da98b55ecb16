"""Prove a certificate: every fingerprint and every figure, recomputed from capture and engine file.

Needs nothing but the job folder in which the certificate lies.
"""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from rig.command.certify import build
from rig.command.job import Job
from rig.command.say import figures, json_option
from rig.command.work import work
from rig.record import certificate
from rig.record.seal import Record
from rig.record.verify import verify


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig verify``."""
    parser.add_argument("certificate", type=Path, help="the record, its page, or their folder")
    parser.add_argument("--job", type=Path, help="the job folder, when the certificate was moved")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Check the certificate; 0 when all holds, 1 when anything does not."""
    path = certificate.record_path(args.certificate)
    folder = args.job or path.absolute().parent.parent.parent

    def recompute(record: Record) -> Record:
        job = Job(folder)
        paths = [job.captures / Path(str(one["file"])).name for one in record["captures"]]
        worked = work(job.profile, paths, certificate.reference_of(record))
        issued = datetime.fromisoformat(str(record["issued_utc"]))
        return build(job.engine_file.read_bytes(), job, worked, issued)

    checks = verify(path, recompute, folder)
    failed = [check for check in checks if not check.holds]
    answer = {
        "certificate": str(path),
        "holds": not failed,
        "checks": [
            {"what": c.what, "holds": c.holds, "recorded": c.recorded, "found": c.found}
            for c in checks
        ],
    }
    lines = [
        f"{'holds' if check.holds else 'DOES NOT HOLD':<14} {check.what}"
        + ("" if check.holds else f": recorded {check.recorded}, found {check.found}")
        for check in checks
    ]
    verdict = "everything holds" if not failed else f"{len(failed)} of {len(checks)} do not hold"
    figures(args, answer, [*lines, verdict])
    return 1 if failed else 0
