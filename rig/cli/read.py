"""Where do the contacts open? Reads a capture, a rig's lines or a VCD, with or without a job."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rig import RecordedOpening, RecordingOpenings, read_openings
from rig.base.errors import InputError
from rig.base.escape import message
from rig.base.rounding import many
from rig.cli.output import figures, json_option
from rig.words.diagnostics import reason_code, reason_words, recording_doubts
from rig.words.figures import angle


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig read``."""
    parser.add_argument(
        "recording",
        type=Path,
        help="a capture, lines saved from a terminal, or a pin recording (.vcd)",
    )
    parser.add_argument("--job", type=Path, help="take engine.toml and reference.json of this job")
    parser.add_argument("--counts-per-turn", type=int, help="counts of a turn: lines times four")
    parser.add_argument("--tdc-deg", type=float, help="TDC, degrees after the index")
    parser.add_argument(
        "--direction", type=int, choices=(1, -1), help="1: A leads B in the normal direction"
    )
    parser.add_argument("--index-level", type=int, choices=(0, 1), help="active level of the index")
    parser.add_argument(
        "--open-level", action="append", default=[], metavar="INPUT=LEVEL",
        help="level of a contact input when the contacts are open, e.g. contact2=0",
    )  # fmt: skip
    parser.add_argument(
        "--signal", action="append", default=[], metavar="NAME=SIGNAL",
        help="another name in the VCD, e.g. a=enc.phase_a; names: a b z contact1 contact2 ...",
    )  # fmt: skip
    parser.add_argument("--approach-deg", type=float, help="approach needed, crank degrees")
    parser.add_argument(
        "--closed-end-ms", type=float, help="a closed run this long ends a transition"
    )
    parser.add_argument("--least-open-ms", type=float, help="contacts open this long stay open")
    parser.add_argument("--longest-dropout-ms", type=float, help="longest drop-out")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Read the recording and print its openings."""
    profile, tdc_deg = None, args.tdc_deg
    if args.job:
        from rig.cli.output import open_job
        from rig.engine.gear_train import index_places
        from rig.job.results import tdc_in
        from rig.words.diagnostics import diagnostic_words, not_carried_over

        job = open_job(args.job, "read")
        profile = job.profile
        reference, moved = (None, []) if tdc_deg is not None else tdc_in(job, args.recording)
        for each in moved:
            message(f"rig read: {args.recording}: {diagnostic_words(each)}")
        if tdc_deg is None and reference is not None:
            if index_places(profile.encoder) == 1:
                tdc_deg = reference.tdc_deg
            else:
                message(f"rig read: {not_carried_over(profile.encoder)}")
    found = read_openings(
        args.recording,
        args.counts_per_turn,
        tdc_deg=tdc_deg,
        engine=profile,
        direction=args.direction,
        index_level=args.index_level,
        open_levels=_levels(args.open_level),
        signals=_pairs(args.signal),
        approach_deg=args.approach_deg,
        closed_end_ms=args.closed_end_ms,
        least_open_ms=args.least_open_ms,
        longest_dropout_ms=args.longest_dropout_ms,
    )
    answer = _answer(found)
    for text in answer["said"]:
        message(f"rig read: {text}")
    figures(args, answer, _lines(answer))
    return 0


def _pairs(options: Sequence[str]) -> dict[str, str]:
    pairs = {}
    for option in options:
        name, equals, value = option.partition("=")
        if not (name and equals and value):
            raise InputError(f"{option!r} is not of the form NAME=VALUE")
        pairs[name] = value
    return pairs


def _levels(options: Sequence[str]) -> dict[str, int]:
    levels = {}
    for name, level in _pairs(options).items():
        if level not in ("0", "1"):
            raise InputError(f"--open-level {name}={level}: give an input and the level 0 or 1")
        levels[name] = int(level)
    return levels


def _answer(found: RecordingOpenings) -> dict[str, Any]:
    """The openings as plain data."""
    return {
        "recording": str(found.path),
        "kind": found.kind,
        "counts_per_turn": found.counts_per_turn,
        "tdc_deg": found.tdc_deg,
        "openings": [_opening(one) for one in found.openings],
        "index_passes": found.index_passes,
        "line_errors": dict(found.line_errors),
        "findings": dict(found.findings),
        "illegal_transitions": found.illegal_transitions,
        "state_widths_counts": list(found.state_widths_counts),
        "state_widths_corrected": found.state_widths_corrected,
        "said": [f"{found.path}: {text}" for text in recording_doubts(found)],
    }


def _opening(one: RecordedOpening) -> dict[str, Any]:
    return {
        "unit": one.unit,
        "t_s": one.t_s,
        "crank_deg": one.crank_deg,
        "btdc_deg": one.btdc_deg,
        "valid": one.valid,
        "reason": reason_code(one.rejection),
        "why": reason_words(one.rejection),
        "approach_deg": one.approach_deg,
        "speed_deg_s": one.speed_deg_s,
        "times_opened": one.times_opened,
        "transition_us": one.transition_us,
        "closed_us": one.closed_us,
        "closed_deg": one.closed_deg,
    }


def _lines(answer: dict[str, Any]) -> list[str]:
    lines = [f"{'input':<12} {'time s':>12} {'crank deg':>13} {'opens at':>14}  valid"]
    for one in answer["openings"]:
        crank = "-" if one["crank_deg"] is None else f"{one['crank_deg']:.4f}"
        valid = "yes" if one["valid"] else f"no: {one['why']}"
        lines.append(
            f"{one['unit']:<12} {one['t_s']:>12.6f} {crank:>13}"
            f" {angle(one['btdc_deg'], 3):>14}  {valid}"
        )
    good = sum(one["valid"] for one in answer["openings"])
    lines.append(f"{many(len(answer['openings']), 'opening')}, {good} of them valid;"
                 f" the index passed {many(answer['index_passes'], 'time')}")  # fmt: skip
    lines += [f"line error: {kind} {n}" for kind, n in answer["line_errors"].items()]
    lines += [f"found: {what} {n}" for what, n in answer["findings"].items()]
    return lines
