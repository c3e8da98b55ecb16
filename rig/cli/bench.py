"""A unit off the engine, the encoder on its own shaft: lobes, open and closed angle, play, neutral.

    rig bench JOB --unit NAME --live            at the rig, led step by step
    rig bench JOB [RECORDING] --unit NAME       the unit as the job's engine file states it
    rig bench RECORDING --lobes 2 --serial S    without a job
    rig bench REPORT.json REPORT.json           two reports compared

Turn it a few turns forward, then a few back, then forward again; the play shows between the two.
Where the rotor settles by feel, come to from either side, is its magnetic neutral. A magneto on the
bench is live as soon as it is turned: leads on an earthed gap, hands off its terminals.
"""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.base import rounding
from rig.base.errors import InputError
from rig.base.escape import message
from rig.base.rounding import many
from rig.cli.output import figures, json_option, newest_capture, open_job, table_lines
from rig.engine.profile import Unit
from rig.job import folder
from rig.job import folder as sheets
from rig.job.clock import iso
from rig.job.folder import Job
from rig.signal.events import Settings
from rig.unit_bench.report import (
    FOLDER,
    KIND,
    BenchSetUp,
    Mean,
    UnitComparison,
    UnitIdentity,
    UnitReport,
    compare_reports,
    sheet,
    stem,
)
from rig.wire.formats import open_recording

WIDTH = 80


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig bench``."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("what", type=Path, nargs="+", metavar="JOB|RECORDING|REPORT")
    parser.add_argument("--unit", help="name of the unit in the job's engine file")
    parser.add_argument("--live", action="store_true", help="at the rig, step by step")
    parser.add_argument("--port", help="with --live: the rig's port; else it is found")
    parser.add_argument("--counts-per-turn", type=int, help="counts of a turn: lines times four")
    parser.add_argument("--direction", type=int, choices=(1, -1), help="1: A leads B forward")
    parser.add_argument("--input", type=int, help="contact input, 1 when left out")
    parser.add_argument("--open-level", type=int, choices=(0, 1), help="level when open")
    parser.add_argument("--lobes", type=int, help="openings in one turn of its shaft")
    parser.add_argument("--poles", type=int, help="of its magnet: neutrals in a turn")
    parser.add_argument("--type", help="what it is; reports of one type are compared")
    parser.add_argument("--serial", help="its serial number")
    parser.add_argument("--impulse", type=Path, help="a recording with its coupling engaged")
    parser.add_argument("--neutral-forward", type=float, nargs="+", default=[], metavar="DEG",
                        help="where it settles, come to forward, after the index")  # fmt: skip
    parser.add_argument("--neutral-back", type=float, nargs="+", default=[], metavar="DEG",
                        help="the same, come to backwards")  # fmt: skip
    parser.add_argument("--changed", action="append", default=[], metavar="WORDS",
                        help="what was changed on it since its last report")  # fmt: skip
    parser.add_argument("--save-in", type=Path, help="folder for the report; a job has its own")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Report a unit, or compare two reports; 1 when something changed."""
    if all(path.suffix == ".json" for path in args.what):
        return _compare(args)
    job = open_job(args.what[0], "unit") if args.what[0].is_dir() else None
    rest = args.what[1:] if job else args.what
    if len(rest) > 1:
        raise InputError("one recording at a time; --impulse takes the one with the coupling")
    entered = _stated(job, args.unit) if job else None
    path = rest[0] if rest else args.what[0]
    if args.live or args.port:
        path = _taken(args, job, entered, rest)
    elif job and not rest:
        path = newest_capture(job, "unit")
    counts = args.counts_per_turn
    if counts is None and job is not None:
        counts = job.profile.encoder.counts_per_turn
    said = open_recording(path, counts).counts_per_turn
    bench = _bench(args, job, entered, said)
    folder = args.save_in or (job.folder / FOLDER if job else None)
    now = datetime.now(UTC)
    plain, found, wrong = sheet(bench, path, iso(now), args.impulse, args.changed)
    for text in wrong:
        message(f"rig bench: {path}: {text}")
    saved = _save(folder, bench.identity, plain, now)
    figures(args, plain | {"saved": str(saved) if saved else None},
            [*_lines(bench.identity, found), *([f"report: {saved}"] if saved else [])])  # fmt: skip
    return 0


def _taken(
    args: argparse.Namespace, job: Job | None, entered: Unit | None, rest: Sequence[Path]
) -> Path:
    """A capture taken now, the person led through it."""
    from rig.live.run import capture_alone
    from rig.unit_bench.procedure import MeasureUnit, UnitJob

    if not args.live:
        raise InputError("--port goes with --live")
    if job is None or entered is None or rest:
        raise InputError("--live: name the job alone, and the unit with --unit")
    live = capture_alone(UnitJob(job.folder, entered.name), args.port, MeasureUnit)
    if lacking := live.lacking():
        raise InputError("; ".join(lacking))
    return live.capture_path


def _stated(job: Job, name: str | None) -> Unit:
    units = job.profile.units
    named = [unit for unit in units if name in (None, unit.name)]
    if len(named) != 1:
        names = ", ".join(unit.name for unit in units)
        raise InputError(f"--unit: name the one that is on the bench; the engine file has {names}")
    return named[0]


def _bench(
    args: argparse.Namespace, job: Job | None, entered: Unit | None, counts: int
) -> BenchSetUp:
    """The engine file's word, unless the command line says otherwise."""
    lobes = args.lobes or (entered.lobes if entered else None)
    if lobes is None or not 1 <= lobes <= 36:
        raise InputError("--lobes: how often it opens in a turn of its own shaft, 1 to 36")
    if args.poles is not None and not 1 <= args.poles <= 36:
        raise InputError(f"--poles {args.poles}: a magnet has from 1 to 36")
    if not 4 <= counts <= 1_000_000:
        raise InputError("--counts-per-turn: enter 4 to 1000000")
    contact = args.input or (entered.input if entered else 1)
    open_level = args.open_level if args.open_level is not None else (
        entered.open_level if entered else 1
    )  # fmt: skip
    direction = args.direction or (job.profile.encoder.direction if job else 1)
    index_level = job.profile.encoder.index_level if job else 1
    settings = Settings(counts, direction, index_level, open_levels={contact: open_level})
    name = entered.name if entered else ""
    identity = UnitIdentity(
        type=args.type or name or "unit",
        serial=args.serial or (entered.serial if entered else ""),
        lobes=lobes,
        name=name,
        poles=args.poles,
    )
    felt = tuple(args.neutral_forward), tuple(args.neutral_back)
    return BenchSetUp(identity, settings, contact, *felt)


