"""What a job's captures show: readings, verdicts, and the range of each advance lever; as tables in
which the heading has what all rows repeat."""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Mapping, Sequence

from rig.base import rounding
from rig.base.errors import InputError
from rig.base.rounding import entered, listed
from rig.cli.output import (
    JOB_AND_CAPTURES,
    Answer,
    Command,
    fields_of,
    job_results,
    open_job,
    table_lines,
    tell,
)
from rig.tdc.reference import TdcReference
from rig.timing.advance_range import AdvanceRange, advance_range
from rig.timing.assess import verdict_over
from rig.timing.values import PHASES, Assessment, Comparison, Mark, Reading
from rig.words.assessments import (
    MARKS,
    RULES,
    advance_range_words,
    assessment_in_full,
    few_readings,
    latest_words,
    range_doubt_words,
    verdict_words,
    what_decides,
)
from rig.words.diagnostics import assessment_words, reason_words, remarks_on
from rig.words.figures import number

ALL = "all"
KINDS: Mapping[str, str] = {
    "turned": "", "set": "set with the crank held", "impulse": "impulse coupling",
}  # fmt: skip


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
        fields_of(each)
        | {
            "warnings": range_doubt_words(each),
            "words": advance_range_words(each),
            "latest_words": latest_words(each),
        }
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
    doubts = (f"  caution: {text}" for text in range_doubt_words(found))
    return [*lines, f"  {latest_words(found)}", *doubts]


def assessment_lines(
    assessments: Sequence[Assessment], comparisons: Sequence[Comparison] = ()
) -> list[str]:
    """Each unit with its verdict and a table of its cylinders; then the same for pairs of units."""
    units: defaultdict[object, list[Assessment]] = defaultdict(list)
    for j in assessments:  # what is one crank turn out is apart
        units[j.unit, j.setting, j.phase, j.kind, Mark.ONE_TURN_OUT in j.marks].append(j)
    pairs: defaultdict[object, list[Comparison]] = defaultdict(list)
    for c in comparisons:
        pairs[c.first, c.second, c.setting, c.phase].append(c)
    blocks = [*map(_unit_lines, units.values()), *map(_pair_lines, pairs.values())]
    rules = list(dict.fromkeys(RULES.get(j.rule, j.rule) for j in assessments))
    return [line for block in [*blocks, rules] if block for line in ("", *block)][1:]


def _unit_lines(own: Sequence[Assessment]) -> list[str]:
    """``upper, full advance, as found: late by 0.44°``; a line a cylinder; notes on them."""
    windows = [_window(j) for j in own]
    alike = len(set(windows)) == 1
    heads = ["cyl.", "n", "mean", "U, °", "SD, °", "window", "verdict"]
    rows = [
        [_cylinder(j.cylinder), str(j.n), rounding.btdc(j.mean_btdc, j.U_deg), _U(j.U_deg),
         rounding.scatter(j.sd_deg), window, assessment_words(j)]
        for j, window in zip(own, windows, strict=True)
    ]  # fmt: skip
    one = own[0]
    kind = (
        f", {KINDS[one.kind]}" if one.kind != "turned" else f": {verdict_words(verdict_over(own))}"
    )
    lines = [f"{one.unit}, {one.setting}, {one.phase}{kind}"]
    if alike:
        lines.append(f"  window {windows[0]}")
        for row in (heads, *rows):
            del row[5]
    lines += table_lines(heads, rows, numeric={1, 2, 3, 4})
    notes: defaultdict[str, list[str]] = defaultdict(list)
    for j in own:
        for words in (
            *(MARKS[m] for m in j.marks),
            what_decides(j),
            few_readings(j.uncertainty, j.n),
        ):
            notes[words].append(_cylinder(j.cylinder))
    notes.pop("", None)
    return [*lines, *(f"  {_whose(of, len(own))}{words}" for words, of in notes.items())]


