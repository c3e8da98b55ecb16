"""Top dead centre: show the one in use, set it, or work it out from a dial gauge.

    rig tdc show JOB                    the reference in use, and how it was found
    rig tdc set JOB --tdc-deg DEG --within SIZE
                                        set by hand, with its uncertainty
    rig tdc gauge JOB POINTS            from a dial gauge on the piston, beside other methods

Gauge points come from a text file (a line a point: angle after the index, piston drop) or from a
capture in which they were noted. Approach each point with the piston rising: turn forward before
TDC, back after it. Piston drops that are equal to within 0.05 mm are paired.

WARNING: turn by hand only. The gauge must meet the piston crown and clear both valves; take it out
before a full turn.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.base import rounding
from rig.base.angles import modulo, nearest
from rig.base.errors import InputError
from rig.base.escape import message
from rig.base.rounding import after_index_with, many, u_part
from rig.cli.output import figures, json_option, open_job
from rig.engine.gear_train import disc_places, index_places, places_apart_deg
from rig.engine.geometry import geometry_of, plug_hole_offset_deg
from rig.engine.profile import Encoder, Geometry
from rig.engine.windows import typed_within
from rig.job.clock import iso
from rig.job.folder import Job
from rig.job.results import job_reference, replay_capture
from rig.job.tdc import METHODS, gauge_doubts, signed
from rig.tdc.dial_gauge import Gauge, GaugePoint, curve_mm, fitted
from rig.tdc.gauge_points import EngineMark, GaugeNotes, load_points, mark_reference
from rig.tdc.gauge_series import (
    MethodDifference,
    Series,
    compare_methods,
    with_encoder,
    work_through,
)
from rig.tdc.index_resolver import CLEAR, same_frame
from rig.tdc.reference import GaugeWorking, Method, TdcReference, by_gauge, set_by_hand
from rig.tdc.reference_file import load_references, save_reference
from rig.wire.capture import is_capture
from rig.words.assessments import contribution_words, few_readings

MARK = "the engine's own mark"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig tdc``."""
    parts = parser.add_subparsers(dest="part", required=True, metavar="show|set|gauge")
    for name, (what, own, _) in PARTS.items():
        part = parts.add_parser(name, help=what, description=what)
        part.add_argument("job", type=Path, help="the job folder")
        own(part)
        json_option(part)


def run(args: argparse.Namespace) -> int:
    """Show, set or work out TDC; 1 when a gauge point or the reference is in doubt."""
    return PARTS[args.part][2](args)


def _nothing_more(parser: argparse.ArgumentParser) -> None:
    """``rig tdc show`` takes the job alone."""


def _set_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--tdc-deg", type=float, required=True,
                        help="degrees after the index, in the normal direction")  # fmt: skip
    parser.add_argument("--within", "--within-deg", dest="within", metavar="SIZE",
                        help="half-width of the interval that surely holds it: degrees, or 2mm,"
                        " 1/16in round the rim that the engine file gives")  # fmt: skip
    parser.add_argument("--how", default="set by hand", help="how it was found")
    parser.add_argument("--cylinder", type=int, default=1)


def _gauge_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("points", type=Path, help="a text file of points, or a capture with notes")
    parser.add_argument("--length-unit", choices=("mm", "inch"),
                        help="of the piston drops, where the file has no heading")  # fmt: skip
    parser.add_argument("--cylinder", type=int, default=1, help="whose plug hole the gauge is in")
    parser.add_argument("--capture", help="name of the capture during which a file's points were"
                        " read, so that its figures may rest on them")  # fmt: skip
    parser.add_argument("--again", type=Path, help="points touched once more at the end")
    parser.add_argument("--inclined-deg", type=float, default=0.0, help="of the gauge to the bore")
    parser.add_argument(
        "--case", choices=("sliding", "pinned"), default="",
        help="inclined: a plunger that slides on a flat crown, or a rod pinned to one point",
    )  # fmt: skip
    parser.add_argument("--u-drop-mm", type=float, default=Gauge().u_drop_mm,
                        help="standard uncertainty of a reading of the gauge")  # fmt: skip
    parser.add_argument("--u-angle-deg", type=float, default=Gauge().u_angle_deg,
                        help="how still the crank is held")  # fmt: skip
    parser.add_argument("--fit-offset", action="store_true", help="find the cylinder offset, too")
    parser.add_argument("--leave-out", type=int, action="append", default=[], metavar="NUMBER",
                        help="leave a point out, by its number")  # fmt: skip
    parser.add_argument("--mark-deg", type=float, help="the engine's own mark, after the index")
    parser.add_argument("--mark-within", "--mark-within-deg", dest="mark_within", metavar="SIZE",
                        help="half-width of its reading, also for a mark noted live without one:"
                        " degrees, or 2mm, 1/16in round the rim (1 degree)")  # fmt: skip
    parser.add_argument("--use", nargs="?", const="fit", choices=tuple(METHODS),
                        help="select this method's TDC")  # fmt: skip


