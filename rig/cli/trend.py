"""The certificates of an engine, or the reports of a unit, over the years."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from importlib import import_module
from typing import Any

from rig.base import files, rounding
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.cli.output import Answer, Command, fields_of, table_lines, tell
from rig.history import series as records
from rig.history.series import History, Point, Series, chosen
from rig.history.visits import NoSuchUnitError, look
from rig.words.assessments import verdict_words

TRENDS = ("rig.unit_bench.trend",)
"""The modules that add to a trend what they keep in a job, each by its ``Trend``.

``Trend(folder, troubles, serial)`` reads, and adds sentences on what is left out to ``troubles``;
``serial`` is that of one unit, "" for all. With the changes that the certificates name, ``answer``
gives its part of the JSON and ``lines`` its lines.
"""


def run(args: argparse.Namespace) -> Answer:
    """The certificates of one engine in order: the state of each unit over the years,
    and its drift.

    Reads the records of a job, or of a folder of many jobs; no capture. A noted
    change, a setting, another unit, rig or mounting of the encoder begins a new level
    and is not drift. --unit-serial follows one unit on any engine, with its reports
    off the engine. A line through a few points is a hint, not more.
    """
    listing = look(args.folder)
    troubles = [each.words for each in listing.left]
    others = [
        import_module(name).Trend(args.folder, troubles, args.unit_serial or "") for name in TRENDS
    ]
    tell(args, *troubles)
    try:
        found = records.history(
            listing.files, args.engine or "", args.engine_serial or "",
            cylinders=args.cylinders or args.csv is not None, unit_serial=args.unit_serial or "",
        )  # fmt: skip
    except NoSuchUnitError:
        if args.csv or args.drawing or not any(map(list, (each.lines(()) for each in others))):
            raise
        # A spare on the shelf: only its reports are there.
        figures: dict[str, Any] = {"unit_serial": args.unit_serial, "series": []}
        lines = [f"unit {args.unit_serial}: on no certificate"]
        return _with(others, (), figures, lines)
    tell(args, *found.troubles)
    shown = chosen(found.series, args.unit, cylinders=args.cylinders)
    if not shown:
        names = ", ".join(sorted({series.unit for series in found.series}))
        raise InputError(
            f"--unit {args.unit}: the certificates have {names}" if names
            else "no certificate that could be used has a figure to show"
        )  # fmt: skip
    written = []
    if args.csv:
        files.write_whole(args.csv, records.csv_text(found).encode("utf-8"), replace=True)
        written.append(str(args.csv))
    if args.drawing:
        from rig.history import plot
        from rig.plots import sheet

        plot.draw(found, shown, sheet.out_path(args.drawing))
        written.append(str(args.drawing))
    left_out = (*troubles, *found.troubles)
    figures = fields_of(replace(found, series=tuple(shown), troubles=left_out))
    del figures["by_cylinder"]
    first_out = found.first_out and fields_of(
        found.first_out, "unit", "setting", "cylinder", "kind", "leaves_utc", "soonest_utc", "words"
    )
    figures |= {"first_out": first_out, "written": written}
    answer = _with(others, found.changes, figures, _lines(found, shown))
    return replace(answer, lines=[*answer.lines, *(f"written: {path}" for path in written)])


def _with(
    others: Sequence[Any], changes: Sequence[Any], figures: dict[str, Any], lines: list[str]
) -> Answer:
    """An answer, and what the other rooms add to it."""
    for each in others:
        figures |= each.answer(changes)
        lines += each.lines(changes)
    return Answer(figures, lines)


def _lines(found: History, shown: Sequence[Series]) -> list[str]:
    serial = f", serial {found.serial}" if found.serial else ""
    of = f"unit {found.unit_serial}, on {found.engine}" if found.unit_serial else (
        f"{found.engine}{serial}"
    )  # fmt: skip
    lines = [f"{of}: {many(len(found.certificates), 'certificate')}"]
    latest = max(point.measured_utc for series in found.series for point in series.points)
    last = [(series, series.points[-1]) for series in shown]
    outside = [
        series.name
        for series, point in last
        if point.measured_utc == latest and point.verdict.verdict == "outside"
    ]
    if outside:
        lines.append(f"Outside now: {'; '.join(outside)}.")
    if (first := found.first_out) is not None:
        lines.append(f"First to leave its window: {first.name}: {first.leaves}.")
    for series in shown:
        lines += ["", series.name, *_points(series.points), f"  {series.words}"]
        if (first := found.cylinder_before(series)) is not None:
            lines.append(f"  cylinder {first.cylinder} would leave first: {first.leaves}")
    if any(series.line is not None for series in shown):
        lines += ["", found.caution]
    return lines


def _points(points: Sequence[Point]) -> list[str]:
    """The points in a table; below each, what was changed before the next."""
    rows: list[tuple[str, ...]] = []
    for point in points:
        judged = point.assessment
        mean = rounding.btdc(judged.mean_btdc, judged.U_deg)
        said = verdict_words(point.verdict) if judged.kind == "turned" else judged.verdict
        rows.append((point.measured_utc[:10], judged.phase,
                     f"{mean} {rounding.within(judged.U_deg) or 'U not known'}",
                     said if point.weighs else f"{said} (no line goes through it)"))  # fmt: skip
    steps = [point.step and f"-- {point.step}" for point in points]
    first = [f"  {steps[0]}"] if steps[0] else []
    return [*first, *table_lines((), rows, notes=[*steps[1:], ""])]


OPTIONS = """
folder PATH              a job folder, or a folder of many jobs
--engine NAME            the engine's name, if there are several
--engine-serial SERIAL   its serial number
--unit NAME              only this unit
--unit-serial SERIAL     one unit on any engine, by its serial number
--cylinders              show each cylinder too
--csv FILE               write all points to this file
--drawing FILE           draw to this file: .svg, .png or .pdf
"""
COMMANDS = {"trend": Command(run, OPTIONS)}