def _save(
    folder: Path | None, identity: UnitIdentity, plain: dict[str, Any], now: datetime
) -> Path | None:
    if folder is None:
        message("rig bench: not saved: name a job, or give a folder with --save-in")
        return None
    path = sheets.free_path(folder, stem(identity, now))
    sheets.write(path, plain)
    if not identity.serial:
        message("rig bench: no serial number given; --serial identifies this unit")
    return path


def _lines(identity: UnitIdentity, found: UnitReport) -> list[str]:
    serial = f", serial {identity.serial}" if identity.serial else ""
    lines = [f"{identity.type}{serial}: degrees of its own shaft"]
    heads = ["lobe", "opens", "to next", "closed", "open", "from neutral"]
    rows = [
        [
            str(lobe.number),
            *(_short(each) for each in (lobe.opening, lobe.interval, lobe.closed, lobe.opened)),
            _short(lobe.neutral),
        ]
        for lobe in found.lobes
    ]
    if found.neutral is None:
        heads, rows = heads[:-1], [row[:-1] for row in rows]
    lines += table_lines(heads, rows, numeric=range(1, len(heads)))
    if found.play is not None:
        lines.append(f"backlash, by turning both ways: {_shown(found.play)}")
    if found.neutral is not None:
        apart = found.neutral_sides_deg or 0.0
        lines.append(
            f"magnetic neutral at {_shown(found.neutral)} after the index; felt from the two sides"
            f" {abs(apart):.2f}° apart"
        )
    if found.impulse_lag is not None:
        lines.append(f"impulse coupling: {_shown(found.impulse_lag)} late, {found.impulse_lag.n} x")
    return lines


def _short(mean: Mean | None) -> str:
    """A mean with about 95 %, in a column of degrees."""
    if mean is None:
        return "not read"
    U_deg = mean.expanded_deg
    return f"{rounding.figure(mean.deg, U_deg)} ±{rounding.two_figures(U_deg)}"


def _shown(mean: Mean | None) -> str:
    """A mean with about 95 %."""
    if mean is None:
        return "not read"
    U_deg = mean.expanded_deg
    return f"{rounding.figure(mean.deg, U_deg)}° ± {rounding.two_figures(U_deg)}°"


def _compare(args: argparse.Namespace) -> int:
    paths: Sequence[Path] = args.what
    if len(paths) != 2:
        raise InputError("two reports are compared: give the earlier and the later one")
    first, second = (folder.read(path, KIND) for path in paths)
    try:
        found = compare_reports(first, second)
    except (KeyError, TypeError, ValueError) as why:
        raise InputError(f"{paths[0]}, {paths[1]}: a report is not whole: {why}") from None
    answer = {
        "first": str(paths[0]),
        "second": str(paths[1]),
        "changes": [asdict(each) for each in found.changes],
        "notes": list(found.notes),
        "false_changed_each": found.false_each,
        "false_changed_any": found.false_any,
    }
    answer["words"] = _in_short(first, second, found)
    lines = textwrap.wrap(f"{answer['words']}.", WIDTH)
    for each in found.changes:
        head = f"{'CHANGED' if each.changed else 'the same':<9} "
        lines += textwrap.wrap(head + each.words, WIDTH, subsequent_indent=" " * len(head))
    if found.changes:
        lines += textwrap.wrap(_false_alarms(found), WIDTH)
    for text in found.notes:
        lines += textwrap.wrap(f"note: {text}", WIDTH)
    figures(args, answer, lines)
    return 1 if any(each.changed for each in found.changes) else 0


def _in_short(first: Mapping[str, Any], second: Mapping[str, Any], found: UnitComparison) -> str:
    """What changed from the first report to the second, in a sentence."""
    one, two = (each["unit"] for each in (first, second))
    names = [f"{each['type']} {each['serial']}".strip() for each in (one, two)]
    days = [str(each.get("made_utc", ""))[:10] for each in (first, second)]
    against = f"{names[0]} on {days[0]}" if names[0] != names[1] else f"{days[0]}"
    changed = [
        f"{each.figure} {rounding.difference(each.change_deg, each.U_deg)}°,"
        f" U {rounding.two_figures(each.U_deg)}°"
        for each in found.changes
        if each.changed
    ]
    n = len(found.changes)
    said = f"changed: {'; '.join(changed)}" if changed else "no change detected"
    of = f" ({len(changed)} of {many(n, 'figure')})" if changed else ""
    return f"{names[1]} on {days[1]} against {against}: {said}{of}"


def _false_alarms(found: UnitComparison) -> str:
    """How often a comparison says "changed" where nothing did."""
    each, some = 100.0 * found.false_each, 100.0 * found.false_any
    n = len(found.changes)
    text = f"where nothing changed, at most {each:.0f} % of comparisons call a figure changed"
    return text if n == 1 else f"{text}, about {some:.0f} % one or more of these {n}"