def _places(encoder: Encoder, reference: TdcReference) -> list[str]:
    said = []
    placed = reference.forward_deg or reference.backward_deg
    if disc_places(encoder) > 1 and encoder.run_out_deg and not placed:
        said.append(
            f"TDC comes at {many(disc_places(encoder), 'place')} of the geared encoder's disc, and"
            " the one at which it was found is not known: run-out is taken for the worst of them."
            " Found by the piston stop, or by the dial gauge in a session, it is less."
        )
    if index_places(encoder) == 1:
        return said
    apart = places_apart_deg(encoder)
    return [
        *said,
        f"The encoder is geared so that its index comes at "
        f"{many(index_places(encoder), 'place')} of the"
        f" crank, {apart:g}° apart. In another session, or after the rig lost power, this is valid"
        f" once you enter firing TDC again (within {CLEAR * apart:.0f}° is near enough), or touch"
        " the piston stop again.",
    ]


def _set(args: argparse.Namespace) -> int:
    """Set the reference by hand, then show the one in use."""
    job = open_job(args.job, "tdc")
    plug_hole_offset_deg(job.profile.engine, args.cylinder)  # its TDC is known
    now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    within_deg, how = None, args.how
    if args.within is not None:
        within = typed_within(args.within, job.profile.engine.rim_diameter_mm)
        within_deg = within.deg
        how += f", within {within.words}" if within.of_rim else ""
    reference = set_by_hand(
        args.tdc_deg, how=how, half_width_deg=within_deg, cylinder=args.cylinder, made_utc=now
    )
    _save(job, reference)
    return _shown(args, job)


def _save(job: Job, reference: TdcReference) -> None:
    aside = save_reference(job.reference_file, reference)
    if aside is not None:
        message(f"rig tdc: the old reference could not be read and was moved to {aside}")


def _show(args: argparse.Namespace) -> int:
    """Show the reference in use."""
    return _shown(args, open_job(args.job, "tdc"))


def _shown(args: argparse.Namespace, job: Job) -> int:
    in_use, said = job_reference(job)
    for text in said:
        message(f"rig tdc: {text}")
    if in_use is None:
        raise InputError(
            f"{args.job}: TDC is not known yet: find it with the piston stop in rig live, or set"
            " it with rig tdc set"
        )
    lines = [
        f"TDC of cylinder {in_use.cylinder}:"
        f" {after_index_with(in_use.tdc_deg, in_use.uncertainty.U_deg)}"
        f" (k = {in_use.uncertainty.k:.2f}), {in_use.by}",
        in_use.how,
        *filter(None, [few_readings(in_use.uncertainty, 0)]),
        *_places(job.profile.encoder, in_use),
        *(
            f"  {contribution_words(p)}: {u_part(p.u_deg)}° ({p.how})"
            for p in in_use.uncertainty.parts
        ),
        *(f"note: {text}" for text in in_use.warnings),
    ]
    places = {"index_places": index_places(job.profile.encoder)}
    figures(args, asdict(in_use) | places, lines)
    return 0


@dataclass(slots=True)
class _Given:
    """The points as they were given, with what the capture says of them."""

    points: list[GaugePoint]
    again: list[GaugePoint]
    notes: GaugeNotes = field(default_factory=GaugeNotes)
    capture: str = ""
    turn_known: bool = True  # of a geared encoder: on which of its crank's turns they lie


