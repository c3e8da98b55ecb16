"""What a step of a correction has to mark on the metal: a new place, a longer slot, two gear marks.

Three kinds of step are marked out: a new hole, slot or keyway in a drive; a flange slot that is
filed longer; a mesh that is reassembled some teeth on. Values alone: ``rig.adjust.layout_sheet``
draws them.

A *face* is what lies in front of the person who marks. Directions of a step are as seen from one
end of the unit. From the drive end one looks at the mating face of the unit's half and at the back
of the drive's half; marked from the other face, everything is mirrored.
"""

from __future__ import annotations

import math
import operator
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from rig.adjust import predictions
from rig.adjust.kinds import opposite, places_deg, slot_units
from rig.adjust.moves import Fitted
from rig.adjust.plan import AdjustmentKind
from rig.base.angles import modulo
from rig.base.errors import InputError, shown
from rig.engine import gear_train
from rig.engine.gear_train import shaft_deg
from rig.engine.profile import DriveDog, End, Face, Mesh, MeshKind, Rotation, Slot, members
from rig.job.folder import Job
from rig.plots.sheet import Drawn, PlotRequest

Points = NDArray[np.float64]

DRIVE_END: End = "drive end"
TENTH_DEG = 0.1  # of the crank: what it is worth on the metal is the tolerance of a sheet


@dataclass(frozen=True, slots=True)
class Outline:
    """A hole, slot or keyway on a face: ``at_deg`` clockwise of the place in use, in millimetres.

    ``radius_mm`` is None for a rectangle from ``low_mm`` to ``high_mm`` along its radius, else the
    hole's centre lies there.
    """

    at_deg: float
    width_mm: float
    low_mm: float
    high_mm: float
    radius_mm: float | None = None

    def points(self) -> Points:
        """Its edge, x to the right and y up from the shaft's centre; the place in use at the top.

        Shape (n, 2), mm.
        """
        half = self.width_mm / 2.0
        if self.radius_mm is None:
            low, high = self.low_mm, self.high_mm
            edge = np.array([(-half, low), (-half, high), (half, high), (half, low)])
        else:
            edge = polar(half, np.arange(0.0, 360.0, 2.0)) + np.array([0.0, self.radius_mm])
        return turned(edge, self.at_deg)

    def web_mm(self, other: Outline) -> float:
        """The metal left between two places; 0 or less when one breaks into the other.

        Source: distance of circles; of rectangles the largest gap or the least overlap along a
        normal of their edges, which is the distance where no two corners face each other.
        """
        if self.radius_mm is not None and other.radius_mm is not None:
            apart = polar(self.radius_mm, self.at_deg) - polar(other.radius_mm, other.at_deg)
            return float(np.hypot(*apart)) - (self.width_mm + other.width_mm) / 2.0
        mine, theirs = self.points(), other.points()
        if (over := _apart_mm(mine, theirs)) <= 0.0:
            return over
        return min(_corner_mm(mine, theirs), _corner_mm(theirs, mine))


def polar(radius_mm: float, clockwise_deg: float | Points) -> Points:
    """Places about the shaft's centre, from the top: shape (2,), or (n, 2) for n angles."""
    angle = np.radians(clockwise_deg)
    return np.asarray(radius_mm * np.stack((np.sin(angle), np.cos(angle)), axis=-1), np.float64)


def turned(points: Points, clockwise_deg: float) -> Points:
    """Points turned about the origin, clockwise."""
    angle = math.radians(clockwise_deg)
    cos, sin = math.cos(angle), math.sin(angle)
    return np.asarray(points @ np.array([[cos, -sin], [sin, cos]]), dtype=np.float64)


def _apart_mm(one: Points, two: Points) -> float:
    """The largest gap between two convex shapes along a normal of their edges; overlap below 0."""
    edges = np.vstack([np.roll(shape, -1, axis=0) - shape for shape in (one, two)])
    normals = np.array([edges[:, 1], -edges[:, 0]]) / np.hypot(*edges.T)
    first, second = one @ normals, two @ normals
    return float(np.maximum(second.min(0) - first.max(0), first.min(0) - second.max(0)).max())


