"""Top dead centre: show the one in use, set it by hand, or find it with a dial
gauge on the piston.

    rig tdc show JOB
    rig tdc set JOB --tdc-deg DEG --within SIZE
    rig tdc gauge JOB POINTS
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.base import rounding
from rig.base.angles import modulo
from rig.base.errors import InputError
from rig.base.rounding import after_index_with, many, u_part
from rig.cli.output import JOB, Answer, Command, fields_of, open_job, table_lines, tell
from rig.engine.gear_train import disc_places, index_places, places_apart_deg
from rig.engine.geometry import geometry_of, plug_hole_offset_deg
from rig.engine.profile import Encoder
from rig.engine.windows import typed_within
from rig.job.clock import iso
from rig.job.folder import Job
from rig.job.results import job_reference, replay_capture
from rig.job.tdc import METHODS, gauge_doubts, signed
from rig.tdc.dial_gauge import Gauge, GaugePoint
from rig.tdc.gauge_points import (
    EngineMark,
    GaugeNotes,
    load_points,
    mark_reference,
    worked_with,
)
from rig.tdc.gauge_series import Series, SuspectError, TakenAgain, compare_methods
from rig.tdc.index_resolver import CLEAR, same_frame
from rig.tdc.reference import GaugeWorking, Method, TdcReference, by_gauge, set_by_hand
from rig.tdc.reference_file import load_references, save_reference
from rig.wire.capture import is_capture
from rig.words.assessments import contribution_words, few_readings
from rig.words.tdc import gauge_doubt_words, methods_words, suspect_words, taken_again_words

MARK = "the engine's own mark"


def show(args: argparse.Namespace) -> Answer:
    """Show the TDC in use, and how it was found."""
    return _shown(args, open_job(args))


def set_(args: argparse.Namespace) -> Answer:
    """Set TDC by hand, with its uncertainty; then show the one in use.

    SIZE is the half-width of the interval in which TDC surely is: degrees, or 2mm or
    1/16in round the rim in the engine file.
    """
    job = open_job(args)
    plug_hole_offset_deg(job.profile.engine, args.cylinder)  # its TDC is known
    within_deg, how = 0.0, args.how
    if args.within is not None:
        within = typed_within(args.within, job.profile.engine.rim_diameter_mm)
        within_deg = within.deg
        how += f", within {within.words}" if within.of_rim else ""
    reference = set_by_hand(
        args.tdc_deg, how=how, half_width_deg=within_deg, cylinder=args.cylinder,
        made_utc=iso(datetime.now(UTC)),
    )  # fmt: skip
    _save(args, job, reference)
    return _shown(args, job)


def _save(args: argparse.Namespace, job: Job, reference: TdcReference) -> None:
    aside = save_reference(job.reference_file, reference)
    if aside is not None:
        tell(args, f"the old reference could not be read and was moved to {aside}")


def _shown(args: argparse.Namespace, job: Job) -> Answer:
    in_use, said = job_reference(job)
    tell(args, *said)
    if in_use is None:
        raise InputError(
            f"{args.job}: TDC is not known yet: find it with the piston stop in rig live, or set"
            " it with rig tdc set"
        )
    U = in_use.uncertainty
    lines = [
        f"TDC of cylinder {in_use.cylinder}: {after_index_with(in_use.tdc_deg, U.U_deg)}"
        f" (k = {U.k:.2f}), {in_use.by}",
        in_use.how,
        *filter(None, [few_readings(U, 0)]),
        *_places(job.profile.encoder, in_use),
        *(f"  {contribution_words(p)}: {u_part(p.u_deg)}° ({p.how})" for p in U.parts),
        *(f"note: {text}" for text in in_use.warnings),
    ]
    return Answer(fields_of(in_use) | {"index_places": index_places(job.profile.encoder)}, lines)


def _places(encoder: Encoder, reference: TdcReference) -> Iterator[str]:
    """What a geared encoder makes of the TDC."""
    placed = reference.forward_deg or reference.backward_deg
    if disc_places(encoder) > 1 and encoder.run_out_deg and not placed:
        yield (
            f"TDC may be at any of {many(disc_places(encoder), 'place')} of the geared encoder's"
            " disc: the run-out of the worst is used. It is less when TDC is found with the piston"
            " stop, or with the dial gauge in a live run."
        )
    if index_places(encoder) > 1:
        apart_deg = places_apart_deg(encoder)
        yield (
            f"The index of the geared encoder comes at {many(index_places(encoder), 'place')} of"
            f" the crank, {apart_deg:g}° apart. In another session, or after the rig lost power,"
            f" enter firing TDC again (within {CLEAR * apart_deg:.0f}° is near enough) or touch the"
            " piston stop again: then this TDC is valid."
        )


def gauge(args: argparse.Namespace) -> Answer:
    """TDC by a dial gauge on the piston, beside other methods.

    Points come from a text file (a line a point: angle after the index, piston drop)
    or from a capture in which they were noted. Approach each point with the piston
    rising: forward before TDC, turning back after it. Piston drops within 0.05 mm of
    each other count as equal.

    WARNING: turn by hand only. The gauge must meet the piston crown and clear both
    valves; take it out before a full turn.

    Exit status 1: a point or the TDC is in doubt.
    """
    job = open_job(args)
    profile, cylinder = job.profile, args.cylinder
    plug_hole_offset_deg(profile.engine, cylinder)  # there is such a cylinder, its TDC is known
    noted = is_capture(args.points) if args.points.is_file() else False
    notes, points, again = (
        _noted(args, job)
        if noted
        else (GaugeNotes(), load_points(args.points, args.length_unit), [])
    )
    if args.again:
        again = load_points(args.again, args.length_unit)
    numbers = [n for n in range(1, len(points) + 1) if n not in args.leave_out]
    if wrong := [n for n in args.leave_out if not 1 <= n <= len(points)]:
        raise InputError(f"--leave-out {wrong[0]}: the points are numbered 1 to {len(points)}")
    here = args.inclined_deg is not None or bool(args.case)  # else as noted live
    working = GaugeWorking(
        tuple(sorted(set(args.leave_out))), args.u_drop_mm, args.u_angle_deg,
        (args.inclined_deg or 0.0) if here else notes.gauge.inclination_deg,
        (args.case or "") if here else notes.gauge.case, fit_offset=args.fit_offset,
    )  # fmt: skip
    # On which turn of a geared encoder's crank the points of a file are is not known.
    try:
        series = worked_with(working, points, again, profile, cylinder, turn_known=noted)
    except SuspectError as why:
        raise InputError(f"{suspect_words(why.suspect)}; correct it, or leave it out") from None
    capture = args.points.name if noted else Path(args.capture or "").name
    now = iso(datetime.now(UTC))
    references = [signed(each, working, now, capture) for each in series.references]
    others = _others(job, args, notes)
    if references:
        others = [same_frame(each, references[0], profile.encoder) for each in others]
    doubts = [
        gauge_doubt_words(doubt)
        + (f" (--leave-out {doubt.point} leaves it out)" if doubt.point else "")
        for doubt in gauge_doubts(
            series, notes, cylinder, numbers, geometry_of(profile.engine, cylinder)
        )
    ]
    figures = {
        "cylinder": cylinder,
        "points": _points(series, numbers),
        "references": references,
        "others": others,
        "fit": series.fit and {
            "tdc_deg": series.fit.reference.tdc_deg,
            "U_deg": series.fit.reference.uncertainty.U_deg,
            **fields_of(series.fit, "zero_mm", "offset_mm", "offset_fitted", "u_offset_mm",
                        "scatter", "freedom"),
        },
        "fit_why": series.fit_why,
        "equal_drops": series.drops and replace(series.drops, reference=references[-1]),
        "equal_drops_why": series.drops_why,
        "suspect": series.suspect
        and fields_of(series.suspect) | {"words": suspect_words(series.suspect)},
        "moved": series.again and _moved(series.again),
        "compared": [
            fields_of(each) | {"words": methods_words(each)}
            for each in compare_methods([*references, *others])
        ],
        "doubts": doubts,
        "in_use": _use(args, job, series, references, doubts) if args.use else None,
    }  # fmt: skip
    return Answer(figures, _gauge_lines(figures, series), int(bool(doubts)))


def _noted(
    args: argparse.Namespace, job: Job
) -> tuple[GaugeNotes, list[GaugePoint], list[GaugePoint]]:
    """What a capture notes of the gauge: all of it, the points, those measured again."""
    notes = replay_capture(job.profile, args.points).gauge
    tell(args, *(f"{args.points}: {text}" for text in notes.wrong))
    points = notes.points(args.cylinder)
    if not points:
        raise InputError(
            f"{args.points}: no gauge reading at cylinder {args.cylinder} was noted in this capture"
        )
    return notes, points, notes.points(args.cylinder, again=True)


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
        taken = mark_reference(mark, job.profile.encoder, said_deg=within_deg)
        found[taken.way] = taken
    return list(found.values())


def _use(
    args: argparse.Namespace, job: Job, series: Series, references: Sequence[TdcReference],
    doubts: Sequence[str],
) -> Method | None:  # fmt: skip
    """Select a method's TDC, unless the series is in doubt."""
    wanted = METHODS[args.use]
    chosen = next((each for each in references if each.method is wanted), None)
    if chosen is None:
        why = series.fit_why if args.use == "fit" else series.drops_why
        raise InputError(f"--use {args.use}: {why}")
    if doubts:
        tell(args, "not selected: the series is in doubt")
        return None
    _save(args, job, chosen)
    return wanted