def _gauge(args: argparse.Namespace) -> int:
    """Print TDC by each method; 1 when a point or the reference is in doubt."""
    job = open_job(args.job, "tdc")
    engine = job.profile.engine
    plug_hole_offset_deg(engine, args.cylinder)  # there is such a cylinder, its top is known
    given = _given(args, job)
    numbers = [n for n in range(1, len(given.points) + 1) if n not in args.leave_out]
    if wrong := [n for n in args.leave_out if not 1 <= n <= len(given.points)]:
        raise InputError(
            f"--leave-out {wrong[0]}: the points are numbered 1 to {len(given.points)}"
        )
    noted = given.notes.gauge  # as it was said live, unless the command line says otherwise
    inclined = (args.inclined_deg, args.case)
    if not args.inclined_deg and not args.case:
        inclined = (noted.inclination_deg, noted.case)
    gauge = Gauge(args.u_drop_mm, args.u_angle_deg, *inclined)
    geometry = geometry_of(engine, args.cylinder)
    if args.fit_offset and geometry is not None:
        geometry = replace(geometry, offset_mm=None)
    series = work_through(
        [given.points[n - 1] for n in numbers], gauge, geometry, job.profile.encoder,
        cylinder=args.cylinder, again=given.again, turn_known=given.turn_known,
    )  # fmt: skip
    working = GaugeWorking(
        tuple(sorted(set(args.leave_out))), gauge.u_drop_mm, gauge.u_angle_deg,
        gauge.inclination_deg, gauge.case, fit_offset=args.fit_offset,
    )  # fmt: skip
    series = _signed(series, given, working)
    others = _others(job, args, given.notes)
    if series.references:
        encoder = job.profile.encoder
        others = [same_frame(each, series.references[0], encoder) for each in others]
    compared = compare_methods([*series.references, *others])
    doubts = _doubts(series, given.notes, args.cylinder, numbers, geometry)
    used = _use(job, series, args.use, doubts) if args.use else None
    answer = {
        "cylinder": args.cylinder,
        "points": _points(series, numbers, gauge, geometry, job),
        "references": [asdict(each) for each in series.references],
        "others": [asdict(each) for each in others],
        "fit": _fit(series),
        "fit_why": series.fit_why,
        "equal_drops": asdict(series.drops) if series.drops else None,
        "equal_drops_why": series.drops_why,
        "suspect": asdict(series.suspect) if series.suspect else None,
        "moved": asdict(series.moved) if series.moved else None,
        "compared": [asdict(each) for each in compared],
        "doubts": doubts,
        "in_use": used,
    }
    figures(args, answer, _gauge_lines(answer, series, compared))
    return 1 if doubts else 0


def _given(args: argparse.Namespace, job: Job) -> _Given:
    """Points of a text file, or of a capture's notes."""
    path: Path = args.points
    if path.is_file() and is_capture(path):
        notes = replay_capture(job.profile, path).gauge
        for text in notes.wrong:
            message(f"rig tdc: {path}: {text}")
        points = notes.points(args.cylinder)
        if not points:
            raise InputError(
                f"{path}: no gauge reading at cylinder {args.cylinder} was noted in this capture"
            )
        given = _Given(points, notes.points(args.cylinder, again=True), notes, path.name)
    else:
        capture = Path(args.capture or "").name
        given = _Given(load_points(path, args.length_unit), [], capture=capture, turn_known=False)
    if args.again:
        given.again = load_points(args.again, args.length_unit)
    return given


def _signed(series: Series, given: _Given, working: GaugeWorking) -> Series:
    """The series with references that say when, from what and how they were made."""
    now = iso(datetime.now(UTC))

    def of(each: TdcReference) -> TdcReference:
        return signed(each, working, now, given.capture)

    fit, drops = series.fit, series.drops
    return replace(
        series,
        fit=replace(fit, reference=of(fit.reference)) if fit else None,
        drops=replace(drops, reference=of(drops.reference)) if drops else None,
    )


def _others(job: Job, args: argparse.Namespace, notes: GaugeNotes) -> list[TdcReference]:
    """What the gauge is compared with: the newest of each other method, the engine's mark."""
    found: dict[tuple[Method, str], TdcReference] = {}
    if job.reference() is not None:
        for each in load_references(job.reference_file):
            if each.cylinder == args.cylinder and not by_gauge(each):
                found.setdefault(each.way, each)
    within_deg = None
    if args.mark_within is not None:
        within_deg = typed_within(args.mark_within, job.profile.engine.rim_diameter_mm).deg
    marks = [mark for mark in notes.marks if mark.cylinder == args.cylinder]
    if args.mark_deg is not None:
        marks.append(EngineMark(args.mark_deg, args.cylinder, MARK))
    for mark in marks:
        taken = mark_reference(mark, within_deg)
        found[taken.way] = taken
    return list(found.values())


def _doubts(
    series: Series,
    notes: GaugeNotes,
    cylinder: int,
    numbers: list[int],
    geometry: Geometry | None,
) -> list[str]:
    """Doubts about the series, a sentence each."""
    return [
        f"{doubt.words} (--leave-out {doubt.point} does without it)" if doubt.point else doubt.words
        for doubt in gauge_doubts(series, notes, cylinder, numbers, geometry)
    ]


