"""A unit off the engine, the encoder on its own shaft."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

from rig.base.errors import InputError
from rig.cli.output import Answer, Command, newest_capture, open_job, table_lines, tell
from rig.engine.profile import Encoder, Unit
from rig.job import folder as sheets
from rig.job.clock import iso
from rig.job.folder import Job
from rig.unit_bench import compare, report
from rig.wire.formats import open_recording

NO_UNIT = Unit("", 1, Fraction(1), 0, ())
NO_ENCODER = Encoder(0)


def run(args: argparse.Namespace) -> Answer:
    """A unit off the engine, the encoder on its own shaft: lobes, open and closed
    angle, backlash, magnetic neutral; or two reports compared.

        rig bench JOB --unit NAME --live           at the rig, step by step
        rig bench JOB [RECORDING] --unit NAME      with the job's engine file
        rig bench RECORDING --lobes 2 --serial S   without a job
        rig bench REPORT.json REPORT.json          two reports compared

    Turn it a few turns forward, a few back, and forward again: the backlash is the
    difference. Magnetic neutral is where the rotor settles by feel; approach it from
    either side.

    WARNING: a magneto on the bench is live as soon as it is turned: leads on an
    earthed gap, hands off its terminals.

    Exit status 1: something changed from one report to the other.
    """
    if all(path.suffix == ".json" for path in args.what):
        return _compare(args.what)
    job = open_job(args, args.what[0]) if args.what[0].is_dir() else None
    rest = args.what[1:] if job else args.what
    if len(rest) > 1:
        raise InputError("one recording at a time; --impulse takes the one with the coupling")
    unit = _unit(job, args.unit) if job else None
    if args.live or args.port:
        path = _taken(args, job, unit, rest)
    elif job and not rest:
        path = newest_capture(args, job)
    else:
        path = rest[0]
    encoder = job.profile.encoder if job else NO_ENCODER
    counts = args.counts_per_turn or encoder.counts_per_turn or None
    counts = open_recording(path, counts).counts_per_turn
    identity, bench = _set_up(args, encoder, unit or NO_UNIT, counts)
    now = datetime.now(UTC)
    plain, found, wrong = report.sheet(
        identity, bench, counts, path, iso(now), impulse=args.impulse, changes=args.changed
    )
    tell(args, *(f"{path}: {text}" for text in wrong))
    folder = args.save_in or (job.folder / report.FOLDER if job else None)
    saved = None
    if folder is None:
        tell(args, "not saved: name a job, or give a folder with --save-in")
    else:
        saved = sheets.free_path(folder, report.stem(identity, now))
        sheets.write(saved, plain)
        if not identity.serial:
            tell(args, "no serial number given; --serial identifies this unit")
    lines = [*_lines(identity, found), *([f"report: {saved}"] if saved else [])]
    return Answer(plain | {"saved": str(saved) if saved else None}, lines)


def _unit(job: Job, name: str | None) -> Unit:
    units = [unit for unit in job.profile.units if name in (None, unit.name)]
    if len(units) != 1:
        names = ", ".join(unit.name for unit in job.profile.units)
        raise InputError(f"--unit: name the one that is on the bench; the engine file has {names}")
    return units[0]


def _taken(
    args: argparse.Namespace, job: Job | None, unit: Unit | None, rest: Sequence[Path]
) -> Path:
    """A capture taken now, the person led through it."""
    from rig.live.run import capture_alone
    from rig.unit_bench.procedure import MeasureUnit, UnitJob

    if not args.live:
        raise InputError("--port goes with --live")
    if job is None or unit is None or rest:
        raise InputError("--live: name the job alone, and the unit with --unit")
    live = capture_alone(UnitJob(job.folder, unit.name), args.port, MeasureUnit)
    if lacking := live.lacking():
        raise InputError("; ".join(lacking))
    return live.capture_path


def _set_up(
    args: argparse.Namespace, encoder: Encoder, unit: Unit, counts: int
) -> tuple[report.UnitIdentity, report.BenchSetUp]:
    """As in the engine file, unless the command line says otherwise."""
    lobes = args.lobes or unit.lobes
    if not 1 <= lobes <= 36:
        raise InputError("--lobes: how often it opens in a turn of its own shaft, 1 to 36")
    if args.poles is not None and not 1 <= args.poles <= 36:
        raise InputError(f"--poles {args.poles}: a magnet has from 1 to 36")
    if not 4 <= counts <= 1_000_000:
        raise InputError("--counts-per-turn: enter 4 to 1000000")
    level: Any = unit.open_level if args.open_level is None else args.open_level
    delay_us, error_us = unit.sensing_delay_us, unit.sensing_delay_error_us
    if args.sensing_delay_us is not None:
        delay_us = error_us = args.sensing_delay_us
    return report.UnitIdentity(
        args.type or unit.name or "unit", args.serial or unit.serial, lobes, unit.name, args.poles
    ), report.BenchSetUp(
        args.input or unit.input, level, args.direction or encoder.direction, encoder.index_level,
        tuple(args.neutral_forward), tuple(args.neutral_back), delay_us, error_us,
    )  # fmt: skip


def _lines(identity: report.UnitIdentity, found: report.UnitReport) -> list[str]:
    serial = f", serial {identity.serial}" if identity.serial else ""
    heads = ["lobe", "opens", "to next", "closed", "open", "from neutral"]
    rows = [
        [str(lobe.number), *(_short(each) for each in (lobe.opening, lobe.interval, lobe.closed,
                                                       lobe.opened, lobe.neutral))]
        for lobe in found.lobes
    ]  # fmt: skip
    if found.neutral is None:
        for row in (heads, *rows):
            row.pop()
    lines = [f"{identity.type}{serial}: degrees of its own shaft"]
    lines += table_lines(heads, rows, numeric=range(1, len(heads)))
    if found.backlash is not None:
        lines.append(f"backlash, by turning both ways: {found.backlash}")
    if found.neutral is not None:
        apart = abs(found.neutral_sides_deg or 0.0)
        lines.append(
            f"magnetic neutral at {found.neutral} after the index; felt from the two sides"
            f" {apart:.2f}° apart"
        )
    if found.impulse_lag is not None:
        lines.append(f"impulse coupling: {found.impulse_lag} late, {found.impulse_lag.n} x")
    return lines


def _short(mean: report.Mean | None) -> str:
    return "not read" if mean is None else str(mean).replace("° ± ", "±").removesuffix("°")


def _compare(paths: Sequence[Path]) -> Answer:
    if len(paths) != 2:
        raise InputError("two reports are compared: give the earlier and the later one")
    first, second = (sheets.read(path, report.KIND) for path in paths)
    try:
        found = compare.compare_reports(first, second)
    except (KeyError, TypeError, ValueError) as why:
        raise InputError(f"{paths[0]}, {paths[1]}: a report is incomplete: {why}") from None
    figures = {
        "first": str(paths[0]),
        "second": str(paths[1]),
        "changes": found.changes,
        "notes": found.notes,
        "false_changed_each": found.false_each,
        "false_changed_any": found.false_any,
        "words": compare.in_short(first, second, found),
    }
    lines = [f"{figures['words']}."]
    lines += [f"{'CHANGED' if c.changed else 'the same':<9} {c.words}" for c in found.changes]
    if found.changes:
        each, some = 100.0 * found.false_each, 100.0 * found.false_any
        n = len(found.changes)
        lines.append(
            f"where nothing changed, at most {each:.0f} % of comparisons call a figure changed"
            + (f", about {some:.0f} % one or more of these {n}" if n > 1 else "")
        )
    lines += [f"note: {text}" for text in found.notes]
    return Answer(figures, lines, int(any(each.changed for each in found.changes)))


OPTIONS = """
what... PATH            a job folder, a recording, or reports
--unit NAME             the unit's name in the job's engine file
--live                  at the rig, step by step
--port PORT             the rig's port, with --live; else it is found
--counts-per-turn N     counts of a turn: encoder lines times four
--direction {1,-1}      1: A leads B in the normal direction
--input N               its contact input; default: 1
--open-level {0,1}      level of the input when the contacts are open
--sensing-delay-us US   delay of its front end, in place of the engine file's
--lobes N               openings in a turn of its shaft
--poles N               poles of its magnet: neutrals in a turn
--type NAME             its type; only reports of one type are compared
--serial SERIAL         its serial number
--impulse FILE          a recording with its impulse coupling engaged
--neutral-forward DEG+  where it settles approached forward, after the index
--neutral-back DEG+     the same, approached turning back
--changed WORDS...      what was changed since its last report; repeatable
--save-in FOLDER        folder for the report; a job has its own
"""
COMMANDS = {"bench": Command(run, OPTIONS)}
