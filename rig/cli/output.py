"""What every command prints.

What goes to standard output and standard error.

Figures go to standard output: plain lines, or with ``--json`` one JSON object and nothing else.
Messages go to standard error. Names come from files, rigs and folders: what is printed is made
harmless first.

A job opened for a command: what is odd in its folder, and which capture is taken, is said.

Tables fit 80 columns: what their rows repeat stands in a heading. On a terminal, longer lines are
wrapped at its width.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import shutil
import sys
import textwrap
from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from rich.cells import cell_len

from rig.base import rounding
from rig.base.escape import clean, message, shows_unicode
from rig.base.rounding import listed, many
from rig.certificate import record
from rig.certificate.page_results import of_cylinders
from rig.job.folder import Job
from rig.tdc.reference import TdcReference
from rig.timing.assess import WORST_FIRST, verdict_over
from rig.timing.values import PHASES, Assessment, Comparison, Mark, Reading
from rig.words.assessments import (
    MARKS,
    RULES,
    assessment_in_full,
    comparison_in_full,
    few_readings,
    verdict_words,
    what_decides,
)
from rig.words.diagnostics import assessment_words, reason_code, reason_words
from rig.words.figures import number

WIDTH = 80


ALL = "all"
KINDS: Mapping[str, str] = {
    "turned": "", "set": "set with the crank held", "impulse": "impulse coupling",
}  # fmt: skip


def json_option(parser: argparse.ArgumentParser) -> None:
    """Give a command its ``--json``."""
    parser.add_argument("--json", action="store_true", help="print one JSON object, nothing else")


def plain(value: Any) -> Any:
    """``value`` with dataclasses as dictionaries, and numbers that JSON cannot hold as null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, Assessment):
        rule = RULES.get(value.rule, value.rule)
        words = {"words": assessment_in_full(value), "settle": what_decides(value), "rule": rule}
        return plain(parts_of(value) | words)
    if isinstance(value, Comparison):
        return plain(parts_of(value) | {"words": comparison_in_full(value)})
    if dataclasses.is_dataclass(value):
        return plain(parts_of(value))
    return value


def parts_of(value: Any) -> dict[str, Any]:
    """The fields of a dataclass by name, as they are."""
    return {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}


def reading_parts(reading: Reading) -> dict[str, Any]:
    """A reading's fields; its rejection as a code and in words, both empty when it is valid."""
    parts = parts_of(reading)
    why = parts.pop("rejection")
    return parts | {
        "valid": reading.valid,
        "reason": reason_code(why),
        "why": reason_words(why),
    }


def figures(args: argparse.Namespace, answer: dict[str, Any], lines: Iterable[str]) -> None:
    """Print ``answer`` as JSON when asked for, else ``lines``; no name in one begins another."""
    if args.json:
        text = json.dumps(plain(answer), allow_nan=False) + "\n"
    else:
        text = "".join(line + "\n" for line in shown_lines(lines))
    sys.stdout.write(text)
    sys.stdout.flush()


def folded(lines: Iterable[str], width: int = WIDTH) -> list[str]:
    """Lines that fit ``width``; what goes on stands a little further in than it began."""
    found = []
    for line in lines:
        inset = line[: len(line) - len(line.lstrip())]
        found += textwrap.wrap(
            line, width, initial_indent="", subsequent_indent=f"{inset}    ",
            break_long_words=False, break_on_hyphens=False, drop_whitespace=True,
        ) or [""]  # fmt: skip
    return found


def shown_lines(lines: Iterable[str]) -> list[str]:
    """Lines as standard output takes them: harmless, and on a terminal wrapped at its width."""
    unicode = shows_unicode(sys.stdout)
    found = [clean(line, unicode) for line in lines]
    if not sys.stdout.isatty():
        return found
    return folded(found, max(40, shutil.get_terminal_size().columns))


def open_job(folder: Path, command: str) -> Job:
    """The job in ``folder``; names what is left out of it. Raises InputError as ``Job`` does."""
    job = Job(folder)
    for each in job.left_out():
        message(f"rig {command}: {each.words}")
    return job


def newest_capture(job: Job, command: str) -> Path:
    """The job's newest capture. Raises InputError when it does not follow which one that is."""
    found = job.newest()
    for each in found.left:
        message(f"rig {command}: {each.words}")
    if found.by_clock:
        message(
            f"rig {command}: {found.known.path}: taken as the newest by the computer's clock;"
            " captures of earlier versions do not record which came first"
        )
    return found.known.path