def _moved(again: TakenAgain) -> dict[str, Any]:
    move = again.move
    return {
        "shift_deg": move.shift_deg, "u_deg": move.uncertainty.u_deg,
        "zero_change_mm": again.zero_change_mm, "moved": move.has_moved,
        "words": taken_again_words(again),
    }  # fmt: skip


def _points(series: Series, numbers: Sequence[int]) -> list[dict[str, Any]]:
    off = series.fit.residuals_mm if series.fit else [None] * len(series.points)
    return [
        {"number": n, "after_index_deg": modulo(p.angle_deg), "drop_mm": p.drop_mm,
         "residual_mm": mm, "expected_mm": None if mm is None else p.drop_mm - mm}
        for n, p, mm in zip(numbers, series.points, off, strict=True)
    ]  # fmt: skip


def _gauge_lines(figures: dict[str, Any], series: Series) -> Iterator[str]:
    heads = ("point", "after index", "drop, mm", "curve, mm", "off, mm")
    rows = [
        (str(p["number"]), f"{p['after_index_deg']:.3f}°", f"{p['drop_mm']:.3f}",
         *(("", "") if p["residual_mm"] is None
           else (f"{p['expected_mm']:.3f}", f"{p['residual_mm']:+.3f}")))
        for p in figures["points"]
    ]  # fmt: skip
    yield from table_lines(heads, rows, numeric=range(5))
    found = {each.method: each for each in figures["references"]}
    for method, why in ((Method.FIT, series.fit_why), (Method.EQUAL_DROPS, series.drops_why)):
        yield from _reference(found[method]) if method in found else [f"left out: {why}"]
    if (fit := series.fit) is not None:
        yield (
            f"  the gauge reads {fit.zero_mm:+.3f} mm at TDC; points scatter"
            f" {fit.scatter:.1f} times as much as entered for a reading"
        )
        if fit.offset_fitted:
            U_mm = 2.0 * fit.u_offset_mm
            offset = rounding.difference(fit.offset_mm, U_mm)
            yield f"  cylinder offset {offset} ± {rounding.two_figures(U_mm)} mm"
    yield from (f"beside: {each['words']}" for each in figures["compared"])
    if series.again is not None and not series.again.move.has_moved:
        yield taken_again_words(series.again)
    yield from (f"DOUBT: {text}" for text in figures["doubts"])
    if figures["in_use"]:
        yield f"selected: {figures['in_use']}"


