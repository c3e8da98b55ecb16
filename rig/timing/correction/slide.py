"""Where the means that slide are best put: a small linear program."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.timing.correction.moves import Floats, Range

NOTHING = 1e-6  # degrees: a range moved by less is not moved
BINDING = 0.01  # share of the strain; less may come from the cost of movement alone
ROUNDS = 3  # times that what binds is set aside; by then what is left makes no odds


@dataclass(frozen=True, slots=True)
class Rows:
    """What is to be brought where: one row for each want and pair. Degrees."""

    errors: Floats  # with nothing moved
    slope: Floats  # (ranges, rows): what a degree of each range adds
    low: Floats  # errors from low to high are inside
    high: Floats
    late: Floats  # what an error is measured by, on either side: above 0
    early: Floats

    def moved(self, by: Floats) -> Floats:
        """The errors once the ranges are moved."""
        return np.asarray(self.errors + by @ self.slope, np.float64)

    def strain(self, errors: Floats, of: NDArray[np.bool_]) -> float:
        """The greatest error of some rows, as a part of what it is measured by."""
        return float(np.maximum(errors / self.early, -errors / self.late)[of].max())


def slide(rows: Rows, ranges: Sequence[Range], *, may_fit: bool) -> Floats:
    """How far each range moves: everything inside if that can be, the greatest strain least.

    ``may_fit`` is false where it is known that not all can be inside. What cannot be bettered is
    then left at that, and the greatest strain of the others made least in turn, as if it were not
    there. Between equals the least movement. Source: lexicographic minimax by linear programming.
    """
    counted = np.ones(len(rows.errors), bool)
    cap = np.full(len(rows.errors), np.inf)
    held = may_fit
    found = _solve(rows, ranges, counted, cap, held=True) if may_fit else None
    if found is None:
        held, found = False, _solve(rows, ranges, counted, cap, held=False)
    if found is None:
        raise ArithmeticError("the correction has no solution")
    for _ in range(ROUNDS):
        by, binding = found
        cap = np.where(counted & binding, rows.strain(rows.moved(by), counted) + NOTHING, cap)
        counted = counted & ~binding
        again = _solve(rows, ranges, counted, cap, held=held) if counted.any() else None
        if again is None:
            break
        found = again
    return found[0]


def _solve(
    rows: Rows,
    ranges: Sequence[Range],
    counted: NDArray[np.bool_],
    cap: Floats,
    *,
    held: bool,
) -> tuple[Floats, NDArray[np.bool_]] | None:
    """The movements with the least greatest strain of the ``counted`` rows, and which rows bind.

    No strain is to be greater than its ``cap``, and all rows inside if ``held``. None when that
    cannot be. A row binds when its constraint has a dual value: it is as great in every solution.
    """
    from scipy.optimize import linprog

    n, m = len(ranges), len(rows.errors)
    eye, none = np.eye(n), np.zeros((n, 1))
    gap, zero = np.zeros((m, n)), np.zeros((m, 1))
    up, down = np.hstack([rows.slope.T, gap]), np.hstack([-rows.slope.T, gap])
    prefer = np.array([move.prefer for move in ranges])
    never = np.where(counted, 0.0, np.inf)  # a row that is not counted bounds nothing
    outer = 0.0 if held else np.inf
    # Unknown: the n movements, the n distances from where each would best stay, the strain.
    blocks = [
        (np.hstack([up, -rows.early[:, None]]), -rows.errors + never),
        (np.hstack([down, -rows.late[:, None]]), rows.errors + never),
        (np.hstack([eye, -eye, none]), prefer),
        (np.hstack([-eye, -eye, none]), -prefer),
        (np.hstack([up, zero]), cap * rows.early - rows.errors),
        (np.hstack([down, zero]), cap * rows.late + rows.errors),
        (np.hstack([up, zero]), rows.high - rows.errors + outer),
        (np.hstack([down, zero]), rows.errors - rows.low + outer),
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
    weight = duals[:m] * rows.early + duals[m : 2 * m] * rows.late  # they add up to 1
    return np.asarray(solved.x[:n], np.float64), weight > BINDING
