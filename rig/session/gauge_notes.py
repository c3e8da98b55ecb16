"""Gauge readings that the person typed while a capture was taken: notes named ``NOTE``.

    {"lift_mm": 2.0, "crank_deg": 523.4, "cylinder": 1, "direction": 1, "purpose": "reference"}

``crank_deg`` is where the crank stood, ``direction`` the way in which it had last been turned (1
forward, -1 back, 0 not known). ``purpose`` "check" marks a touch made once more at the end.
``{"back": true}`` takes the last one back, with ``"reading": 3`` the third. A note named ``MARK``
says that the crank stood at the engine's own mark: ``{"crank_deg": 521.9, "what": "flywheel mark",
"cylinder": 1, "within_deg": 0.278, "within": "0.278° (1 mm round a rim of 412 mm)"}``, and with
``{"back": true}`` takes the last one back. ``within_deg`` is how well it was read, in older notes
left out; ``within`` says it as the person did. A note named ``INCLINED`` says how the gauge stands
to the bore: ``{"inclined_deg": 25.0, "case": "sliding"}``.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from rig.counted import many
from rig.engine.dead_centre.gauge import Gauge, GaugePoint
from rig.engine.geometry import steepest_mm_per_deg
from rig.engine.profile import Geometry
from rig.faults import InputError
from rig.wire.records import Batch, Note

NOTE, MARK, INCLINED = "gauge", "mark", "gauge-inclined"
LONGEST_WITHIN = 100


def gauge_note(
    lift_mm: float,
    crank_deg: float,
    *,
    cylinder: int = 1,
    direction: int = 0,
    again: bool = False,
) -> dict[str, object]:
    """The value of a note for a reading of the gauge; ``again`` when touched once more."""
    return {
        "lift_mm": lift_mm,
        "crank_deg": crank_deg,
        "cylinder": cylinder,
        "direction": direction,
        "purpose": "check" if again else "reference",
    }


class EngineMark(NamedTuple):
    """The crank stood at a mark of the engine; ``within_deg`` is None where nobody said how well
    it was read."""

    crank_deg: float
    cylinder: int
    what: str
    within_deg: float | None = None
    within: str = ""  # as it was stated


@dataclass(frozen=True, slots=True)
class GaugeReading:
    """One reading as it was noted."""

    point: GaugePoint
    cylinder: int
    direction: int
    again: bool
    life: int = 0  # of the rig: how often its angles had begun anew


@dataclass(slots=True)
class GaugeNotes:
    """The gauge readings and marks of a capture, in order, and the gauge as it was set up.

    ``wrong`` are notes without sense.
    """

    readings: list[GaugeReading] = field(default_factory=list)
    marks: list[EngineMark] = field(default_factory=list)
    gauge: Gauge = field(default_factory=Gauge)
    wrong: list[str] = field(default_factory=list)

    def take(self, note: Note, life: int = 0) -> None:
        """Take a note; one of another name is passed over."""
        value = note.value
        try:
            if note.name == INCLINED:
                self.gauge = _inclined(self.gauge, value)
            elif note.name == MARK and value.get("back"):
                del self.marks[-1:]
            elif note.name == MARK:
                self.marks.append(_mark(value))
            elif note.name == NOTE and value.get("back"):
                self._take_back(value.get("reading", len(self.readings)))
            elif note.name == NOTE:
                self.readings.append(_reading(value, life))
        except InputError as why:
            self.wrong.append(f"a note named {note.name!r} makes no sense: {why}")

    def _take_back(self, number: object) -> None:
        if not self.readings:
            return
        if not isinstance(number, int) or not 1 <= number <= len(self.readings):
            raise InputError(f"reading is {number!r}, there are 1 to {len(self.readings)}")
        del self.readings[number - 1]

    def of(self, cylinder: int) -> list[GaugeReading]:
        """The readings at one cylinder."""
        return [each for each in self.readings if each.cylinder == cylinder]

    def in_one_life(self) -> GaugeNotes:
        """The readings and marks of that life of the rig which has most of them.

        For an encoder geared so that its index comes at several places of the crank: angles of one
        life and of another are then not counted from the same place.
        """
        lives = Counter(each.life for each in self.readings)
        if len(lives) < 2:
            return self
        chosen, n = lives.most_common(1)[0]
        left = (
            f"{many(len(self.readings) - n, 'gauge reading')} are left out, and the "
            f"marks: the rig began"
            " anew between them and the others, and its index may stand for another place"
        )
        kept = [each for each in self.readings if each.life == chosen]
        return GaugeNotes(kept, [], self.gauge, [*self.wrong, left])

    def points(self, cylinder: int, *, again: bool = False) -> list[GaugePoint]:
        """The points of the series, or those touched once more at the end."""
        return [each.point for each in self.of(cylinder) if each.again == again]


def notes_in(batches: Iterable[Batch]) -> GaugeNotes:
    """All gauge notes of a capture."""
    found = GaugeNotes()
    for batch in batches:
        for other in batch.others:
            if isinstance(other, Note):
                found.take(other)
    return found


SLACK_MM = 0.05
SLACK_DEG = 1.0
"""Two readings that contradict one another by less may be clearances, or a cylinder offset (common
practice, no source)."""
BEYOND_DEG = 10.0
"""So far beyond all points the top lies, where it lies to one side of them."""


def out_of_order(
    readings: Sequence[GaugeReading], geometry: Geometry | None = None, mm_per_mm: float = 1.0
) -> int | None:
    """Number (from 1) of the point that contradicts the others, None when none does.

    Wherever the top is, the point nearer to it has the smaller lift; points contradict one another
    when no place of the top makes that so for all of them. Each point's side is thus taken from
    its angle and its lift; the way in which the crank came only decides where those allow both.
    With ``geometry`` two lifts further apart than the steepest part of the stroke allows, read by
    a gauge of ``mm_per_mm``, contradict one another too. The point is named without which the
    others agree best, of several the latest. Source: a piston that rises does not fall on the way.
    """
    series = [each for each in readings if not each.again]
    if len(series) < 2:
        return None
    first = series[0].point.angle_deg
    angles = np.array([(r.point.angle_deg - first + 180.0) % 360.0 - 180.0 for r in series])
    lifts = np.array([r.point.lift_mm for r in series])
    ways = np.array([r.direction for r in series])
    tops = _places_of_the_top(angles)
    one, other = np.triu_indices(len(series), 1)
    away = np.abs(angles - tops[:, None])  # (places of the top, points)
    rise = lifts[other] - lifts[one]
    nearer = (away[:, one] - away[:, other]) * np.sign(rise)  # the smaller lift lies further off by
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


def _places_of_the_top(angles: np.ndarray) -> np.ndarray:
    """A place of the top for each order that the points' distances from it can have."""
    one, other = np.triu_indices(len(angles))  # half-way between two, and at each
    marks = np.unique((angles[one] + angles[other]) / 2.0)
    between = (marks[1:] + marks[:-1]) / 2.0
    beyond = (marks[0] - BEYOND_DEG, marks[-1] + BEYOND_DEG)
    return np.concatenate((marks, between, beyond))


