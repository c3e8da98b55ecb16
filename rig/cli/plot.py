"""Drawings as files: .svg, .png or .pdf, by the ending of --out.

rig plot readings JOB [CAPTURE]        each opening against its window
rig plot turn JOB [CAPTURE]            the turn or cycle: openings, closings, dead centres, index
rig plot signal JOB|RECORDING          the contacts' signal at an opening, the instant marked
rig plot drift FOLDER                  the certificates of an engine through the years
rig plot layout JOB                    a hole or slot to lay out, of the prediction taken last
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.adjust import predictions
from rig.base.errors import InputError
from rig.base.escape import message
from rig.cli.output import figures, json_option, newest_capture, open_job
from rig.job.folder import Job
from rig.wire.formats import open_recording
from rig.words.diagnostics import remarks_on
from rig.words.figures import angle


@dataclass(frozen=True, slots=True)
class Drawn:
    """A drawing that was written, and what is in it."""

    path: Path
    facts: Mapping[str, Any]


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig plot``."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("kind", choices=tuple(KINDS), help="what to draw")
    parser.add_argument("what", type=Path, nargs="+", help="a job, a recording, or a folder")
    parser.add_argument("--out", type=Path, help="the file; KIND.svg here when left out")
    parser.add_argument("--unit", help="signal, drift: this unit")
    parser.add_argument("--opening", type=int, help="signal: which one, from 1, as rig read lists")
    parser.add_argument("--counts-per-turn", type=int, help="of a pin recording without a job")
    parser.add_argument("--tdc-deg", type=float, help="signal: top dead centre after the index")
    parser.add_argument("--engine", default="", help="drift: of this engine")
    parser.add_argument("--engine-serial", default="", help="drift: of this serial")
    parser.add_argument("--cylinders", action="store_true", help="drift: each cylinder, too")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Draw, and say where the drawing is."""
    from rig.plots import sheet

    out = sheet.out_path(args.out or Path(f"{args.kind}.svg"))
    drawn = KINDS[args.kind](args, out)
    answer = {"kind": args.kind, "drawing": str(drawn.path), **drawn.facts}
    figures(args, answer, [f"drawing: {drawn.path}"])
    return 0


def _job_and_capture(args: argparse.Namespace) -> tuple[Job, Path]:
    if len(args.what) > 2:
        raise InputError("a job, and one capture at most")
    job = open_job(args.what[0], "draw")
    return job, args.what[1] if len(args.what) > 1 else newest_capture(job, "draw")


def _readings(args: argparse.Namespace, out: Path) -> Drawn:
    from rig.job.results import work_job
    from rig.plots import readings

    job, capture = _job_and_capture(args)
    worked = work_job(job, [capture])
    for text in remarks_on(worked):
        message(f"rig plot: {text}")
    if not any(each.mean_btdc is not None for each in worked.judgements):
        raise InputError(f"{capture}: no valid opening yet, or TDC is not known")
    title = f"{job.profile.engine.name}, {capture.stem}"
    path = readings.draw(title, worked.judgements, worked.readings, out)
    return Drawn(path, {"capture": str(capture), "figures": len(worked.judgements)})


def _turn(args: argparse.Namespace, out: Path) -> Drawn:
    from rig.job.results import job_reference, settle_place
    from rig.plots import turn
    from rig.plots.turn import turn_of
    from rig.session.session import Session
    from rig.tdc.gauge_points import GaugeNotes
    from rig.wire.capture import CaptureReader

    job, capture = _job_and_capture(args)
    session = Session(job.profile)
    played = session.replay(CaptureReader(capture).batches())
    events = [event for _, decided in played for event in decided]
    session.reference = session.reference or job_reference(job)[0]
    settle_place(session, GaugeNotes(), capture.name, session.reference)
    found = turn_of(session, events)
    path = turn.draw(f"{job.profile.engine.name}, {capture.stem}", found, out)
    units = {ring.name: [each.at_deg for each in ring.openings] for ring in found.rings}
    return Drawn(
        path, {"capture": str(capture), "cycle_deg": found.cycle_deg, "opens_after_tdc_deg": units}
    )