def _reference(of: TdcReference) -> Iterator[str]:
    tdc = after_index_with(of.tdc_deg, of.uncertainty.U_deg)
    yield f"{of.by}: TDC of cylinder {of.cylinder} {tdc} ({of.how})"
    if of.warnings:
        yield f"  note: {'; '.join(of.warnings)}"
    if why := few_readings(of.uncertainty, 0):
        yield f"  note: {why}"


SET = f"""
{JOB}
--tdc-deg DEG                degrees after the index, in the normal direction
--within,--within-deg SIZE   half-width of the interval that surely contains TDC
--how WORDS=set by hand      how it was found
--cylinder N=1               the cylinder whose TDC it is
"""
GAUGE = f"""
{JOB}
points PATH              a text file of points, or a capture with notes
--length-unit {{mm,inch}}  unit of the drops, if the file has no heading
--cylinder N=1           the cylinder that the gauge is in
--capture NAME           the capture during which a file's points were read
--again FILE             points measured again at the end
--inclined-deg DEG       angle of the gauge to the bore; default: as noted live, or 0
--case {{sliding,pinned}}  inclined: plunger slides on a flat crown, or rod pinned to a point
--u-drop-mm MM={Gauge().u_drop_mm}  standard uncertainty of a gauge reading
--u-angle-deg DEG={Gauge().u_angle_deg}  standard uncertainty of the held crank's angle
--fit-offset             find the cylinder offset too
--leave-out N...         leave out the point of this number; repeatable
--mark-deg DEG           the engine's mark, degrees after the index
--use [{{fit,equal-drops}}=fit]  select the TDC of this method
--mark-within,--mark-within-deg SIZE  half-width of the mark's reading; default: 1 degree
"""
PARTS = {
    "show": Command(show, JOB),
    "set": Command(set_, SET),
    "gauge": Command(gauge, GAUGE),
}
COMMANDS = {"tdc": Command(None, parts=PARTS, about=__doc__)}
