"""Certificates in order.

The certificates of one engine in order: what each unit read over the years, and its drift.

Works from the records alone; no capture is read, and of a record no more than is shown.

When an opening that drifts would leave its window: the day, how early that may be, the words.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from rig.base import rounding
from rig.base.angles import wrap
from rig.base.codec import from_plain
from rig.base.errors import InputError
from rig.base.escape import LONGEST_TROUBLE, visible
from rig.base.files import Listing, gathered, named
from rig.certificate import record, seal
from rig.certificate.schema import TdcMove
from rig.job import folder as certificate
from rig.job.clock import utc_instant
from rig.job.results import Change
from rig.tdc.reference import TdcReference
from rig.timing.assess import found_and_left
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
from rig.timing.groups import in_groups
from rig.timing.values import Assessment, Mark
from rig.words.assessments import CAUTION

SET_BETWEEN = "set between as found and as left"

COLUMNS = (
    *("unit", "setting", "kind", "cylinder", "measured_utc", "certificate", "phase", "n"),
    *("mean_btdc_deg", "U_deg", "earliest_btdc_deg", "nominal_btdc_deg", "latest_btdc_deg"),
    *("verdict", "step"),
)


"""What a line of the comma-separated text holds."""


_FORMULA = ("=", "+", "-", "@", "＝", "＋", "－", "＠")


"""So begins what a spreadsheet takes for a formula, the wide signs where wide letters are usual;
common practice, no source."""


TOO_FEW = "too few certificates for a line: it takes three with nothing changed between"

ALONE = "read of this cylinder alone: no line goes through it"


@dataclass(frozen=True, slots=True)
class Point:
    """What one certificate says of one series. Angles in degrees; ``U_deg`` at about 95 %."""

    certificate: str
    file: str
    record_sha256: str
    measured_utc: str
    phase: str
    judgement: Assessment
    step: str  # why the level is a new one: a change noted, or a setting; "" when it is not
    level: int
    shares: str  # the reference that the figure rests on
    weighs: bool  # a line can go through it: what it states of its uncertainty is some size

    @property
    def day(self) -> float:
        """Days since the year 1970."""
        return utc_instant(self.measured_utc).timestamp() / 86400.0


@dataclass(frozen=True, slots=True)
class Series:
    """One unit in one setting on one cylinder (None: over all) through the years, in order.

    ``line`` goes through the points that weigh, and is None with too few. ``leaves_utc`` is the day
    when it would leave the last stated window, ``soonest_utc`` the day before which it will not
    have left with 97.5 %; both None when it would not, or when no drift can be told.
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


@dataclass(frozen=True, slots=True)
class History:
    """All series of one engine. ``troubles`` names certificates that could not be used, or not for
    a line, and why."""

    engine: str
    serial: str
    certificates: tuple[str, ...]
    series: tuple[Series, ...]
    changes: tuple[DatedChange, ...]
    troubles: tuple[str, ...]
    caution: str = CAUTION


