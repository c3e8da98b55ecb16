"""What a search can vary: adjustments as choices from a list and as ranges, on a fitted engine.

Each declares the place that it occupies and the places that it replaces, so that no two which move
the same thing are combined: a new place in a dog replaces putting the dog together another way.
Shifts are crank degrees, positive earlier, one column a unit in the order of the engine file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.adjust.plan import Kind, Step
from rig.base.errors import InputError
from rig.engine import gear_train, profile
from rig.engine.profile import Engine, Stage, Train, Unit
from rig.timing.advance_range import LeverEnds

Floats = NDArray[np.float64]


class Place(NamedTuple):
    """Something that stands in one way at a time; ``part`` tells two of one owner apart."""

    kind: Kind
    owner: str = ""
    part: str = ""


@dataclass(frozen=True, slots=True)
class Choices:
    """An adjustment with separate positions; the one in which it stands is not among them."""

    occupies: Place
    shift_deg: Floats  # (choices, units)
    disturbs: Floats  # (choices,) parts touched
    effort: Floats  # (choices,) teeth, steps: fewer is simpler
    steps: Callable[[int], tuple[Step, ...]]
    replaces: frozenset[Place] = frozenset()
    reversible: bool = True


@dataclass(frozen=True, slots=True)
class Range:
    """An adjustment without steps, by ``low`` to ``high`` crank degrees.

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
        """The unit whose lever this is; empty for anything else."""
        return self.occupies.owner if self.occupies.kind is Kind.LEVER else ""


Move = Choices | Range


def together(chosen: Sequence[Move]) -> bool:
    """Whether moves can be made together: none occupies what another does or replaces."""
    taken = {move.occupies for move in chosen}
    replaced = {place for move in chosen for place in move.replaces}
    return len(taken) == len(chosen) and replaced.isdisjoint(taken)


@dataclass(frozen=True, slots=True)
class Fitted:
    """The units of an engine, what drives them, and the readings to be corrected.

    ``ends``, ``read_btdc`` and ``U_deg`` go by the unit's name; an uncertainty gives the digits of
    a step in words.
    """

    units: Sequence[Unit]
    engine: Engine
    train: Train | None = None
    ends: Mapping[str, LeverEnds] = field(default_factory=dict)
    read_btdc: Mapping[str, float] = field(default_factory=dict)
    U_deg: Mapping[str, float] = field(default_factory=dict)

    def body(self, owner: str) -> list[Unit]:
        """The units that move with a unit or body. Raises InputError for an unknown name."""
        return profile.members(self.units, owner)

    def unit(self, name: str) -> Unit:
        """One unit alone. Raises InputError for an unknown name."""
        return next(unit for unit in self.body(name) if unit.name == name)

    def shaft(self, unit: Unit) -> str | None:
        """The shaft of the train that a unit is on, also where only another of its body is named;
        None when the train does not drive it."""
        own = (gear_train.shaft_of(each, self.train) for each in (unit, *self.body(unit.name)))
        return next((shaft for shaft in own if shaft is not None), None)

    def driven_by(self, unit: Unit) -> tuple[Stage, ...]:
        """The meshes from the crank to a unit; none when the train does not drive it."""
        shaft = self.shaft(unit)
        return gear_train.path(self.train, shaft) if self.train and shaft else ()

    def moved_with(self, shaft: str) -> list[Unit]:
        """The units on a shaft, and those that it drives. Raises InputError where there is none."""
        named = any(shaft in (unit.name, unit.body) for unit in self.units)
        on_it = self.body(shaft) if named else []
        found = [
            unit for unit in self.units
            if unit in on_it or any(mesh.driven == shaft for mesh in self.driven_by(unit))
        ]  # fmt: skip
        if not found:
            raise InputError(f"no unit is on the shaft {shaft}, or driven by it")
        return found

    def finest(self, units: Sequence[Unit]) -> float | None:
        """The least uncertainty of some units."""
        return min((self.U_deg[u.name] for u in units if u.name in self.U_deg), default=None)

    def row(self, shift_deg: Mapping[str, float]) -> Floats:
        """A shift by unit in the order of the engine file; 0 for the others."""
        return np.array([shift_deg.get(unit.name, 0.0) for unit in self.units])

    def range(
        self, place: Place, step: Callable[[float], Step], low: float, high: float, **more: Any
    ) -> Range:
        """A range of which ``step`` gives the step for a shift."""
        one = step(1.0)
        return Range(
            place, self.row(one.shift_deg), low, high, step,
            reversible=one.reversible, u_per_deg=one.u_shift_deg, **more,
        )  # fmt: skip

    def choices(self, place: Place, counts: Sequence[int], step: Callable[[int], Step]) -> Choices:
        """Whole multiples of one step."""
        many_of = np.array(counts, np.float64)
        shift_deg = many_of[:, None] * self.row(step(1).shift_deg)
        return Choices(
            place, shift_deg, np.ones(len(counts)), np.abs(many_of), lambda i: (step(counts[i]),)
        )


def period_deg(unit: Unit) -> float:
    """Crank degrees after which a unit's shaft stands the same again."""
    return float(360 / unit.turns_per_crank_turn)
