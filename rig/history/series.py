"""Certificates in order: how each unit opened over the years, its levels and its drift.

A line goes through the points of one level. A new level starts where a unit was set or changed,
where another unit takes its place, and where rig, encoder or TDC are no longer the same. If each
level is too short, as in a workshop that sets a unit at each visit, a line goes through several
with only settings between them: a unit that was set wears as before.
"""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from enum import StrEnum
from pathlib import Path

from rig.base import rounding
from rig.base.angles import wrap
from rig.base.escape import visible
from rig.history.before_after import changed_words
from rig.history.visits import Visit, read_visits
from rig.job.clock import utc_instant
from rig.job.results import Change, MadeAdjustment
from rig.timing.assess import UnitVerdict, found_and_left
from rig.timing.compare import compare_assessments, has_changed
from rig.timing.drift import (
    DAYS_A_YEAR,
    FURTHEST_YEARS,
    LATEST,
    LEAST_DEG,
    MOST_DEG,
    DatedChange,
    DatedMean,
    Line,
    fit,
    weighs,
)
from rig.timing.values import PHASES, Assessment, Mark
from rig.words.assessments import CAUTION, few_points, in_groups

SET_BETWEEN = "set or tightened after as found"
COLUMNS = (
    *("engine", "unit", "serial", "setting", "kind", "cylinder", "measured_utc", "certificate"),
    *("phase", "level", "n", "mean_btdc_deg", "U_deg", "earliest_btdc_deg", "nominal_btdc_deg"),
    *("latest_btdc_deg", "verdict", "step"),
)  # of a line of the comma-separated text
_FORMULA = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
"""A spreadsheet takes text that begins so for a formula; wide signs are of East Asian keyboards
(common practice, no source)."""

TOO_FEW = "too few certificates for a line: it takes three with nothing changed between"
ALONE = "only this cylinder was read: no line goes through it"


class Reason(StrEnum):
    """Why a level is a new one. The value is its code in ``--json``."""

    SET = "set"  # as left, after as found
    ADJUSTED = "adjusted"  # a predicted adjustment, which moved it by the readings since
    CHANGED = "changed"  # as the person noted
    SERIAL = "serial"  # another unit in its place
    ENGINE = "engine"  # the same unit in another place
    RIG = "rig"  # another rig, or an encoder mounted differently
    TDC_MOVED = "tdc-moved"


SAME_WEAR = frozenset({Reason.SET, Reason.ADJUSTED, Reason.ENGINE})
"""After these the same contacts continue to wear, at another angle."""


@dataclass(frozen=True, slots=True)
class Point:
    """What one certificate says of one series. Angles in degrees; ``U_deg`` at about 95 %."""

    engine: str
    unit: str
    serial: str  # of the unit; "" if none was entered
    certificate: str
    file: str
    record_sha256: str
    measured_utc: str
    phase: str
    assessment: Assessment
    step: str  # why the level is a new one, in words; "" when it is not
    reasons: tuple[Reason, ...]
    level: int
    wear: int  # number of the stretch in which the same contacts wear
    shares: str  # the TDC that the figure is based on
    weighs: bool  # a line can go through it: its uncertainty has a size
    # Of the unit over all cylinders that were read; of a cylinder's series, of that cylinder.
    verdict: UnitVerdict = field(default_factory=UnitVerdict)

    @property
    def day(self) -> float:
        """Days since the year 1970."""
        return utc_instant(self.measured_utc).timestamp() / 86400.0


