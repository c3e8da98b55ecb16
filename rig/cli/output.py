"""What every command prints.

What goes to standard output and standard error.

Figures go to standard output: plain lines, or with ``--json`` one JSON object and nothing else.
Messages go to standard error. Names come from files, rigs and folders: what is printed is made
harmless first.

A job opened for a command: what is odd in its folder, and which capture is taken, is said.

Figures as a person reads them: the tables of the screen room, as lines.

Tables that commands print: ruled on a terminal, plain lines anywhere else.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import sys
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path
from typing import Any, TextIO

from rich.cells import cell_len

from rig.base import rounding
from rig.base.escape import clean, message, shows_colour, shows_unicode
from rig.base.rounding import many
from rig.certificate import record
from rig.certificate.page_results import of_cylinders
from rig.job.folder import Job
from rig.live.text import THEME, VERDICT_ROLE, Role
from rig.tdc.reference import TdcReference
from rig.timing.assess import WORST_FIRST, verdict_over
from rig.timing.values import PHASES, Assessment, Comparison, Mark, Reading
from rig.words.assessments import MARKS, few_readings, verdict_words
from rig.words.diagnostics import reason_code, reason_words
from rig.words.figures import number

WIDTH = 80


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
        unicode = shows_unicode(sys.stdout)
        text = "".join(clean(line, unicode) + "\n" for line in lines)
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
    judgements: Sequence[Assessment], comparisons: Sequence[Comparison] = ()
) -> list[str]:
    """Judgements and comparisons as tables of plain lines."""
    unicode = shows_unicode(sys.stdout)
    lines = plain_lines(judgement_table(judgements), unicode) if judgements else []
    if comparisons:
        lines += ["", *plain_lines(comparison_table(comparisons), unicode)]
    return lines


def reading_lines(readings: Sequence[Reading]) -> list[str]:
    """Every reading, in order."""
    return plain_lines(reading_table(readings), shows_unicode(sys.stdout))


def result_lines(record_path: Path) -> list[str]:
    """What a saved certificate found."""
    found = record.as_certificate(record.load(record_path))
    return judgement_lines(found.judgements, found.comparisons)


def summary_lines(
    reference: TdcReference, assessments: Sequence[Assessment], comparisons: Sequence[Comparison]
) -> list[str]:
    """What was found, a short line a figure: each unit over its cylinders."""
    tdc = rounding.after_index_with(reference.tdc_deg, reference.uncertainty.U_deg)
    lines = [f"TDC: {tdc} ({reference.by})"]
    for (unit, setting, phase, kind), own in _by_unit(assessments).items():
        head = f"{unit}, {setting}, {phase}"
        one = next((j for j in own if j.cylinder is None), own[0])
        verdict = verdict_words(verdict_over(own)) if kind == "turned" else one.words
        if len(own) > 1 and one.cylinder is not None:
            lines.append(f"{head}: {verdict}")
        elif one.mean_btdc is None or one.uncertainty is None:
            lines.append(f"{head}: {one.words}")
        else:
            mean = rounding.btdc_with(one.mean_btdc, one.uncertainty.U_deg)
            lines.append(f"{head}: {mean} of {many(one.n, 'reading')}: {verdict}")
        if why := few_readings(one.uncertainty, one.n):
            lines.append(f"  {why}")
        others = [j for j in own if j.cylinder is not None and j.verdict != one.verdict]
        lines += [f"  cylinder {j.cylinder}: {j.words}" for j in others]
    for over_all in comparisons:
        if over_all.cylinder is None:
            pair = [c for c in comparisons if _pair(c) == _pair(over_all)]
            lines.append(f"{over_all.words}: {_of_all(over_all, pair)}")
    return lines


def _by_unit(
    assessments: Sequence[Assessment],
) -> dict[tuple[str, str, str, str], list[Assessment]]:
    """Assessments by unit, setting, phase and kind, in order."""
    found: dict[tuple[str, str, str, str], list[Assessment]] = {}
    for each in assessments:
        found.setdefault((each.unit, each.setting, each.phase, each.kind), []).append(each)
    return found


def _pair(of: Comparison) -> tuple[str, str, str, str]:
    return of.first, of.second, of.setting, of.phase


def _of_all(speaks: Comparison, of: Sequence[Comparison]) -> str:
    """The worst verdict of a pair; where that over all cylinders is better, the cylinders."""
    worst = min((each.verdict for each in of), key=WORST_FIRST.index)
    if worst == speaks.verdict:
        return worst
    return worst + of_cylinders([each for each in of if each.cylinder is not None], worst)


def verdict_status(judgements: Sequence[Assessment], comparisons: Sequence[Comparison]) -> int:
    """Exit status: 1 when a verdict on how things stand last is negative, or a unit was read in
    groups apart, else 0.

    What a unit was found at, and was set from, is no longer so.
    """
    last: dict[tuple[str, str], int] = {}
    for one in judgements:
        last[_of(one)] = max(last.get(_of(one), 0), _nth(one.phase))
    now = [one for one in judgements if _nth(one.phase) == last[_of(one)]]
    latest = max((_nth(one.phase) for one in comparisons), default=0)
    verdicts = [one.verdict for one in comparisons if _nth(one.phase) == latest]
    verdicts += [verdict for one in now for verdict in (one.verdict, one.spread_verdict)]
    return 1 if "outside" in verdicts or any(one.groups for one in now) else 0


def _of(judgement: Assessment) -> tuple[str, str]:
    return judgement.unit, judgement.setting


def _nth(phase: str) -> int:
    return PHASES.index(phase) if phase in PHASES else 0


@dataclass(frozen=True, slots=True)
class Table:
    """Text in rows and columns. ``numeric`` columns are set to their far edge."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    roles: tuple[Role, ...] = ()  # of each row, all "text" when empty
    notes: tuple[str, ...] = ()


