"""Certificates in order: what each unit read over the years, and its drift.

The certificates of one engine, or those of one unit by its serial number on whatever engine. Works
from the records alone; no capture is read, and of a record no more than is shown.

A line goes through the points of one level. A new level starts where a unit was set or changed,
where another unit has its place, and where rig, encoder or top dead centre are no longer the same.
Only where each level is too short, as in a workshop that sets a unit at each visit, a line takes in
several that are parted by settings alone: what was set still wears as before.

When an opening that drifts would leave its window: the day, how early that may be, the words.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import Any

from rig.base import rounding
from rig.base.angles import wrap
from rig.base.codec import from_plain
from rig.base.errors import InputError
from rig.base.escape import LONGEST_TROUBLE, visible
from rig.base.files import Listing, gathered, named
from rig.base.uncertainty import Uncertainty
from rig.certificate import seal
from rig.certificate.schema import RecordedAssessment, TdcMove
from rig.job import folder as certificate
from rig.job.clock import utc_instant
from rig.job.results import FOR_TDC, Change, MadeAdjustment
from rig.tdc.reference import TdcReference
from rig.timing.assess import WORST_FIRST, UnitVerdict, found_and_left, verdict_over
from rig.timing.compare import compare_assessments
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
from rig.words.assessments import CAUTION, in_groups

SET_BETWEEN = "set between as found and as left"
COLUMNS = (
    *("engine", "unit", "serial", "setting", "kind", "cylinder", "measured_utc", "certificate"),
    *("phase", "level", "n", "mean_btdc_deg", "U_deg", "earliest_btdc_deg", "nominal_btdc_deg"),
    *("latest_btdc_deg", "verdict", "step"),
)


"""What a line of the comma-separated text holds."""


_FORMULA = ("=", "+", "-", "@", "＝", "＋", "－", "＠")


"""So begins what a spreadsheet takes for a formula, the wide signs where wide letters are usual;
common practice, no source."""


TOO_FEW = "too few certificates for a line: it takes three with nothing changed between"

ALONE = "read of this cylinder alone: no line goes through it"


class NoSuchUnitError(InputError):
    """No certificate has a unit of that serial number."""


class Reason(StrEnum):
    """Why a level is a new one. The value is its code in ``--json``."""

    SET = "set"  # as left, where as found stands before it
    ADJUSTED = "adjusted"  # an adjustment that was predicted, and read to have moved it
    CHANGED = "changed"  # as the person noted
    SERIAL = "serial"  # another unit in its place
    ENGINE = "engine"  # the same unit in another place
    RIG = "rig"  # another rig, or an encoder mounted otherwise
    TDC_MOVED = "tdc-moved"


SAME_WEAR = frozenset({Reason.SET, Reason.ADJUSTED, Reason.ENGINE})


"""After these the same contacts wear on, from another height."""


@dataclass(frozen=True, slots=True)
class Point:
    """What one certificate says of one series. Angles in degrees; ``U_deg`` at about 95 %."""

    engine: str
    unit: str
    serial: str  # of the unit; "" where it is not stated
    certificate: str
    file: str
    record_sha256: str
    measured_utc: str
    phase: str
    assessment: Assessment
    step: str  # why the level is a new one, in words; "" when it is not
    reasons: tuple[Reason, ...]
    level: int
    wear: int  # numbers the stretches between steps that set no more than the height
    shares: str  # the reference that the figure rests on
    weighs: bool  # a line can go through it: what it states of its uncertainty is some size
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
    when it would leave the last stated window, ``soonest_utc`` the day before which it will not
    have left with 97.5 %; both None when it would not, or when no drift detected.
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
    ``first_out`` is the series that leaves its window first, each cylinder for itself.
    """

    engine: str
    serial: str
    certificates: tuple[str, ...]
    series: tuple[Series, ...]
    changes: tuple[DatedChange, ...]
    troubles: tuple[str, ...]
    caution: str = CAUTION
    by_cylinder: tuple[Series, ...] = ()  # each cylinder's, too, through the latest visits
    first_out: Series | None = None
    unit_serial: str = ""


