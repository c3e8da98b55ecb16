"""Which combination of means leaves the least error, for several units and their synchronism.

Every set of means is tried, every position of those that have positions, and for those that slide
the best place is found by linear programming (``correction_slide``). A bound on what each
combination can reach at best decides which are worked out, so that none that could be better is
passed over.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from rig.engine.profile import Synchronism, Unit
from rig.timing.correction.moves import Choices, Floats, Move, Range, period_deg
from rig.timing.correction.plan import LeverEnds, Want
from rig.timing.correction.slide import NOTHING, Rows, slide

MOST_COMBINED = 300_000  # positions of one set of means
MOST_SOLVED = 60  # of each set, those that may be best
Key = tuple[float, ...]

EDGE = 1e-6  # degrees: what lies no further beyond a limit lies on it
LEAST_SIDE = 0.05  # degrees: no window is taken to be narrower on a side, to measure errors by it


@dataclass(frozen=True, slots=True)
class Task:
    """What is wanted: one row for each want, then one for each pair.

    The error of row r is ``base[r] + per_shift[r] . shift`` (degrees), modulo ``period[r]``.
    """

    wants: tuple[Want, ...]
    pairs: tuple[tuple[Synchronism, int, int], ...]  # with the rows of the two wants
    base: Floats
    per_shift: Floats  # (rows, units)
    period: Floats
    low: Floats  # errors within low and high are inside
    high: Floats

    @property
    def sides(self) -> tuple[Floats, Floats]:
        """How far a row may go late and early, degrees: what its error is measured by."""
        return np.maximum(-self.low, LEAST_SIDE), np.maximum(self.high, LEAST_SIDE)

    @property
    def typical_deg(self) -> float:
        """Half the narrowest window: what a strain of 1 is worth in degrees."""
        late, early = self.sides
        return float(((late + early) / 2.0).min())

    def strain(self, errors: Floats) -> float:
        """The greatest error as a part of the way from the figure to its limit.

        Windows differ in width: five degrees of a retard that may lie anywhere within ten are less
        than one of an advance that may be off by one.
        """
        late, early = self.sides
        return float(np.maximum(errors / early, -errors / late).max())


@dataclass(frozen=True, slots=True)
class Found:
    """One combination: the choices and ranges that move, and what remains."""

    choices: tuple[tuple[Choices, int], ...]
    ranges: tuple[tuple[Range, float], ...]
    shift_deg: Floats  # (units,)
    errors: Floats  # (rows,)
    inside: bool
    strain: float  # the greatest error, as ``Task.strain`` has it
    remaining_deg: float  # the greatest error in degrees
    beyond_deg: float  # beyond the limits, all rows together
    disturbs: int
    effort: float
    reversible: bool


def make_task(wants: Sequence[Want], units: Sequence[Unit], pairs: Sequence[Synchronism]) -> Task:
    """Rows for the wants and for the pairs whose two units are both wanted.

    Two wants make a pair when they are of the same setting and cylinder. Source: definition.
    """
    column = {unit.name: i for i, unit in enumerate(units)}
    period_of = {unit.name: period_deg(unit) for unit in units}
    base, rows, period, low, high = [], [], [], [], []
    for want in wants:
        row = np.zeros(len(units))
        row[column[want.unit]] = 1.0
        rows.append(row)
        base.append(-want.shift_deg)
        period.append(period_of[want.unit])
        low.append(want.latest_btdc - want.wanted_btdc)
        high.append(want.earliest_btdc - want.wanted_btdc)
    used = []
    for pair in pairs:
        for i, a in enumerate(wants):
            for j, b in enumerate(wants):
                if (a.unit, b.unit) != (pair.first, pair.second):
                    continue
                if (a.setting, a.cylinder) != (b.setting, b.cylinder):
                    continue
                used.append((pair, i, j))
                rows.append(rows[i] - rows[j])
                base.append(a.read_btdc - b.read_btdc - pair.stagger_deg)
                period.append(min(period[i], period[j]))
                low.append(-pair.tolerance_deg)
                high.append(pair.tolerance_deg)
    return Task(
        tuple(wants),
        tuple(used),
        np.array(base),
        np.array(rows).reshape(len(rows), len(units)),
        np.array(period),
        np.array(low),
        np.array(high),
    )


def search(
    task: Task,
    moves: Sequence[Move],
    *,
    most: int = 3,
    grain_deg: float = 0.1,
    ends: Mapping[str, LeverEnds] | None = None,
    keep: int = 8,
) -> list[Found]:
    """The best ``keep`` combinations of up to ``most`` means, the present state among them.

    Added are those that get everything inside with fewer parts disturbed than any of these. At
    most two are of the same means. ``ends`` are of the levers that may be set, by unit. Order:
    inside before outside; the strain (see ``Task.strain``) in steps of ``grain_deg``; where the
    lever ends up; parts disturbed; what cannot be undone last; teeth moved; the error itself.
    Source: exhaustive, see the module.
    """
    useful = [move for move in moves if np.any(task.per_shift @ _per_unit(move))]
    order = Order(task, grain_deg, ends or {})
    kept = [_still(task)]
    done: list[frozenset[str]] = []
    fewest: dict[int, Found] = {}
    for size in range(1, most + 1):
        for chosen in combinations(useful, size):
            keys = frozenset(move.key for move in chosen)
            if len(keys) < size or _adds_nothing(keys, done):
                continue
            limit = order.key(kept[-1]) if len(kept) >= keep else None
            best = _of_set(order, chosen, limit)
            if best and best[0].inside and order.step(best[0].strain) < 1.0:
                done.append(keys)  # more means can only disturb more
            unique: dict[object, Found] = {}
            for item in sorted([*kept, *best], key=order.key):
                unique.setdefault(_signature(item), item)
            kept = list(unique.values())[:keep]
            for item in best:
                if item.inside:
                    fewest[item.disturbs] = min(
                        item, fewest.get(item.disturbs, item), key=order.key
                    )
    simpler = [f for n, f in fewest.items() if all(n < other.disturbs for other in kept)]
    return sorted([*kept, *simpler], key=order.key)


def left_out(moves: Sequence[Move], most: int) -> list[str]:
    """A sentence when means have too many positions together for all to be tried.

    Source: ``MOST_COMBINED``.
    """
    lists = [move for move in moves if isinstance(move, Choices)]
    for size in range(2, most + 1):
        for some in combinations(lists, size):
            if math.prod(len(c.effort) for c in some) > MOST_COMBINED:
                names = ", ".join(c.key for c in some)
                return [f"{names}: too many positions together, tried {size - 1} at a time"]
    return []


def _adds_nothing(keys: frozenset[str], done: Sequence[frozenset[str]]) -> bool:
    """Beyond a set that reaches already more means only disturb more, but for a lever's place."""
    lever = any(key.startswith("lever ") for key in keys)
    return not lever and any(small <= keys for small in done)


