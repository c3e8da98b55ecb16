"""What is wanted of an engine as rows of numbers, and how results are ranked.

A row is a want or a pair; an *item* is what is brought inside as a whole: a unit with all its
wants, or two units that are to open together. A unit outside never hides what can be done for
another: results are ranked by how many units are left outside, then by how many are inconclusive,
then pairs in the same way, and only then by how near to their figures those that are inside come.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.adjust.moves import Floats, period_deg
from rig.adjust.plan import Want
from rig.engine.profile import Rule, Unit

Levels = NDArray[np.int64]

EDGE = 1e-6  # degrees: an error no further beyond a limit is on it
LEAST_SIDE = 0.05  # degrees: no window is taken to be narrower on a side, to measure errors by it
WRONG_STROKE_DEG = 180.0  # an opening further off than this is on the other stroke: outside
COUNTS = 5  # of a ``Rank``, before the strains
INSIDE, INCONCLUSIVE, OUTSIDE = 0, 1, 2  # levels of a row or an item, the smaller the better


class Rank(NamedTuple):
    """The order of preference, first to last: the smaller the better.

    Strains are errors as parts of the way from the figure to its limit, in steps of the grain:
    ``strain`` is the greatest in the items that are inside, but for what was inside before and is
    no further off; ``beyond`` are those in the items that are not, the greatest first.
    """

    units_outside: float
    units_inconclusive: float
    pairs_outside: float
    pairs_inconclusive: float
    spoilt: float  # items that were inside and are so no longer
    strain: float
    beyond: tuple[float, ...]
    lever: float = 0.0  # how far the worst lever ends up from its middle, tenths of its range
    disturbs: float = 0.0  # parts
    effort: float = 0.0  # teeth, steps
    exact: tuple[float, ...] = ()  # the strains to a millionth, the greatest first


@dataclass(frozen=True)
class Task:
    """What is wanted: one row for each want, those of pairs last.

    The error of row r is ``base[r] + per_shift[r] . shift`` (degrees), modulo ``period[r]``; it is
    between the limits within ``low`` and ``high``. ``U`` is infinite where it is not known. Items
    are numbered: ``units`` units, then the pairs.
    """

    wants: tuple[Want, ...]
    rule: Rule
    base: Floats
    per_shift: Floats  # (rows, units of the engine)
    period: Floats
    low: Floats
    high: Floats
    U: Floats
    item: Levels
    units: int
    grain: float  # strains that differ by less are equal

    @property
    def items(self) -> int:
        return int(self.item.max()) + 1

    @property
    def sides(self) -> tuple[Floats, Floats]:
        """How far a row may go late and early, degrees: what its error is measured by."""
        return _sides(self.low, self.high)

    @cached_property
    def parts(self) -> list[Task]:
        """Each item by itself."""
        return [self._part(i) for i in range(self.items)]

    def _part(self, item: int) -> Task:
        own = np.flatnonzero(self.item == item)
        names = ("base", "per_shift", "period", "low", "high", "U")
        return replace(
            self,
            wants=tuple(self.wants[r] for r in own),
            item=np.zeros(len(own), np.int64),
            units=int(item < self.units),
            **{name: getattr(self, name)[own] for name in names},
        )

    @cached_property
    def settled(self) -> Floats:
        """The strain of each row up to which nothing has to be done about it: 0 or more in the
        items that are inside as they are, else below 0."""
        errors = self.errors(np.zeros(self.per_shift.shape[1]))
        inside = self.levels(errors, errors)[self.item] == INSIDE
        return np.where(inside, self.strains(errors, errors) + 1e-9, -1.0)

    @cached_property
    def was_inside(self) -> NDArray[np.bool_]:
        """Which items are inside as they are, (items,)."""
        return np.array([(self.settled[self.item == i] >= 0.0).all() for i in range(self.items)])

    def errors(self, shift: Floats) -> Floats:
        """The error of each row, (..., rows), within half a period of nothing."""
        errors = self.base + shift @ self.per_shift.T
        return np.asarray(errors - self.period * np.round(errors / self.period), np.float64)

    def limits(self, level: int, U: Floats | None = None) -> tuple[Floats, Floats]:
        """Between which errors each row is at ``level`` or better, INSIDE or INCONCLUSIVE.

        ``U`` stands in for the uncertainties before any shift. Source: ``rig.timing.verdict``.
        """
        wide = np.zeros(len(self.base)) if self.rule == "simple" else self.U if U is None else U
        wide = wide if level == INSIDE else -wide
        far = WRONG_STROKE_DEG
        return np.maximum(self.low + wide, -far), np.minimum(self.high - wide, far)

    def levels(self, low: Floats, high: Floats, U: Floats | None = None) -> Levels:
        """The best level of each item, (..., items), for errors anywhere from ``low`` to ``high``:
        that of its worst row."""
        level = np.full(low.shape, OUTSIDE)
        for better in (INCONCLUSIVE, INSIDE):
            least, most = self.limits(better, U)
            fits = (low <= most + 1e-9) & (high >= least - 1e-9) & (least <= most + 2e-9)
            level[fits] = better
        worst = [level[..., self.item == i].max(axis=-1) for i in range(self.items)]
        return np.stack(worst, axis=-1)

    def strains(self, low: Floats, high: Floats) -> Floats:
        """The least strain of each row for errors anywhere from ``low`` to ``high``.

        Windows differ in width: five degrees of a retard that may lie anywhere within ten are less
        than one of an advance that may be off by one.
        """
        late, early = self.sides
        return np.asarray(np.maximum(0.0, np.maximum(low / early, -high / late)), np.float64)

    def columns(self, items: Levels, strain: Floats) -> Floats:
        """``Rank`` as far as the strains, one row each: (n, ``COUNTS`` + 1 + rows)."""
        steps = np.floor(strain / self.grain + 1e-6)
        counts = [
            (part == level).sum(axis=-1)
            for part in (items[:, : self.units], items[:, self.units :])
            for level in (OUTSIDE, INCONCLUSIVE)
        ]
        counts.append((self.was_inside & (items != INSIDE)).sum(axis=-1))
        inside = items[:, self.item] == INSIDE
        worst = np.where(inside & (strain > self.settled), steps, 0.0).max(axis=-1)
        beyond = -np.sort(-np.where(inside, -1.0, steps), axis=-1)
        return np.column_stack([*counts, worst, beyond])


def _sides(low: Floats, high: Floats) -> tuple[Floats, Floats]:
    return np.maximum(-low, LEAST_SIDE), np.maximum(high, LEAST_SIDE)


def ranked(columns: Floats, lever: float, cost: Floats, exact: Floats) -> Rank:
    """A ``Rank`` from one row of ``Task.columns`` and the rest; ``cost`` is parts and effort."""
    outside, inconclusive, apart, unsure, spoilt, strain, *beyond = map(float, columns)
    sizes = tuple(map(float, np.round(-np.sort(-exact), 6)))
    return Rank(
        outside, inconclusive, apart, unsure, spoilt, strain, tuple(beyond),
        float(lever), float(cost[0]), float(cost[1]), sizes,
    )  # fmt: skip


def make_task(
    wants: Sequence[Want], units: Sequence[Unit], rule: Rule, grain_deg: float = 0.1
) -> Task:
    """A row for each want; those of pairs come last."""
    column = {unit.name: np.eye(len(units))[i] for i, unit in enumerate(units)}
    column[""] = np.zeros(len(units))
    period = {unit.name: period_deg(unit) for unit in units} | {"": math.inf}
    items = list(dict.fromkeys((want.unit, want.other) for want in wants))
    low, high = np.array([want.limits_deg for want in wants]).T
    # Half the narrowest window is what a strain of 1 is worth in degrees.
    typical_deg = float(np.add(*_sides(low, high)).min()) / 2.0
    return Task(
        tuple(wants),
        rule,
        base=np.array([want.error_deg for want in wants]),
        per_shift=np.array([column[want.unit] - column[want.other] for want in wants]),
        period=np.array([min(period[want.unit], period[want.other]) for want in wants]),
        low=low,
        high=high,
        U=np.array([math.inf if want.U_deg is None else want.U_deg for want in wants]),
        item=np.array([items.index((want.unit, want.other)) for want in wants]),
        units=sum(not other for _, other in items),
        grain=grain_deg / typical_deg,
    )