Key = tuple[str, str, str, str]


"""Unit, setting, phase and kind."""


@dataclass(frozen=True, slots=True)
class _Read:
    """The parts of a record that a history needs."""

    identification: str
    measured_from_utc: str
    judgements: tuple[RecordedAssessment, ...]
    changes: tuple[Change, ...]
    shares: str  # not in the record: what tells its reference from others
    record_sha256: str  # not in the record's body
    file: str  # not in the record: its name
    engine: str  # of what is stated, as are the next three
    serials: dict[str, str]  # unit -> its serial number
    mount: str  # the encoder as mounted
    rig: str  # which rig it was
    tdc_moves: tuple[TdcMove, ...] = ()  # what a record of before this was kept lacks
    adjustments: tuple[MadeAdjustment, ...] = ()
    verdicts: dict[Key, UnitVerdict] = field(default_factory=dict)  # on each unit, of all cylinders


@dataclass(frozen=True, slots=True)
class _Judged:
    judgements: tuple[RecordedAssessment, ...]


_PARTS = ("identification", "measured_from_utc", "judgements", "changes")


def look(folder: Path) -> Listing:
    """The certificates of a job, or of all jobs in a folder, in order of their names; and what
    lies among them and is none.

    Raises InputError when there is no such folder.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder. Name a job's folder or one that holds jobs.")
    return gathered(folder, lambda job: certificate.listed_records(job / "certificates"))


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
    ``unit_serial`` the unit of that serial number is followed, on whatever engine it was. Without
    ``cylinders`` a unit's figure over all cylinders stands for those of each. Raises InputError
    when none is found (NoSuchUnitError for a unit), or when certificates of different engines are
    left.
    """
    troubles: list[str] = []
    files: dict[str, Path] = {}  # by the digest of the record
    by_engine: dict[tuple[str, str], dict[str, _Read]] = {}
    serials: dict[str, None] = {}
    for path in (each.absolute() for each in paths):
        try:
            text, sha256 = _sealed(path)
            stated = seal.part(text, "stated")
            key = _engine_of(stated, path)
            own = by_engine.setdefault(key, {})
            wanted = engine in ("", key[0]) and serial in ("", key[1])
            if wanted and sha256 not in own:  # a copy counts once
                own[sha256] = read = _read(path, text, stated, sha256, cylinders=cylinders)
                files[sha256] = path
                serials |= dict.fromkeys(filter(None, read.serials.values()))
        except InputError as error:
            troubles.append(visible(f"left out: {error}", LONGEST_TROUBLE))
    of_engine = [key for key in by_engine if engine in ("", key[0]) and serial in ("", key[1])]
    if unit_serial and unit_serial not in serials:
        raise NoSuchUnitError(_no_serial(unit_serial, serials, troubles))
    if not unit_serial and len(of_engine) != 1:
        raise InputError(_which(of_engine, list(by_engine), troubles, serials))
    usable = _each_once(each for key in of_engine for each in by_engine[key].values())
    # A line goes through no more than the latest: those are enough for each cylinder's outlook.
    latest = usable[-LATEST:]
    if not cylinders:
        latest = [_whole(files[each.record_sha256], each, troubles) for each in latest]
    if unit_serial:
        of_unit = partial(_of_unit, serial=unit_serial)
        usable, latest = ([one for one in map(of_unit, of) if one] for of in (usable, latest))
        of_engine = [key for key in of_engine if any(each.engine == key[0] for each in usable)]
    series = tuple(_series(usable, by_serial=bool(unit_serial)))
    by_cylinder = tuple(_series(latest, by_serial=bool(unit_serial)))
    moves = [f"{each.file}: {move.words}" for each in usable for move in each.tdc_moves]
    groups = [f"{each.file}: {words}" for each in usable for words in in_groups(each.judgements)]
    troubles += [visible(text) for text in (*moves, *groups, *_weightless(series))]
    return History(
        engine=visible(", ".join(name for name, _ in of_engine)),
        serial="" if unit_serial else visible(of_engine[0][1]),
        certificates=tuple(each.identification for each in usable),
        series=series,
        changes=tuple(
            DatedChange(each.measured_from_utc, visible(change.unit), visible(change.words))
            for each in usable
            for change in (*each.changes, *(Change(move.words) for move in each.tdc_moves))
        ),
        troubles=tuple(troubles),
        by_cylinder=by_cylinder,
        first_out=_first_out(by_cylinder, usable[-1]) if usable else None,
        unit_serial=visible(unit_serial),
    )