@dataclass(frozen=True, slots=True)
class Order:
    """The order of preference: keys, the smaller the better. See ``search``."""

    task: Task
    grain_deg: float
    ends: Mapping[str, LeverEnds]

    def key(self, found: Found) -> Key:
        """The key of a combination that was worked out."""
        put = {move.key: value for move, value in found.ranges}
        return (
            float(not found.inside),
            self.step(found.strain),
            self.lever(put, best=False),
            float(found.disturbs),
            float(not found.reversible),
            found.effort,
            round(found.beyond_deg, 6),
            round(found.strain, 6),
        )

    def step(self, strain: float) -> float:
        """A strain in steps of the grain."""
        return math.floor(strain * self.task.typical_deg / self.grain_deg + 1e-6)

    def lever(self, put: Mapping[str, float], *, best: bool) -> float:
        """How far the worst lever ends up from the middle of its range, in tenths of it.

        With ``best`` the levers in ``put`` are taken as standing in the middle.
        """
        worst = 0.0
        for name, end in self.ends.items():
            read = next((w.read_btdc for w in self.task.wants if w.unit == name), None)
            span = end.advance_btdc - end.retard_btdc
            if read is None or span <= 0.0 or (best and f"lever {name}" in put):
                continue
            place = (read + put.get(f"lever {name}", 0.0) - end.retard_btdc) / span
            worst = max(worst, abs(place - 0.5))
        return math.floor(10.0 * worst + 1e-6)


