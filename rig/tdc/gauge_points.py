"""Gauge points and engine's marks as noted, and TDC from them.

A file of gauge points has a line per point, angle and piston drop:

    # angle of the crank, piston below TDC
    after_index_deg; piston_drop_mm
    141.20; 3.50
    148.65; 2.00

Without a heading, angles come first and drops are in millimetres unless another unit is given.
Columns are separated by semicolons, tabs, commas or blanks; a decimal comma is possible if commas
do not separate the columns. # begins a comment.

Gauge readings typed while a capture was taken are notes named ``NOTE``.

    {"lift_mm": 2.0, "crank_deg": 523.4, "cylinder": 1, "direction": 1, "purpose": "reference"}

``crank_deg`` is the crank's angle, ``direction`` that of its last movement (1 forward, -1 back, 0
not known). ``purpose`` "check" marks a point taken again at the end. ``{"back": true}`` undoes the
last one, with ``"reading": 3`` the third. A note named ``MARK`` says that the crank is at the
engine's own mark: ``{"crank_deg": 521.9, "what": "flywheel mark", "cylinder": 1, "within_deg":
0.278, "within": "0.278° (1 mm round a rim of 412 mm)"}``; ``{"back": true}`` undoes the last one.
``within_deg`` is how well it was read (missing in older notes), ``within`` the same as entered. A
note named ``INCLINED`` says how the gauge is set up: ``{"inclined_deg": 25.0, "case": "sliding"}``.

A note named ``USE`` selects one of the TDCs found in a session: ``{"found": 0}`` one that was in
use before or found as a check (their number, in order), ``{"method": "gauge, fit", "cylinder": 1}``
one from the gauge readings so far, ``{"mark": 0}`` a mark of the engine. ``utc`` and ``capture``
say when and in which. The readings behind it are in the capture, so a replay finds it again.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple, TypeVar, cast

import numpy as np

from rig.base.angles import modulo, wrap
from rig.base.codec import from_plain, number, text, whole
from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError, shown
from rig.base.files import bytes_of
from rig.base.rounding import many
from rig.base.uncertainty import Contribution, Source, rectangular, sure_within
from rig.engine.gear_train import around_deg, disc_places
from rig.engine.geometry import geometry_of, on_link_rod, steepest_mm_per_deg
from rig.engine.profile import Encoder, Geometry, Profile
from rig.tdc.dial_gauge import Gauge, GaugePoint, drop_in_mm
from rig.tdc.gauge_series import Series, work_through
from rig.tdc.reference import EARLIER_METHODS, GaugeWorking, Method, TdcReference
from rig.wire.records import Note

DropUnit = Literal["mm", "inch"]

ANGLES = ("after_index_deg", "crank_deg")
DROPS: dict[str, DropUnit] = {"piston_drop_mm": "mm", "piston_drop_in": "inch"}
# What the heading of a drop's column was called before version 0.4.0.
EARLIER_DROPS: dict[str, DropUnit] = {"lift_mm": "mm", "lift_in": "inch"}
MOST_BYTES = 1_000_000
MOST_POINTS = 1000
MOST_DEG = 1e7


class _Columns(NamedTuple):
    angle: int = 0
    drop: int = 1
    unit: DropUnit = "mm"


def load_points(path: Path, unit: DropUnit | None = None) -> list[GaugePoint]:
    """The points of a file; ``unit`` is that of the drops if no heading names it (default mm).

    Raises InputError naming the line that cannot be read.
    """
    try:
        text = bytes_of(path, MOST_BYTES, "a gauge series").decode("utf-8-sig")
    except UnicodeDecodeError as why:
        raise InputError(
            f"{path}: byte {why.start + 1} is not UTF-8 text: write an angle and a drop a line"
        ) from None
    return points_from_text(text, str(path), unit)


def points_from_text(content: str, name: str, unit: DropUnit | None = None) -> list[GaugePoint]:
    """The same from the text of a file. Raises InputError as ``load_points``."""
    columns = _Columns(unit=unit or "mm")
    points: list[GaugePoint] = []
    for n, line in enumerate(content.splitlines(), 1):
        fields = _fields(line)
        if not fields:
            continue
        where = f"{name}, line {n}"
        if not points and all(_number(each) is None for each in fields):
            columns = _headed(fields, where, unit)
            continue
        if len(fields) != 2:
            raise InputError(
                f"{where}: {shown(line.strip())} has {many(len(fields), 'figure')}; enter an angle"
                " and a drop (with decimal commas, separate them by a semicolon)"
            )
        angle, drop = _number(fields[columns.angle]), _number(fields[columns.drop])
        if angle is None or drop is None or abs(angle) > MOST_DEG:
            raise InputError(
                f"{where}: {shown(line.strip())} is not an angle in degrees and a drop in"
                f" {columns.unit}"
            )
        points.append(GaugePoint(angle, drop_in_mm(drop, columns.unit)))
        if len(points) > MOST_POINTS:
            raise InputError(f"{where}: a gauge series has at most {MOST_POINTS} points")
    if not points:
        raise InputError(f"{name}: no gauge point found: write a line per point, angle and drop")
    return points


def _fields(line: str) -> list[str]:
    """The fields of a line, with decimal points; none for an empty line."""
    line = line.partition("#")[0].strip()
    mark = next((each for each in (";", "\t") if each in line), None)
    parts = line.split(mark)
    # A comma separates two words if it ends the first; within a word it is a decimal one.
    between = len(parts) == 2 and (parts[0].endswith(",") or parts[1].startswith(","))
    if mark is None and (len(parts) != 2 or "," not in line or between):
        return line.replace(",", " ").split()
    return [part.strip().replace(",", ".") for part in parts]


def _headed(fields: list[str], where: str, unit: DropUnit | None) -> _Columns:
    names = [each.strip("\"'").casefold() for each in fields]
    angle = next((i for i, each in enumerate(names) if each in ANGLES), None)
    drop = next((i for i, each in enumerate(names) if each in DROPS | EARLIER_DROPS), None)
    if len(names) != 2 or angle is None or drop is None:
        raise InputError(
            f"{where}: the heading is {', '.join(shown(each) for each in fields)}; allowed are"
            f" {' or '.join(ANGLES)}, and {' or '.join(DROPS)}"
        )
    named = (DROPS | EARLIER_DROPS)[names[drop]]
    if unit is not None and unit != named:
        raise InputError(f"{where}: the heading says {names[drop]}, the command {unit}")
    return _Columns(angle, drop, named)


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


T = TypeVar("T")

NOTE, MARK, INCLINED = "gauge", "mark", "gauge-inclined"


def gauge_note(
    drop_mm: float,
    crank_deg: float,
    *,
    cylinder: int = 1,
    direction: int = 0,
    again: bool = False,
) -> dict[str, object]:
    """The value of a note for a gauge reading; ``again`` for one taken again at the end."""
    return {
        "lift_mm": drop_mm,
        "crank_deg": crank_deg,
        "cylinder": cylinder,
        "direction": direction,
        "purpose": "check" if again else "reference",
    }


Cylinder = Annotated[int, whole(1, 99)]
NotedNumber = Annotated[float, number(-1e9, 1e9)]
OWN_MARK = "the engine's own mark"


@dataclass(frozen=True, slots=True)
class EngineMark:
    """The crank is at a mark of the engine; ``within_deg`` is None if nobody entered how well it
    was read."""

    crank_deg: NotedNumber
    cylinder: Cylinder = 1
    what: Annotated[str, text(1000)] = OWN_MARK
    within_deg: Annotated[float, number(1e-9, 180.0)] | None = None
    within: Annotated[str, text(100)] = ""  # as entered


@dataclass(frozen=True, slots=True)
class _Noted:
    """A note for a gauge reading, see the module."""

    lift_mm: NotedNumber
    crank_deg: NotedNumber
    cylinder: Cylinder = 1
    direction: Literal[1, 0, -1] = 0
    purpose: Annotated[str, text(100)] = "reference"


@dataclass(frozen=True, slots=True)
class _Inclined:
    """A note on how the gauge is set up."""

    inclined_deg: NotedNumber
    case: Literal["", "sliding", "pinned"] = ""


def _read(kind: type[T], value: Mapping[str, object]) -> T:
    """What a note says; whatever else it has is skipped."""
    names = {each.name for each in fields(cast(Any, kind))}
    return from_plain(kind, {key: of for key, of in value.items() if key in names}, "the note")


@dataclass(frozen=True, slots=True)
class GaugeReading:
    """One reading as noted."""

    point: GaugePoint
    cylinder: int
    direction: int
    again: bool
    life: int = 0  # restarts of the rig's angles before it
    t_us: float = 0.0


@dataclass(slots=True)
class GaugeNotes:
    """The gauge readings and marks of a capture, in order, and how the gauge was set up.

    ``wrong`` are notes that make no sense; ``rules`` those of an earlier version of the program.
    """

    readings: list[GaugeReading] = field(default_factory=list)
    marks: list[EngineMark] = field(default_factory=list)
    gauge: Gauge = field(default_factory=Gauge)
    wrong: list[str] = field(default_factory=list)
    rules: Rules = ()

    def take(self, note: Note, life: int = 0) -> None:
        """Take a note; others are skipped."""
        value = note.value
        try:
            if note.name == INCLINED:
                said = _read(_Inclined, value)
                gauge = replace(self.gauge, inclination_deg=said.inclined_deg, case=said.case)
                _ = gauge.mm_per_mm  # refuses an impossible angle, or one without its case
                self.gauge = gauge
            elif note.name == MARK and value.get("back"):
                del self.marks[-1:]
            elif note.name == MARK:
                what = value.get("what") or OWN_MARK
                self.marks.append(_read(EngineMark, {**value, "what": what}))
            elif note.name == NOTE and value.get("back"):
                self._undo(value.get("reading", len(self.readings)))
            elif note.name == NOTE:
                way = next((each for each in (1, 0, -1) if value.get("direction", 0) == each), None)
                noted = _read(_Noted, value if way is None else {**value, "direction": way})
                point, again = GaugePoint(noted.crank_deg, noted.lift_mm), noted.purpose == "check"
                self.readings.append(
                    GaugeReading(point, noted.cylinder, noted.direction, again, life, note.t_us)
                )
        except InputError as why:
            self.wrong.append(f"a note named {note.name!r} makes no sense: {why}")

    def _undo(self, number: object) -> None:
        if not self.readings:
            return
        if not isinstance(number, int) or not 1 <= number <= len(self.readings):
            raise InputError(f"reading {number!r}: enter 1 to {len(self.readings)}")
        del self.readings[number - 1]

    def of(self, cylinder: int) -> list[GaugeReading]:
        """The readings of one cylinder."""
        return [each for each in self.readings if each.cylinder == cylinder]

    def in_one_life(self) -> GaugeNotes:
        """The readings and marks of the one life of the rig with the most of them.

        With a geared encoder whose index comes at several places of the crank, angles before and
        after a restart do not count from the same place.
        """
        lives = Counter(each.life for each in self.readings)
        if len(lives) < 2:
            return self
        chosen, n = lives.most_common(1)[0]
        left = (
            f"{many(len(self.readings) - n, 'gauge reading')} are left out, and the marks: the rig"
            " restarted between them and the others, and its index may be another place"
        )
        kept = [each for each in self.readings if each.life == chosen]
        return GaugeNotes(kept, [], self.gauge, [*self.wrong, left], self.rules)

    def points(self, cylinder: int, *, again: bool = False) -> list[GaugePoint]:
        """The points of the series, or those taken again at the end."""
        return [each.point for each in self.of(cylinder) if each.again == again]


SLACK_MM = 0.05
# Two readings that contradict each other by less may differ by clearances or a cylinder offset
# (common practice, no source).
SLACK_DEG = 1.0
# How far beyond all points TDC is assumed to be, if it is to one side of them.
BEYOND_DEG = 10.0


def out_of_order(
    readings: Sequence[GaugeReading], geometry: Geometry | None = None, mm_per_mm: float = 1.0
) -> int | None:
    """Number (from 1) of the point that contradicts the others, None if none does.

    Wherever TDC is, the nearer point has the smaller drop; points contradict each other when no
    place of TDC makes this true of all. So each point's side follows from its angle and its
    drop; the direction of approach only decides where both are possible. With ``geometry`` two
    drops further apart than the steepest part of the stroke allows, read by a gauge of
    ``mm_per_mm``, contradict each other too. The point named is the one without which the others
    agree best; of several, the latest. Source: a rising piston does not fall on its way.
    """
    series = [each for each in readings if not each.again]
    if len(series) < 2:
        return None
    first = series[0].point.angle_deg
    angles = wrap(np.array([r.point.angle_deg - first for r in series]))
    drops = np.array([r.point.drop_mm for r in series])
    ways = np.array([r.direction for r in series])
    # A place of TDC for each possible order of the points' distances from it: half-way between
    # two, at each, between such places and beyond.
    marks = np.unique(np.add.outer(angles, angles) / 2.0)
    beyond = (marks[0] - BEYOND_DEG, marks[-1] + BEYOND_DEG)
    tops = np.concatenate((marks, (marks[1:] + marks[:-1]) / 2.0, beyond))
    one, other = np.triu_indices(len(series), 1)
    away = np.abs(angles - tops[:, None])  # (places of TDC, points)
    rise = drops[other] - drops[one]
    nearer = (away[:, one] - away[:, other]) * np.sign(rise)  # by how much the smaller drop is off
    against = (np.abs(rise) > SLACK_MM) & (nearer > SLACK_DEG)
    if geometry is not None:
        most = mm_per_mm * steepest_mm_per_deg(geometry) * np.abs(angles[other] - angles[one])
        against |= np.abs(rise) > most + SLACK_MM
    if not against.sum(axis=1).min():
        return None
    wrong_way = (ways != 0) & ((angles - tops[:, None] > 0.0) == (ways > 0))
    found = []
    for n in range(len(series)):
        kept = (one != n) & (other != n)
        left = against[:, kept].sum(axis=1)
        turned = np.delete(wrong_way, n, axis=1).sum(axis=1)
        found.append(min(zip(left.tolist(), turned.tolist(), strict=True)))
    return max(n for n, each in enumerate(found, 1) if each == min(found))


def falling(readings: Iterable[GaugeReading], tdc_deg: float) -> list[int]:
    """Numbers (from 1) of the points approached with the piston falling, as far as noted.

    The piston rises before TDC turning forward, after it turning back. Source: definition.
    """
    series = [each for each in readings if not each.again]
    past = (wrap(each.point.angle_deg - tdc_deg) > 0.0 for each in series)
    return [
        n
        for n, (each, after) in enumerate(zip(series, past, strict=True), 1)
        if each.direction and after == (each.direction > 0)
    ]


USE = "use"
# How well a mark is assumed to be read if that was not entered (common practice, no source).
MARK_WITHIN_DEG = 1.0
# A mark this far from TDC probably marks something else, such as the firing point (common practice,
# no source).
ANOTHER_MARK_DEG = 15.0


def gauge_series(notes: GaugeNotes, profile: Profile, cylinder: int) -> Series:
    """TDC by the gauge readings noted at ``cylinder``. Raises InputError as ``work_through``."""
    of = notes.gauge
    return worked_with(
        GaugeWorking((), of.u_drop_mm, of.u_angle_deg, of.inclination_deg, of.case, False),
        notes.points(cylinder),
        notes.points(cylinder, again=True),
        profile,
        cylinder,
        rules=notes.rules,
    )


def worked_with(
    working: GaugeWorking,
    points: Sequence[GaugePoint],
    again: Sequence[GaugePoint],
    profile: Profile,
    cylinder: int,
    *,
    turn_known: bool = True,
    rules: Rules = (),
) -> Series:
    """Gauge points, and points taken again, used as the person entered, by the ``rules`` of an
    earlier version. Raises InputError as ``work_through``."""
    geometry = geometry_of(profile.engine, cylinder)
    if working.fit_offset and geometry is not None:
        geometry = replace(geometry, offset_mm=None)
    return work_through(
        [each for n, each in enumerate(points, 1) if n not in working.left_out],
        Gauge(working.u_lift_mm, working.u_angle_deg, working.inclination_deg, working.case),
        geometry,
        profile.encoder,
        cylinder=cylinder,
        again=again,
        turn_known=turn_known,
        on_link_rod=on_link_rod(profile.engine, cylinder)
        and EarlierRule.LINK_ROD_GAUGE_AS_MASTER not in rules,
        rules=rules,
    )


def mark_reference(
    mark: EngineMark, encoder: Encoder, rules: Rules = (), said_deg: float | None = None
) -> TdcReference:
    """A mark used as TDC, read as well as its note has it; the crank stood anywhere in its count,
    but not by the ``rules`` of versions until 0.6.0. ``said_deg`` is entered afterwards, for a mark
    whose note does not have it."""
    within_deg = MARK_WITHIN_DEG if mark.within_deg is None else mark.within_deg
    if said_deg is not None and not mark.within:
        within_deg = said_deg
    count_deg = 0.0 if EarlierRule.MARK_WITHOUT_COUNT in rules else encoder.count_deg
    half_deg = within_deg + count_deg / 2.0
    how = (
        f"rectangular +/- {half_deg:g}: read within {within_deg:g}, and half a count (JCGM 100,"
        " 4.3.7)"
    )
    part = Contribution(Source.ENTERED, rectangular(half_deg), math.inf, "B", how)
    return TdcReference(
        modulo(mark.crank_deg),
        sure_within(part, half_deg),
        Method.MARK,
        f"the crank stood at {mark.what}{read_within_words(mark)}",
        cylinder=mark.cylinder,
        mark=mark.what,
    )


def marks_tdc(mark: EngineMark, reference: TdcReference | None) -> bool:
    """Whether a mark is near enough to ``reference`` to mark TDC and nothing else."""
    if reference is None or mark.cylinder != reference.cylinder:
        return True
    return abs(wrap(mark.crank_deg - reference.tdc_deg)) < ANOTHER_MARK_DEG


def read_within_words(mark: EngineMark) -> str:
    return f", read within {mark.within}" if mark.within else ""


def chosen(
    value: Mapping[str, object], found: Sequence[TdcReference], notes: GaugeNotes, profile: Profile
) -> TdcReference:
    """The TDC that a note named ``USE`` selects. Raises InputError when there is none."""
    if "method" in value:
        cylinder = int(str(value.get("cylinder", 1)))
        series = gauge_series(notes, profile, cylinder)
        method = str(value["method"])
        named = (method, EARLIER_METHODS.get(method))
        of_gauge = [each for each in series.references if each.method in named]
        if not of_gauge:
            raise InputError(f"the gauge readings give no TDC by {method!r}")
        taken = of_gauge[0]
    elif "mark" in value:
        mark = _numbered(notes.marks, value["mark"], "mark")
        taken = mark_reference(mark, profile.encoder, notes.rules)
        if disc_places(profile.encoder) > 1:  # the angle of TDC does not determine its place
            taken = replace(taken, forward_deg=(around_deg(mark.crank_deg, profile.encoder),))
    else:
        return _numbered(found, value.get("found"), "TDC")
    utc, capture = str(value.get("utc", "")), str(value.get("capture", ""))
    return replace(taken, made_utc=utc, capture=capture)


def _numbered(of: Sequence[T], number: object, what: str) -> T:
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number < len(of):
        raise InputError(f"{what} {number!r} was never found")
    return of[number]