def _use(job: Job, series: Series, method: str, doubts: Sequence[str]) -> str | None:
    """Select a method's TDC, unless the series is in doubt."""
    wanted = METHODS[method]
    chosen = next((each for each in series.references if each.method is wanted), None)
    if chosen is None:
        why = series.fit_why if method == "fit" else series.drops_why
        raise InputError(f"--use {method}: {why}")
    if doubts:
        message("rig tdc: not selected: the series is in doubt")
        return None
    _save(job, chosen)
    return wanted


def _fit(series: Series) -> dict[str, Any] | None:
    if series.fit is None:
        return None
    found = series.fit
    return {
        "tdc_deg": found.reference.tdc_deg,
        "U_deg": found.reference.uncertainty.U_deg,
        "zero_mm": found.zero_mm,
        "offset_mm": found.offset_mm,
        "offset_fitted": found.offset_fitted,
        "u_offset_mm": found.u_offset_mm,
        "scatter": found.scatter,
        "freedom": found.freedom,
    }


def _points(
    series: Series, numbers: list[int], gauge: Gauge, geometry: Geometry | None, job: Job
) -> list[dict[str, Any]]:
    rows = [
        {"number": n, "after_index_deg": modulo(p.angle_deg), "drop_mm": p.drop_mm,
         "residual_mm": None, "expected_mm": None}
        for n, p in zip(numbers, series.points, strict=True)
    ]  # fmt: skip
    if series.fit is not None and geometry is not None:
        import numpy as np

        angles = np.array([p.angle_deg for p in series.points])
        near = nearest(angles, series.fit.tdc_deg)
        gauge = with_encoder(gauge, job.profile.encoder)
        expected = curve_mm(near, fitted(series.fit), gauge, geometry)
        for row, there, off in zip(rows, expected, series.fit.residuals_mm, strict=True):
            row["expected_mm"], row["residual_mm"] = float(there), off
    return rows


def _gauge_lines(
    answer: dict[str, Any], series: Series, compared: Sequence[MethodDifference]
) -> list[str]:
    lines = [f"{'point':>5} {'after index':>12} {'drop mm':>9} {'curve mm':>9} {'off mm':>8}"]
    for row in answer["points"]:
        off = row["residual_mm"]
        curve = "" if off is None else f" {row['expected_mm']:>9.3f} {off:>+8.3f}"
        lines.append(
            f"{row['number']:>5} {row['after_index_deg']:>11.3f}° {row['drop_mm']:>9.3f}{curve}"
        )
    for each, why in ((series.fit, series.fit_why), (series.drops, series.drops_why)):
        if each is None:
            lines.append(f"left out: {why}")
            continue
        lines += _reference_lines(each.reference)
    if series.fit is not None:
        found = series.fit
        lines.append(
            f"  the gauge reads {found.zero_mm:+.3f} mm at TDC; points scatter"
            f" {found.scatter:.1f} times as much as entered for a reading"
        )
        if found.offset_fitted:
            U_mm = 2.0 * found.u_offset_mm
            offset = rounding.difference(found.offset_mm, U_mm)
            lines.append(f"  cylinder offset {offset} ± {rounding.two_figures(U_mm)} mm")
    lines += [f"beside: {each.words}" for each in compared]
    if series.moved is not None and not series.moved.moved:
        lines.append(series.moved.words)
    lines += [f"DOUBT: {text}" for text in answer["doubts"]]
    if answer["in_use"]:
        lines.append(f"selected: {answer['in_use']}")
    return lines


def _reference_lines(reference: TdcReference) -> list[str]:
    tdc = rounding.after_index_with(reference.tdc_deg, reference.uncertainty.U_deg)
    return [
        f"{reference.by}: TDC of cylinder {reference.cylinder} {tdc} ({reference.how})",
        *([f"  note: {'; '.join(reference.warnings)}"] if reference.warnings else []),
        *([f"  note: {why}"] if (why := few_readings(reference.uncertainty, 0)) else []),
    ]


PARTS = {
    "show": ("show the reference in use, and how it was found", _nothing_more, _show),
    "set": ("set TDC by hand, with its uncertainty", _set_arguments, _set),
    "gauge": ("TDC by a dial gauge on the piston, beside other methods", _gauge_arguments, _gauge),
}
"""Each sub-command: what it does, its arguments, and what runs it."""