def _per_unit(move: Move) -> Floats:
    if isinstance(move, Range):
        return move.per_deg
    return np.asarray(np.abs(move.shift_deg).max(axis=0), np.float64)


def _signature(found: Found) -> object:
    """What is done, sizes left aside: two with the same are one proposal."""
    picked = frozenset((choices.key, i) for choices, i in found.choices)
    return picked, frozenset((move.key, move.low) for move, _ in found.ranges)


def _still(task: Task) -> Found:
    units = task.per_shift.shape[1]
    return _judged(task, (), (), np.zeros(units), _wrap(task.base, task.period))


def _wrap(errors: Floats, period: Floats) -> Floats:
    return np.asarray(errors - period * np.round(errors / period), np.float64)


def _judged(
    task: Task,
    choices: tuple[tuple[Choices, int], ...],
    ranges: tuple[tuple[Range, float], ...],
    shift: Floats,
    errors: Floats,
) -> Found:
    inside = bool(np.all((errors >= task.low - EDGE) & (errors <= task.high + EDGE)))
    return Found(
        choices=choices,
        ranges=ranges,
        shift_deg=shift,
        errors=errors,
        inside=inside,
        strain=task.strain(errors),
        remaining_deg=float(np.abs(errors).max()),
        beyond_deg=float(np.maximum(0.0, np.maximum(errors - task.high, task.low - errors)).sum()),
        disturbs=int(sum(c.disturbs[i] for c, i in choices)) + len(ranges),
        effort=float(sum(c.effort[i] for c, i in choices)),
        reversible=all(move.reversible for move, _ in ranges),
    )


def _of_set(order: Order, chosen: Sequence[Move], limit: Key | None) -> list[Found]:
    """The best two that a set of means can do; none when that is no better than ``limit``."""
    task = order.task
    lists = [move for move in chosen if isinstance(move, Choices)]
    ranges = [move for move in chosen if isinstance(move, Range)]
    undone = float(not all(move.reversible for move in ranges))
    parts = sum(c.disturbs.min() for c in lists) + len(ranges)
    lever_now = order.lever({move.key: 0.0 for move in ranges}, best=True)
    hope: Key = (0.0, 0.0, lever_now, parts, undone)
    size = math.prod(len(c.effort) for c in lists)
    if size > MOST_COMBINED or (limit is not None and hope > limit):
        return []
    grid = _grid(lists, task.per_shift.shape[1])
    errors = _wrap(task.base + grid.shift_deg @ task.per_shift.T, task.period)
    per_deg = np.array([move.per_deg for move in ranges]).reshape(
        len(ranges), grid.shift_deg.shape[1]
    )
    slope = per_deg @ task.per_shift.T  # (ranges, rows)
    ends = np.array([[move.low, move.high] for move in ranges]).reshape(len(ranges), 2)
    spans = np.sort(slope[:, :, None] * ends[:, None, :], axis=2)  # (ranges, rows, low and high)
    reach = spans.sum(axis=0)
    late, early = task.sides
    over = np.maximum((errors + reach[:, 0]) / early, (-errors - reach[:, 1]) / late)
    bound = np.maximum(0.0, over).max(axis=1) * task.typical_deg
    fits = (errors + reach[:, 0] <= task.high + EDGE) & (errors + reach[:, 1] >= task.low - EDGE)
    outside = 1.0 - fits.all(axis=1)
    steps = np.floor(bound / order.grain_deg + 1e-6)
    allowed = (steps + 1.0) * order.grain_deg / task.typical_deg
    lever = _lever_hope(order, ranges, errors, spans, allowed)
    found: list[Found] = []
    keys = (bound, grid.effort, grid.disturbs, lever, steps, outside)
    hopeful = np.arange(len(bound))
    if limit is not None:  # sorting them all is what costs
        level = (outside == limit[0]) & (steps <= limit[1])
        hopeful = np.flatnonzero((outside < limit[0]) | level)
    ranked = hopeful[np.lexsort([key[hopeful] for key in keys])]
    for n, i in enumerate(ranked):
        touched = grid.disturbs[i] + len(ranges)
        hope = (outside[i], steps[i], lever[i], touched, undone, grid.effort[i], 0.0)
        enough = len(found) > 1 and hope >= order.key(found[1])
        if enough or n >= MOST_SOLVED or (limit is not None and hope >= limit):
            break
        rows = Rows(errors[i], slope, task.low, task.high, *task.sides)
        x = slide(rows, ranges, may_fit=not outside[i]) if ranges else np.zeros(0)
        used = tuple((r, float(v)) for r, v in zip(ranges, x, strict=True) if _matters(r, v))
        moved = grid.shift_deg[i] + sum(v * r.per_deg for r, v in used)
        picks = tuple((c, int(k)) for c, k in zip(lists, grid.index[i], strict=True))
        found.append(_judged(task, picks, used, moved, errors[i] + x @ slope))
        found = sorted(found, key=order.key)[:2]
    return found