@dataclass(frozen=True, slots=True)
class _Read:
    """The parts of a record that a history needs."""

    identification: str
    measured_from_utc: str
    judgements: tuple[Assessment, ...]
    changes: tuple[Change, ...]
    shares: str  # not in the record: what tells its reference from others
    record_sha256: str  # not in the record's body
    file: str  # not in the record: its name
    tdc_moves: tuple[TdcMove, ...] = ()  # what a record of before this was kept lacks


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
    paths: Sequence[Path], engine: str = "", serial: str = "", *, cylinders: bool = True
) -> History:
    """Put the certificates of one engine in order; those of others are left out if it is named.

    ``engine`` and ``serial`` name it as the engine file does; either may be left out. Without
    ``cylinders`` a unit's figure over all cylinders stands for those of each. Raises InputError
    when none is found, or when certificates of different engines are left.
    """
    troubles: list[str] = []
    by_engine: dict[tuple[str, str], dict[str, _Read]] = {}
    for path in (each.absolute() for each in paths):
        try:
            text, sha256 = _sealed(path)
            key = _engine_of(text, path)
            own = by_engine.setdefault(key, {})
            wanted = engine in ("", key[0]) and serial in ("", key[1])
            if wanted and sha256 not in own:  # a copy counts once
                own[sha256] = _read(path, text, sha256, cylinders=cylinders)
        except InputError as error:
            troubles.append(visible(f"left out: {error}", LONGEST_TROUBLE))
    of_engine = [key for key in by_engine if engine in ("", key[0]) and serial in ("", key[1])]
    if len(of_engine) != 1:
        raise InputError(_which(of_engine, list(by_engine), troubles))
    usable = _each_once(by_engine[of_engine[0]].values())
    series = tuple(_series(usable))
    moves = [f"{each.file}: {move.words}" for each in usable for move in each.tdc_moves]
    groups = [f"{each.file}: {words}" for each in usable for words in in_groups(each.judgements)]
    troubles += [visible(text) for text in (*moves, *groups, *_weightless(series))]
    return History(
        engine=visible(of_engine[0][0]),
        serial=visible(of_engine[0][1]),
        certificates=tuple(each.identification for each in usable),
        series=series,
        changes=tuple(
            DatedChange(each.measured_from_utc, visible(change.unit), visible(change.words))
            for each in usable
            for change in (*each.changes, *(Change(move.words) for move in each.tdc_moves))
        ),
        troubles=tuple(troubles),
    )


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
            j = point.judgement
            U_deg = j.uncertainty.U_deg if j.uncertainty else None
            row = (
                *(series.unit, series.setting, series.kind, series.cylinder, point.measured_utc),
                *(point.certificate, point.phase, j.n, j.mean_btdc, U_deg, j.earliest_btdc),
                *(j.nominal_btdc, j.latest_btdc, j.verdict, point.step),
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


def _engine_of(text: str, path: Path) -> tuple[str, str]:
    stated = seal.part(text, "stated")
    engine = stated.get("engine") if isinstance(stated, dict) else None
    name = engine.get("name") if isinstance(engine, dict) else None
    serial = engine.get("serial") if isinstance(engine, dict) else None
    if not isinstance(name, str) or not isinstance(serial, str):
        raise InputError(f"{named(path)}: the record names no engine; it was edited.")
    return name, serial


def _read(path: Path, text: str, sha256: str, *, cylinders: bool) -> _Read:
    """What a history needs of a record. Raises InputError when it is not as it should be."""
    name = named(path)
    reference = from_plain(TdcReference, seal.part(text, "reference"), f"{name}: reference")
    parts = [*_PARTS, *(["tdc_moves"] if seal.has(text, "tdc_moves") else [])]
    plain = {part: seal.part(text, part) for part in parts}
    if not cylinders:
        plain["judgements"] = _over_all(plain["judgements"])
    plain["record_sha256"] = sha256
    plain["file"] = path.name
    plain["shares"] = f"{reference.tdc_deg!r} {reference.made_utc}"
    read = from_plain(_Read, plain, name)
    record.check_sizes(read.judgements, name)
    utc_instant(read.measured_from_utc)
    return read


def _over_all(judgements: Any) -> Any:
    """Without those of a cylinder, where one over all cylinders stands beside them."""

    def kind(of: dict[str, Any]) -> list[Any]:
        return [of.get(name) for name in ("unit", "setting", "phase", "kind")]

    if not isinstance(judgements, list) or not all(isinstance(j, dict) for j in judgements):
        return judgements  # what is wrong with it is said where it is read
    whole = [kind(each) for each in judgements if each.get("cylinder") is None]
    return [each for each in judgements if each.get("cylinder") is None or kind(each) not in whole]


def _which(
    wanted: Sequence[tuple[str, str]], all_of_them: Sequence[tuple[str, str]], troubles: list[str]
) -> str:
    there = ", ".join(visible(f"{name} {serial}".strip()) for name, serial in all_of_them[:12])
    if not all_of_them:
        why = f" ({troubles[0]})" if troubles else ""
        return f"there is no certificate to read here{why}."
    if not wanted:
        return f"no certificate is of that engine. There are: {there}."
    return f"certificates of different engines do not make one history: {there}. Name one of them."


def _series(read: Sequence[_Read]) -> Iterable[Series]:
    gathered: dict[tuple[str, str, int | None, str], list[Point]] = {}
    for each in read:
        for judgement in found_and_left(each.judgements):
            if judgement.mean_btdc is None:
                continue
            if Mark.ONE_TURN_OUT in judgement.marks:  # a unit wrongly coupled, which is no drift
                continue
            key = (judgement.unit, judgement.setting, judgement.cylinder, judgement.kind)
            points = gathered.setdefault(key, [])
            points.append(_point(each, judgement, points[-1] if points else None))
    for key, points in gathered.items():
        yield _one_series(key, points)


def _point(read: _Read, judgement: Assessment, before: Point | None) -> Point:
    step = ""
    if before is not None and before.record_sha256 == read.record_sha256:
        step = SET_BETWEEN
    elif before is not None:
        noted = (each.words for each in read.changes if each.unit in ("", judgement.unit))
        step = "; ".join(noted)
    level = 0 if before is None else before.level + bool(step)
    stated = judgement.uncertainty
    return Point(
        certificate=read.identification,
        file=read.file,
        record_sha256=read.record_sha256,
        measured_utc=read.measured_from_utc,
        phase=judgement.phase,
        judgement=judgement,
        step=step,
        level=level,
        shares=read.shares,
        weighs=stated is not None and stated.U_deg >= LEAST_DEG and weighs(stated.parts),
    )


def _weightless(series: Iterable[Series]) -> list[str]:
    """What is to be said of certificates with figures that no line goes through."""
    found: dict[tuple[str, str], list[str]] = {}
    for each in series:
        for point in each.points:
            if not point.weighs:
                where = found.setdefault((point.file, _why_weightless(point.judgement)), [])
                where.append(f"{each.unit}, {each.setting}, {point.phase}")
    return [
        f"{file}: {'; '.join(dict.fromkeys(of))}: {why}: shown, and no line goes through it"
        for (file, why), of in found.items()
    ]


def _why_weightless(judgement: Assessment) -> str:
    if judgement.uncertainty is not None:
        nothing = f"the uncertainty that it states is nothing, or over {MOST_DEG:g}°"
        return f"{nothing} (certify its captures anew)"
    if judgement.n == 1:
        return "one reading, which has no uncertainty (take two or more)"
    return "no uncertainty is stated"


def _one_series(key: tuple[str, str, int | None, str], points: Sequence[Point]) -> Series:
    weighing = [each for each in points if each.weighs][-LATEST:]
    dated = []
    for each in weighing:
        of = each.judgement
        if of.mean_btdc is not None and of.uncertainty is not None:
            parts = of.uncertainty.parts
            dated.append(DatedMean(each.day, of.mean_btdc, parts, each.level, each.shares, of.n))
    line = fit(dated)
    if line is None:
        return Series(*key, tuple(points), None, None, None, TOO_FEW)
    leaves_utc, soonest_utc, words = _outlook_at(line, weighing[-1])
    if weighing[-1].level < points[-1].level:
        leaves_utc = soonest_utc = None
        words = f"{drift_words(line)}; where it stands since the last step is open"
    return Series(*key, tuple(points), line, leaves_utc, soonest_utc, words)


def _outlook_at(line: Line, last: Point) -> tuple[str | None, str | None, str]:
    judged = last.judgement
    return outlook(line, utc_instant(last.measured_utc), judged.earliest_btdc, judged.latest_btdc)


def _cell(value: object) -> object:
    """A value for a spreadsheet: text never reads as a formula there, and is harmless."""
    if not isinstance(value, str):
        return value
    text = visible(value)
    return f"'{text}" if text.lstrip().startswith(_FORMULA) else text


def drift_words(line: Line) -> str:
    """The slope with its uncertainty."""
    slope, U = line.per_year_deg, line.U_per_year_deg
    way = "earlier" if slope > 0 else "later"
    return f"{rounding.size(slope, U)}° a year {way}, ± {rounding.two_figures(U)}°{line.few}"


def outlook(
    line: Line, last: datetime, earliest_btdc: float | None, latest_btdc: float | None
) -> tuple[str | None, str | None, str]:
    """The day when the line would leave the window, the earliest such day, and the sentence.

    ``last`` is when the line's last point was measured. A day is None when it would not leave, when
    that is further off than FURTHEST_YEARS, or when no drift can be told.
    """
    slope = line.per_year_deg
    drift = drift_words(line)
    if not line.told_apart:
        return None, None, f"no drift can be told: {drift}"
    limit = earliest_btdc if slope > 0 else latest_btdc
    if limit is None:
        return None, None, f"{drift}; no window is stated"
    limit = line.last_btdc + wrap(limit - line.last_btdc)
    years = (limit - line.last_btdc) / slope
    if years <= 0.0:
        return None, None, f"{drift}; it has left the window already"
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
