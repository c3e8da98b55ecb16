"""What a job's captures show: readings, verdicts, and the range of each advance lever."""

from __future__ import annotations

import argparse

from rig.base import rounding
from rig.base.errors import InputError
from rig.cli.output import JOB_AND_CAPTURES, Answer, Command, fields_of, job_results, open_job, tell
from rig.cli.tables import assessment_lines, reading_lines, tdc_line, verdict_status
from rig.timing.advance_range import AdvanceRange, advance_range
from rig.words.assessments import advance_range_words, assessment_in_full, latest_words
from rig.words.diagnostics import remarks_on


def results(args: argparse.Namespace) -> Answer:
    """What a job's captures show: readings, verdicts and comparisons. Saves nothing.

    Exit status 1: a verdict is negative, or an entry is wrong.
    """
    worked = job_results(args, open_job(args), args.capture)
    if worked.reference is None:
        tell(args, "TDC is not known yet, so there are no verdicts")
    figures = {
        "captures": [str(played.path) for played in worked.played],
        "reference": worked.reference,
        "readings": worked.readings,
        "judgements": worked.assessments,
        "comparisons": worked.comparisons,
        "said": remarks_on(worked),
    }
    lines = [tdc_line(worked.reference)] if worked.reference is not None else []
    if args.readings:
        lines += reading_lines(worked.readings)
    lines += assessment_lines(worked.assessments, worked.comparisons)
    status = verdict_status(worked.assessments, worked.comparisons) if worked.sound else 1
    return Answer(figures, lines, status)


def range_(args: argparse.Namespace) -> Answer:
    """The range of each advance lever: both ends against their windows, and how
    much is left beyond the nominal on either side. Full retard is judged only
    against the latest opening entered for this engine.

    Exit status 1: an end is outside its window.
    """
    job = open_job(args)
    worked = job_results(args, job, args.capture, assessed=True)
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
        names_of = [setting.name for setting in unit.settings]
        try:
            found.append(
                advance_range(
                    worked.assessments, unit.name, names_of, args.nominal_btdc_deg,
                    encoder=job.profile.encoder,
                )
            )  # fmt: skip
        except InputError as why:
            missing.append(str(why))
    if not found:
        raise InputError("; ".join(missing))
    figures = [
        fields_of(each) | {"words": advance_range_words(each), "latest_words": latest_words(each)}
        for each in found
    ]
    lines = [line for each in found for line in _lever(each)]
    verdicts = {place.assessment.verdict for each in found for place in each.positions}
    status = 1 if "outside" in verdicts else 0
    return Answer({"levers": figures, "missing": missing}, [*lines, *missing], status)


def _lever(found: AdvanceRange) -> list[str]:
    lines = [advance_range_words(found)]
    if found.uncertainty is not None:
        lines.append(f"  range {found.size} of crank")
    for each in found.positions:
        judged, window = each.assessment, "no window set"
        if judged.earliest_btdc is not None and judged.latest_btdc is not None:
            early, late = map(rounding.entered_btdc, (judged.earliest_btdc, judged.latest_btdc))
            window = f"window {early} to {late}"
        mean = rounding.btdc(each.btdc_deg, judged.U_deg)
        lines.append(f"  {each.setting}: {mean}, {assessment_in_full(judged)} ({window})")
    if found.place is not None and found.wanted_btdc is not None:
        lines.append(
            f"  {rounding.entered_btdc(found.wanted_btdc)} lies at {100.0 * found.place:.0f}"
            " per cent of the range, from full retard up"
        )
    return [*lines, f"  {latest_words(found)}", *(f"  caution: {text}" for text in found.warnings)]


RESULTS = f"""
{JOB_AND_CAPTURES}
--readings   list every reading too
"""
RANGE = f"""
{JOB_AND_CAPTURES}
--unit NAME              only this unit
--nominal-btdc-deg DEG   nominal, in place of the engine file's
"""
COMMANDS = {"results": Command(results, RESULTS), "range": Command(range_, RANGE)}
