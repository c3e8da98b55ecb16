"""Where the contacts open in a recording, with or without a job."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from rig import RecordingOpenings, read_openings
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.cli.output import Answer, Command, fields_of, open_job, table_lines, tell
from rig.words.diagnostics import reason_words, recording_doubts, tdc_deg_in
from rig.words.figures import angle


def run(args: argparse.Namespace) -> Answer:
    """Where do the contacts open? Reads a capture, lines saved from a terminal, or a
    pin recording (VCD), with or without a job.

        rig read RECORDING --counts-per-turn 4096 --tdc-deg 161.9
        rig read RECORDING --open-level contact2=0 --sensing-delay-us contact1=9
        rig read RECORDING --job JOB
    """
    profile, tdc_deg = None, args.tdc_deg
    if args.job:
        job = open_job(args)
        profile = job.profile
        if tdc_deg is None:
            tdc_deg, said = tdc_deg_in(job, args.recording)
            tell(args, *said)
    found = read_openings(
        args.recording,
        args.counts_per_turn,
        tdc_deg=tdc_deg,
        engine=profile,
        direction=args.direction,
        index_level=args.index_level,
        open_levels=_levels(args.open_level),
        sensing_delays_us=_delays(args.sensing_delay_us),
        signals=dict(args.signal),
        approach_deg=args.approach_deg,
        closed_end_ms=args.closed_end_ms,
        least_open_ms=args.least_open_ms,
        longest_dropout_ms=args.longest_dropout_ms,
    )
    said = [f"{found.path}: {text}" for text in recording_doubts(found)]
    tell(args, *said)
    figures = {"recording": str(found.path), "said": said} | fields_of(
        found, "kind", "counts_per_turn", "tdc_deg", "openings", "index_passes", "line_errors",
        "findings", "illegal_transitions", "state_widths_counts", "state_widths_corrected",
    )  # fmt: skip
    return Answer(figures, _lines(found))


def _levels(options: Sequence[tuple[str, str]]) -> dict[str, int]:
    for name, level in options:
        if level not in ("0", "1"):
            raise InputError(f"--open-level {name}={level}: give an input and the level 0 or 1")
    return {name: int(level) for name, level in options}


def _delays(options: Sequence[str]) -> dict[str, float]:
    """Delays by input; that of "" is for all inputs."""
    try:
        return {
            name: float(text)
            for each in options
            for name, text in [each.split("=", 1) if "=" in each else ("", each)]
        }
    except ValueError:
        raise InputError(
            f"--sensing-delay-us {' '.join(options)}: give microseconds, or INPUT=MICROSECONDS"
        ) from None


def _lines(found: RecordingOpenings) -> list[str]:
    rows = [
        (one.unit, f"{one.t_s:.6f}", "-" if one.crank_deg is None else f"{one.crank_deg:.4f}",
         angle(one.btdc_deg, 3), "yes" if one.valid else "no")
        for one in found.openings
    ]  # fmt: skip
    notes = [
        "" if one.valid else f"rejected: {reason_words(one.rejection)}" for one in found.openings
    ]
    heads = ("input", "time, s", "crank, °", "opens at", "valid")
    return [
        *table_lines(heads, rows, {1, 2, 3}, notes),
        f"{many(len(found.openings), 'opening')}, {len(found.valid)} of them valid;"
        f" the index passed {many(found.index_passes, 'time')}",
        *(f"line error: {kind}: {many(n, 'time')}" for kind, n in found.line_errors.items()),
        *(f"found: {what}: {many(n, 'time')}" for what, n in found.findings.items()),
    ]


OPTIONS = """
recording PATH                   a capture, saved lines, or a pin recording (.vcd)
--job FOLDER                     read with this job's engine file and TDC
--counts-per-turn N              counts of a turn: encoder lines times four
--tdc-deg DEG                    TDC in degrees after the index
--direction {1,-1}               1: A leads B in the normal direction
--index-level {0,1}              active level of the index
--open-level INPUT=LEVEL...      level of an input when its contacts are open
--sensing-delay-us [INPUT=]US...  delay of the front end to take out; of all inputs, or of one
--signal NAME=SIGNAL...          name of a signal in the VCD, such as a=enc.phase_a
--approach-deg DEG               least approach of a reading
--closed-end-ms MS               a transition ends when closed this long
--least-open-ms MS               open this long, the contacts stay open
--longest-dropout-ms MS          longest drop-out
"""
COMMANDS = {"read": Command(run, OPTIONS)}