def _signal(args: argparse.Namespace, out: Path) -> Drawn:
    from rig.base.angles import wrap
    from rig.engine.gear_train import index_places
    from rig.job.results import job_reference
    from rig.plots import signal
    from rig.plots.signal import taken_of, trace_of
    from rig.session.session import signal_settings
    from rig.signal.events import Opening, Settings
    from rig.words.diagnostics import not_carried_over, reason_words

    job = open_job(args.what[0], "draw") if args.what[0].is_dir() else None
    rest = args.what[1:] if job else args.what
    if len(rest) > 1:
        raise InputError("one recording at a time")
    path = rest[0] if rest else newest_capture(job, "draw") if job else args.what[0]
    counts = args.counts_per_turn or (job.profile.encoder.counts_per_turn if job else None)
    recording = open_recording(path, counts)
    settings = signal_settings(job.profile) if job else Settings(recording.counts_per_turn)
    names = dict(recording.inputs)
    if job:
        names.update({unit.input: unit.name for unit in job.profile.units})
    taken = taken_of(recording.batches, settings)
    openings = [e for e in taken.events if isinstance(e, Opening) and e.direction >= 0]
    number, chosen = _chosen(openings, names, args, path)
    tdc_deg, reference = args.tdc_deg, job_reference(job)[0] if job else None
    if tdc_deg is None and reference is not None and job is not None:
        if index_places(job.profile.encoder) == 1:
            tdc_deg = reference.tdc_deg
        else:
            message(f"rig plot: {not_carried_over(job.profile.encoder)}")
    btdc = None
    if tdc_deg is not None and chosen.crank_deg is not None:
        btdc = wrap(tdc_deg - chosen.crank_deg)
    name = names.get(chosen.input, f"contact{chosen.input}")
    where = "angle not known" if chosen.crank_deg is None else f"{chosen.crank_deg:.3f}° of crank"
    where = where if btdc is None else angle(btdc, 3)
    valid_words = "valid" if chosen.valid else f"rejected: {reason_words(chosen.rejection)}"
    words = (
        f"opening {number} of {path.name}: {where}, at {abs(chosen.speed_deg_s):.0f}° a second; "
        f"{valid_words}"
    )
    signal.draw(f"{name}: the contacts open", trace_of(taken, chosen, settings, words), out)
    facts = {
        "recording": str(path),
        "unit": name,
        "opening": number,
        "t_us": chosen.t_us,
        "crank_deg": chosen.crank_deg,
        "btdc_deg": btdc,
        "partings": chosen.partings,
        "passage_us": chosen.passage_us,
    }
    return Drawn(out, facts)


def _chosen(
    openings: list[Any], names: Mapping[int, str], args: argparse.Namespace, path: Path
) -> tuple[int, Any]:
    """The opening asked for; else the one that parted most often among those that count."""
    if not openings:
        raise InputError(f"{path}: no contacts open in it")
    if args.opening is not None:
        if not 1 <= args.opening <= len(openings):
            raise InputError(f"--opening {args.opening}: there are 1 to {len(openings)}")
        return args.opening, openings[args.opening - 1]
    own = [
        (n, each)
        for n, each in enumerate(openings, 1)
        if args.unit in (None, names.get(each.input, f"contact{each.input}"))
    ]
    if not own:
        raise InputError(f"--unit {args.unit}: it never opens; there are {sorted(names.values())}")
    return max(own, key=lambda pair: (pair[1].valid, pair[1].partings))


def _drift(args: argparse.Namespace, out: Path) -> Drawn:
    from rig.cli.trend import chosen
    from rig.history import plot
    from rig.history import series as records

    if len(args.what) > 1:
        raise InputError("one folder: a job, or one that holds many")
    listing = records.look(args.what[0])
    for each in listing.left:
        message(f"rig plot: {each.words}")
    found = records.history(
        listing.files, args.engine, args.engine_serial, cylinders=args.cylinders
    )
    for text in found.troubles:
        message(f"rig plot: {text}")
    shown = chosen(found.series, args.unit, cylinders=args.cylinders)
    if not shown:
        raise InputError("no series of that unit, or no figure with an uncertainty, to draw")
    path = plot.draw(found, shown, out)
    facts = {"certificates": list(found.certificates), "words": [s.words for s in shown]}
    return Drawn(path, facts)


def _layout(args: argparse.Namespace, out: Path) -> Drawn:
    from rig.adjust import cutting_layout

    job = open_job(args.what[0], "draw")
    sheet = predictions.load(args.what[1]) if len(args.what) > 1 else predictions.newest(job)
    if sheet is None:
        raise InputError(f"{job.folder}: no option was taken yet; rig adjust --take takes one")
    steps = [step for step in sheet.steps if step.get("means") == "recut"]
    if not steps:
        raise InputError(f"{sheet.path}: no step of it drills or cuts anything")
    place = cutting_layout.place_of(steps[0])
    path = cutting_layout.draw(place, out)
    return Drawn(path, {"prediction": str(sheet.path), "chord_mm": place.chord_mm,
                        "arc_mm": place.arc_mm, "unit_deg": place.unit_deg,
                        "radius_mm": place.radius_mm, "way": place.way})  # fmt: skip


KINDS: Mapping[str, Callable[[argparse.Namespace, Path], Drawn]] = {
    "readings": _readings,
    "turn": _turn,
    "signal": _signal,
    "drift": _drift,
    "layout": _layout,
}


"""What can be drawn, and what draws it."""