def _whole(path: Path, short: _Read, troubles: list[str]) -> _Read:
    """A record that was read without its cylinders, with them; else as it was, and why."""
    try:
        plain = seal.part(_sealed(path)[0], "judgements")
        found = from_plain(_Judged, {"judgements": plain}, named(path))
    except InputError as error:
        troubles.append(visible(f"its cylinders are left out: {error}", LONGEST_TROUBLE))
        return short
    return replace(short, judgements=found.judgements)


def _of_unit(read: _Read, serial: str) -> _Read | None:
    """What a record says of the unit with a serial number; None where it is not on the engine."""
    names = [unit for unit, own in read.serials.items() if own == serial]
    own = tuple(each for each in read.judgements if each.unit in names)
    return replace(read, judgements=own) if own else None


def _first_out(series: Sequence[Series], latest: _Read) -> Series | None:
    """The series that would leave its window first, among those that the last visit read."""
    now = [
        each
        for each in series
        if each.kind == "turned"
        and (each.leaves_utc or each.soonest_utc)
        and each.points[-1].measured_utc[:10] == latest.measured_from_utc[:10]
    ]
    return min(now, key=lambda s: (s.leaves_utc or "9", s.soonest_utc or "9"), default=None)


def _each_once(read: Iterable[_Read]) -> list[_Read]:
    """In order of measuring; what was certified again, as with a change told later, counts once."""
    kept: list[_Read] = []
    for each in sorted(read, key=lambda each: (each.measured_from_utc, each.identification)):
        before = kept[-1] if kept else None
        if before is not None and (before.measured_from_utc, before.judgements) == (
            each.measured_from_utc, each.judgements,
        ):  # fmt: skip
            told = [change for change in before.changes if change not in each.changes]
            kept[-1] = replace(each, changes=(*told, *each.changes))
        else:
            kept.append(each)
    return kept


