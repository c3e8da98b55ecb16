"""Which combination of adjustments serves several units and their synchronism best.

Every set of adjustments is tried, every position of those that have positions, and for those that
slide the best place is found by linear programming (``Slide``): which items can be brought inside
together (a mixed-integer program), then the greatest strain of those least, then the greatest of
the others (lexicographic minimax). A bound on what each set, and each of its positions, can reach
at best decides which are worked out, so that none that could be better is passed over.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from heapq import heapify, heappop, heappush
from itertools import combinations, permutations

import numpy as np
from numpy.typing import NDArray

from rig.adjust.moves import Floats, Move, Moved, together
from rig.adjust.task import (
    COUNTS,
    EDGE,
    INCONCLUSIVE,
    INSIDE,
    OUTSIDE,
    Levels,
    Rank,
    Task,
    ranked,
)
from rig.timing.advance_range import LeverEnds

MOST_COMBINED = 300_000  # positions of one set of adjustments
MOST_SOLVED = 60  # of each set, those that may be best
NOTHING = 1e-6  # degrees: a range moved by less is not moved
BINDING = 0.01  # share of the strain; less may come from the cost of movement alone
SAFE = 1e-4  # degrees: what a mixed-integer solution may be off by
NOT_INSIDE = Rank(0.0, 0.0, 0.0, 0.0, 1.0, 0.0, ())  # all with everything inside is better
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Found:
    """One combination: what moves, positions before ranges, and what remains."""

    moved: Moved
    shift_deg: Floats  # (units,)
    errors: Floats  # (rows,)
    U: Floats  # (rows,): of the errors, infinite where not known
    items: Levels
    rank: Rank

    @property
    def inside(self) -> bool:
        return bool((self.items == INSIDE).all())

    @property
    def reversible(self) -> bool:
        return all(move.reversible for move, _ in self.moved)

    @property
    def uses_all(self) -> bool:
        """Whether every range does more than what it replaces does."""
        return all(move.is_used(by) for move, by in self.moved if move.is_range)

    @property
    def done(self) -> frozenset[object]:
        """What is done, sizes left aside: two with the same are one proposal."""
        return frozenset(
            (move.occupies, move.low if move.is_range else at) for move, at in self.moved
        )


@dataclass(frozen=True)
class Search:
    """What is wanted, and what may be moved: up to ``most`` adjustments together.

    ``ends`` are of the levers that may be set, by unit.
    """

    task: Task
    moves: Sequence[Move]
    most: int = 3
    ends: Mapping[str, LeverEnds] = field(default_factory=dict)

    @cached_property
    def reach(self) -> list[dict[int, bool]]:
        """Of each item, by the identity of a move, whether it moves that item."""
        return [
            {id(move): bool(np.any(move.shift_deg @ part.per_shift.T)) for move in self.moves}
            for part in self.task.parts
        ]

    def present(self) -> Found:
        """Everything left as it is."""
        none = np.zeros(self.task.per_shift.shape[1])
        return self._found((), none, self.task.errors(none))

    def best(self, *, keep: int = 8, lasting: bool = False) -> list[Found]:
        """The best ``keep`` combinations in the order of ``Rank``, the present state among them.

        Only what can be undone; with ``lasting`` only what cannot be, without the present state.
        Added are those that get everything inside with fewer parts disturbed than any of these. At
        most two are of the same adjustments. Source: exhaustive, see the module.
        """
        kept = [] if lasting else [self.present()]
        sets = self._sets(lasting=lasting)

        def limit() -> Rank | None:
            return kept[-1].rank if len(kept) >= keep else None

        for best in self._tried(sets, limit, lasting=lasting):
            unique: dict[object, Found] = {}
            for found in sorted([*kept, *best], key=self._order):
                unique.setdefault(found.done, found)
            kept = list(unique.values())[:keep]
        least = min((found.rank.disturbs for found in kept), default=math.inf)
        fewest: dict[float, Found] = {}
        small = [chosen for chosen in sets if _parts(chosen) < least]
        for best in self._tried(small, lambda: NOT_INSIDE, lasting=lasting):
            for found in best:
                parts = found.rank.disturbs
                if found.inside and parts < least:
                    fewest[parts] = min(found, fewest.get(parts, found), key=self._order)
        return sorted([*kept, *fewest.values()], key=self._order)

    def _order(self, found: Found) -> tuple[Rank, int, list[int]]:
        """By rank; of equals the fewest moves, in the order in which these are done."""
        moves = [i for i, move in enumerate(self.moves) if any(move is m for m, _ in found.moved)]
        return found.rank, len(moves), moves

    def _tried(
        self, sets: Sequence[Sequence[Move]], limit: Callable[[], Rank | None], *, lasting: bool
    ) -> Iterator[list[Found]]:
        """The best two that each set can do, until no other can do better than ``limit``.

        The sets that promise most come first: by what each unit can reach, then by pairs as well.
        """
        enough: list[frozenset[int]] = []
        alone: dict[object, Floats] = {}
        queue = [
            (self._hoped(chosen, alone, self.task.units), n, False) for n, chosen in enumerate(sets)
        ]
        heapify(queue)
        while queue and ((worst := limit()) is None or queue[0][0] < worst):
            _, n, is_sure = heappop(queue)
            chosen, keys = sets[n], frozenset(map(id, sets[n]))
            if not is_sure:
                heappush(queue, (self._hoped(chosen, alone, self.task.items), n, True))
                continue
            if any(fewer <= keys for fewer in enough) and not any(move.lever for move in chosen):
                continue  # more adjustments only disturb more, but for a lever's place
            # A cut may stay unused; a slot filed by nothing is one turned to its end.
            best = [
                f for f in self._of_set(chosen, worst) if f.reversible != lasting and f.uses_all
            ]
            if best and best[0].inside and best[0].rank.strain < 1.0:
                enough.append(keys)
            yield best

    def left_out(self) -> list[str]:
        """A sentence when adjustments have too many positions together for all to be tried."""
        lists = [move for move in self.moves if not move.is_range]
        for size in range(2, self.most + 1):
            for some in combinations(lists, size):
                if _positions(some) > MOST_COMBINED:
                    names = (f"{c.occupies.kind} {c.occupies.owner}".strip() for c in some)
                    said = "too many positions together, tried"
                    return [f"{', '.join(names)}: {said} {size - 1} at a time"]
        return []

    def _sets(self, *, lasting: bool) -> list[tuple[Move, ...]]:
        """The sets of moves that can be made together and do something, the smallest first."""
        useful = [
            move
            for move in self.moves
            if np.any(self.task.per_shift @ np.abs(move.shift_deg).max(axis=0))
            and (lasting or move.reversible)
        ]
        return [
            chosen
            for size in range(1, self.most + 1)
            for chosen in combinations(useful, size)
            if together(chosen)
            and _positions(chosen) <= MOST_COMBINED
            and not (lasting and all(move.reversible for move in chosen))
        ]

    def _found(self, moved: Moved, shift: Floats, errors: Floats) -> Found:
        task, U = self.task, expanded_deg(self.task, moved)
        items, strain = task.levels(errors, errors, U), task.strains(errors, errors)
        columns = task.columns(items[None], strain[None])[0]
        lever = self._off_middle({move.lever: value for move, value in moved})
        cost = sum((move.cost[0 if move.is_range else int(at)] for move, at in moved), np.zeros(2))
        rank = ranked(columns, lever, cost, strain)
        return Found(moved, shift, errors, U, items, rank)

    def _off_middle(self, put: Mapping[str, float], centred: frozenset[str] = frozenset()) -> float:
        """How far the worst lever ends up from the middle of its range, in tenths of it.

        ``put`` is by how much each was moved, crank degrees; those ``centred`` are taken as in the
        middle.
        """
        read = {want.unit: want.read_btdc for want in reversed(self.task.wants) if not want.other}
        worst = 0.0
        for name, end in self.ends.items():
            if name in read and name not in centred:
                place = (read[name] + put.get(name, 0.0) - end.retard_btdc) / end.span_deg
                worst = max(worst, abs(place - 0.5))
        return math.floor(10.0 * worst + 1e-6)

    def _of_set(self, chosen: Sequence[Move], limit: Rank | None) -> list[Found]:
        """The best two that a set of moves can do; none when that is no better than ``limit``."""
        lever = self._least_off_middle(chosen)
        table = Table.of(self.task, chosen)
        found: list[Found] = []
        for i in table.in_order(limit)[:MOST_SOLVED]:
            best = ranked(table.columns[i], lever, table.cost[i], np.zeros(0))
            if (limit is not None and best >= limit) or any(best >= f.rank for f in found[1:]):
                break
            for used in self._slides(table, i):
                more = sum((v * move.shift_deg[0] for move, v in used), table.shift[i])
                there = table.errors[i] + self.task.per_shift @ (more - table.shift[i])
                found.append(self._found((*table.picks(i), *used), more, there))
            found = sorted(found, key=lambda each: each.rank)[:2]
        return found

    def _hoped(self, chosen: Sequence[Move], alone: dict[object, Floats], items: int) -> Rank:
        """No worse than anything that a set of moves can do: the first ``items`` each at its best
        by itself, the others on their figures. ``alone`` keeps what was worked out of each."""
        columns = np.zeros(COUNTS + 1)
        beyond = np.full(len(self.task.base), -1.0)
        for item, part in enumerate(self.task.parts[:items]):
            reach = self.reach[item]
            own = [move for move in chosen if reach[id(move)]]
            key = item, *map(id, own)
            if key not in alone:
                best = Table.of(part, own).columns
                for column in range(best.shape[1]):
                    best = best[best[:, column] == best[:, column].min()]
                alone[key] = best[0]
            columns[:COUNTS] += alone[key][:COUNTS]
            columns[COUNTS] = max(columns[COUNTS], alone[key][COUNTS])
            beyond[self.task.item == item] = alone[key][COUNTS + 1 :]
        columns = np.concatenate([columns, -np.sort(-beyond)])
        cost = np.array([_parts(chosen), 0.0])
        return ranked(columns, self._least_off_middle(chosen), cost, np.zeros(0))

    def _least_off_middle(self, chosen: Sequence[Move]) -> float:
        return self._off_middle({}, frozenset(move.lever for move in chosen))

    def _slides(self, table: Table, row: int) -> list[Moved]:
        """Where the ranges are best put at a row; again with the uncertainty that moving them
        adds, where it adds any."""
        if not table.ranges:
            return [()]
        out: list[Moved] = []
        U = self.task.U
        for _ in range(2):
            slide = Slide(self.task, table.ranges, table.errors[row], table.slope, U)
            put = zip(table.ranges, map(float, slide.best(table.hope[row])), strict=True)
            out.append(tuple((r, v) for r, v in put if abs(v) > NOTHING or r.lever))
            more = expanded_deg(self.task, out[-1])
            if np.array_equal(more, U):
                break
            U = more
        return out


@dataclass(frozen=True, slots=True)
class Table:
    """All positions of some moves together, and what each can reach at best with the ranges."""

    lists: Sequence[Move]
    ranges: Sequence[Move]
    index: NDArray[np.int64]  # (n, lists): the position of each
    shift: Floats  # (n, units), as are the following without the ranges
    errors: Floats  # (n, rows)
    cost: Floats  # (n, 2)
    slope: Floats  # (ranges, rows): what a degree of each range adds
    hope: Levels  # (n, items)
    columns: Floats  # (n, ...), as ``Task.columns``
    exact: Floats  # (n,): the least greatest strain

    @classmethod
    def of(cls, task: Task, chosen: Sequence[Move]) -> Table:
        """The table of a set of moves."""
        lists = [move for move in chosen if not move.is_range]
        ranges = [move for move in chosen if move.is_range]
        sizes = [len(move.shift_deg) for move in lists]
        index = np.indices(sizes).reshape(len(lists), math.prod(sizes)).T
        shift, cost = np.zeros((len(index), task.per_shift.shape[1])), np.zeros((len(index), 2))
        for move, k in zip(lists, index.T, strict=True):
            shift, cost = shift + move.shift_deg[k], cost + move.cost[k]
        cost[:, 0] += len(ranges)
        errors = task.errors(shift)
        slope = np.array([task.per_shift @ move.shift_deg[0] for move in ranges])
        slope = slope.reshape(len(ranges), len(task.base))
        low, high = (errors + each for each in spans_of(ranges, slope))
        hope, strains = task.levels(low, high), task.strains(low, high)
        columns, apart = task.columns(hope, strains), _apart(task, errors, slope, hope)
        least = np.floor(apart / task.grain + 0.999e-6)  # as ``columns``
        columns[:, COUNTS] = np.maximum(columns[:, COUNTS], least)
        exact = np.maximum(strains.max(axis=1), apart)
        return cls(lists, ranges, index, shift, errors, cost, slope, hope, columns, exact)

    def in_order(self, limit: Rank | None) -> NDArray[np.int64]:
        """The rows that may leave no more units outside than ``limit``, the best hope first."""
        most = math.inf if limit is None else limit.units_outside
        may = np.flatnonzero(self.columns[:, 0] <= most)
        columns, cost = self.columns[may], self.cost[may]
        return may[np.lexsort([self.exact[may], *cost.T[::-1], *columns.T[::-1]])]

    def picks(self, row: int) -> Moved:
        return tuple((m, int(k)) for m, k in zip(self.lists, self.index[row], strict=True))


def _apart(task: Task, errors: Floats, slope: Floats, hope: Levels) -> Floats:
    """The least strain that two rows keep which every range moves alike, (n,): they stay apart.

    Of rows that may both be inside: e/early = (d - e)/late for d apart.
    """
    late, early = task.sides
    inside = hope[:, task.item] == INSIDE
    least = np.zeros(len(errors))
    for one, two in permutations(range(errors.shape[1]), 2):
        if np.allclose(slope[:, one], slope[:, two]):
            strain = (errors[:, one] - errors[:, two]) / (early[one] + late[two])
            counts = inside[:, one] & inside[:, two]
            counts &= strain > max(task.settled[one], task.settled[two])
            least = np.where(counts, np.maximum(least, strain), least)
    return least


def expanded_deg(task: Task, moved: Moved) -> Floats:
    """Expanded uncertainty of each row once ranges are moved, at about 95 %.

    Source: JCGM 100:2008, 5.1.2; a factor of 2 for what the shift adds.
    """
    more = np.zeros(len(task.base))
    for move, value in moved:
        more += (2.0 * value * move.u_per_deg * (task.per_shift @ move.shift_deg[0])) ** 2
    return np.asarray(np.sqrt(task.U**2 + more), np.float64)


def spans_of(ranges: Sequence[Move], slope: Floats) -> tuple[Floats, Floats]:
    """What ranges together can add to each error at least and at most, each (rows,)."""
    ends = np.array([[move.low, move.high] for move in ranges]).reshape(len(ranges), 1, 2)
    low, high = np.sort(slope[:, :, None] * ends, axis=2).sum(axis=0).T
    return low, high


def _positions(chosen: Sequence[Move]) -> int:
    return math.prod(len(move.shift_deg) for move in chosen)


def _parts(chosen: Sequence[Move]) -> float:
    """How many parts a set of moves disturbs at least."""
    return float(sum(move.cost[:, 0].min() for move in chosen))


@dataclass(frozen=True, slots=True)
class Slide:
    """Where ranges are best put: one row for each want and pair. Degrees."""

    task: Task
    ranges: Sequence[Move]
    errors: Floats  # with nothing moved
    slope: Floats  # (ranges, rows): what a degree of each range adds
    U: Floats  # (rows,): of what is predicted

    def best(self, hope: Levels) -> Floats:
        """How far each range moves.

        ``hope`` is the level that each item can reach by itself. Where not all can together, as
        many as can be are brought inside, units before pairs, and of equals what was inside stays
        so. Between equals the least movement. Raises ArithmeticError where there is no solution.
        """
        none = np.full_like(hope, OUTSIDE)
        ways: list[Callable[[], Levels]]
        ways = [lambda: hope, lambda: self._most_inside(hope), lambda: none]
        for items in ways:
            if (found := self._ordered(items())) is not None:
                return found
        raise ArithmeticError("the correction has no solution")

    def _held(self, items: Levels) -> tuple[Floats, Floats]:
        """The limits that keep each item at its level."""
        level = items[self.task.item]
        low, high = np.full(len(level), -np.inf), np.full(len(level), np.inf)
        for each in (INCONCLUSIVE, INSIDE):
            least, most = self.task.limits(each, self.U)
            edge = np.minimum(EDGE, np.maximum(0.0, most - least) / 4.0)
            low = np.where(level == each, least + edge, low)
            high = np.where(level == each, most - edge, high)
        return low, high

    def _ordered(self, items: Levels) -> Floats | None:
        """The greatest strain least of the items that are inside, then of the others; None if the
        items cannot all be at their levels."""
        moving = np.any(self.slope, axis=0)
        low, high = self._held(items)
        limits = np.where(moving, low, -np.inf), np.where(moving, high, np.inf)
        inside = items[self.task.item] == INSIDE
        cap = np.full(len(self.errors), np.inf)
        by: Floats | None = None
        for part in (inside & moving, ~inside & moving):
            counted = part
            for _ in range(len(self.ranges) + 1):
                if not counted.any():
                    break
                found = self._solve(counted, cap, limits)
                if found is None:
                    return by
                by, binding = found
                moved = self.errors + by @ self.slope
                least = float(self.task.strains(moved, moved)[counted].max())
                cap = np.where(counted, np.minimum(cap, least + NOTHING), cap)
                counted = counted & ~binding
        return by

    def _solve(
        self, counted: Bools, cap: Floats, limits: tuple[Floats, Floats]
    ) -> tuple[Floats, Bools] | None:
        """The movements with the least greatest strain of the ``counted`` rows, and which rows
        bind.

        No strain is to be greater than its ``cap``, and all errors within ``limits``. None when
        that cannot be. A row binds when its constraint has a dual value: it is as great in every
        solution.
        """
        from scipy.optimize import linprog

        n, m = len(self.ranges), len(self.errors)
        late, early = self.task.sides
        eye, none = np.eye(n), np.zeros((n, 1))
        gap, zero = np.zeros((m, n)), np.zeros((m, 1))
        up, down = np.hstack([self.slope.T, gap]), np.hstack([-self.slope.T, gap])
        prefer = np.array([move.prefer for move in self.ranges])
        never = np.where(counted, 0.0, np.inf)  # a row that is not counted bounds nothing
        # Unknown: the n movements, the n distances from where each would best stay, the strain.
        blocks = [
            (np.hstack([up, -early[:, None]]), -self.errors + never),
            (np.hstack([down, -late[:, None]]), self.errors + never),
            (np.hstack([eye, -eye, none]), prefer),
            (np.hstack([-eye, -eye, none]), -prefer),
            (np.hstack([up, zero]), np.minimum(cap * early, limits[1]) - self.errors),
            (np.hstack([down, zero]), np.minimum(cap * late, -limits[0]) + self.errors),
        ]
        left = np.vstack([block for block, _ in blocks])
        right = np.concatenate([bound for _, bound in blocks])
        bounding = np.isfinite(right)
        cost = np.concatenate([np.zeros(n), np.array([m.dislike for m in self.ranges]), np.ones(1)])
        bounds = [*((m.low, m.high) for m in self.ranges), *[(0.0, None)] * (n + 1)]
        solved = linprog(
            cost, A_ub=left[bounding], b_ub=right[bounding], bounds=bounds, method="highs"
        )  # fmt: skip
        if solved.x is None:
            return None
        duals = np.zeros(len(right))
        duals[bounding] = np.abs(solved.ineqlin.marginals)
        weight = duals[:m] * early + duals[m : 2 * m] * late  # they add up to 1
        return np.asarray(solved.x[:n], np.float64), weight > BINDING

    def _most_inside(self, hope: Levels) -> Levels:
        """The levels of the items where the fewest are outside, then inconclusive; units first.

        Unknown: the n movements, then for each item whether it is not outside, and whether inside.
        """
        from scipy.optimize import Bounds, LinearConstraint, milp

        task, n, k = self.task, len(self.ranges), self.task.items
        ends = np.array([[move.low, move.high] for move in self.ranges])
        least, most = (self.errors + each for each in spans_of(self.ranges, self.slope))
        left, high = [], []
        for place, level in ((n, INCONCLUSIVE), (n + k, INSIDE)):
            lower, upper = task.limits(level, self.U)
            for r in np.flatnonzero(hope[task.item] <= level):
                for sign, end, limit in ((1.0, most[r], upper[r]), (-1.0, -least[r], -lower[r])):
                    if end <= limit:
                        continue
                    row = np.zeros(n + 2 * k)
                    row[:n] = sign * self.slope[:, r]
                    row[place + task.item[r]] = end - limit + 2.0 * SAFE  # no bound where it is 0
                    left.append(row)
                    high.append(end - sign * self.errors[r] + SAFE)
        for i in range(k):  # inside is not outside
            row = np.zeros(n + 2 * k)
            row[n + k + i], row[n + i] = 1.0, -1.0
            left.append(row)
            high.append(0.0)
        base = float(k + 1)
        is_unit = np.arange(k) < task.units
        cost = np.concatenate(
            [
                np.zeros(n),
                -np.where(is_unit, base**3, base),
                -np.where(is_unit, base**2, 1.0) - np.where(task.was_inside, 0.5 / base, 0.0),
            ]
        )
        may = np.concatenate([hope <= INCONCLUSIVE, hope <= INSIDE]).astype(np.float64)
        solved = milp(
            cost,
            integrality=np.concatenate([np.zeros(n), np.ones(2 * k)]),
            bounds=Bounds(
                np.concatenate([ends[:, 0], np.zeros(2 * k)]), np.concatenate([ends[:, 1], may])
            ),
            constraints=LinearConstraint(np.array(left), -np.inf, np.array(high)),
        )
        if solved.x is None:
            return np.full(k, OUTSIDE)
        chosen = np.round(solved.x[n:])
        return np.where(chosen[k:] > 0, INSIDE, np.where(chosen[:k] > 0, INCONCLUSIVE, OUTSIDE))
