"""Where the means that slide are best put: small linear programs.

First which items can be brought inside together, then the greatest strain of those least, then the
greatest of the others. Source: lexicographic minimax by linear programming; the choice of items by
a mixed-integer program.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.timing.correction.moves import Range
from rig.timing.correction.task import EDGE, INCONCLUSIVE, INSIDE, OUTSIDE, Floats, Levels, Task

NOTHING = 1e-6  # degrees: a range moved by less is not moved
BINDING = 0.01  # share of the strain; less may come from the cost of movement alone
SAFE = 1e-4  # degrees: what a mixed-integer solution may be off by
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Rows:
    """What is to be brought where: one row for each want and pair. Degrees."""

    task: Task
    errors: Floats  # with nothing moved
    slope: Floats  # (ranges, rows): what a degree of each range adds
    U: Floats  # (rows,): of what is predicted
    before: Bools  # (rows,): of items that are inside as they stand

    def moved(self, by: Floats) -> Floats:
        """The errors once the ranges are moved."""
        return np.asarray(self.errors + by @ self.slope, np.float64)

    def held(self, items: Levels) -> tuple[Floats, Floats]:
        """The limits that keep each item at its level."""
        level = items[self.task.item]
        low, high = np.full(len(level), -np.inf), np.full(len(level), np.inf)
        for each in (INCONCLUSIVE, INSIDE):
            least, most = self.task.limits(each, self.U)
            edge = np.minimum(EDGE, np.maximum(0.0, most - least) / 4.0)
            low = np.where(level == each, least + edge, low)
            high = np.where(level == each, most - edge, high)
        return low, high


def slide(rows: Rows, ranges: Sequence[Range], hope: Levels) -> Floats:
    """How far each range moves.

    ``hope`` is the level that each item can reach by itself. Where not all can together, as many as
    can be are brought inside, units before pairs, and of equals what was inside stays so. Between
    equals the least movement. Raises ArithmeticError where there is no solution.
    """
    found = _ordered(rows, ranges, hope)
    if found is None:
        found = _ordered(rows, ranges, _most_inside(rows, ranges, hope))
    if found is None:
        found = _ordered(rows, ranges, np.full(rows.task.items, OUTSIDE))
    if found is None:
        raise ArithmeticError("the correction has no solution")
    return found


def _ordered(rows: Rows, ranges: Sequence[Range], items: Levels) -> Floats | None:
    """The greatest strain least of the items that are inside, then of the others; None if the
    items cannot all be at their levels."""
    moving = np.any(rows.slope, axis=0)
    low, high = rows.held(items)
    limits = np.where(moving, low, -np.inf), np.where(moving, high, np.inf)
    inside = items[rows.task.item] == INSIDE
    cap = np.full(len(rows.errors), np.inf)
    by: Floats | None = None
    for part in (inside & moving, ~inside & moving):
        counted = part
        for _ in range(len(ranges) + 1):
            if not counted.any():
                break
            found = _solve(rows, ranges, counted, cap, limits)
            if found is None:
                return by
            by, binding = found
            moved = rows.moved(by)
            least = float(rows.task.strains(moved, moved)[counted].max())
            cap = np.where(counted, np.minimum(cap, least + NOTHING), cap)
            counted = counted & ~binding
    return by


def _solve(
    rows: Rows,
    ranges: Sequence[Range],
    counted: Bools,
    cap: Floats,
    limits: tuple[Floats, Floats],
) -> tuple[Floats, Bools] | None:
    """The movements with the least greatest strain of the ``counted`` rows, and which rows bind.

    No strain is to be greater than its ``cap``, and all errors within ``limits``. None when that
    cannot be. A row binds when its constraint has a dual value: it is as great in every solution.
    """
    from scipy.optimize import linprog

    n, m = len(ranges), len(rows.errors)
    late, early = rows.task.sides
    eye, none = np.eye(n), np.zeros((n, 1))
    gap, zero = np.zeros((m, n)), np.zeros((m, 1))
    up, down = np.hstack([rows.slope.T, gap]), np.hstack([-rows.slope.T, gap])
    prefer = np.array([move.prefer for move in ranges])
    never = np.where(counted, 0.0, np.inf)  # a row that is not counted bounds nothing
    # Unknown: the n movements, the n distances from where each would best stay, the strain.
    blocks = [
        (np.hstack([up, -early[:, None]]), -rows.errors + never),
        (np.hstack([down, -late[:, None]]), rows.errors + never),
        (np.hstack([eye, -eye, none]), prefer),
        (np.hstack([-eye, -eye, none]), -prefer),
        (np.hstack([up, zero]), np.minimum(cap * early, limits[1]) - rows.errors),
        (np.hstack([down, zero]), np.minimum(cap * late, -limits[0]) + rows.errors),
    ]
    left = np.vstack([block for block, _ in blocks])
    right = np.concatenate([bound for _, bound in blocks])
    bounding = np.isfinite(right)
    cost = np.concatenate([np.zeros(n), np.array([m.dislike for m in ranges]), np.ones(1)])
    bounds = [*((m.low, m.high) for m in ranges), *[(0.0, None)] * (n + 1)]
    solved = linprog(
        cost, A_ub=left[bounding], b_ub=right[bounding], bounds=bounds, method="highs"
    )  # fmt: skip
    if solved.x is None:
        return None
    duals = np.zeros(len(right))
    duals[bounding] = np.abs(solved.ineqlin.marginals)
    weight = duals[:m] * early + duals[m : 2 * m] * late  # they add up to 1
    return np.asarray(solved.x[:n], np.float64), weight > BINDING


def _most_inside(rows: Rows, ranges: Sequence[Range], hope: Levels) -> Levels:
    """The levels of the items where as few as can be are outside, then inconclusive; units first.

    Unknown: the n movements, then for each item whether it is not outside, and whether inside.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    task, n, k = rows.task, len(ranges), rows.task.items
    ends = np.array([[move.low, move.high] for move in ranges])
    spans = np.sort(rows.slope[:, :, None] * ends[:, None, :], axis=2).sum(axis=0)
    least, most = rows.errors + spans[:, 0], rows.errors + spans[:, 1]
    left, low, high = [], [], []
    for place, level in ((n, INCONCLUSIVE), (n + k, INSIDE)):
        lower, upper = task.limits(level, rows.U)
        for r in np.flatnonzero(hope[task.item] <= level):
            for sign, end, limit in (
                (1.0, most[r], upper[r]),
                (-1.0, -least[r], -lower[r]),
            ):
                if end <= limit:
                    continue
                row = np.zeros(n + 2 * k)
                row[:n] = sign * rows.slope[:, r]
                row[place + task.item[r]] = end - limit + 2.0 * SAFE  # no bound where it is 0
                left.append(row)
                low.append(-np.inf)
                high.append(end - sign * rows.errors[r] + SAFE)
    for i in range(k):  # inside is not outside
        row = np.zeros(n + 2 * k)
        row[n + k + i], row[n + i] = 1.0, -1.0
        left.append(row)
        low.append(-np.inf)
        high.append(0.0)
    base = float(k + 1)
    is_unit = np.arange(k) < task.units
    was_inside = np.array([rows.before[task.item == i].all() for i in range(k)])
    cost = np.concatenate(
        [
            np.zeros(n),
            -np.where(is_unit, base**3, base),
            -np.where(is_unit, base**2, 1.0) - np.where(was_inside, 0.5 / base, 0.0),
        ]
    )
    may = np.concatenate([hope <= INCONCLUSIVE, hope <= INSIDE]).astype(np.float64)
    solved = milp(
        cost,
        integrality=np.concatenate([np.zeros(n), np.ones(2 * k)]),
        bounds=Bounds(
            np.concatenate([ends[:, 0], np.zeros(2 * k)]), np.concatenate([ends[:, 1], may])
        ),
        constraints=LinearConstraint(np.array(left), np.array(low), np.array(high)),
    )
    if solved.x is None:
        return np.full(k, OUTSIDE)
    chosen = np.round(solved.x[n:])
    return np.where(chosen[k:] > 0, INSIDE, np.where(chosen[:k] > 0, INCONCLUSIVE, OUTSIDE))
