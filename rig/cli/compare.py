"""Two certificates against each other: before and after, spare and original, last year and today.

Figures of the same setting and cylinder are compared. Two units within one capture are compared by
``rig results`` and on the certificate.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from rig.base.errors import InputError
from rig.base.escape import message
from rig.certificate import record as certificate
from rig.cli.output import figures, json_option, judgement_lines, verdict_status
from rig.job.folder import Job
from rig.job.results import work_job
from rig.tdc.reference import TdcReference
from rig.timing.compare import compare_assessments
from rig.timing.values import Assessment, Comparison
from rig.words.diagnostics import remarks_on


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig compare``."""
    parser.add_argument("first", type=Path, help="a certificate or a capture")
    parser.add_argument("second", type=Path, help="the other")
    parser.add_argument("--job", type=Path, help="the job of captures that lie elsewhere")
    parser.add_argument("--unit", help="this unit of the first (default: units of the same name)")
    parser.add_argument("--with-unit", help="against this unit of the second")
    parser.add_argument("--nominal-deg", type=float, help="nominal difference, first minus second")
    parser.add_argument("--within-deg", type=float, help="tolerance of the difference")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print the differences; 1 when one is outside its tolerance."""
    first, reference_1 = _figures(args.first, args.job)
    second, reference_2 = _figures(args.second, args.job)
    same = reference_1 is not None and reference_1 == reference_2
    found: list[Comparison] = []
    for one in first:
        for other in second:
            if _comparable(one, other, args):
                found.append(
                    compare_assessments(
                        one, other, shared_reference=same,
                        wanted_deg=args.nominal_deg, tolerance_deg=args.within_deg,
                        first_name=f"{one.unit} ({args.first.stem}, {one.phase})",
                        second_name=f"{other.unit} ({args.second.stem}, {other.phase})",
                    )
                )  # fmt: skip
    if not found:
        raise InputError(
            "the two have no unit, setting and cylinder in common that was read in both;"
            " name units with --unit and --with-unit"
        )
    if same:
        message("rig compare: both rest on the same reference, which drops out of the difference")
    lines = judgement_lines([], found)
    figures(args, {"same_reference": same, "comparisons": found}, lines)
    return verdict_status([], found)


def _comparable(one: Assessment, other: Assessment, args: argparse.Namespace) -> bool:
    names = (args.unit or one.unit, args.with_unit or args.unit or one.unit)
    return (
        (one.unit, other.unit) == names
        and (one.setting, one.cylinder, one.kind) == (other.setting, other.cylinder, other.kind)
        and one.uncertainty is not None
        and other.uncertainty is not None
    )


def _figures(path: Path, job_folder: Path | None) -> tuple[list[Assessment], TdcReference | None]:
    if path.suffix == ".capture":
        job = Job(job_folder or path.absolute().parent.parent)
        worked = work_job(job, [path])
        for text in remarks_on(worked):
            message(f"rig compare: {text}")
        return worked.judgements, worked.reference
    record = certificate.load(path)
    for one in certificate.judgements_of(record):
        if one.groups:
            message(f"rig compare: {path.name}: {one.unit}, {one.setting}: {one.words}")
    return certificate.judgements_of(record), certificate.reference_of(record)