def csv_text(of: History) -> str:
    """Give all points as comma-separated text (RFC 4180), figures in full, one line a point."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for series in of.series:
        for point in series.points:
            j = point.assessment
            U_deg = j.uncertainty.U_deg if j.uncertainty else None
            row = (
                *(point.engine, point.unit, point.serial, series.setting, series.kind),
                *(series.cylinder, point.measured_utc, point.certificate, point.phase),
                *(point.level, j.n, j.mean_btdc, U_deg, j.earliest_btdc, j.nominal_btdc),
                *(j.latest_btdc, j.verdict, point.step),
            )
            writer.writerow([_cell(each) for each in row])
    return out.getvalue()


def _sealed(path: Path) -> tuple[str, str]:
    """Give text and digest of a record whose seal holds; raises InputError when it does not."""
    data = seal.read_bytes(path)
    looked = seal.look_at(data)
    if not looked.holds:
        seal.parse(data, named(path))  # says it better when it is no certificate at all
        raise InputError(f"{named(path)}: has been edited since it was saved.")
    return data.decode("ascii", "replace"), looked.stated


def _engine_of(stated: Any, path: Path) -> tuple[str, str]:
    engine = stated.get("engine") if isinstance(stated, dict) else None
    name = engine.get("name") if isinstance(engine, dict) else None
    serial = engine.get("serial") if isinstance(engine, dict) else None
    if not isinstance(name, str) or not isinstance(serial, str):
        raise InputError(f"{named(path)}: the record names no engine; it was edited.")
    return name, serial


def _read(path: Path, text: str, stated: Any, sha256: str, *, cylinders: bool) -> _Read:
    """What a history needs of a record. Raises InputError when it is not as it should be."""
    name = named(path)
    reference = from_plain(TdcReference, seal.part(text, "reference"), f"{name}: reference")
    later = ("tdc_moves", "adjustments")
    parts = [*_PARTS, *(part for part in later if seal.has(text, part))]
    plain = {part: seal.part(text, part) for part in parts}
    every = plain["judgements"]
    if not cylinders:
        plain["judgements"] = _over_all(every)
    plain["record_sha256"] = sha256
    plain["file"] = path.name
    plain["shares"] = f"{reference.tdc_deg!r} {reference.made_utc}"
    units = stated.get("units")
    plain["engine"] = stated["engine"]["name"]
    plain["serials"] = {
        str(unit.get("name")): str(unit.get("serial", "")).strip()
        for unit in (units if isinstance(units, list) else ())
        if isinstance(unit, dict)
    }
    plain["mount"] = json.dumps(stated.get("encoder"), sort_keys=True)
    plain["rig"] = _rig_of(seal.part(text, "captures"))
    read = from_plain(_Read, plain, name)
    read = replace(read, verdicts=_verdicts(every))
    utc_instant(read.measured_from_utc)
    return read


_VERSION = re.compile(r"[-_ ]?v?[0-9]+(\.[0-9]+)*$")


def _rig_of(captures: Any) -> str:
    """The rig that the readings were taken with, without the version of its firmware."""
    names = [
        _VERSION.sub("", str(each.get("rig_name", "")))
        for each in (captures if isinstance(captures, list) else ())
        if isinstance(each, dict) and each.get("used_for") != FOR_TDC
    ]
    return ", ".join(dict.fromkeys(filter(None, names)))


def _verdicts(judgements: Any) -> dict[Key, UnitVerdict]:
    """The verdict on each unit over all its cylinders, without reading each of them whole: a
    history of many certificates holds many cylinders."""
    groups: dict[Key, list[dict[str, Any]]] = {}
    for each in judgements:
        key = (each["unit"], each["setting"], each["phase"], each["kind"])
        groups.setdefault(key, []).append(each)
    found: dict[Key, UnitVerdict] = {}
    for key, own in groups.items():
        worst = min((each["verdict"] for each in own), key=WORST_FIRST.index)
        if worst in ("inside", "no window set"):
            found[key] = UnitVerdict(worst)
            continue
        having = [each for each in own if each["verdict"] == worst]
        named = [each["cylinder"] for each in having if each["cylinder"] is not None]
        if len(named) == sum(each["cylinder"] is not None for each in own):
            named = []
        far = UnitVerdict(worst)
        if worst == "outside":
            far = verdict_over([_in_short(each) for each in having])
        found[key] = replace(far, cylinders=tuple(named))
    return found


def _in_short(plain: Mapping[str, Any]) -> Assessment:
    """An assessment of a record with no more than its verdict goes by."""
    u = plain["uncertainty"]
    known = None if u is None else Uncertainty(u["u_deg"], math.inf, u["k"], u["U_deg"], ())
    return Assessment(
        plain["unit"], plain["setting"], plain["cylinder"], plain["phase"], plain["kind"],
        plain["n"], plain["mean_btdc"], None, known, plain["earliest_btdc"], None,
        plain["latest_btdc"], plain["verdict"], "no window set", "",
        tuple(mark for mark in Mark if mark.value in plain["marks"]),
    )  # fmt: skip


def _over_all(judgements: Any) -> Any:
    """Without those of a cylinder, where one over all cylinders stands beside them."""

    def kind(of: dict[str, Any]) -> list[Any]:
        return [of.get(name) for name in ("unit", "setting", "phase", "kind")]

    if not isinstance(judgements, list) or not all(isinstance(j, dict) for j in judgements):
        return judgements  # what is wrong with it is said where it is read
    whole = [kind(each) for each in judgements if each.get("cylinder") is None]
    return [each for each in judgements if each.get("cylinder") is None or kind(each) not in whole]


def _no_serial(serial: str, known: Iterable[str], troubles: list[str]) -> str:
    there = ", ".join(visible(each) for each in known)
    if not there and troubles:
        return f"there is no certificate to read here ({troubles[0]})."
    said = f"the certificates have {there}" if there else "no certificate states a unit's serial"
    return f"no unit with serial {visible(serial)}: {said}."


def _which(
    wanted: Sequence[tuple[str, str]],
    all_of_them: Sequence[tuple[str, str]],
    troubles: list[str],
    serials: Iterable[str],
) -> str:
    there = ", ".join(visible(f"{name} {serial}".strip()) for name, serial in all_of_them[:12])
    if not all_of_them:
        why = f" ({troubles[0]})" if troubles else ""
        return f"there is no certificate to read here{why}."
    if not wanted:
        return f"no certificate is of that engine. There are: {there}."
    units = ", ".join(visible(each) for each in serials)
    follow = f" Or follow one unit by its serial: {units}." if units else ""
    return (
        f"certificates of different engines do not make one history: {there}. Name one of them."
        + follow
    )


def _series(read: Sequence[_Read], *, by_serial: bool = False) -> Iterable[Series]:
    """All series; a unit that is followed by its serial is one, whatever it is called."""
    gathered: dict[tuple[str, str, int | None, str], list[Point]] = {}
    names: dict[str, str] = {}
    before: dict[tuple[str, str, int | None, str], _Read] = {}
    for each in read:
        for assessment in found_and_left(each.judgements):
            if assessment.mean_btdc is None:
                continue
            if Mark.ONE_TURN_OUT in assessment.marks:  # a unit wrongly coupled, which is no drift
                continue
            unit = each.serials.get(assessment.unit, "") if by_serial else assessment.unit
            names[unit] = assessment.unit
            key = (unit, assessment.setting, assessment.cylinder, assessment.kind)
            points = gathered.setdefault(key, [])
            points.append(_point(each, assessment, points, before.get(key)))
            before[key] = each
    for (unit, setting, cylinder, kind), points in gathered.items():
        yield _one_series((names[unit], setting, cylinder, kind), points)


def _point(
    read: _Read, assessment: Assessment, points: Sequence[Point], visit: _Read | None
) -> Point:
    """The next point of a series; ``visit`` is the record of the one before."""
    before = points[-1] if points else None
    steps = _steps(read, assessment, before, visit) if before and visit else {}
    reasons = tuple(steps)
    level = before.level + bool(reasons) if before else 0
    wear = before.wear + (not set(reasons) <= SAME_WEAR) if before else 0
    stated = assessment.uncertainty
    key = (assessment.unit, assessment.setting, assessment.phase, assessment.kind)
    verdict = verdict_over([assessment])
    if assessment.cylinder is None:
        verdict = read.verdicts.get(key, verdict)
    return Point(
        engine=read.engine,
        unit=assessment.unit,
        serial=read.serials.get(assessment.unit, ""),
        certificate=read.identification,
        file=read.file,
        record_sha256=read.record_sha256,
        measured_utc=read.measured_from_utc,
        phase=assessment.phase,
        assessment=assessment,
        step="; ".join(dict.fromkeys(filter(None, steps.values()))),
        reasons=reasons,
        level=level,
        wear=wear,
        verdict=verdict,
        shares=read.shares,
        weighs=stated is not None and stated.U_deg >= LEAST_DEG and weighs(stated.parts),
    )


def _steps(read: _Read, assessment: Assessment, before: Point, visit: _Read) -> dict[Reason, str]:
    """Why the level since the point before is a new one, each reason in words."""
    unit = assessment.unit
    noted = [each for each in read.changes if each.noted and each.unit in ("", unit)]
    adjusted = [each for each in read.adjustments if _moved_by(each, unit)]
    found: dict[Reason, str] = {}
    if visit.record_sha256 == read.record_sha256:  # within one visit
        found[Reason.SET] = "" if noted or adjusted else SET_BETWEEN
        if adjusted:
            found[Reason.ADJUSTED] = "; ".join(each.words for each in adjusted)
        if noted:
            found[Reason.CHANGED] = "; ".join(each.words for each in noted)
        return found
    serial = read.serials.get(unit, "")
    if before.serial and serial and before.serial != serial:
        found[Reason.SERIAL] = f"serial {serial} in place of {before.serial}"
    if (before.engine, before.unit) != (read.engine, unit):
        found[Reason.ENGINE] = f"moved to {read.engine}, {unit}"
    told = [each for each in read.changes if not each.noted and each.unit in ("", unit)]
    # What was noted or adjusted during the visit came after what was found at first.
    told += [] if _left_later(read, assessment) else noted
    if told:
        found[Reason.CHANGED] = "; ".join(each.words for each in told)
    if adjusted and not _left_later(read, assessment):
        found[Reason.ADJUSTED] = "; ".join(each.words for each in adjusted)
    if visit.rig and read.rig and visit.rig != read.rig:
        found[Reason.RIG] = f"rig {read.rig} in place of {visit.rig}"
    elif visit.mount != read.mount:
        found[Reason.RIG] = "encoder mounted otherwise, by the engine file"
    if read.tdc_moves:
        found[Reason.TDC_MOVED] = "TDC moved during the visit"
    return found


def _left_later(read: _Read, assessment: Assessment) -> bool:
    """Whether the same record has this figure in a later phase, too."""
    own = (assessment.unit, assessment.setting, assessment.cylinder, assessment.kind)
    later = PHASES[PHASES.index(assessment.phase) + 1 :] if assessment.phase in PHASES else ()
    return any((j.unit, j.setting, j.cylinder, j.kind) == own and j.phase in later
               for j in read.judgements)  # fmt: skip


def _moved_by(adjustment: MadeAdjustment, unit: str) -> bool:
    """Whether what was read since shows that an adjustment moved a unit."""
    return any(
        each.unit == unit and each.verdict not in ("", "not moved")
        for each in adjustment.predictions
    )


def _weightless(series: Iterable[Series]) -> list[str]:
    """What is to be said of certificates with figures that no line goes through."""
    found: dict[tuple[str, str], list[str]] = {}
    for each in series:
        for point in each.points:
            if not point.weighs:
                where = found.setdefault((point.file, _why_weightless(point.assessment)), [])
                where.append(f"{each.unit}, {each.setting}, {point.phase}")
    return [
        f"{file}: {'; '.join(dict.fromkeys(of))}: {why}: shown, and no line goes through it"
        for (file, why), of in found.items()
    ]


def _why_weightless(assessment: Assessment) -> str:
    if assessment.uncertainty is not None:
        nothing = f"the uncertainty that it states is nothing, or over {MOST_DEG:g}°"
        return f"{nothing} (certify its captures anew)"
    if assessment.n == 1:
        return "one reading, which has no uncertainty (take two or more)"
    return "no uncertainty is stated"


def _one_series(key: tuple[str, str, int | None, str], points: Sequence[Point]) -> Series:
    weighing = [each for each in points if each.weighs]
    last = points[-1]
    if not weighing or weighing[-1].level < last.level:
        since = f"; {_step_day(last)}" if last.level else ""
        return Series(*key, tuple(points), None, None, None, f"{TOO_FEW}{since}")
    own = [each for each in weighing if each.level == last.level][-LATEST:]
    line = fit(_dated(own))
    if line is None:
        own = [each for each in weighing if each.wear == last.wear][-LATEST:]
        line = fit(_dated(own))
    if line is None:
        words = "; ".join(filter(None, (_since(points, weighing), TOO_FEW)))
        return Series(*key, tuple(points), None, None, None, words)
    if line.strays:
        return Series(*key, tuple(points), None, None, None, _strays(line))
    leaves_utc, soonest_utc, words = _outlook_at(line, weighing[-1])
    return Series(*key, tuple(points), line, leaves_utc, soonest_utc, words)


def _dated(points: Sequence[Point]) -> list[DatedMean]:
    return [
        DatedMean(each.day, of.mean_btdc, of.uncertainty.parts, each.level, each.shares, of.n)
        for each in points
        for of in (each.assessment,)
        if of.mean_btdc is not None and of.uncertainty is not None
    ]


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
    U = found.uncertainty.U_deg if found.uncertainty else None
    way = "earlier" if found.difference_deg > 0.0 else "later"
    size, within = rounding.size(found.difference_deg, U), rounding.two_figures(U)
    changed = U is not None and abs(found.difference_deg) > U
    told = "changed" if changed else "no change detected"
    when = f"{first.measured_utc[:10]}, {first.phase}"
    return f"opens {size}° {way} than on {when}, U {within}°: {told}"


def _strays(line: Line) -> str:
    """What is to be said where a point lies far from the line."""
    return (
        f"no outlook: its points lie up to {rounding.figure(line.furthest_deg)}° from a straight"
        " line, far beyond their uncertainties. Something changed that was not noted"
    )


def _outlook_at(line: Line, last: Point) -> tuple[str | None, str | None, str]:
    judged = last.assessment
    return outlook(line, utc_instant(last.measured_utc), judged.earliest_btdc, judged.latest_btdc)


def _cell(value: object) -> object:
    """A value for a spreadsheet: text never reads as a formula there, and is harmless."""
    if not isinstance(value, str):
        return value
    text = visible(value)
    return f"'{text}" if text.lstrip().startswith(_FORMULA) else text


def drift_words(line: Line) -> str:
    """The slope with its uncertainty: "opens later by 0.35° each year, ± 0.08°"."""
    slope, U = line.per_year_deg, line.U_per_year_deg
    size, way = rounding.rate(slope, U), "earlier" if slope > 0 else "later"
    return f"opens {way} by {size}° each year, ± {rounding.two_figures(U)}°{line.few}"


def outlook(
    line: Line, last: datetime, earliest_btdc: float | None, latest_btdc: float | None
) -> tuple[str | None, str | None, str]:
    """The day when the line would leave the window, the earliest such day, and the sentence.

    ``last`` is when the line's last point was measured. A day is None when it would not leave, when
    that is further off than FURTHEST_YEARS, or when no drift detected.
    """
    slope = line.per_year_deg
    drift = drift_words(line)
    if not line.told_apart:
        return None, None, f"no drift detected: {drift}"
    limit, other = earliest_btdc, latest_btdc
    if slope < 0:
        limit, other = other, limit
    if limit is None or other is None:
        return None, None, f"{drift}; no window is stated"
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
    first = last + timedelta(days=soonest * DAYS_A_YEAR)
    early = f"as early as {first:%Y-%m}" if soonest else "and may be outside already"
    if years > FURTHEST_YEARS:
        words = f"{drift}; would leave the window in more than {FURTHEST_YEARS:.0f} years, {early}"
        return None, f"{first:%Y-%m-%d}", words
    leaves = last + timedelta(days=years * DAYS_A_YEAR)
    words = f"{drift}; would leave the window about {leaves:%Y-%m}, {early}"
    return f"{leaves:%Y-%m-%d}", f"{first:%Y-%m-%d}", words


def chosen(series: Sequence[Series], unit: str | None, *, cylinders: bool) -> list[Series]:
    """The series to show: over all cylinders where there is such a one, else each cylinder's.

    A visit at which one cylinder alone was read, as found, say, is shown as that cylinder's.
    """
    own = [each for each in series if unit in (None, each.unit)]
    if cylinders:
        return own
    covered: dict[tuple[str, str, str], set[tuple[str, str]]] = {}
    for each in own:
        if each.cylinder is None:
            visits = covered.setdefault((each.unit, each.setting, each.kind), set())
            visits.update((point.certificate, point.phase) for point in each.points)
    shown = []
    for each in own:
        of_all = covered.get((each.unit, each.setting, each.kind))
        if each.cylinder is None or of_all is None:
            shown.append(each)
        elif points := [p for p in each.points if (p.certificate, p.phase) not in of_all]:
            shown.append(replace(each, points=tuple(points), line=None, leaves_utc=None,
                                 soonest_utc=None, words=ALONE))  # fmt: skip
    return shown
