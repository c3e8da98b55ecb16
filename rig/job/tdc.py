"""The TDCs of a job: the one in use, the others shown beside it, and doubts about them.

A reference that is brought along (in ``reference.json``, in the note at the beginning of a capture,
in a certificate) is a claim. Where its recording gives it, it is found there again with the present
engine file, and the claim is not used. One that no recording gives is set by hand.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from rig.base.angles import modulo, wrap
from rig.base.earlier_rules import Rules
from rig.base.errors import InputError
from rig.base.rounding import after_index_with
from rig.engine.geometry import geometry_of
from rig.engine.profile import Geometry, Profile
from rig.job.capture_order import Order
from rig.job.clock import moment
from rig.session.session import Session
from rig.tdc.dial_gauge import Fit
from rig.tdc.gauge_points import (
    GaugeNotes,
    falling,
    gauge_series,
    mark_reference,
    marks_tdc,
    out_of_order,
    worked_with,
)
from rig.tdc.gauge_series import (
    MethodDifference,
    Series,
    Suspect,
    TakenAgain,
    compare_methods,
    is_misfit,
)
from rig.tdc.index_resolver import same_frame
from rig.tdc.reference import GaugeWorking, Method, TdcReference, by_gauge, by_hand

if TYPE_CHECKING:
    from rig.job.results import JobResults, ReplayedCapture

METHODS = {"fit": Method.FIT, "equal-drops": Method.EQUAL_DROPS}


@dataclass(frozen=True, slots=True)
class OutOfOrder:
    """A point that contradicts the others: nearer to TDC the drop is smaller."""

    number: int
    drop_mm: float


@dataclass(frozen=True, slots=True)
class Falling:
    """Points that were approached with the piston falling."""

    numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class GaugeDoubt:
    """What is against a gauge series: a single ``point`` (0: none), the fit as a whole, or what
    points taken again show."""

    about: Suspect | OutOfOrder | Falling | Fit | TakenAgain
    point: int = 0


def gauge_doubts(
    series: Series | None,
    notes: GaugeNotes,
    cylinder: int,
    numbers: Sequence[int],
    geometry: Geometry | None,
) -> list[GaugeDoubt]:
    """Doubts about the series of the points ``numbers`` of ``cylinder``, whose slider-crank is
    ``geometry`` (None: not entered, or a link rod)."""
    doubts = []
    readings = notes.of(cylinder)
    if series is not None and series.suspect is not None:
        doubts.append(GaugeDoubt(series.suspect, numbers[series.suspect.number - 1]))
    elif series is not None and series.fit is not None and is_misfit(series.fit):
        doubts.append(GaugeDoubt(series.fit))
    elif (
        wrong := out_of_order(readings, geometry, notes.gauge.mm_per_mm)
    ) is not None and wrong in numbers:
        drop_mm = [each for each in readings if not each.again][wrong - 1].point.drop_mm
        doubts.append(GaugeDoubt(OutOfOrder(wrong, drop_mm), wrong))
    if series is not None and series.again is not None and series.again.move.has_moved:
        doubts.append(GaugeDoubt(series.again))
    if series is not None and series.references:
        fell = [n for n in falling(readings, series.references[0].tdc_deg) if n in numbers]
        if fell:
            doubts.append(GaugeDoubt(Falling(tuple(fell)), fell[0] if len(fell) == 1 else 0))
    return doubts


@dataclass(frozen=True, slots=True)
class Candidate:
    """A TDC that can be selected: ``which`` as a note names it, ``doubts`` against it."""

    reference: TdcReference
    which: dict[str, object]
    doubts: tuple[GaugeDoubt, ...] = ()
    in_use: bool = False
    beside: MethodDifference | None = None  # from the one in use


def candidates(session: Session, profile: Profile) -> list[Candidate]:
    """Every TDC of a session: the one in use first, earlier ones, by gauge, by mark."""
    used = session.reference
    found: list[Candidate] = []
    same = (used.way, used.cylinder, used.tdc_deg) if used else None
    for cylinder, series in _gauged(session.gauged, profile):
        numbers = list(range(1, len(session.gauged.points(cylinder)) + 1))
        geometry = geometry_of(profile.engine, cylinder)
        doubts = gauge_doubts(series, session.gauged, cylinder, numbers, geometry)
        found += [
            Candidate(each, {"method": each.method, "cylinder": cylinder}, tuple(doubts))
            for each in series.references
            if (each.way, each.cylinder, each.tdc_deg) != same
        ]  # fmt: skip
    marks = session.gauged.marks
    found += [
        Candidate(mark_reference(mark, profile.encoder, session.rules), {"mark": n})
        for n, mark in enumerate(marks)
        if marks_tdc(mark, session.here)
        and ((Method.MARK, mark.what), mark.cylinder, modulo(mark.crank_deg)) != same
    ]
    ways = {each.reference.way for each in found}
    earlier = [
        Candidate(each, {"found": n}, in_use=each is used or each == used)
        for n, each in enumerate(session.references)
        if each not in session.references[:n] and (each.way not in ways or each == used)
    ]
    whole = sorted([*earlier, *found], key=lambda each: not each.in_use)
    return [_beside(each, session.here or used, profile) for each in whole]


def gauge_checks(session: Session, profile: Profile) -> list[tuple[int, TakenAgain | str]]:
    """What gauge points taken again showed at each cylinder, or why they show nothing."""
    found: list[tuple[int, TakenAgain | str]] = []
    for cylinder in sorted({each.cylinder for each in session.gauged.readings if each.again}):
        try:
            series = gauge_series(session.gauged, profile, cylinder)
        except InputError as why:
            found.append((cylinder, str(why)))
            continue
        if series.again is not None or series.moved_why:
            found.append((cylinder, series.again or series.moved_why))
    return found


def _beside(candidate: Candidate, used: TdcReference | None, profile: Profile) -> Candidate:
    reference = candidate.reference
    if used is None or candidate.in_use or reference.cylinder != used.cylinder:
        return candidate
    (beside,) = compare_methods([same_frame(reference, used, profile.encoder), used])
    return replace(candidate, beside=beside)


def in_use(
    found: Sequence[tuple[Path, TdcReference | None]],
    job: TdcReference | None,
    order: Order | None = None,
) -> TdcReference | None:
    """The last one found in the captures (paths and what each has), else the job's.

    The job's comes first if it was taken from one of these captures and later: then the person
    selected it, for example between piston stop and gauge. One found in another capture does not,
    as the encoder may have been mounted again in between; nor does one set by hand, as what a
    recording gives is not taken from elsewhere.

    Which is later follows from the captures' ``order`` as far as they know it, as the clock may
    have gone backwards: what is from a later capture is later, and what was found from a capture's
    gauge points is later than what was found while it was taken. The clock decides the rest, unless
    the captures show that it went back between the two.
    """
    order = order or Order(path for path, _ in found)
    by_path = {path: reference for path, reference in found if reference is not None}
    if not by_path:
        return job
    path = order.last([*by_path])
    last = by_path[path]
    own = next((each for each, _ in found if job is not None and each.name == job.capture), None)
    if job is None or own is None or job.method is Method.BY_HAND:
        return last
    later = _made_later(job, last)
    if own == path:
        later = later or job.gauge is not None
    elif (known := order.is_later(own, path)) is not None:
        later = known or (later and not order.went_back(own, path))
    return job if later else last


def _made_later(one: TdcReference, other: TdcReference) -> bool:
    made, before = moment(one.made_utc), moment(other.made_utc)
    return made is not None and (before is None or made > before)


def _gauged(notes: GaugeNotes, profile: Profile) -> Iterator[tuple[int, Series]]:
    """The gauge series of each cylinder, but for those with too few points or one side only, which
    are reported where they are taken."""
    for cylinder in sorted({each.cylinder for each in notes.readings}):
        with contextlib.suppress(InputError):
            yield cylinder, gauge_series(notes, profile, cylinder)


def others(worked: JobResults, profile: Profile) -> list[TdcReference]:
    """Every other TDC of these captures: in use before, found as a check, by the gauge; and those
    of other captures that are against the one in use."""
    used = worked.reference
    if used is None:
        return []
    found = [*(each for one in worked.played for each in one.session.references), *worked.against]
    for one in worked.played:
        own = [each for _, series in _gauged(one.gauge, profile) for each in series.references]
        own += [
            mark_reference(mark, profile.encoder, one.gauge.rules)
            for mark in one.gauge.marks
            if marks_tdc(mark, used)
        ]
        found += [replace(each, capture=one.path.name) for each in own]
    # One of each method, cylinder and angle, without the one in use.
    kept: dict[tuple[tuple[Method, str], int, float], TdcReference] = {}
    for each in (same_frame(each, used, profile.encoder) for each in found):
        key = (each.way, each.cylinder, each.tdc_deg)
        superseded = by_gauge(each) and key[:2] == (used.way, used.cylinder)
        if key != (used.way, used.cylinder, used.tdc_deg) and not superseded:
            kept.setdefault(key, each)
    return list(kept.values())


SAME_DEG = 1e-6
"""Two evaluations of one recording differ by rounding alone, which is far less."""


@dataclass(slots=True)
class Origins:
    """The recordings of a job, to find again in them what references claim.

    ``said`` has a sentence for each claim that its recording does not confirm; ``used`` the
    recordings that were replayed for it, beside those ``played`` already.
    """

    profile: Profile
    captures: Path
    play: Callable[[Path], ReplayedCapture]
    played: Sequence[ReplayedCapture]
    rules: Rules = ()
    said: list[str] = field(default_factory=list)
    used: list[ReplayedCapture] = field(default_factory=list)

    def of(self, claimed: TdcReference) -> TdcReference:
        """The reference as its recording gives it; set by hand if none does."""
        if claimed.method is Method.BY_HAND:
            return by_hand(claimed, self.rules)
        source, why = self._source(claimed.capture)
        found = None if source is None else found_again(claimed, source, self.profile)
        if found is None or source is None:
            why = why or f"{claimed.capture} does not give it"
            self.said.append(
                f"TDC {_size(claimed)}, recorded as found by {claimed.by}, counts as set by hand:"
                f" {why}"
            )
            return by_hand(claimed, self.rules)
        if source not in self.played and source not in self.used:
            self.used.append(source)
        if not agrees(claimed, found):
            self.said.append(
                f"TDC was recorded as {_size(claimed)} by {claimed.by}; {claimed.capture} gives"
                f" {_size(found)}, which is used. To set another by hand: rig tdc set"
            )
        return found

    def _source(self, name: str) -> tuple[ReplayedCapture | None, str]:
        """The recording of that name, or why there is none."""
        if not name:
            return None, "it names no recording"
        for each in (*self.played, *self.used):
            if each.path.name == name:
                return each, ""
        path = self.captures / name
        if Path(name).name != name or not path.is_file():
            return None, f"there is no recording {name} in {self.captures}"
        try:
            return self.play(path), ""
        except InputError as wrong:
            return None, str(wrong)


def found_again(
    claimed: TdcReference, source: ReplayedCapture, profile: Profile
) -> TdcReference | None:
    """What a recording gives for a claim: by the same method, at the same cylinder.

    The one of that time that agrees with it, else the last that does, else the last; None if there
    is none.
    """
    if claimed.gauge is not None:
        return next(_by_gauge(claimed, source, profile), None)
    own = [
        replace(each, capture=source.path.name)
        for each in source.session.found
        if (each.way, each.cylinder) == (claimed.way, claimed.cylinder)
    ]
    # By the gauge also from all points as noted; not selected while they were read.
    noted = _by_gauge(claimed, source, profile) if not own and by_gauge(claimed) else ()
    agreeing = [each for each in (*own, *noted) if agrees(claimed, each)]
    # TDC proved again on the same counts of the encoder is the same to the last digit.
    same = [each for each in agreeing if each.made_utc == claimed.made_utc]
    best = same or agreeing or own
    return best[-1] if best else None


def _by_gauge(
    claimed: TdcReference, source: ReplayedCapture, profile: Profile
) -> Iterator[TdcReference]:
    """By the gauge: with the claim's working, else from all points as noted; none if its points are
    not those of the claim."""
    notes, cylinder, working = source.gauge, claimed.cylinder, claimed.gauge
    try:
        if working is None:
            series = gauge_series(notes, profile, cylinder)
        else:
            points, again = (notes.points(cylinder, again=each) for each in (False, True))
            rules = source.session.rules
            series = worked_with(working, points, again, profile, cylinder, rules=rules)
    except InputError:
        return
    for each in series.references:
        if each.way == claimed.way:
            yield signed(each, working, claimed.made_utc, source.path.name)


def signed(
    found: TdcReference, working: GaugeWorking | None, made_utc: str, capture: str
) -> TdcReference:
    """A reference by the gauge with its time, its capture and the points left out by hand."""
    left_out = ", ".join(map(str, working.left_out)) if working else ""
    how = found.how + (f"; point {left_out} left out by hand" if left_out else "")
    return replace(found, how=how, made_utc=made_utc, capture=capture, gauge=working)


def agrees(claimed: TdcReference, found: TdcReference) -> bool:
    """Whether angle and uncertainty of two are the same except for rounding."""
    off_deg = [wrap(claimed.tdc_deg - found.tdc_deg)]
    stated, worked = claimed.uncertainty, found.uncertainty
    off_deg += [stated.U_deg - worked.U_deg, stated.u_deg - worked.u_deg, stated.k - worked.k]
    off_deg += [a.u_deg - b.u_deg for a, b in zip(stated.parts, worked.parts, strict=False)]
    return max(map(abs, off_deg)) <= SAME_DEG


def _size(of: TdcReference) -> str:
    return after_index_with(of.tdc_deg, of.uncertainty.U_deg)