def _lever_hope(
    order: Order, ranges: Sequence[Range], errors: Floats, spans: Floats, allowed: Floats
) -> Floats:
    """For each row of ``errors`` how near to the middle the levers can be, as ``Order.lever``.

    ``spans`` is what each range can add to each error, ``allowed`` the strain that may remain.
    """
    fixed = order.lever({move.key: 0.0 for move in ranges}, best=True)
    worst = np.full(len(errors), fixed)
    for own, move in enumerate(ranges):
        unit = move.key.removeprefix("lever ")
        if unit not in order.ends or move.key == unit:
            continue
        row = next(r for r, want in enumerate(order.task.wants) if want.unit == unit)
        others = np.delete(spans[:, row], own, axis=0).sum(axis=0)
        late, early = (side[row] * allowed for side in order.task.sides)
        least = np.maximum(-errors[:, row] - others[1] - late, move.low)
        most = np.minimum(-errors[:, row] - others[0] + early, move.high)
        off = np.maximum(0.0, np.maximum(least - move.prefer, move.prefer - most))
        end = order.ends[unit]
        tenths = np.floor(10.0 * off / (end.advance_btdc - end.retard_btdc) + 1e-6)
        worst = np.maximum(worst, tenths)
    return worst


def _matters(move: Range, value: float) -> bool:
    return abs(value) > NOTHING or move.key.startswith("lever ")


@dataclass(frozen=True, slots=True)
class Grid:
    """All combinations of some lists, one a row: places in the lists, shifts, what they cost."""

    index: NDArray[np.int64]
    shift_deg: Floats
    disturbs: Floats
    effort: Floats


def _grid(lists: Sequence[Choices], units: int) -> Grid:
    index = np.zeros((1, 0), np.int64)
    shift, disturbs, effort = np.zeros((1, units)), np.zeros(1), np.zeros(1)
    for c in lists:
        n, m = len(c.effort), len(index)
        index = np.column_stack([np.repeat(index, n, axis=0), np.tile(np.arange(n), m)])
        shift = np.repeat(shift, n, axis=0) + np.tile(c.shift_deg, (m, 1))
        disturbs = np.repeat(disturbs, n) + np.tile(c.disturbs, m)
        effort = np.repeat(effort, n) + np.tile(c.effort, m)
    return Grid(index, shift, disturbs, effort)