def show(table: Table, out: TextIO | None = None) -> None:
    """Print ``table``: ruled on a terminal, else as plain lines without control codes."""
    stream = sys.stdout if out is None else out
    if stream.isatty():
        _show_ruled(table, stream)
    else:
        for line in plain_lines(table, shows_unicode(stream)):
            print(line, file=stream)


def plain_lines(table: Table, unicode: bool = True) -> list[str]:
    """``table`` as lines of text, columns two spaces apart, no space at the end of a line."""
    rows = [[clean(cell, unicode) for cell in row] for row in (table.heads, *table.rows)]
    widths = [max(map(cell_len, column)) for column in zip(*rows, strict=True)]
    lines = [clean(table.title, unicode)] if table.title else []
    for row in rows:
        cells = [
            _padded(cell, width, place in table.numeric)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return lines + [clean(note, unicode) for note in table.notes]


def _padded(cell: str, width: int, far: bool) -> str:
    spare = " " * (width - cell_len(cell))
    return spare + cell if far else cell + spare


def _show_ruled(table: Table, stream: TextIO) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table as Ruled
    from rich.text import Text

    colour, unicode = shows_colour(stream), shows_unicode(stream)
    console = Console(file=stream, no_color=not colour, highlight=False, markup=False, emoji=False,
                      theme=THEME)  # fmt: skip
    edge = box.SIMPLE_HEAD if unicode else box.ASCII
    ruled = Ruled(box=edge, pad_edge=False, header_style="bold", show_edge=False)
    for place, head in enumerate(table.heads):
        ruled.add_column(
            Text(clean(head, unicode)), justify="right" if place in table.numeric else "left"
        )
    roles: Iterable[Role] = table.roles or repeat("text", len(table.rows))
    for row, role in zip(table.rows, roles, strict=True):
        ruled.add_row(*(Text(clean(cell, unicode), style=role) for cell in row))
    if table.title:
        console.print(Text(clean(table.title, unicode), style="bold"))
    console.print(ruled)
    for note in table.notes:
        console.print(Text(clean(note, unicode)))


def judgement_table(judgements: Sequence[Assessment], title: str = "Assessment") -> Table:
    """Each unit, setting and cylinder against its window; the rule and what would settle below."""
    rows = []
    for j in judgements:
        U_deg = None if j.uncertainty is None else j.uncertainty.U_deg
        U = rounding.within(U_deg) or "–"
        # What the words say already is not said twice.
        more = ("" if j.kind == "turned" else j.kind, *(MARKS[mark] for mark in j.marks))
        remarks = (j.words, *(each for each in more if each not in j.words))
        rows.append(
            (
                j.unit, j.setting, _cylinder(j.cylinder), j.phase, str(j.n),
                rounding.btdc(j.mean_btdc, U_deg), U, rounding.scatter(j.sd_deg), _window(j),
                j.verdict,
                ", ".join(filter(None, remarks)),
            )
        )  # fmt: skip
    rules = dict.fromkeys(j.rule for j in judgements if j.rule)
    settle = [
        f"{j.unit}, {j.setting}, cylinder {_cylinder(j.cylinder)}: {j.settle}"
        for j in judgements
        if j.settle
    ]
    wide = [
        f"{j.unit}, {j.setting}, cylinder {_cylinder(j.cylinder)}: {why}"
        for j in judgements
        if (why := few_readings(j.uncertainty, j.n))
    ]
    return Table(
        title,
        ("unit", "setting", "cylinder", "phase", "n", "mean", "within", "spread", "window",
         "verdict", "in words"),
        tuple(rows),
        frozenset({4, 5, 6, 7}),
        tuple(VERDICT_ROLE[j.verdict] for j in judgements),
        (*rules, *settle, *wide),
    )  # fmt: skip


def comparison_table(comparisons: Sequence[Comparison], title: str = "Two units") -> Table:
    """The first against the second; positive when the first opens earlier."""
    rows = []
    for c in comparisons:
        U_deg = None if c.uncertainty is None else c.uncertainty.U_deg
        wanted = "–" if c.wanted_deg is None else f"{rounding.entered(c.wanted_deg)}°"
        if c.wanted_deg is not None and c.tolerance_deg is not None:
            wanted += f" ±{rounding.entered(c.tolerance_deg)}°"
        rows.append(
            (
                f"{c.first} against {c.second}", ", ".join(filter(None, (c.setting, c.phase))),
                "all" if c.cylinder is None else str(c.cylinder),
                f"{rounding.figure(c.difference_deg, U_deg)}°", rounding.within(U_deg) or "–",
                wanted, c.verdict, c.words,
            )
        )  # fmt: skip
    return Table(
        title,
        ("units", "setting", "cylinder", "difference", "within", "wanted", "verdict", "in words"),
        tuple(rows),
        frozenset({3, 4}),
        tuple(VERDICT_ROLE[c.verdict] for c in comparisons),
        tuple(
            f"{c.first} against {c.second}, cylinder {_cylinder(c.cylinder)}: {why}"
            for c in comparisons
            if (why := few_readings(c.uncertainty, 0))
        ),
    )


def reading_table(readings: Sequence[Reading], title: str = "Openings") -> Table:
    """Every opening in order, those that do not count with the reason."""
    rows = []
    for r in readings:
        remarks = (
            reason_words(r.rejection),
            "" if r.kind == "turned" else r.kind,
            MARKS[Mark.ONE_TURN_OUT] if r.wrong_stroke else "",
            "" if r.stroke_known else MARKS[Mark.STROKE_NOT_STATED],
        )
        cells = (
            r.unit,
            r.setting,
            _cylinder(r.cylinder),
            number(r.t_s, 3),
            rounding.btdc(r.btdc_deg),
        )
        rows.append((*cells, "yes" if r.valid else "no", ", ".join(filter(None, remarks))))
    return Table(
        title,
        ("unit", "setting", "cylinder", "at, s", "opens", "valid", "remark"),
        tuple(rows),
        frozenset({3, 4}),
    )


def _cylinder(cylinder: int | None) -> str:
    return "–" if cylinder is None else str(cylinder)


def _window(j: Assessment) -> str:
    if j.earliest_btdc is None or j.latest_btdc is None:
        return "none set"
    return f"{rounding.entered_btdc(j.earliest_btdc)} to {rounding.entered_btdc(j.latest_btdc)}"
