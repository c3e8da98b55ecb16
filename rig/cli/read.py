"""Where do the contacts open? Reads a capture or a pin recording (VCD), with or without a job."""

from __future__ import annotations

import argparse
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.base.escape import message
from rig.base.rounding import many
from rig.cli.output import figures, json_option
from rig.session.diagnostics import counts_check
from rig.signal.events import Finding, IndexPass, Opening, Settings
from rig.signal.openings import OpeningFinder
from rig.signal.track import IndexCheck
from rig.wire.formats import Recording, open_recording
from rig.wire.records import Health, LineError
from rig.words.diagnostics import reason_code, reason_words
from rig.words.figures import angle


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig read``."""
    parser.add_argument("recording", type=Path, help="a capture, or a value change dump (.vcd)")
    parser.add_argument("--job", type=Path, help="take engine.toml and reference.json of this job")
    parser.add_argument("--counts-per-turn", type=int, help="counts of a turn: lines times four")
    parser.add_argument("--tdc-deg", type=float, help="top dead centre, degrees after the index")
    parser.add_argument("--direction", type=int, choices=(1, -1), help="1: A leads B forward")
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
    parser.add_argument("--closed-end-ms", type=float, help="a closed run that ends a passage")
    parser.add_argument("--least-open-ms", type=float, help="open this long: they stay open")
    parser.add_argument("--longest-dropout-ms", type=float, help="longest drop-out")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Read the recording and print its openings."""
    _check(args)
    profile, tdc_deg = None, args.tdc_deg
    if args.job:
        from rig.cli.output import open_job
        from rig.engine.gear_train import index_places
        from rig.job.results import job_reference
        from rig.words.diagnostics import not_carried_over

        job = open_job(args.job, "read")
        profile = job.profile
        args.counts_per_turn = args.counts_per_turn or profile.encoder.counts_per_turn
        reference, _ = job_reference(job)
        if tdc_deg is None and reference is not None:
            if index_places(profile.encoder) == 1:
                tdc_deg = reference.tdc_deg
            else:
                message(f"rig read: {not_carried_over(profile.encoder)}")
    recording = open_recording(args.recording, args.counts_per_turn, _pairs(args.signal))
    inputs = dict(recording.inputs)
    settings = _settings(args, profile, recording)
    answer = _read(recording, settings, tdc_deg, inputs)
    for text in answer["said"]:
        message(f"rig read: {text}")
    figures(args, answer, _lines(answer))
    return 0


def _check(args: argparse.Namespace) -> None:
    if args.counts_per_turn is not None and not 4 <= args.counts_per_turn <= 1_000_000:
        raise InputError("--counts-per-turn is to be from 4 to 1000000")
    for name in ("tdc_deg", "approach_deg", "closed_end_ms", "least_open_ms", "longest_dropout_ms"):
        value = getattr(args, name)
        if value is None:
            continue
        if not math.isfinite(value) or (name != "tdc_deg" and value < 0):
            option = name.replace("_", "-")
            raise InputError(f"--{option} {value}: a finite number is needed, not below zero")


def _pairs(options: Sequence[str]) -> dict[str, str]:
    pairs = {}
    for option in options:
        name, equals, value = option.partition("=")
        if not (name and equals and value):
            raise InputError(f"{option!r} is not of the form NAME=VALUE")
        pairs[name] = value
    return pairs


def _settings(args: argparse.Namespace, profile: Any, recording: Recording) -> Settings:
    if profile is None:
        settings = Settings(recording.counts_per_turn)
    else:
        from rig.session.session import signal_settings

        settings = replace(signal_settings(profile), counts_per_turn=recording.counts_per_turn)
    changes: dict[str, Any] = {
        "direction": args.direction,
        "index_level": args.index_level,
        "run_up_deg": args.approach_deg,
    }
    for name in ("closed_end", "least_open", "longest_dropout"):
        value = getattr(args, f"{name}_ms")
        changes[f"{name}_us"] = None if value is None else 1e3 * value
    settings = replace(settings, **{k: v for k, v in changes.items() if v is not None})
    levels = dict(settings.open_levels)
    by_name = {name: number for number, name in recording.inputs.items()}
    for name, level in _pairs(args.open_level).items():
        number = by_name.get(name, _contact_number(name))
        if number is None or level not in ("0", "1"):
            raise InputError(f"--open-level {name}={level}: give an input and the level 0 or 1")
        levels[number] = int(level)
    return replace(settings, open_levels=levels)


def _contact_number(name: str) -> int | None:
    digits = name.removeprefix("contact")
    return int(digits) if digits.isascii() and digits.isdigit() else None


