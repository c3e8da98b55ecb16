"""The certificates of one engine in order: how each unit stood through the years, and its drift.

Works over a job or a folder of many jobs, from the records alone; no capture is read. What was
changed or set, another unit, rig or mounting of the encoder begin a new level, and are no drift.
With --unit-serial one unit is followed on whatever engine it was, with its reports off the engine.
A line through a few points is a hint, no more.
"""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any

from rig.base import files, rounding
from rig.base.errors import InputError
from rig.base.escape import message
from rig.base.rounding import many
from rig.cli.output import figures, json_option, parts_of
from rig.history import series as records
from rig.history.series import History, NoSuchUnitError, Point, Series, chosen
from rig.words.assessments import verdict_words

WIDTH = 80

TRENDS = ("rig.unit_bench.trend",)
"""The modules that add to a trend what they keep in a job, each by its ``Trend``.

``Trend(folder, troubles, serial)`` reads, and adds sentences on what is left out to ``troubles``;
``serial`` is that of one unit, "" for all. With the changes that the certificates name, ``answer``
gives its part of the JSON and ``lines`` its lines.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig trend``."""
    parser.add_argument("folder", type=Path, help="a job folder, or one that holds many jobs")
    parser.add_argument("--engine", default="", help="the engine's name, where there are several")
    parser.add_argument("--engine-serial", default="", help="its serial number")
    parser.add_argument("--unit", help="this unit alone")
    parser.add_argument("--unit-serial", default="", help="one unit, by its serial, on any engine")
    parser.add_argument("--cylinders", action="store_true", help="each cylinder, too")
    parser.add_argument("--csv", type=Path, help="write all points into this file")
    parser.add_argument("--drawing", type=Path, help="draw into this file: .svg, .png or .pdf")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print the history."""
    listing = records.look(args.folder)
    troubles = [each.words for each in listing.left]
    others = [import_module(name).Trend(args.folder, troubles, args.unit_serial) for name in TRENDS]
    for text in troubles:
        message(f"rig trend: {text}")
    try:
        found = records.history(
            listing.files, args.engine, args.engine_serial,
            cylinders=args.cylinders or args.csv is not None, unit_serial=args.unit_serial,
        )  # fmt: skip
    except NoSuchUnitError:
        if args.csv or args.drawing or not any(each.lines(()) for each in others):
            raise
        return _alone(args, others)  # a spare on the shelf
    for text in found.troubles:
        message(f"rig trend: {text}")
    troubles += found.troubles
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
        answer = parts_of(replace(found, series=tuple(shown), troubles=tuple(troubles)))
        del answer["by_cylinder"]
        answer["first_out"] = _first_out(found)
        for each in others:
            answer |= each.answer(found.changes)
        answer["written"] = written
    figures(args, answer, [*_lines(found, shown),
                           *(line for each in others for line in each.lines(found.changes)),
                           *(f"written: {path}" for path in written)])  # fmt: skip
    return 0


def _alone(args: argparse.Namespace, others: Sequence[Any]) -> int:
    """A unit that no certificate has: what else is kept of it."""
    answer: dict[str, Any] = {"unit_serial": args.unit_serial, "series": []}
    for each in others:
        answer |= each.answer(())
    lines = [f"unit {args.unit_serial}: on no certificate"]
    figures(args, answer, [*lines, *(line for each in others for line in each.lines(()))])
    return 0


def _first_out(found: History) -> dict[str, Any] | None:
    first = found.first_out
    if first is None:
        return None
    named = {name: getattr(first, name) for name in ("unit", "setting", "cylinder", "kind")}
    days = {name: getattr(first, name) for name in ("leaves_utc", "soonest_utc", "words")}
    return named | days


def _lines(found: History, shown: Sequence[Series]) -> list[str]:
    serial = f", serial {found.serial}" if found.serial else ""
    n = len(found.certificates)
    lines = [f"{found.engine}{serial}: {many(n, 'certificate')}"]
    if found.unit_serial:
        lines = [f"unit {found.unit_serial}, on {found.engine}: {many(n, 'certificate')}"]
    latest = max(point.measured_utc for series in found.series for point in series.points)
    outside = [
        series.name
        for series in shown
        if series.points[-1].measured_utc == latest
        and series.points[-1].verdict.verdict == "outside"
    ]
    if outside:
        lines += _wrapped(f"Outside now: {'; '.join(outside)}.", "")
    if found.first_out is not None:
        lines += _wrapped(f"First to leave its window: {found.first_out.name}:"
                          f" {found.first_out.leaves}.", "")  # fmt: skip
    for series in shown:
        lines += ["", series.name]
        lines += [line for point in series.points for line in _point(point)]
        lines += _wrapped(series.words, "  ")
        lines += _of_cylinder(found, series)
    if any(series.line is not None for series in shown):
        lines += ["", *_wrapped(found.caution, "")]
    return lines


def _of_cylinder(found: History, series: Series) -> list[str]:
    """The cylinder that leaves its window before the mean over all does."""
    if series.cylinder is not None:
        return []
    own = [
        each
        for each in found.by_cylinder
        if (each.unit, each.setting, each.kind) == (series.unit, series.setting, series.kind)
        and each.cylinder is not None
        and each.leaves_utc is not None
    ]
    first = min(own, key=lambda each: each.leaves_utc or "", default=None)
    if first is None or (first.leaves_utc or "") >= (series.leaves_utc or "9"):
        return []
    return _wrapped(f"cylinder {first.cylinder} would leave first: {first.leaves}", "  ")


def _point(point: Point) -> list[str]:
    """A point in a line, and above it what changed before it."""
    judged = point.assessment
    U_deg = judged.uncertainty.U_deg if judged.uncertainty else None
    text = rounding.btdc(judged.mean_btdc, U_deg)
    text += f" {rounding.within(U_deg)}" if U_deg is not None else ", U not known"
    aside = "" if point.weighs else "  (no line goes through it)"
    said = verdict_words(point.verdict) if judged.kind == "turned" else judged.verdict
    head = f"  {point.measured_utc[:10]}  {judged.phase:<9}  {text:<22}  "
    lines = textwrap.wrap(f"{head}{said}{aside}", WIDTH, subsequent_indent=" " * 25)
    return [*(_wrapped(point.step, "  -- ") if point.step else []), *lines]


def _wrapped(text: str, before: str) -> list[str]:
    after = " " * len(before)
    return textwrap.wrap(text, WIDTH, initial_indent=before, subsequent_indent=after) or [before]
