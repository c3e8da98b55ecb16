"""Gauge readings that the person typed while a capture was taken: notes named ``NOTE``.

    {"lift_mm": 2.0, "crank_deg": 523.4, "cylinder": 1, "direction": 1, "purpose": "reference"}

``crank_deg`` is where the crank stood, ``direction`` the way in which it had last been turned (1
forward, -1 back, 0 not known). ``purpose`` "check" marks a touch made once more at the end.
``{"back": true}`` takes the last one back. A note named ``MARK`` says that the crank stood at the
engine's own mark: ``{"crank_deg": 521.9, "what": "flywheel mark", "cylinder": 1}``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from rig.engine.gauge import GaugePoint
from rig.faults import InputError
from rig.wire.records import Batch, Note

NOTE, MARK = "gauge", "mark"


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


@dataclass(frozen=True, slots=True)
class GaugeReading:
    """One reading as it was noted."""

    point: GaugePoint
    cylinder: int
    direction: int
    again: bool


@dataclass(slots=True)
class GaugeNotes:
    """The gauge readings and marks of a capture, in order. ``wrong`` are notes without sense."""

    readings: list[GaugeReading] = field(default_factory=list)
    marks: list[tuple[float, int, str]] = field(default_factory=list)  # crank deg, cylinder, what
    wrong: list[str] = field(default_factory=list)

    def take(self, note: Note) -> None:
        """Take a note; one of another name is passed over."""
        if note.name not in (NOTE, MARK):
            return
        value = note.value
        try:
            if note.name == MARK:
                self.marks.append((_number(value, "crank_deg"), _cylinder(value), _what(value)))
            elif value.get("back"):
                if self.readings:
                    self.readings.pop()
            else:
                self.readings.append(_reading(value))
        except InputError as why:
            self.wrong.append(f"a note named {note.name!r} makes no sense: {why}")

    def of(self, cylinder: int) -> list[GaugeReading]:
        """The readings at one cylinder."""
        return [each for each in self.readings if each.cylinder == cylinder]

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


def _reading(value: Mapping[str, object]) -> GaugeReading:
    way = value.get("direction", 0)
    if way not in (1, 0, -1):
        raise InputError(f"direction is {way!r}, not 1, 0 or -1")
    point = GaugePoint(_number(value, "crank_deg"), _number(value, "lift_mm"))
    return GaugeReading(point, _cylinder(value), int(str(way)), value.get("purpose") == "check")


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


def _what(value: Mapping[str, object]) -> str:
    return str(value.get("what") or "the engine's own mark")
