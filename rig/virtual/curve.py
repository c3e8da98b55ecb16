"""A quantity over time as monotone cubic pieces: when does it pass which level?

The hand, the rotor and the encoder are all such curves. Nothing is sampled: the instants at which
levels are passed come from inverting the cubics, so that a virtual job costs what happens in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

START, C0, C1, C2, C3, LO, HI, Y_LO, Y_HI, TAG = range(10)
"""Columns of a curve's table: time at which the piece's own time is 0, four coefficients, the
bounds of its own time, the values at these bounds, and a mark that is carried along."""


@dataclass(frozen=True, slots=True)
class Passed:
    """Levels passed, in order of time: ``level`` is an index into the levels asked for."""

    t_s: Floats
    level: Ints
    step: NDArray[np.int8]  # +1 going up, -1 going down
    tag: Ints

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True, slots=True)
class Curve:
    """Pieces in order of time, shape (n, 10). Between two pieces the value stands still.

    The value at the end of a piece equals the value at the start of the next to the last bit, so
    that no level is passed twice or missed at a joint.
    """

    table: Floats

    def __len__(self) -> int:
        return len(self.table)

    @property
    def end_s(self) -> float:
        return float(self.table[-1, START] + self.table[-1, HI])

    @property
    def last(self) -> float:
        return float(self.table[-1, Y_HI])

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest value."""
        ends = self.table[:, Y_LO : Y_HI + 1]
        return float(ends.min()), float(ends.max())

    def shifted(self, by: float) -> Curve:
        table = self.table.copy()
        table[:, [C0, Y_LO, Y_HI]] += by
        return Curve(table)

    def passed(self, levels: Floats) -> Passed:
        """When ``levels`` (growing) are passed.

        A level is passed going up when the value becomes at least as high, and going down when it
        becomes lower.
        """
        below = np.searchsorted(levels, self.table[:, Y_LO : Y_HI + 1], side="right")
        change = below[:, 1] - below[:, 0]
        number = np.abs(change)
        piece = np.repeat(np.arange(len(self.table)), number)
        step = np.sign(change)[piece]
        nth = np.arange(len(piece)) - np.repeat(np.cumsum(number) - number, number)
        level = below[piece, 0] + np.where(step > 0, nth, -1 - nth)
        rows = self.table[piece]
        t_s = rows[:, START] + _solve(rows, levels[level])
        return Passed(
            np.maximum.accumulate(t_s) if len(t_s) else t_s,
            level.astype(np.int64),
            step.astype(np.int8),
            rows[:, TAG].astype(np.int64),
        )

    def values(self, t_s: Floats) -> Floats:
        """Value at each time; before the first piece and after the last it stands still."""
        row, own = self._find(t_s)
        return np.where(
            own >= row[:, HI],
            row[:, Y_HI],
            ((row[:, C3] * own + row[:, C2]) * own + row[:, C1]) * own + row[:, C0],
        )

    def slopes(self, t_s: Floats) -> Floats:
        """Rate of change a second at each time; 0 where it stands still."""
        row, own = self._find(t_s)
        slope = (3.0 * row[:, C3] * own + 2.0 * row[:, C2]) * own + row[:, C1]
        return np.where(own >= row[:, HI], 0.0, slope)

    def _find(self, t_s: Floats) -> tuple[Floats, Floats]:
        begins = self.table[:, START] + self.table[:, LO]
        row = self.table[np.maximum(np.searchsorted(begins, t_s, side="right") - 1, 0)]
        return row, np.clip(t_s - row[:, START], row[:, LO], row[:, HI])

    def until(self, t_s: float) -> Curve:
        """The part before ``t_s``."""
        begins = self.table[:, START] + self.table[:, LO]
        table = self.table[: max(int(np.searchsorted(begins, t_s, side="left")), 1)].copy()
        end = t_s - table[-1, START]
        if end < table[-1, HI]:
            value = self.values(np.array([t_s]))[0]
            table[-1, HI], table[-1, Y_HI] = end, value
        return Curve(table)


