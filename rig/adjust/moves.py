"""What a search can vary: adjustments at separate positions and in ranges, on a fitted engine.

Each declares the place that it occupies and the places that it replaces, so that no two which move
the same thing are combined: a new place in a dog replaces putting the dog together another way.
Shifts are crank degrees, positive earlier, one column a unit in the order of the engine file.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.adjust.plan import AdjustmentKind, Step
from rig.base.earlier_rules import Rules
from rig.base.errors import InputError
from rig.engine import gear_train, profile
from rig.engine.profile import Engine, Stage, Train, Unit
from rig.timing.advance_range import LeverEnds

Floats = NDArray[np.float64]


class Place(NamedTuple):
    """Something that is in one place at a time; ``part`` distinguishes two of one owner."""

    kind: AdjustmentKind
    owner: str = ""
    part: str = ""


@dataclass(frozen=True, slots=True)
class Move:
    """An adjustment at separate positions, or anywhere from ``low`` to ``high`` crank degrees.

    ``shift_deg`` has a row for each position but the present one; of a range one row, for one
    degree. ``steps`` gives what to do for a position's number, or for degrees of a range.
    """

    occupies: Place
    shift_deg: Floats  # (positions, units)
    steps: Callable[[Any], tuple[Step, ...]]
    cost: Floats  # (positions, 2): parts touched; teeth or steps, the fewer the simpler
    is_range: bool = False
    replaces: frozenset[Place] = frozenset()
    reversible: bool = True
    low: float = 0.0
    high: float = 0.0
    prefer: float = 0.0  # where a range would best stay
    dislike: float = 1e-5  # cost of a degree away from it: decides between equal errors
    u_per_deg: float = 0.0  # standard uncertainty of a degree
    idle: float = 0.0  # of a range that begins away from zero: degrees of it that are no use

    @property
    def lever(self) -> str:
        """The unit whose lever this is; empty for anything else."""
        return self.occupies.owner if self.occupies.kind is AdjustmentKind.LEVER else ""

    def is_used(self, by: float) -> bool:
        """Whether a range moved by so many degrees does more than what it replaces does."""
        begins = min(abs(self.low), abs(self.high)) if self.low * self.high > 0.0 else 0.0
        return not self.idle or abs(by) - begins >= self.idle


Moved = tuple[tuple[Move, float], ...]  # each with its position's number, or degrees of a range


def together(chosen: Sequence[Move]) -> bool:
    """Whether moves can be made together: none occupies what another does or replaces."""
    taken = {move.occupies for move in chosen}
    replaced = {place for move in chosen for place in move.replaces}
    return len(taken) == len(chosen) and replaced.isdisjoint(taken)


@dataclass(frozen=True, slots=True)
class Fitted:
    """The units of an engine, what drives them, and the readings to be corrected.

    ``ends``, ``read_btdc`` and ``U_deg`` are by the unit's name; an uncertainty gives the digits of
    a step in words. ``at_places`` are the units with windows at several places of their lever;
    ``rules`` are those of an earlier version.
    """

    units: Sequence[Unit]
    engine: Engine
    train: Train | None = None
    ends: Mapping[str, LeverEnds] = field(default_factory=dict)
    read_btdc: Mapping[str, float] = field(default_factory=dict)
    U_deg: Mapping[str, float] = field(default_factory=dict)
    at_places: Collection[str] = ()
    rules: Rules = ()

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

    def finest(self, units: Sequence[Unit]) -> float:
        """The least uncertainty of some units; infinite where none is known."""
        return min(self.U_deg.get(unit.name, math.inf) for unit in units)

    def _row(self, step: Step) -> Floats:
        return np.array([[step.shift_deg.get(unit.name, 0.0) for unit in self.units]])

    def range(
        self, step: Callable[[float], Step], low: float, high: float, part: str = "", **more: Any
    ) -> Move:
        """A range of which ``step`` gives the step for a shift; ``part`` as of its place."""
        one = step(1.0)
        return Move(
            Place(one.kind, one.part, part), self._row(one), lambda shift_deg: (step(shift_deg),),
            np.array([[1.0, 0.0]]), is_range=True, low=low, high=high, reversible=one.reversible,
            u_per_deg=one.u_shift_deg, **more,
        )  # fmt: skip

    def positions(self, counts: Sequence[int], step: Callable[[int], Step]) -> Move:
        """Whole multiples of one step."""
        one, many = step(1), np.array(counts, np.float64)[:, None]
        cost = np.hstack([np.ones_like(many), np.abs(many)])
        place = Place(one.kind, one.part)
        return Move(place, many * self._row(one), lambda i: (step(counts[i]),), cost)


def period_deg(unit: Unit) -> float:
    """Crank degrees after which a unit's shaft is at the same place again."""
    return float(360 / unit.turns_per_crank_turn)