def falling(readings: Iterable[GaugeReading], tdc_deg: float) -> list[int]:
    """Numbers (from 1) of the points come to with the piston falling, as far as that was noted.

    The piston rises before the top turning forward, after it turning back. Source: definition.
    """
    numbers = []
    for number, each in enumerate((r for r in readings if not r.again), 1):
        past = (each.point.angle_deg - tdc_deg + 180.0) % 360.0 - 180.0
        if each.direction and (past > 0.0) == (each.direction > 0):
            numbers.append(number)
    return numbers


def _inclined(gauge: Gauge, value: Mapping[str, object]) -> Gauge:
    set_up = replace(gauge, inclination_deg=_number(value, "inclined_deg"), case="")
    case = value.get("case")
    if case in ("sliding", "pinned"):
        set_up = replace(set_up, case="sliding" if case == "sliding" else "pinned")
    _ = set_up.mm_per_mm  # an angle that cannot be, or one without its case, is refused
    return set_up


def _reading(value: Mapping[str, object], life: int) -> GaugeReading:
    said = value.get("direction", 0)
    way = next((each for each in (1, 0, -1) if each == said), None)
    if way is None:
        raise InputError(f"direction is {said!r}, not 1, 0 or -1")
    point = GaugePoint(_number(value, "crank_deg"), _number(value, "lift_mm"))
    again = value.get("purpose") == "check"
    return GaugeReading(point, _cylinder(value), way, again, life)


def _number(value: Mapping[str, object], key: str) -> float:
    number = value.get(key)
    if isinstance(number, bool) or not isinstance(number, int | float) or not math.isfinite(number):
        raise InputError(f"{key} is {number!r}, not a number")
    return float(number)


def _cylinder(value: Mapping[str, object]) -> int:
    number = value.get("cylinder", 1)
    if isinstance(number, bool) or not isinstance(number, int) or not 1 <= number <= 99:
        raise InputError(f"cylinder is {number!r}, not its number")
    return number


def _mark(value: Mapping[str, object]) -> EngineMark:
    what = str(value.get("what") or "the engine's own mark")
    within_deg = _number(value, "within_deg") if "within_deg" in value else None
    if within_deg is not None and not 0.0 < within_deg <= 180.0:
        raise InputError(f"within_deg is {within_deg:g}, not more than 0 and at most 180")
    within = value.get("within", "")
    if not isinstance(within, str) or len(within) > LONGEST_WITHIN:
        raise InputError(f"within is no text of at most {LONGEST_WITHIN} characters")
    return EngineMark(_number(value, "crank_deg"), _cylinder(value), what, within_deg, within)
