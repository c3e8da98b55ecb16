"""Dial gauge points as a person writes them down: a line a point, angle and lift.

    # angle of the crank, how far the piston stands below its top
    after_index_deg; lift_mm
    141.20; 3.50
    148.65; 2.00

The heading may be left out; then angles come first and lifts are in millimetres unless another
unit is given. Columns are parted by semicolons, tabs, commas or blanks. A decimal comma may stand
where commas do not part the columns. What follows # is a remark.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rig.counted import many
from rig.engine.dead_centre.gauge import GaugePoint, lift_in_mm
from rig.engine.mistakes import shown
from rig.faults import InputError, reason
from rig.files import open_file

LiftUnit = Literal["mm", "inch"]

ANGLES = ("after_index_deg", "crank_deg")
LIFTS: dict[str, LiftUnit] = {"lift_mm": "mm", "lift_in": "inch"}
MOST_BYTES = 1_000_000
MOST_POINTS = 1000
MOST_DEG = 1e7


@dataclass(frozen=True, slots=True)
class _Columns:
    angle: int = 0
    lift: int = 1
    unit: LiftUnit = "mm"


def load_points(path: Path, unit: LiftUnit | None = None) -> list[GaugePoint]:
    """The points of a file; ``unit`` is that of the lifts where no heading says it (else mm).

    Raises InputError naming the line when it cannot be read.
    """
    try:
        with open_file(path) as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as why:
        raise InputError(f"{path}: the gauge points cannot be read: {reason(why)}") from why
    if len(data) > MOST_BYTES:
        raise InputError(f"{path}: is over {MOST_BYTES} bytes; a gauge series is a short text")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as why:
        raise InputError(
            f"{path}: byte {why.start + 1} is not UTF-8 text: write a line a point, angle and lift"
        ) from None
    return points_from_text(text, str(path), unit)


def points_from_text(text: str, name: str, unit: LiftUnit | None = None) -> list[GaugePoint]:
    """The same from the text of a file. Raises InputError as ``load_points``."""
    columns = _Columns(unit=unit or "mm")
    points: list[GaugePoint] = []
    for number, line in enumerate(text.splitlines(), 1):
        fields = _fields(line)
        if not fields:
            continue
        where = f"{name}, line {number}"
        if not points and _is_heading(fields):
            columns = _headed(fields, where, unit)
            continue
        if len(fields) != 2:
            raise InputError(
                f"{where}: {shown(line.strip())} has {many(len(fields), 'figure')}; an "
                f"angle and a lift are"
                " wanted (with decimal commas, part them by a semicolon)"
            )
        angle, lift = _number(fields[columns.angle]), _number(fields[columns.lift])
        if angle is None or lift is None or abs(angle) > MOST_DEG:
            raise InputError(
                f"{where}: {shown(line.strip())} is no angle in degrees and a lift in"
                f" {columns.unit}"
            )
        points.append(GaugePoint(angle, lift_in_mm(lift, columns.unit)))
        if len(points) > MOST_POINTS:
            raise InputError(f"{where}: more than {MOST_POINTS} points are no gauge series")
    if not points:
        raise InputError(f"{name}: no gauge point stands in it: write a line a point, angle, lift")
    return points


def _fields(line: str) -> list[str]:
    """The fields of a line, decimal points in them; none of an empty line."""
    line = line.partition("#")[0].strip()
    parts = None
    for mark in (";", "\t"):
        if mark in line:
            parts = line.split(mark)
            break
    if parts is None and len(line.split()) == 2 and "," in line and not _comma_parts(line):
        parts = line.split()
    if parts is not None:
        return [part.strip().replace(",", ".") for part in parts]
    return [part for part in line.replace(",", " ").split() if part]


def _comma_parts(line: str) -> bool:
    """In two words, a comma at the end of the first parts them; within them it is a decimal one."""
    first, second = line.split()
    return first.endswith(",") or second.startswith(",")


def _is_heading(fields: list[str]) -> bool:
    return all(_number(each) is None for each in fields)


def _headed(fields: list[str], where: str, unit: LiftUnit | None) -> _Columns:
    names = [each.strip("\"'").casefold() for each in fields]
    angle = next((i for i, each in enumerate(names) if each in ANGLES), None)
    lift = next((i for i, each in enumerate(names) if each in LIFTS), None)
    if len(names) != 2 or angle is None or lift is None:
        raise InputError(
            f"{where}: the heading is {', '.join(shown(each) for each in fields)}; allowed are"
            f" {' or '.join(ANGLES)}, and {' or '.join(LIFTS)}"
        )
    stated = LIFTS[names[lift]]
    if unit is not None and unit != stated:
        raise InputError(f"{where}: the heading says {names[lift]}, the command lifts in {unit}")
    return _Columns(angle, lift, stated)


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