@dataclass(frozen=True, slots=True)
class Series:
    """One unit in one setting on one cylinder (None: over all) through the years, in order.

    ``line`` goes through the points that weigh, and is None with too few. ``leaves_utc`` is the day
    when it would leave the last window, ``soonest_utc`` the day up to which it stays inside with
    97.5 %; both None when it would not leave, or when no drift is detected.
    """

    unit: str
    setting: str
    cylinder: int | None
    kind: str
    points: tuple[Point, ...]
    line: Line | None
    leaves_utc: str | None
    soonest_utc: str | None
    words: str

    @property
    def name(self) -> str:
        """Which series it is, in words."""
        cylinder = "" if self.cylinder is None else f", cylinder {self.cylinder}"
        kind = "" if self.kind == "turned" else f", {self.kind}"
        return f"{self.unit}, {self.setting}{cylinder}{kind}"

    @property
    def leaves(self) -> str:
        """When it would leave its window, in words: "about 2031-04, as early as 2029-06"."""
        if self.leaves_utc is None:
            about = f"in more than {FURTHEST_YEARS:.0f} years"
        else:
            about = f"about {self.leaves_utc[:7]}"
        last = self.points[-1].measured_utc
        early = (self.soonest_utc or last)[:7]
        return f"{about}, {'perhaps already' if early <= last[:7] else f'as early as {early}'}"


@dataclass(frozen=True, slots=True)
class History:
    """All series of one engine, or of one unit (``unit_serial``) on one engine or several.

    ``troubles`` names certificates that could not be used, or not for a line, and why.
    ``first_out`` is the series that leaves its window first, each cylinder by itself.
    """

    engine: str
    serial: str
    certificates: tuple[str, ...]
    series: tuple[Series, ...]
    changes: tuple[DatedChange, ...]
    troubles: tuple[str, ...]
    caution: str = CAUTION
    by_cylinder: tuple[Series, ...] = ()  # those of each cylinder too, of the latest visits
    first_out: Series | None = None
    unit_serial: str = ""

    def cylinder_before(self, series: Series) -> Series | None:
        """The cylinder that leaves its window before the mean over all, whose series is given."""
        of = (series.unit, series.setting, series.kind)
        leave = [
            (each.leaves_utc, each)
            for each in self.by_cylinder
            if (each.unit, each.setting, each.kind) == of
            and each.cylinder is not None
            and each.leaves_utc is not None
        ]
        first_utc, first = min(leave, key=lambda one: one[0], default=("9", series))
        before = series.cylinder is None and first_utc < (series.leaves_utc or "9")
        return first if before else None


def history(
    paths: Sequence[Path],
    engine: str = "",
    serial: str = "",
    *,
    cylinders: bool = True,
    unit_serial: str = "",
) -> History:
    """Put the certificates of one engine in order; those of others are left out if it is named.

    ``engine`` and ``serial`` name it as the engine file does; either may be left out. With
    ``unit_serial`` the unit of that serial number is followed on any engine. Without ``cylinders``
    a figure over all cylinders replaces those of each. Raises InputError when no certificate is
    found (NoSuchUnitError for a unit), or when several engines are left.
    """
    visits, troubles = read_visits(paths, engine, serial, unit_serial)
    if unit_serial:
        visits = [own for each in visits if (own := each.of_unit(unit_serial)).assessments]
    series = tuple(series_of(visits, bool(unit_serial), cylinders=cylinders))
    # Lines go only through the latest, so these are enough for the outlook of each cylinder.
    by_cylinder = tuple(series_of(visits[-LATEST:], bool(unit_serial)))
    troubles += [visible(f"{v.path.name}: {move.words}") for v in visits for move in v.tdc_moves]
    for visit in visits:
        shown = visit.assessments if cylinders else visit.over_all()
        troubles += [visible(f"{visit.path.name}: {words}") for words in in_groups(shown)]
    troubles += map(visible, _weightless(series))
    return History(
        engine=visible(", ".join(dict.fromkeys(visit.engine for visit in visits))),
        serial="" if unit_serial or not visits else visible(visits[0].engine_serial),
        certificates=tuple(visit.identification for visit in visits),
        series=series,
        changes=tuple(
            DatedChange(visit.measured_utc, visible(change.unit), visible(change.words))
            for visit in visits
            for change in (*visit.changes, *(Change(move.words) for move in visit.tdc_moves))
        ),
        troubles=tuple(troubles),
        by_cylinder=by_cylinder,
        first_out=_first_out(by_cylinder, visits[-1]) if visits else None,
        unit_serial=visible(unit_serial),
    )