def judgement_lines(
    assessments: Sequence[Assessment], comparisons: Sequence[Comparison] = ()
) -> list[str]:
    """Each unit with its verdict and a table of its cylinders; then pairs of units likewise.

    What the rows of a table repeat stands in the heading above it.
    """
    lines: list[str] = []
    for own in _by_unit(assessments).values():
        lines += [*([""] if lines else []), *_unit_lines(own)]
    for compared in _by_pair(comparisons).values():
        lines += [*([""] if lines else []), *_pair_lines(compared)]
    rules = dict.fromkeys(RULES.get(j.rule, j.rule) for j in assessments)
    return [*lines, *([""] if rules else []), *rules]


def _unit_lines(own: Sequence[Assessment]) -> list[str]:
    """One unit in one setting and phase."""
    windows = {_window(j) for j in own}
    lines = [_heading(own)]
    if len(windows) == 1:
        lines.append(f"  window {windows.pop()}")
        windows = set()
    rows = []
    for j in own:
        U_deg = None if j.uncertainty is None else j.uncertainty.U_deg
        rows.append((
            _cylinder(j.cylinder), str(j.n), rounding.btdc(j.mean_btdc, U_deg),
            rounding.two_figures(U_deg) if rounding.is_known(U_deg) else "–",
            rounding.scatter(j.sd_deg), *([_window(j)] if windows else []),
            assessment_words(j),
        ))  # fmt: skip
    heads = ("cyl.", "n", "mean", "U, °", "SD, °", *(["window"] if windows else []), "verdict")
    lines += table_lines(heads, rows, numeric={1, 2, 3, 4})
    notes: dict[str, list[str]] = {}
    for j in own:
        for words in (
            *(MARKS[m] for m in j.marks),
            what_decides(j),
            few_readings(j.uncertainty, j.n),
        ):
            notes.setdefault(words, []).append(_cylinder(j.cylinder))
    notes.pop("", None)
    return [*lines, *(f"  {_whose(of, len(own))}{words}" for words, of in notes.items())]


def _whose(cylinders: Sequence[str], of: int) -> str:
    """Which cylinders a note is about; nothing where it is about all."""
    if len(cylinders) == of:
        return ""
    numbers = [each for each in cylinders if each != ALL]
    named = [f"cyl. {listed(numbers)}"] if numbers else []
    return f"{listed(([ALL] if ALL in cylinders else []) + named)}: "


def _heading(own: Sequence[Assessment]) -> str:
    """``upper, full advance, as found: late by 0.44°``."""
    one = own[0]
    head = f"{one.unit}, {one.setting}, {one.phase}"
    if one.kind != "turned":
        return f"{head}, {KINDS[one.kind]}"
    return f"{head}: {verdict_words(verdict_over(own))}"


def _pair_lines(compared: Sequence[Comparison]) -> list[str]:
    """One pair of units in one setting and phase; a difference is positive when the first opens
    earlier."""
    one = compared[0]
    where = ", ".join(filter(None, (one.setting, one.phase)))
    asked = ""
    if one.wanted_deg is not None and one.tolerance_deg is not None:
        asked = (
            f", nominal {rounding.entered(one.wanted_deg)}° ±{rounding.entered(one.tolerance_deg)}°"
        )
    lines = [f"{one.first} earlier than {one.second}, {where}{asked}"]
    rows, notes = [], []
    for c in compared:
        U_deg = None if c.uncertainty is None else c.uncertainty.U_deg
        rows.append((
            _cylinder(c.cylinder), f"{rounding.figure(c.difference_deg, U_deg)}°",
            rounding.two_figures(U_deg) if rounding.is_known(U_deg) else "–", c.verdict,
        ))  # fmt: skip
        if why := few_readings(c.uncertainty, 0):
            notes.append(f"  {_cylinder(c.cylinder)}: {why}")
    return [*lines, *table_lines(("cyl.", "by", "U, °", "verdict"), rows, numeric={1, 2}), *notes]


def reading_lines(readings: Sequence[Reading]) -> list[str]:
    """Every opening in order; below a rejected one, why."""
    rows = [
        (r.unit, r.setting, _cylinder(r.cylinder, "–"), number(r.t_s, 3), rounding.btdc(r.btdc_deg))
        for r in readings
    ]
    head, *lines = table_lines(("unit", "setting", "cyl.", "at, s", "opens"), rows, numeric={3, 4})
    found = [head]
    for reading, line in zip(readings, lines, strict=True):
        remarks = (
            "" if reading.valid else f"rejected: {reason_words(reading.rejection)}",
            KINDS[reading.kind],
            MARKS[Mark.ONE_TURN_OUT] if reading.wrong_stroke else "",
            "" if reading.stroke_known else MARKS[Mark.STROKE_NOT_STATED],
        )
        said = ", ".join(filter(None, remarks))
        found += [line, f"      {said}"] if said else [line]
    return found


