"""The dead centres of a job side by side, and what speaks against those by the gauge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.counted import listed, noun
from rig.engine import stated
from rig.engine.dead_centre.gauge_check import compare_methods, misfit
from rig.engine.dead_centre.gauge_series import Series
from rig.engine.dead_centre.index_places import same_frame
from rig.engine.dead_centre.reference import Reference
from rig.engine.firing import geometry_of
from rig.engine.profile import Geometry, Profile
from rig.faults import InputError
from rig.session import Session
from rig.session.dead_centre import gauge_series, is_of_dead_centre, mark_reference
from rig.session.gauge_notes import GaugeNotes, falling, out_of_order

METHODS = {"fit": "gauge, fit", "equal-lifts": "gauge, equal lifts"}


@dataclass(frozen=True, slots=True)
class GaugeDoubt:
    """A sentence that speaks against a gauge series; ``point`` is to blame (0: no single one)."""

    words: str
    point: int = 0


def gauge_doubts(
    series: Series | None,
    notes: GaugeNotes,
    cylinder: int,
    numbers: Sequence[int],
    geometry: Geometry | None,
) -> list[GaugeDoubt]:
    """What speaks against the series of the points ``numbers`` of ``cylinder``, whose slider-crank
    ``geometry`` is (None: not stated, or a link rod)."""
    doubts = []
    readings = notes.of(cylinder)
    if series is not None and series.suspect is not None:
        number = numbers[series.suspect.number - 1]
        words = series.suspect.words.replace(f"point {series.suspect.number} ", f"point {number} ")
        doubts.append(GaugeDoubt(words, number))
    elif series is not None and series.fit is not None and (words := misfit(series.fit)):
        doubts.append(GaugeDoubt(words))
    elif (
        wrong := out_of_order(readings, geometry, notes.gauge.mm_per_mm)
    ) is not None and wrong in numbers:
        lift = [each for each in readings if not each.again][wrong - 1].point.lift_mm
        words = (
            f"gauge point {wrong} ({lift:.2f} mm) contradicts the others: nearer to the top the"
            " lift is smaller; mistyped?"
        )
        doubts.append(GaugeDoubt(words, wrong))
    if series is not None and series.moved is not None and series.moved.moved:
        doubts.append(GaugeDoubt(series.moved.words))
    if series is not None and series.references:
        fell = [n for n in falling(readings, series.references[0].tdc_deg) if n in numbers]
        if fell:
            was, it = ("was", "it") if len(fell) == 1 else ("were", "them")
            words = (
                f"{noun(len(fell), 'point')} {listed(fell)} {was} come to with the"
                f" piston falling, so that clearances add to {it}: take {it} again with the piston"
                " rising"
            )
            doubts.append(GaugeDoubt(words, fell[0] if len(fell) == 1 else 0))
    return doubts


@dataclass(frozen=True, slots=True)
class Candidate:
    """A dead centre that can be gone by: ``which`` as a note says it, ``doubts`` against it."""

    reference: Reference
    which: dict[str, object]
    doubts: tuple[str, ...] = ()
    in_use: bool = False
    beside: str = ""  # how it lies to the one in use


def candidates(session: Session, profile: Profile) -> list[Candidate]:
    """Every dead centre of a session: the one in use first, earlier ones, by gauge, by mark."""
    used = session.reference
    found: list[Candidate] = []
    same = (used.method, used.cylinder, used.tdc_deg) if used else None
    for cylinder in sorted({each.cylinder for each in session.gauged.readings}):
        try:
            series = gauge_series(session.gauged, profile, cylinder)
        except InputError:  # too few points yet, or one side only: said where they are taken
            continue
        numbers = list(range(1, len(session.gauged.points(cylinder)) + 1))
        geometry = geometry_of(profile.engine, cylinder)
        doubts = gauge_doubts(series, session.gauged, cylinder, numbers, geometry)
        found += [
            Candidate(each, {"method": each.method, "cylinder": cylinder},
                      tuple(doubt.words for doubt in doubts))
            for each in series.references
            if (each.method, each.cylinder, each.tdc_deg) != same
        ]  # fmt: skip
    marks = session.gauged.marks
    found += [
        Candidate(mark_reference(mark), {"mark": n})
        for n, mark in enumerate(marks)
        if is_of_dead_centre(mark, session.here) and (mark[2], mark[1], mark[0] % 360.0) != same
    ]
    by_gauge = {each.reference.method for each in found}
    earlier = [
        Candidate(each, {"found": n}, in_use=each is used or each == used)
        for n, each in enumerate(session.references)
        if each not in session.references[:n] and (each.method not in by_gauge or each == used)
    ]
    whole = sorted([*earlier, *found], key=lambda each: not each.in_use)
    return [_beside(each, session.here or used, profile) for each in whole]


def gauge_checks(session: Session, profile: Profile) -> list[str]:
    """What touching once more with the gauge showed, a sentence for each cylinder."""
    said = []
    for cylinder in sorted({each.cylinder for each in session.gauged.readings if each.again}):
        try:
            series = gauge_series(session.gauged, profile, cylinder)
        except InputError as why:
            said.append(f"touched once more with the gauge at cylinder {cylinder}: {why}")
            continue
        if series.moved is not None:
            said.append(f"gauge, cylinder {cylinder}: {series.moved.words}")
        elif series.moved_why:
            said.append(f"gauge, cylinder {cylinder}: {series.moved_why}")
    return said


def _beside(candidate: Candidate, used: Reference | None, profile: Profile) -> Candidate:
    reference = candidate.reference
    if used is None or candidate.in_use or reference.cylinder != used.cylinder:
        return candidate
    (compared,) = compare_methods([same_frame(reference, used, profile.encoder), used])
    side = "after" if compared.difference_deg > 0 else "before"
    words = (
        f"{stated.size(compared.difference_deg, compared.U_deg)}° {side} the one in use,"
        f" {'within' if compared.agree else 'MORE THAN'} the"
        f" {stated.two_figures(compared.U_deg)}° allowed"
    )
    return Candidate(reference, candidate.which, candidate.doubts, beside=words)