def _first_out(series: Sequence[Series], latest: Visit) -> Series | None:
    """The series that would leave its window first, among those that the last visit read."""
    now = [
        each
        for each in series
        if each.kind == "turned"
        and (each.leaves_utc or each.soonest_utc)
        and each.points[-1].measured_utc[:10] == latest.measured_utc[:10]
    ]
    return min(now, key=lambda s: (s.leaves_utc or "9", s.soonest_utc or "9"), default=None)


def csv_text(of: History) -> str:
    """Give all points as comma-separated text (RFC 4180), figures in full, one line a point."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for series in of.series:
        for point in series.points:
            j = point.assessment
            row = (
                *(point.engine, point.unit, point.serial, series.setting, series.kind),
                *(series.cylinder, point.measured_utc, point.certificate, point.phase),
                *(point.level, j.n, j.mean_btdc, j.U_deg, j.earliest_btdc, j.nominal_btdc),
                *(j.latest_btdc, j.verdict, point.step),
            )
            writer.writerow([_cell(each) for each in row])
    return out.getvalue()


def _cell(value: object) -> object:
    """A value for a spreadsheet: text is harmless, and never a formula."""
    if not isinstance(value, str):
        return value
    text = visible(value)
    return f"'{text}" if text.lstrip().startswith(_FORMULA) else text


# -- levels ---------------------------------------------------------------------------------------


def series_of(
    visits: Iterable[Visit], by_serial: bool = False, *, cylinders: bool = True
) -> Iterator[Series]:
    """All series; a unit that is followed by its serial is one under any name. Without
    ``cylinders`` a figure over all cylinders replaces those of each."""
    gathered: defaultdict[tuple[str, str, int | None, str], list[Point]] = defaultdict(list)
    names: dict[str, str] = {}
    before: dict[object, Visit] = {}
    for visit in visits:
        for of in found_and_left(visit.assessments if cylinders else visit.over_all()):
            # One crank turn out is a mistake in coupling, not drift.
            if of.mean_btdc is None or Mark.ONE_TURN_OUT in of.marks:
                continue
            unit = visit.serials.get(of.unit, "") if by_serial else of.unit
            names[unit] = of.unit
            key = (unit, of.setting, of.cylinder, of.kind)
            gathered[key].append(_point(visit, of, gathered[key], before.get(key)))
            before[key] = visit
    for (unit, setting, cylinder, kind), points in gathered.items():
        yield Series(names[unit], setting, cylinder, kind, tuple(points), *_drift(points))


def _point(visit: Visit, of: Assessment, points: Sequence[Point], earlier: Visit | None) -> Point:
    """The next point of a series; ``earlier`` is the visit of the one before."""
    before = points[-1] if points else None
    steps = _steps(visit, of, before, earlier) if before and earlier else {}
    return Point(
        engine=visit.engine,
        unit=of.unit,
        serial=visit.serials.get(of.unit, ""),
        certificate=visit.identification,
        file=visit.path.name,
        record_sha256=visit.record_sha256,
        measured_utc=visit.measured_utc,
        phase=of.phase,
        assessment=of,
        step="; ".join(dict.fromkeys(filter(None, steps.values()))),
        reasons=tuple(steps),
        level=before.level + bool(steps) if before else 0,
        wear=before.wear + (not set(steps) <= SAME_WEAR) if before else 0,
        shares=visit.tdc,
        weighs=of.uncertainty is not None
        and of.uncertainty.U_deg >= LEAST_DEG
        and weighs(of.uncertainty.parts),
        verdict=visit.verdict(of),
    )


def _steps(visit: Visit, of: Assessment, before: Point, earlier: Visit) -> dict[Reason, str]:
    """Why the level since the point before is a new one, each reason in words."""
    unit, serial = of.unit, visit.serials.get(of.unit, "")
    changes = [each for each in visit.changes if each.unit in ("", unit)]
    noted = "; ".join(each.words for each in changes if each.noted)
    adjusted = "; ".join(each.words for each in visit.adjustments if _has_moved(each, unit))
    if earlier.record_sha256 == visit.record_sha256:  # within one visit
        why = "" if noted or adjusted else SET_BETWEEN
        found = {Reason.ADJUSTED: adjusted, Reason.CHANGED: noted}
        return {Reason.SET: why} | {reason: words for reason, words in found.items() if words}
    if _is_read_later(visit, of):
        # What was noted or adjusted during the visit is later than the reading as found.
        noted = adjusted = ""
    entered = [each.words for each in changes if not each.noted]
    rig = ""
    if earlier.rig and visit.rig and earlier.rig != visit.rig:
        rig = f"rig {visit.rig} in place of {earlier.rig}"
    elif earlier.mount != visit.mount:
        rig = "encoder mounted differently, by the engine file"
    other = before.serial and serial and before.serial != serial
    moved = (before.engine, before.unit) != (visit.engine, unit)
    found = {
        Reason.SERIAL: f"serial {serial} in place of {before.serial}" if other else "",
        Reason.ENGINE: f"moved to {visit.engine}, {unit}" if moved else "",
        Reason.ADJUSTED: adjusted,
        Reason.CHANGED: "; ".join(filter(None, (*entered, noted))),
        Reason.RIG: rig,
        Reason.TDC_MOVED: "TDC moved during the visit" if visit.tdc_moves else "",
    }
    return {reason: words for reason, words in found.items() if words}


def _is_read_later(visit: Visit, of: Assessment) -> bool:
    """Whether the same record has this figure in a later phase too."""
    own = (of.unit, of.setting, of.cylinder, of.kind)
    later = PHASES[PHASES.index(of.phase) + 1 :] if of.phase in PHASES else ()
    return any(
        (each.unit, each.setting, each.cylinder, each.kind) == own and each.phase in later
        for each in visit.assessments
    )


def _has_moved(adjustment: MadeAdjustment, unit: str) -> bool:
    """Whether the readings since show that an adjustment moved a unit."""
    return any(
        each.unit == unit and each.verdict not in ("", "not moved")
        for each in adjustment.predictions
    )


def _weightless(series: Iterable[Series]) -> list[str]:
    """Certificates with figures that no line goes through, and why."""
    found: defaultdict[tuple[str, str], dict[str, None]] = defaultdict(dict)
    for each in series:
        for point in each.points:
            why = "it has no uncertainty"
            if point.weighs:
                continue
            if point.assessment.uncertainty is not None:
                why = f"its uncertainty is zero, or over {MOST_DEG:g}° (certify its captures again)"
            elif point.assessment.n == 1:
                why = "one reading, which has no uncertainty (take two or more)"
            found[point.file, why][f"{each.unit}, {each.setting}, {point.phase}"] = None
    return [
        f"{file}: {'; '.join(of)}: {why}: shown, and no line goes through it"
        for (file, why), of in found.items()
    ]


# -- drift ----------------------------------------------------------------------------------------

Drift = tuple[Line | None, str | None, str | None, str]
"""The line, the day when it would leave the window, the earliest such day, and the sentence."""


def _drift(points: Sequence[Point]) -> Drift:
    weighing = [each for each in points if each.weighs]
    last = points[-1]
    if not weighing or weighing[-1].level < last.level:
        since = f"; {_step_day(last)}" if last.level else ""
        return None, None, None, f"{TOO_FEW}{since}"
    line = _line([each for each in weighing if each.level == last.level])
    line = line or _line([each for each in weighing if each.wear == last.wear])
    if line is None:
        words = "; ".join(filter(None, (_since(points, weighing), TOO_FEW)))
        return None, None, None, words
    if line.strays:
        far = rounding.figure(line.furthest_deg)
        words = (
            f"no outlook: its points lie up to {far}° from a straight line, far beyond their"
            " uncertainties. Something changed that was not noted"
        )
        return None, None, None, words
    return line, *_outlook(line, weighing[-1])


def _line(points: Sequence[Point]) -> Line | None:
    return fit(
        [
            DatedMean(each.day, of.mean_btdc, of.uncertainty.parts, each.level, each.shares, of.n)
            for each in points[-LATEST:]
            for of in (each.assessment,)
            if of.mean_btdc is not None and of.uncertainty is not None
        ]
    )


def _step_day(point: Point) -> str:
    return f"since {point.measured_utc[:10]} ({point.step or 'a step'})"


def _since(points: Sequence[Point], weighing: Sequence[Point]) -> str:
    """How the last point differs from the first since the last step; empty with one point."""
    last = weighing[-1]
    first = next(each for each in weighing if each.level == last.level)
    if first is last:
        step = next((each for each in reversed(points) if each.step), None)
        return "" if step is None else f"one certificate {_step_day(step)}"
    same = first.shares == last.shares
    found = compare_assessments(last.assessment, first.assessment, shared_reference=same)
    before = f"on {first.measured_utc[:10]} ({first.phase})"
    return changed_words(found.difference_deg, found.U_deg, has_changed(found), before)


def _outlook(line: Line, last: Point) -> tuple[str | None, str | None, str]:
    """The day when the line would leave the window, the earliest such day, and the sentence.

    A day is None when it would not leave within FURTHEST_YEARS, or when no drift is detected.
    """
    slope, U = line.per_year_deg, line.U_per_year_deg
    size, way = rounding.rate(slope, U), "earlier" if slope > 0 else "later"
    drift = f"opens {way} by {size}° each year" if float(size) else "moves by 0° each year"
    drift += f", ± {rounding.two_figures(U)}°{few_points(line)}"
    limit, other = last.assessment.earliest_btdc, last.assessment.latest_btdc
    if slope < 0:
        limit, other = other, limit
    if not line.distinguishable:
        return None, None, f"no drift detected: {drift}"
    if limit is None or other is None:
        return None, None, f"{drift}; no window is set"
    if wrap(line.last_btdc - other) * slope < 0.0:
        return None, None, f"{drift}; the line is outside the window now and nears it"
    limit = line.last_btdc + wrap(limit - line.last_btdc)
    years = (limit - line.last_btdc) / slope
    if years <= 0.0:
        return None, None, f"{drift}; the line is outside the window now"
    soonest = line.soonest(limit)
    if soonest is None:
        words = f"{drift}; the window lasts for more than {FURTHEST_YEARS:.0f} years"
        return None, None, words
    first, leaves = (
        utc_instant(last.measured_utc) + timedelta(days=each * DAYS_A_YEAR)
        for each in (soonest, min(years, FURTHEST_YEARS))
    )
    early = f"as early as {first:%Y-%m}" if soonest else "and may be outside already"
    if years > FURTHEST_YEARS:
        words = f"{drift}; would leave the window in more than {FURTHEST_YEARS:.0f} years, {early}"
        return None, f"{first:%Y-%m-%d}", words
    words = f"{drift}; would leave the window about {leaves:%Y-%m}, {early}"
    return f"{leaves:%Y-%m-%d}", f"{first:%Y-%m-%d}", words


def chosen(series: Sequence[Series], unit: str | None, *, cylinders: bool) -> list[Series]:
    """The series to show: that over all cylinders if there is one, else each cylinder's.

    A visit at which only one cylinder was read is shown as that cylinder's.
    """
    own = [each for each in series if unit in (None, each.unit)]
    if cylinders:
        return own
    covered: defaultdict[object, set[tuple[str, str]]] = defaultdict(set)
    for each in own:
        if each.cylinder is None:
            of = (each.unit, each.setting, each.kind)
            covered[of] |= {(point.certificate, point.phase) for point in each.points}
    shown = []
    for each in own:
        of_all = covered.get((each.unit, each.setting, each.kind))
        if each.cylinder is None or of_all is None:
            shown.append(each)
        elif points := [p for p in each.points if (p.certificate, p.phase) not in of_all]:
            shown.append(replace(each, points=tuple(points), line=None, leaves_utc=None,
                                 soonest_utc=None, words=ALONE))  # fmt: skip
    return shown
