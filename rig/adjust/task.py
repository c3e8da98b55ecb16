"""What is wanted of an engine as rows of numbers, and how results are ranked.

A row is a want or a pair; an *item* is what is brought inside as a whole: a unit with all its
wants, or two units that are to open together. A unit outside never hides what can be done for
another: results are ranked by how many units are left outside, then by how many are inconclusive,
then pairs in the same way, and only then by how near to their figures those that are inside come.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.adjust.plan import PairWant, Want
from rig.engine.profile import Unit
from rig.timing.advance_range import LeverEnds
from rig.timing.verdict import Rule

Floats = NDArray[np.float64]
Levels = NDArray[np.int64]

EDGE = 1e-6  # degrees: what lies no further beyond a limit lies on it
LEAST_SIDE = 0.05  # degrees: no window is taken to be narrower on a side, to measure errors by it
WRONG_STROKE_DEG = 180.0  # an opening further off than this is on the other stroke: outside
COUNTS = 5  # of a ``Rank``, before the strains
INSIDE, INCONCLUSIVE, OUTSIDE = 0, 1, 2


"""Levels of a row or an item, the smaller the better."""


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

    @property
    def verdicts(self) -> tuple[float, float, float, float]:
        """How many are not inside. Source: definition."""
        return self[:4]


@dataclass(frozen=True, slots=True)
class Task:
    """What is wanted: one row for each want, then one for each pair.

    The error of row r is ``base[r] + per_shift[r] . shift`` (degrees), modulo ``period[r]``; it is
    between the limits within ``low`` and ``high``. ``U`` is infinite where it is not known. Items
    are numbered: ``units`` units, then the pairs.
    """

    wants: tuple[Want, ...]
    pairs: tuple[PairWant, ...]
    rule: Rule
    base: Floats
    per_shift: Floats  # (rows, units of the engine)
    period: Floats
    low: Floats
    high: Floats
    U: Floats
    item: Levels
    units: int

    @property
    def items(self) -> int:
        """How many items there are. Source: definition."""
        return int(self.item.max()) + 1

    @property
    def sides(self) -> tuple[Floats, Floats]:
        """How far a row may go late and early, degrees: what its error is measured by."""
        return np.maximum(-self.low, LEAST_SIDE), np.maximum(self.high, LEAST_SIDE)

    @property
    def typical_deg(self) -> float:
        """Half the narrowest window: what a strain of 1 is worth in degrees."""
        late, early = self.sides
        return float(((late + early) / 2.0).min())

    def limits(self, level: int, U: Floats | None = None) -> tuple[Floats, Floats]:
        """Between which errors each row is at ``level`` or better, INSIDE or INCONCLUSIVE.

        ``U`` stands in for the uncertainties before any shift. Source: ``rig.timing.verdict``.
        """
        wide = np.zeros(len(self.base)) if self.rule == "simple" else self.U if U is None else U
        wide = wide if level == INSIDE else -wide
        far = WRONG_STROKE_DEG
        return np.maximum(self.low + wide, -far), np.minimum(self.high - wide, far)

    def levels(self, low: Floats, high: Floats, U: Floats | None = None) -> Levels:
        """The best level of each row, (..., rows), for errors anywhere from ``low`` to ``high``."""
        level = np.full(low.shape, OUTSIDE)
        for better in (INCONCLUSIVE, INSIDE):
            least, most = self.limits(better, U)
            fits = (low <= most + 1e-9) & (high >= least - 1e-9) & (least <= most + 2e-9)
            level[fits] = better
        return level

    def of_items(self, level: Levels) -> Levels:
        """The level of each item, (..., items): of its worst row."""
        worst = [level[..., self.item == i].max(axis=-1) for i in range(self.items)]
        return np.stack(worst, axis=-1)

    def strains(self, low: Floats, high: Floats) -> Floats:
        """The least strain of each row for errors anywhere from ``low`` to ``high``.

        Windows differ in width: five degrees of a retard that may lie anywhere within ten are less
        than one of an advance that may be off by one.
        """
        late, early = self.sides
        return np.asarray(np.maximum(0.0, np.maximum(low / early, -high / late)), np.float64)

    def columns(self, items: Levels, strain: Floats, grain_deg: float, settled: Floats) -> Floats:
        """``Rank`` as far as the strains, one row each: (n, ``COUNTS`` + 1 + rows).

        ``settled`` is the strain of each row up to which nothing has to be done about it: 0 or more
        in the items that are inside as they stand, else below 0.
        """
        before = self.of_items((settled < 0.0).astype(np.int64))  # 0 where it was inside
        steps = np.floor(strain * self.typical_deg / grain_deg + 1e-6)
        counts = [
            (part == level).sum(axis=-1)
            for part in (items[:, : self.units], items[:, self.units :])
            for level in (OUTSIDE, INCONCLUSIVE)
        ]
        counts.append(((before == 0) & (items != INSIDE)).sum(axis=-1))
        inside = items[:, self.item] == INSIDE
        worst = np.where(inside & (strain > settled), steps, 0.0).max(axis=-1)
        beyond = -np.sort(-np.where(inside, -1.0, steps), axis=-1)
        return np.column_stack([*counts, worst, beyond])


def ranked(columns: Floats, lever: float, disturbs: float, effort: float, exact: Floats) -> Rank:
    """A ``Rank`` from one row of ``Task.columns`` and the rest."""
    outside, inconclusive, apart, unsure, spoilt, strain, *beyond = (float(x) for x in columns)
    sizes = tuple(float(x) for x in np.round(-np.sort(-exact), 6))
    return Rank(
        outside, inconclusive, apart, unsure, spoilt, strain, tuple(beyond),
        float(lever), float(disturbs), float(effort), sizes,
    )  # fmt: skip


def make_task(
    wants: Sequence[Want], pairs: Sequence[PairWant], units: Sequence[Unit], rule: Rule
) -> Task:
    """Rows for the wants and for the pairs, in that order. Source: definition."""
    column = {unit.name: i for i, unit in enumerate(units)}
    period_of = {unit.name: period_deg(unit) for unit in units}
    names = list(dict.fromkeys(want.unit for want in wants))
    both = list(dict.fromkeys((pair.first, pair.second) for pair in pairs))
    uncertain = [want.U_deg for want in wants] + [pair.U_deg for pair in pairs]
    rows = np.zeros((len(wants) + len(pairs), len(units)))
    for row, want in zip(rows, wants, strict=False):
        row[column[want.unit]] = 1.0
    for row, pair in zip(rows[len(wants) :], pairs, strict=True):
        row[column[pair.first]], row[column[pair.second]] = 1.0, -1.0
    return Task(
        tuple(wants),
        tuple(pairs),
        rule,
        np.array(
            [-want.shift_deg for want in wants]
            + [pair.read_deg - pair.wanted_deg for pair in pairs]
        ),
        rows,
        np.array(
            [period_of[want.unit] for want in wants]
            + [min(period_of[pair.first], period_of[pair.second]) for pair in pairs]
        ),
        np.array(
            [want.latest_btdc - want.wanted_btdc for want in wants]
            + [-pair.tolerance_deg for pair in pairs]
        ),
        np.array(
            [want.earliest_btdc - want.wanted_btdc for want in wants]
            + [pair.tolerance_deg for pair in pairs]
        ),
        np.array([math.inf if U is None else U for U in uncertain]),
        np.array(
            [names.index(want.unit) for want in wants]
            + [len(names) + both.index((pair.first, pair.second)) for pair in pairs]
        ),
        len(names),
    )


def period_deg(unit: Unit) -> float:
    """Crank degrees after which a unit's shaft stands the same again. Source: its ratio."""
    return float(360 / unit.turns_per_crank_turn)


def wrapped(errors: Floats, period: Floats) -> Floats:
    """Errors within half a period of nothing. Source: definition."""
    return np.asarray(errors - period * np.round(errors / period), np.float64)


@dataclass(frozen=True, slots=True)
class Levers:
    """The levers that may be set, by unit, and where they end up."""

    wants: tuple[Want, ...]
    ends: Mapping[str, LeverEnds]

    def off(self, put: Mapping[str, float], centred: frozenset[str] = frozenset()) -> float:
        """How far the worst lever ends up from the middle of its range, in tenths of it.

        ``put`` is by how much each was moved, crank degrees; those ``centred`` are taken as in the
        middle.
        """
        worst = 0.0
        for name, end in self.ends.items():
            read = next((w.read_btdc for w in self.wants if w.unit == name), None)
            span = end.advance_btdc - end.retard_btdc
            if read is None or span <= 0.0 or name in centred:
                continue
            place = (read + put.get(name, 0.0) - end.retard_btdc) / span
            worst = max(worst, abs(place - 0.5))
        return math.floor(10.0 * worst + 1e-6)
