"""The range of each lever: both ends against their windows, and what is left on either side.

How late full retard may be is judged against the figure stated for this engine, and no other.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from rig.base import rounding
from rig.base.errors import InputError
from rig.base.escape import message
from rig.cli.output import figures, json_option, newest_capture, open_job, parts_of
from rig.engine.profile import Profile, Unit
from rig.job.results import work_job
from rig.timing.advance_range import AdvanceRange, advance_range
from rig.timing.values import Assessment
from rig.words.assessments import advance_range_words, assessment_in_full, latest_words
from rig.words.diagnostics import remarks_on


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig range``."""
    parser.add_argument("job", type=Path, help="the job folder")
    parser.add_argument("capture", type=Path, nargs="*", help="default: the newest capture")
    parser.add_argument("--unit", help="this unit alone")
    parser.add_argument(
        "--nominal-btdc-deg", type=float, help="in place of the nominal of the engine file"
    )
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print each range; 1 when an end is outside its window."""
    job = open_job(args.job, "lever")
    worked = work_job(job, args.capture or [newest_capture(job, "lever")])
    for text in remarks_on(worked):
        message(f"rig range: {text}")
    if worked.reference is None:
        raise InputError(f"{args.job}: TDC is not known yet, so there are no verdicts")
    units = [unit for unit in job.profile.units if args.unit in (None, unit.name)]
    if not units:
        names = ", ".join(unit.name for unit in job.profile.units)
        raise InputError(f"--unit {args.unit}: the engine file has {names}")
    levers = [unit for unit in units if len(unit.settings) > 1]
    if not levers:
        raise InputError("no unit has two settings in the engine file, so there is no lever")
    found: list[AdvanceRange] = []
    missing: list[str] = []
    for unit in levers:
        try:
            found.append(_range(worked.assessments, job.profile, unit, args.nominal_btdc_deg))
        except InputError as why:
            missing.append(str(why))
    if not found:
        raise InputError("; ".join(missing))
    lines = [line for each in found for line in _lines(each)]
    levers_found = [
        parts_of(each) | {"words": advance_range_words(each), "latest_words": latest_words(each)}
        for each in found
    ]
    answer = {"levers": levers_found, "missing": missing}
    figures(args, answer, [*lines, *missing])
    verdicts = {p.assessment.verdict for each in found for p in each.positions}
    return 1 if "outside" in verdicts else 0


def _range(
    assessments: Sequence[Assessment], profile: Profile, unit: Unit, wanted: float | None
) -> AdvanceRange:
    settings = [setting.name for setting in unit.settings]
    return advance_range(assessments, unit.name, settings, wanted, encoder=profile.encoder)


def _lines(found: AdvanceRange) -> list[str]:
    lines = [advance_range_words(found)]
    if found.uncertainty is not None:
        lines.append(f"  range {found.size} of crank")
    for each in found.positions:
        judged = each.assessment
        U_deg = judged.U_deg
        window = "no window set"
        if judged.earliest_btdc is not None and judged.latest_btdc is not None:
            early, late = judged.earliest_btdc, judged.latest_btdc
            window = f"window {rounding.entered_btdc(early)} to {rounding.entered_btdc(late)}"
        lines.append(
            f"  {each.setting}: {rounding.btdc(each.btdc_deg, U_deg)},"
            f" {assessment_in_full(judged)} ({window})"
        )
    if found.place is not None and found.wanted_btdc is not None:
        lines.append(
            f"  {rounding.entered_btdc(found.wanted_btdc)} lies at {100.0 * found.place:.0f}"
            " per cent of the range, from full retard up"
        )
    return [*lines, f"  {latest_words(found)}", *(f"  caution: {text}" for text in found.warnings)]
