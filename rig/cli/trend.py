"""The certificates of one engine in order: how each unit stood through the years, and its drift.

Works over a job or a folder of many jobs, from the records alone; no capture is read. What was
changed, and what was set, are steps and not drift. A line through a few points is a hint, no more.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from rig.base import files, rounding
from rig.base.errors import InputError
from rig.base.escape import message
from rig.base.rounding import many
from rig.cli.output import figures, json_option, parts_of
from rig.history import series as records
from rig.history.series import History, Point, Series
from rig.unit_bench import trend
from rig.unit_bench.trend import DatedReport, UnitSeries

ALONE = "read of this cylinder alone: no line goes through it"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig trend``."""
    parser.add_argument("folder", type=Path, help="a job folder, or one that holds many jobs")
    parser.add_argument("--engine", default="", help="the engine's name, where there are several")
    parser.add_argument("--engine-serial", default="", help="its serial number")
    parser.add_argument("--unit", help="this unit alone")
    parser.add_argument("--cylinders", action="store_true", help="each cylinder, too")
    parser.add_argument("--csv", type=Path, help="write all points into this file")
    parser.add_argument("--drawing", type=Path, help="draw into this file: .svg, .png or .pdf")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print the history."""
    every = args.cylinders or args.csv is not None
    listing = records.look(args.folder)
    troubles = [each.words for each in listing.left]
    reports = trend.read(args.folder, troubles)
    for text in troubles:
        message(f"rig trend: {text}")
    found = records.history(listing.files, args.engine, args.engine_serial, cylinders=every)
    for text in found.troubles:
        message(f"rig trend: {text}")
    troubles += found.troubles
    units = trend.series(reports, found.changes)
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
    answer: dict[str, Any] = {}
    if args.json:
        answer = parts_of(replace(found, series=tuple(shown), troubles=tuple(troubles))) | {
            "unit_reports": reports,
            "unit_series": units,
            "written": written,
        }
    figures(args, answer, [*_lines(found, shown), *_unit_lines(reports, units),
                           *(f"written: {path}" for path in written)])  # fmt: skip
    return 0


def chosen(series: Sequence[Series], unit: str | None, *, cylinders: bool) -> list[Series]:
    """The series to show: over all cylinders where there is such a one, else each cylinder's.

    A visit at which one cylinder alone was read, as found, say, is shown as that cylinder's.
    """
    own = [each for each in series if unit in (None, each.unit)]
    if cylinders:
        return own
    covered: dict[tuple[str, str, str], set[tuple[str, str]]] = {}
    for each in own:
        if each.cylinder is None:
            visits = covered.setdefault((each.unit, each.setting, each.kind), set())
            visits.update((point.certificate, point.phase) for point in each.points)
    shown = []
    for each in own:
        of_all = covered.get((each.unit, each.setting, each.kind))
        if each.cylinder is None or of_all is None:
            shown.append(each)
        elif points := [p for p in each.points if (p.certificate, p.phase) not in of_all]:
            shown.append(replace(each, points=tuple(points), line=None, leaves_utc=None,
                                 soonest_utc=None, words=ALONE))  # fmt: skip
    return shown


def _lines(found: History, shown: Sequence[Series]) -> list[str]:
    serial = f", serial {found.serial}" if found.serial else ""
    n = len(found.certificates)
    lines = [f"{found.engine}{serial}: {many(n, 'certificate')}"]
    for series in shown:
        cylinder = "" if series.cylinder is None else f", cylinder {series.cylinder}"
        kind = "" if series.kind == "turned" else f", {series.kind}"
        lines += ["", f"{series.unit}, {series.setting}{cylinder}{kind}"]
        lines += [_point(point) for point in series.points]
        lines.append(f"  {series.words}")
    if any(series.line is not None for series in shown):
        lines += ["", found.caution]
    return lines


def _unit_lines(reports: Sequence[DatedReport], units: Sequence[UnitSeries]) -> list[str]:
    """The reports, then each figure of each unit that was reported more than once."""
    if not reports:
        return []
    lines = ["", "reports of units alone (rig bench REPORT REPORT compares two):"]
    lines += [
        f"  {each.made_utc[:10]}  {each.type} {each.serial or '(no serial)'}  {each.file}"
        for each in reports
    ]
    again = [series for series in units if len(series.points) > 1]
    for series in again:
        lines += ["", f"{series.type} {series.serial}, {series.figure}, degrees of its own shaft"]
        for point in series.points:
            value = (
                f"{rounding.figure(point.deg, point.U_deg)}° ± {rounding.two_figures(point.U_deg)}°"
            )
            step = f"  [{point.step}]" if point.step else ""
            aside = "" if point.weighs else "  (read once: no line goes through it)"
            lines.append(f"  {point.made_utc[:10]}  {value:<22}{aside}{step}")
        lines.append(f"  {series.words}")
    if any(series.line is not None for series in again):
        lines += ["", records.CAUTION]
    return lines


def _point(point: Point) -> str:
    judged = point.judgement
    U_deg = judged.uncertainty.U_deg if judged.uncertainty else None
    text = rounding.btdc(judged.mean_btdc, U_deg)
    text += f" {rounding.within(U_deg)}" if U_deg is not None else ", U not known"
    step = f"  [{point.step}]" if point.step else ""
    aside = "" if point.weighs else "  (no line goes through it)"
    said = f"{text:<22}  {judged.verdict}{aside}{step}"
    return f"  {point.measured_utc[:10]}  {judged.phase:<9}  {said}"
