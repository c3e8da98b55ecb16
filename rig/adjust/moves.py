"""The means of an engine as things that a search can vary: choices from a list, and ranges.

Each declares the place that it occupies and the places that it replaces, so that no two which move
the same thing are combined: a new place in a dog replaces putting the dog together another way.
Shifts are crank degrees, positive earlier, one column a unit in the order of the engine file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from functools import partial
from typing import NamedTuple, TypeVar

import numpy as np

from rig.adjust import steps
from rig.adjust import steps as drive
from rig.adjust.plan import Step
from rig.adjust.task import Floats, period_deg
from rig.base.errors import InputError
from rig.engine import gear_train, profile
from rig.engine.profile import (
    Adjustments,
    Coupling,
    DriveDog,
    Engine,
    Gap,
    Leads,
    Lever,
    Slot,
    Train,
    Unit,
)
from rig.timing.advance_range import LeverEnds

M = TypeVar("M")


class Kind(Enum):
    """What kind of place a move occupies."""

    TRAIN = auto()
    COUPLING = auto()
    DOG = auto()
    NEW_PLACE = auto()
    SLOT = auto()
    SLOT_END = auto()
    GAP = auto()
    LEADS = auto()
    LEVER = auto()


class Place(NamedTuple):
    """Something that stands in one way at a time; ``part`` tells two of one owner apart."""

    kind: Kind
    owner: str = ""
    part: str = ""


@dataclass(frozen=True, slots=True)
class Choices:
    """A means with separate positions; the one in which it stands now is not among them."""

    occupies: Place
    shift_deg: Floats  # (choices, units)
    disturbs: Floats  # (choices,) parts touched
    effort: Floats  # (choices,) teeth, steps: fewer is simpler
    steps: Callable[[int], tuple[Step, ...]]
    replaces: frozenset[Place] = frozenset()
    reversible: bool = True


@dataclass(frozen=True, slots=True)
class Range:
    """A means that moves without steps, by ``low`` to ``high`` crank degrees.

    ``per_deg`` is what one degree does to each unit; ``prefer`` is where it would best stay.
    """

    occupies: Place
    per_deg: Floats  # (units,)
    low: float
    high: float
    step: Callable[[float], Step]
    prefer: float = 0.0
    dislike: float = 1e-5  # cost of a degree away from ``prefer``: decides between equal errors
    replaces: frozenset[Place] = frozenset()
    reversible: bool = True
    u_per_deg: float = 0.0  # standard uncertainty of a degree of it

    @property
    def lever(self) -> str:
        """The unit whose lever this is; empty for anything else. Source: definition."""
        return self.occupies.owner if self.occupies.kind is Kind.LEVER else ""


Move = Choices | Range


def together(chosen: Sequence[Move]) -> bool:
    """Whether moves can be made together: none occupies what another does or replaces.

    Source: what each declares.
    """
    taken = [move.occupies for move in chosen]
    replaced = {place for move in chosen for place in move.replaces}
    return len(set(taken)) == len(taken) and replaced.isdisjoint(taken)


def moves(
    units: Sequence[Unit],
    engine: Engine,
    means: Adjustments,
    ends: Mapping[str, LeverEnds],
    read_btdc: Mapping[str, float],
    U_deg: Mapping[str, float] | None = None,
) -> tuple[list[Move], list[str]]:
    """Every means that can be used, in the order in which it is done, and why others cannot.

    ``ends``, ``read_btdc`` and ``U_deg`` go by the unit's name; the latter two are the reading to
    be corrected and its uncertainty, which gives the digits of steps in words.

    Raises InputError when a means names a unit that does not exist. Source: the engine file.
    """
    found: list[Move] = []
    notes: list[str] = []

    def take(items: Sequence[M], make: Callable[[M], Sequence[Move]]) -> None:
        for item in items:
            try:
                found.extend(make(item))
            except InputError as error:
                notes.append(str(error))

    if means.train is not None:
        take([means.train], partial(_train, units, engine))
        for unit in units:
            shaft = drive.shaft_for(unit, units, means.train)
            if shaft is not None:
                notes.extend(gear_train.idler_notes(means.train, shaft))
    take(means.couplings, partial(_coupling, units, means.train))
    take(means.dogs, partial(_dog, units))
    known = U_deg or {}
    take(means.dogs, partial(_recut, units, known))
    take(means.slots, partial(_slot, units, known))
    take(means.slots, partial(_file, units, known))
    take(means.gaps, partial(_gap, units, known))
    take(means.leads, partial(_leads, units))
    take(means.levers, partial(_lever, units, ends, read_btdc, known))
    return found, list(dict.fromkeys(notes))


def _row(units: Sequence[Unit], shift_deg: Mapping[str, float]) -> list[float]:
    return [shift_deg.get(unit.name, 0.0) for unit in units]


def _finest(U_deg: Mapping[str, float], units: Sequence[Unit]) -> float | None:
    """The uncertainty that gives the digits of a step that moves several units."""
    return min((U_deg[unit.name] for unit in units if unit.name in U_deg), default=None)


def _range(
    units: Sequence[Unit],
    occupies: Place,
    limits: tuple[float, float],
    step: Callable[[float], Step],
) -> Range:
    one = step(1.0)
    per_deg = np.array(_row(units, one.shift_deg))
    return Range(occupies, per_deg, *limits, step, u_per_deg=one.u_shift_deg)


def _slot(units: Sequence[Unit], U_deg: Mapping[str, float], slot: Slot) -> list[Move]:
    moved = steps.slot_units(slot, units)
    limits = steps.slot_range_deg(slot, moved[0])
    step = partial(steps.slot_step, slot, units, U_deg=_finest(U_deg, moved))
    return [_range(units, Place(Kind.SLOT, slot.unit, slot.part), limits, step)]


def _file(units: Sequence[Unit], U_deg: Mapping[str, float], slot: Slot) -> list[Move]:
    if slot.file_mm <= 0.0:
        return []
    moved = steps.slot_units(slot, units)
    step = partial(steps.file_step, slot, units, U_deg=_finest(U_deg, moved))
    per_deg = np.array(_row(units, step(1.0).shift_deg))
    place = Place(Kind.SLOT_END, slot.unit, slot.part)
    instead = frozenset({Place(Kind.SLOT, slot.unit, slot.part)})
    return [
        Range(place, per_deg, *limits, step, dislike=1e-4, replaces=instead, reversible=False)
        for limits in steps.file_range_deg(slot, moved[0])
    ]


def _gap(units: Sequence[Unit], U_deg: Mapping[str, float], gap: Gap) -> list[Move]:
    step = partial(steps.gap_step, gap, units, U_deg=U_deg.get(gap.unit))
    return [_range(units, Place(Kind.GAP, gap.unit), steps.gap_range_deg(gap), step)]


def _lever(
    units: Sequence[Unit],
    ends: Mapping[str, LeverEnds],
    read_btdc: Mapping[str, float],
    U_deg: Mapping[str, float],
    lever: Lever,
) -> list[Move]:
    if lever.unit not in ends or lever.unit not in read_btdc:
        raise InputError(
            f"{lever.unit}: read it at both ends of its lever before the lever's place is reckoned"
        )
    end, now = ends[lever.unit], read_btdc[lever.unit]
    if end.advance_btdc <= end.retard_btdc:
        raise InputError(f"{lever.unit}: its full advance was read later than its full retard")
    return [
        Range(
            occupies=Place(Kind.LEVER, lever.unit),
            per_deg=np.array(_row(units, {lever.unit: 1.0})),
            low=end.retard_btdc - now,
            high=end.advance_btdc - now,
            step=lambda shift: steps.lever_step(
                lever, end, now + shift, shift, U_deg.get(lever.unit)
            ),
            prefer=(end.retard_btdc + end.advance_btdc) / 2.0 - now,
            dislike=1e-3,
        )
    ]


def _dog(units: Sequence[Unit], dog: DriveDog) -> list[Move]:
    if dog.slots < 2:
        return []
    half = dog.slots // 2
    slots = [k for k in range(half - dog.slots + 1, half + 1) if k]
    return [
        _choices(units, Place(Kind.DOG, dog.unit), slots, lambda k: drive.dog_step(dog, k, units))
    ]


def _recut(units: Sequence[Unit], U_deg: Mapping[str, float], dog: DriveDog) -> list[Move]:
    if not dog.recut:
        return []
    moved = profile.members(units, dog.unit)
    unit = moved[0]
    per_deg = np.array(_row(units, drive.recut_step(dog, units, 1.0).shift_deg))
    step = partial(drive.recut_step, dog, units, U_deg=_finest(U_deg, moved))
    way = drive.clockwise_deg(dog, unit, 1.0)  # of a new place that makes it earlier
    found: list[Move] = []
    for stretch in drive.recut_room_deg(dog):
        low, high = sorted(
            gear_train.crank_deg(way * each, unit.turns_per_crank_turn) for each in stretch
        )
        place, instead = Place(Kind.NEW_PLACE, dog.unit), frozenset({Place(Kind.DOG, dog.unit)})
        found.append(
            Range(place, per_deg, low, high, step, dislike=1e-4, replaces=instead, reversible=False)
        )
    return found


def _coupling(units: Sequence[Unit], train: Train | None, coupling: Coupling) -> list[Move]:
    speed = gear_train.shaft_speed(train, coupling.shaft, units)
    step = gear_train.step_crank_deg(coupling.drive_teeth, coupling.unit_teeth, speed)
    moved = drive.downstream(train, coupling.shaft, units)
    # Half a period may be a whole number of steps: it must not be lost to a rounded ratio.
    most = int(max(period_deg(u) for u in moved) / 2.0 / float(step) + 1e-9)
    count = [k for k in range(-most, most + 1) if k]
    if not count:
        return []

    def one(k: int) -> Step:
        return drive.coupling_step(coupling, k, units, train)

    return [_choices(units, Place(Kind.COUPLING, coupling.shaft), count, one)]


def _leads(units: Sequence[Unit], leads: Leads) -> list[Move]:
    unit = next(u for u in profile.members(units, leads.unit) if u.name == leads.unit)
    if any(setting.per_cylinder for setting in unit.settings):
        raise InputError(
            f"{unit.name}: its lobes are meant to differ, so that no other lobe can take over and "
            "its leads stay where they are"
        )
    half = unit.lobes // 2
    towers = [k for k in range(half - unit.lobes + 1, half + 1) if k]
    if not towers:
        raise InputError(f"{unit.name}: one lobe only, so that moving its leads changes nothing")
    place = Place(Kind.LEADS, unit.name)
    return [_choices(units, place, towers, lambda k: steps.leads_step(leads, k, units))]


def _choices(
    units: Sequence[Unit], occupies: Place, values: Sequence[int], step: Callable[[int], Step]
) -> Choices:
    counts = np.array(values, np.float64)
    return Choices(
        occupies=occupies,
        shift_deg=counts[:, None] * np.array(_row(units, step(1).shift_deg)),
        disturbs=np.ones(len(values)),
        effort=np.abs(counts),
        steps=lambda i: (step(values[i]),),
    )


def _train(units: Sequence[Unit], engine: Engine, train: Train) -> list[Move]:
    shaft_of = {unit.name: drive.shaft_for(unit, units, train) for unit in units}
    shafts = list(dict.fromkeys(shaft for shaft in shaft_of.values() if shaft is not None))
    if not shafts:
        raise InputError("the gear train does not end at a unit, so that it corrects none")
    found = gear_train.mesh_positions(train, shafts)[1:]
    if not found:
        raise InputError("every mesh of the gear train has to obey its marks: it takes no other")

    def row(position: gear_train.TrainPosition) -> list[float]:
        at = dict(zip(shafts, position.shift_deg, strict=True))
        return [float(at[s]) if (s := shaft_of[unit.name]) is not None else 0.0 for unit in units]

    def all_steps(i: int) -> tuple[Step, ...]:
        slips = zip(train.meshes, found[i].slips, strict=True)
        return tuple(drive.mesh_step(train, m, n, units, engine) for m, n in slips if n)

    return [
        Choices(
            occupies=Place(Kind.TRAIN),
            shift_deg=np.array([row(p) for p in found]),
            disturbs=np.array([float(sum(n != 0 for n in p.slips)) for p in found]),
            effort=np.array([float(p.teeth) for p in found]),
            steps=all_steps,
        )
    ]