def _read(
    recording: Recording, settings: Settings, tdc_deg: float | None, inputs: dict[int, str]
) -> dict[str, Any]:
    follower = OpeningFinder(settings)
    check = IndexCheck(settings)
    openings: list[Opening] = []
    passes: list[IndexPass] = []
    troubles: Counter[str] = Counter()
    findings: Counter[str] = Counter()
    said: list[str] = []
    health: Health | None = None
    start_us = 0.0 if recording.kind == "pins" else math.inf

    def keep(events: Sequence[object]) -> None:
        for event in events:
            if isinstance(event, Opening) and event.direction >= 0:
                openings.append(event)
            elif isinstance(event, IndexPass):
                passes.append(event)
                check.take(event)
            elif isinstance(event, Finding):
                findings[f"{event.kind}, {_name(event.input, inputs)}"] += 1

    for batch in recording.batches:
        if len(batch.positions):
            start_us = min(start_us, float(batch.positions[0]["t_us"]))
        for other in batch.others:
            if isinstance(other, LineError):
                troubles[other.kind] += other.times
                if other.kind in ("capture", "vcd", "protocol"):
                    said.append(other.detail)
            elif isinstance(other, Health):
                health = other
        keep(follower.take(batch))
    keep(follower.finish())
    if math.isinf(start_us):
        raise InputError(f"{recording.path}: {_nothing(said, troubles)}")
    said = [*dict.fromkeys(said), *_doubts(follower, check, openings, inputs)]
    # They come in the order in which they were decided.
    openings = sorted((_as_known_now(one, check) for one in openings), key=lambda one: one.t_us)
    widths, _ = follower.widths.shares
    return {
        "recording": str(recording.path),
        "kind": recording.kind,
        "counts_per_turn": settings.counts_per_turn,
        "tdc_deg": tdc_deg,
        "openings": [_opening(one, start_us, tdc_deg, inputs) for one in openings],
        "index_passes": len(passes),
        "troubles": dict(troubles),
        "findings": dict(findings),
        "illegal_transitions": health.illegal if health else 0,
        "state_widths_counts": [round(float(w), 4) for w in widths],
        "state_widths_corrected": any(follower.widths.offsets),
        "said": [f"{recording.path}: {text}" for text in said],
    }


def _as_known_now(one: Opening, check: IndexCheck) -> Opening:
    """An opening that was taken to count, until the index said otherwise."""
    return replace(one, rejection=one.rejection or check.why_not(one.t_us))


def _nothing(said: list[str], troubles: Counter[str]) -> str:
    """Why there is nothing to read in a capture."""
    kinds = ", ".join(f"{kind} {n}" for kind, n in troubles.items() if kind != "capture")
    heard = f" ({kinds})" if kinds else ""
    return "; ".join(dict.fromkeys([f"no position of a rig can be read in it{heard}", *said]))


def _doubts(
    follower: OpeningFinder, check: IndexCheck, openings: list[Opening], inputs: dict[int, str]
) -> list[str]:
    said = []
    if openings and follower.track.anchor is None:
        said.append("the index was never met: angles are not known")
    if check.counts_wrong:
        stated = follower.settings.counts_per_turn
        said.append(counts_check(check.turns, stated).words + ": is --counts-per-turn right?")
    elif check.off_passes:
        said.append(
            f"the index came {many(check.off_passes, 'time')} at another count than expected"
        )
    if follower.track.lost:
        said.append(f"angles do not hold: {reason_words(follower.track.lost)}")
    met = {one.input for one in openings}
    said += [f"{name} never opens" for number, name in inputs.items() if number not in met]
    return said


def _name(number: int, inputs: dict[int, str]) -> str:
    return inputs.get(number, f"contact{number}" if number else "encoder")


def _opening(
    one: Opening, start_us: float, tdc_deg: float | None, inputs: dict[int, str]
) -> dict[str, Any]:
    btdc = None
    if tdc_deg is not None and one.crank_deg is not None:
        btdc = wrap(tdc_deg - one.crank_deg)
    return {
        "unit": _name(one.input, inputs),
        "t_s": (one.t_us - start_us) / 1e6,
        "crank_deg": one.crank_deg,
        "btdc_deg": btdc,
        "valid": one.valid,
        "reason": reason_code(one.rejection),
        "why": reason_words(one.rejection),
        "run_up_deg": one.run_up_deg,
        "speed_deg_s": one.speed_deg_s,
        "partings": one.partings,
        "passage_us": one.passage_us,
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
    lines += [f"trouble: {kind} {n}" for kind, n in answer["troubles"].items()]
    lines += [f"found: {what} {n}" for what, n in answer["findings"].items()]
    return lines