def _whose(cylinders: Sequence[str], of: int) -> str:
    """Which cylinders a note is about; empty if it is about all."""
    if len(cylinders) == of:
        return ""
    numbers = [each for each in cylinders if each != ALL]
    named = [f"cyl. {listed(numbers)}"] if numbers else []
    return f"{listed(([ALL] if ALL in cylinders else []) + named)}: "


def _pair_lines(compared: Sequence[Comparison]) -> list[str]:
    """One pair of units in one setting and phase; a difference is positive when the first opens
    earlier."""
    one = compared[0]
    head = ", ".join(
        filter(None, (f"{one.first} earlier than {one.second}", one.setting, one.phase))
    )
    if one.wanted_deg is not None and one.tolerance_deg is not None:
        head += f", nominal {entered(one.wanted_deg)}° ±{entered(one.tolerance_deg)}°"
    rows = [
        (_cylinder(c.cylinder), f"{rounding.figure(c.difference_deg, c.U_deg)}°", _U(c.U_deg),
         c.verdict)
        for c in compared
    ]  # fmt: skip
    few = {_cylinder(c.cylinder): few_readings(c.uncertainty, 0) for c in compared}
    notes = [f"  {cylinder}: {why}" for cylinder, why in few.items() if why]
    return [head, *table_lines(("cyl.", "by", "U, °", "verdict"), rows, numeric={1, 2}), *notes]


def reading_lines(readings: Sequence[Reading]) -> list[str]:
    """Every opening in order; below a rejected one, why."""
    rows = [
        (r.unit, r.setting, _cylinder(r.cylinder, "–"), number(r.t_s, 3), rounding.btdc(r.btdc_deg))
        for r in readings
    ]
    notes = [
        ", ".join(
            filter(None, (
                "" if r.valid else f"rejected: {reason_words(r.rejection)}",
                KINDS[r.kind],
                MARKS[Mark.ONE_TURN_OUT] if r.wrong_stroke else "",
                "" if r.stroke_known else MARKS[Mark.STROKE_NOT_ENTERED],
            ))
        )
        for r in readings
    ]  # fmt: skip
    return table_lines(("unit", "setting", "cyl.", "at, s", "opens"), rows, {3, 4}, notes)


def tdc_line(of: TdcReference) -> str:
    """``TDC: 277.24° after the index ±0.06° (piston stop)``."""
    return f"TDC: {rounding.after_index_with(of.tdc_deg, of.uncertainty.U_deg)} ({of.by})"


def verdict_status(assessments: Sequence[Assessment], comparisons: Sequence[Comparison]) -> int:
    """Exit status: 1 when a verdict on the present state of a unit or pair is negative, or a unit
    was read in groups apart, else 0. What a unit was found at, and was set from, is past."""
    last: defaultdict[tuple[str, str], int] = defaultdict(int)
    for one in assessments:
        last[one.unit, one.setting] = max(last[one.unit, one.setting], _nth(one.phase))
    now = [one for one in assessments if _nth(one.phase) == last[one.unit, one.setting]]
    latest = max((_nth(one.phase) for one in comparisons), default=0)
    verdicts = [one.verdict for one in comparisons if _nth(one.phase) == latest]
    verdicts += [verdict for one in now for verdict in (one.verdict, one.spread_verdict)]
    return 1 if "outside" in verdicts or any(one.groups for one in now) else 0


def _nth(phase: str) -> int:
    return PHASES.index(phase) if phase in PHASES else 0


def _cylinder(cylinder: int | None, none: str = ALL) -> str:
    return none if cylinder is None else str(cylinder)


def _U(U_deg: float | None) -> str:  # noqa: N802
    return rounding.two_figures(U_deg) if rounding.is_known(U_deg) else "–"


def _window(j: Assessment) -> str:
    if j.earliest_btdc is None or j.latest_btdc is None:
        return "none set"
    return f"{rounding.entered_btdc(j.earliest_btdc)} to {rounding.entered_btdc(j.latest_btdc)}"


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