def _solve(rows: Floats, level: Floats) -> Floats:
    """Own time at which each monotone piece has its ``level``: Newton, held by bisection."""
    low, high = rows[:, LO].copy(), rows[:, HI].copy()
    sign = np.sign(rows[:, Y_HI] - rows[:, Y_LO])
    rise = rows[:, Y_HI] - rows[:, Y_LO]
    share = np.divide(level - rows[:, Y_LO], rise, out=np.zeros_like(rise), where=rise != 0.0)
    own: Floats = low + (high - low) * np.clip(share, 0.0, 1.0)
    todo = np.arange(len(rows))
    for _ in range(60):
        row, x = rows[todo], own[todo]
        over = ((row[:, C3] * x + row[:, C2]) * x + row[:, C1]) * x + row[:, C0] - level[todo]
        over *= sign[todo]
        high[todo] = np.where(over > 0.0, x, high[todo])
        low[todo] = np.where(over > 0.0, low[todo], x)
        slope = ((3.0 * row[:, C3] * x + 2.0 * row[:, C2]) * x + row[:, C1]) * sign[todo]
        new = x - np.divide(over, slope, out=np.full_like(x, np.inf), where=slope > 0.0)
        inside = (new >= low[todo]) & (new <= high[todo])
        new = np.where(inside, new, 0.5 * (low[todo] + high[todo]))
        own[todo] = new
        todo = todo[np.abs(new - x) > 1e-11]
        if not len(todo):
            break
    return own


def through_knots(t_s: Floats, value: Floats, slope: Floats, tag: int = 0) -> Curve:
    """The cubic Hermite curve through knots, cut at its turning points.

    Source of the basis: Hermite interpolation, any textbook; scipy's CubicHermiteSpline agrees.
    """
    h = np.diff(t_s)
    secant = np.diff(value) / h
    c1 = slope[:-1]
    c2 = (3.0 * secant - 2.0 * slope[:-1] - slope[1:]) / h
    c3 = (slope[:-1] + slope[1:] - 2.0 * secant) / (h * h)
    cuts = np.column_stack([np.zeros_like(h), *_turns(c1, c2, c3, h), h])
    at = ((c3[:, None] * cuts + c2[:, None]) * cuts + c1[:, None]) * cuts + value[:-1, None]
    at[:, 0], at[:, -1] = value[:-1], value[1:]
    table = np.empty((len(h), 3, 10))
    for column, values in zip(
        (START, C0, C1, C2, C3), (t_s[:-1], value[:-1], c1, c2, c3), strict=True
    ):
        table[:, :, column] = values[:, None]
    table[:, :, LO], table[:, :, HI] = cuts[:, :-1], cuts[:, 1:]
    table[:, :, Y_LO], table[:, :, Y_HI] = at[:, :-1], at[:, 1:]
    table[:, :, TAG] = tag
    keep = cuts[:, 1:] > cuts[:, :-1]
    return Curve(table[keep])


def _turns(c1: Floats, c2: Floats, c3: Floats, h: Floats) -> tuple[Floats, Floats]:
    """The two turning points of each cubic in (0, h); where there is none, 0 or ``h``."""
    inner = c2 * c2 - 3.0 * c1 * c3
    root = np.sqrt(np.maximum(inner, 0.0))
    # The usual stable pair of roots of 3 c3 x^2 + 2 c2 x + c1 = 0.
    q = -(c2 + np.copysign(root, c2))
    nothing = np.zeros_like(h)
    one = np.divide(q, 3.0 * c3, out=nothing.copy(), where=c3 != 0.0)
    two = np.divide(c1, q, out=nothing.copy(), where=q != 0.0)
    real = inner > 0.0
    inside = [np.where(real & (x > 0.0) & (x < h), x, 0.0) for x in (one, two)]
    earlier: Floats = np.minimum(*inside)
    later: Floats = np.maximum(*inside)
    return earlier, later


def still(t_s: float, until_s: float, value: float) -> Curve:
    """Standing still."""
    row = [t_s, value, 0.0, 0.0, 0.0, 0.0, until_s - t_s, value, value, 0.0]
    return Curve(np.array([row]))


def join(*curves: Curve) -> Curve:
    return Curve(np.concatenate([curve.table for curve in curves]))