def result_lines(record_path: Path) -> list[str]:
    """What a saved certificate found."""
    found = record.as_certificate(record.load(record_path))
    return judgement_lines(found.judgements, found.comparisons)


def summary_lines(
    reference: TdcReference, assessments: Sequence[Assessment], comparisons: Sequence[Comparison]
) -> list[str]:
    """What was found, in short: each unit's verdict, its mean, and cylinders that differ."""
    tdc = rounding.after_index_with(reference.tdc_deg, reference.uncertainty.U_deg)
    lines = [f"TDC: {tdc} ({reference.by})"]
    for own in _by_unit(assessments).values():
        one = next((j for j in own if j.cylinder is None), own[0])
        lines.append(_heading(own))
        if one.mean_btdc is not None and (one.cylinder is None or len(own) == 1):
            U_deg = one.uncertainty.U_deg if one.uncertainty else None
            lines.append(f"  {rounding.btdc_with(one.mean_btdc, U_deg)}, {many(one.n, 'reading')}")
        elif one.kind != "turned" or one.groups:
            lines.append(f"  {assessment_in_full(one)}")
        if why := few_readings(one.uncertainty, one.n):
            lines.append(f"  {why}")
        others = [j for j in own if j.cylinder is not None and j.verdict != one.verdict]
        lines += [f"  cylinder {j.cylinder}: {assessment_in_full(j)}" for j in others]
    for pair in _by_pair(comparisons).values():
        over_all = next((c for c in pair if c.cylinder is None), pair[0])
        worst = min((each.verdict for each in pair), key=WORST_FIRST.index)
        named = [each for each in pair if each.cylinder is not None]
        verdict = worst if worst == over_all.verdict else worst + of_cylinders(named, worst)
        lines.append(f"{comparison_in_full(over_all)}: {verdict}")
    return lines


def _by_unit(
    assessments: Sequence[Assessment],
) -> dict[tuple[str, str, str, str, bool], list[Assessment]]:
    """Assessments by unit, setting, phase and kind, in order; a whole turn out stands apart."""
    found: dict[tuple[str, str, str, str, bool], list[Assessment]] = {}
    for each in assessments:
        key = (each.unit, each.setting, each.phase, each.kind, Mark.ONE_TURN_OUT in each.marks)
        found.setdefault(key, []).append(each)
    return found


def _by_pair(
    comparisons: Sequence[Comparison],
) -> dict[tuple[str, str, str, str], list[Comparison]]:
    """Comparisons by pair, setting and phase, in order."""
    found: dict[tuple[str, str, str, str], list[Comparison]] = {}
    for each in comparisons:
        found.setdefault((each.first, each.second, each.setting, each.phase), []).append(each)
    return found


def verdict_status(assessments: Sequence[Assessment], comparisons: Sequence[Comparison]) -> int:
    """Exit status: 1 when a verdict on how things stand last is negative, or a unit was read in
    groups apart, else 0.

    What a unit was found at, and was set from, is no longer so.
    """
    last: dict[tuple[str, str], int] = {}
    for one in assessments:
        last[_of(one)] = max(last.get(_of(one), 0), _nth(one.phase))
    now = [one for one in assessments if _nth(one.phase) == last[_of(one)]]
    latest = max((_nth(one.phase) for one in comparisons), default=0)
    verdicts = [one.verdict for one in comparisons if _nth(one.phase) == latest]
    verdicts += [verdict for one in now for verdict in (one.verdict, one.spread_verdict)]
    return 1 if "outside" in verdicts or any(one.groups for one in now) else 0


def _of(assessment: Assessment) -> tuple[str, str]:
    return assessment.unit, assessment.setting


def _nth(phase: str) -> int:
    return PHASES.index(phase) if phase in PHASES else 0


def table_lines(
    heads: Sequence[str], rows: Sequence[Sequence[str]], numeric: Collection[int] = ()
) -> list[str]:
    """Text in columns two spaces apart, below a heading; ``numeric`` columns at their far edge."""
    cells = [[clean(cell) for cell in row] for row in (heads, *rows)]
    widths = [max(map(cell_len, column)) for column in zip(*cells, strict=True)]
    lines = []
    for row in cells:
        line = ""
        for place, (cell, width) in enumerate(zip(row, widths, strict=True)):
            spare = " " * (width - cell_len(cell))
            line += "  " + (spare + cell if place in numeric else cell + spare)
        lines.append(line.rstrip())
    return lines


def _cylinder(cylinder: int | None, none: str = ALL) -> str:
    return none if cylinder is None else str(cylinder)


def _window(j: Assessment) -> str:
    if j.earliest_btdc is None or j.latest_btdc is None:
        return "none set"
    return f"{rounding.entered_btdc(j.earliest_btdc)} to {rounding.entered_btdc(j.latest_btdc)}"