def _corner_mm(corners: Points, shape: Points) -> float:
    """The least distance from the corners of one shape to the edges of the other."""
    edge = np.roll(shape, -1, axis=0) - shape
    along = ((corners[:, None] - shape) * edge).sum(axis=2) / (edge**2).sum(axis=1)
    foot = shape + np.clip(along, 0.0, 1.0)[..., None] * edge
    return float(np.hypot(*np.moveaxis(corners[:, None] - foot, 2, 0)).min())


MIRRORED: Mapping[str, Callable[[Any], Any]] = {
    "mirrored": operator.not_,
    "at_deg": operator.neg,
    "rotation": opposite,
    "way": opposite,
    "face": lambda face: "back face" if face == "mating face" else "mating face",
}
"""What the other face shows otherwise, by field."""


@dataclass(frozen=True, slots=True)
class Layout(ABC):
    """What a step marks, as seen on the face that is drawn."""

    part: str

    def other_face(self) -> Self:
        """The same from the other face: mirrored."""
        names = [each.name for each in fields(self) if each.name in MIRRORED]
        return replace(self, **{name: MIRRORED[name](getattr(self, name)) for name in names})

    @abstractmethod
    def facts(self) -> dict[str, Any]:
        """What ``--json`` has of it."""


@dataclass(frozen=True, slots=True)
class NewPlace(Layout):
    """A new place in one half of a drive."""

    dog: DriveDog
    face: Face
    mirrored: bool  # against how the unit's end sees it
    at_deg: float  # of the place in use, clockwise on this face
    crank_deg: float  # positive earlier
    turns: Fraction  # of the shaft per crank turn
    rotation: Rotation  # on this face
    seen_from: str  # the unit's end

    @property
    def chord_mm(self) -> float:
        """Straight across, from place to place on their circle. Source: 2 r sin(angle/2)."""
        return 2.0 * self.dog.radius_mm * math.sin(math.radians(abs(self.at_deg)) / 2.0)

    @property
    def arc_mm(self) -> float:
        """Round the circle, from place to place. Source: radius x angle."""
        return self.dog.radius_mm * math.radians(abs(self.at_deg))

    @property
    def tolerance_mm(self) -> float:
        """What a tenth of a crank degree is on the circle. Source: radius x angle."""
        return self.dog.radius_mm * math.radians(shaft_deg(TENTH_DEG, self.turns))

    @property
    def earlier(self) -> Rotation:
        """Which way round a place makes the unit open earlier, on this face."""
        clockwise = (self.at_deg >= 0.0) == (self.crank_deg >= 0.0)
        return "clockwise" if clockwise else "anticlockwise"

    @property
    def outside_mm(self) -> float:
        """Radius of the half, or of what is drawn of it."""
        if self.dog.outside_mm is not None:
            return self.dog.outside_mm / 2.0
        return max(self.dog.span_mm[1], self.dog.radius_mm)

    def old(self) -> list[Outline]:
        """Every place that the half has, the one in use first."""
        dog, way = self.dog, -1.0 if self.mirrored else 1.0
        known = zip(dog.others_deg, dog.others_width_mm, strict=False)
        widths = {modulo(round(modulo(deg), 9)): wide for deg, wide in known}
        return [
            self._outline(way * deg, widths.get(round(deg, 9), dog.width_mm or 0.0))
            for deg in places_deg(dog)
        ]

    def new(self) -> Outline:
        return self._outline(self.at_deg, self.dog.width_mm or 0.0)

    def _outline(self, at_deg: float, width_mm: float) -> Outline:
        hole = self.dog.radius_mm if self.dog.shape == "hole" else None
        return Outline(at_deg, width_mm, *self.dog.span_mm, radius_mm=hole)

    def web_mm(self) -> float | None:
        """The metal left to the nearest place; None when their width is not entered."""
        if self.dog.width_mm is None:
            return None
        return min(self.new().web_mm(each) for each in self.old())

    def facts(self) -> dict[str, Any]:
        return {
            "marks": "new place", "half": self.dog.recut, "face": self.face,
            "mirrored": self.mirrored, "unit_deg": abs(self.at_deg),
            "way": "clockwise" if self.at_deg >= 0.0 else "anticlockwise",
            "radius_mm": self.dog.radius_mm, "chord_mm": self.chord_mm, "arc_mm": self.arc_mm,
            "tolerance_mm": self.tolerance_mm, "web_mm": self.web_mm(),
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class LongerSlot(Layout):
    """A flange slot that is filed longer. The stud is at the top, where it is now."""

    slot: Slot
    way: Rotation  # in which the body or plate turns, on this side
    unit_deg: float  # by how much it turns then
    longer_mm: float
    crank_deg: float
    turns: Fraction
    rotation: Rotation  # of the shaft, on this side
    seen_from: str
    mirrored: bool = False

    @property
    def tolerance_mm(self) -> float:
        """What a tenth of a crank degree is along the slot. Source: radius x angle."""
        return self.slot.radius_mm * math.radians(shaft_deg(TENTH_DEG, self.turns))

    def ends_deg(self) -> tuple[float, float]:
        """Where the stud stops now, at either end of the slot: clockwise of the stud, on this side.

        A body that turns clockwise comes to its stop at the slot's anticlockwise end. Source:
        angle = arc/radius.
        """
        room_mm = -self.slot.clockwise_mm, self.slot.anticlockwise_mm
        low_mm, high_mm = (-room_mm[1], -room_mm[0]) if self.mirrored else room_mm
        radius = self.slot.radius_mm
        return math.degrees(low_mm / radius), math.degrees(high_mm / radius)

    def new_end_deg(self) -> float:
        """Where the stud stops once the slot is longer, clockwise of the stud. Source: as above."""
        more = math.degrees(self.longer_mm / self.slot.radius_mm)
        low, high = self.ends_deg()
        return low - more if self.way == "clockwise" else high + more

    def facts(self) -> dict[str, Any]:
        return {
            "marks": "longer slot", "mirrored": self.mirrored, "longer_mm": self.longer_mm,
            "end": opposite(self.way), "way": self.way, "unit_deg": self.unit_deg,
            "radius_mm": self.slot.radius_mm, "tolerance_mm": self.tolerance_mm,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class MeshMarks(Layout):
    """Two temporary marks by which a mesh is reassembled; ``part`` is the driven shaft."""

    driver: str
    driver_teeth: int
    driven_teeth: int
    kind: MeshKind
    teeth: int  # positive: the driven shaft goes on in its own rotation
    crank_deg: float
    rotation: Rotation  # of the driven shaft, on this side
    seen_from: str  # "" where a bevel gear leaves no common end: the side that ``rotation`` is for
    mirrored: bool = False

    @property
    def count(self) -> Rotation:
        """Which way mark 2 lies from mark 1 round the driven shaft: behind it where the driven
        shaft goes on in its rotation."""
        return opposite(self.rotation) if self.teeth > 0 else self.rotation

    def facts(self) -> dict[str, Any]:
        return {
            "marks": "mesh", "mirrored": self.mirrored, "driver": self.driver,
            "teeth": abs(self.teeth), "way": self.count, "crank_deg": self.crank_deg,
        }  # fmt: skip


def layouts(job: Job, steps: Sequence[Mapping[str, Any]]) -> list[Layout]:
    """What the steps of an option have to mark, on the working face, in their order.

    Raises InputError when the engine file no longer has what a step rests on, or leaves open which
    face is meant.
    """
    made: Mapping[object, Callable[[Job, str, Mapping[str, Any]], Layout | None]]
    made = {
        AdjustmentKind.RECUT: _new_place,
        AdjustmentKind.FILE: _longer_slot,
        AdjustmentKind.MESH: _mesh_marks,
    }
    try:
        found = [
            made[step["kind"]](job, str(step["part"]), step["figures"])
            for step in steps
            if step.get("kind") in made
        ]
    except (KeyError, TypeError, ValueError) as why:
        raise InputError(f"this step cannot be marked out: {why} is missing or wrong") from None
    return [layout for layout in found if layout is not None]


def _changed(part: str) -> InputError:
    return InputError(
        f"{part}: the engine file has changed since this option was taken; take it again with "
        "rig adjust --take"
    )


def looks_at(half: str, end: End) -> Face:
    """The face of a half that one sees from an end of the unit."""
    return "mating face" if (half == "unit half") == (end == DRIVE_END) else "back face"


def _new_place(job: Job, part: str, figures: Mapping[str, Any]) -> NewPlace:
    dog = next((each for each in job.adjustments.dogs if each.unit == part), None)
    if dog is None or (dog.recut, dog.radius_mm) != (figures["half"], figures["radius_mm"]):
        raise _changed(part)
    unit = members(job.profile.units, part)[0]
    seen_from = str(figures["seen_from"])
    end = DRIVE_END if seen_from == DRIVE_END else dog.seen_from
    if end is None:
        raise InputError(
            f"{part}: its directions are as seen from its {shown(seen_from)}; add to its "
            '[[adjustment.dog]] which end that is: seen_from = "drive end" or "other end"'
        )
    at_deg = abs(float(figures["unit_deg"])) * (1.0 if figures["way"] == "clockwise" else -1.0)
    face = looks_at(dog.recut, end)
    place = NewPlace(
        part, dog, face, False, at_deg, float(figures["crank_deg"]), unit.turns_per_crank_turn,
        unit.rotation, seen_from,
    )  # fmt: skip
    return place if dog.face == face else place.other_face()


def _longer_slot(job: Job, part: str, figures: Mapping[str, Any]) -> LongerSlot:
    way: Rotation = "clockwise" if figures["way"] == "clockwise" else "anticlockwise"
    unit_deg = abs(float(figures["unit_deg"]))
    wanted = float(figures["room_mm"]), float(figures["slot_mm"])

    def is_meant(slot: Slot) -> bool:  # a unit may have a slot of its body and of its plate
        room_mm = slot.clockwise_mm if way == "clockwise" else slot.anticlockwise_mm
        found = room_mm, math.radians(unit_deg) * slot.radius_mm
        return slot.unit == part and all(map(math.isclose, found, wanted))

    slot = next(filter(is_meant, job.adjustments.slots), None)
    if slot is None:
        raise _changed(part)
    unit = slot_units(Fitted(job.profile.units, job.profile.engine), slot)[0]
    return LongerSlot(
        part, slot, way, unit_deg, float(figures["longer_mm"]),
        float(figures["crank_deg"]), unit.turns_per_crank_turn, unit.rotation,
        str(figures["seen_from"]),
    )  # fmt: skip


def _mesh_marks(job: Job, part: str, figures: Mapping[str, Any]) -> MeshMarks | None:
    """None for a planetary stage: it has places and no single mesh; its step says all."""
    train, engine = job.adjustments.train, job.profile.engine
    mesh = next((each for each in train.meshes if each.driven == part), None) if train else None
    if train is None or mesh is None:
        raise _changed(part)
    if not isinstance(mesh, Mesh):
        return None
    way = gear_train.rotation(train, part, engine.rotation)
    return MeshMarks(
        part, mesh.driver, mesh.driver_teeth, mesh.driven_teeth, mesh.kind, int(figures["teeth"]),
        float(figures["crank_deg"]), way or "clockwise", engine.seen_from if way else "",
    )  # fmt: skip


def plot(asked: PlotRequest, out: Path) -> Drawn:
    """Draw what the prediction taken last has to mark: a sheet for each piece and each face asked.

    Raises InputError when there is nothing to draw.
    """
    from rig.adjust import layout_sheet

    job = asked.open_job(asked.what[0])
    taken = predictions.load(asked.what[1]) if len(asked.what) > 1 else predictions.newest(job)
    if taken is None:
        raise InputError(f"{job.folder}: no option was taken yet; rig adjust --take takes one")
    found = layouts(job, taken.steps)
    if not found:
        raise InputError(f"{taken.path}: no step of it cuts, files or marks anything")
    sheets: list[Layout] = []
    for one in found:
        sheets += [one] if asked.face != "other" else []
        sheets += [one.other_face()] if asked.face != "working" else []
    paths = []
    for n, one in enumerate(sheets):
        path = out if n == 0 else out.with_name(f"{out.stem}-{n + 1}{out.suffix}")
        paths.append(layout_sheet.draw(one, path, asked.paper))
    facts = {"prediction": str(taken.path), **sheets[0].facts()}
    facts["sheets"] = [
        {"drawing": str(path), **one.facts()} for path, one in zip(paths, sheets, strict=True)
    ]
    return Drawn(paths[0], facts, tuple(paths[1:]))
