"""The board's encoder counter: counts, neighbours of an edge, times in the quadrature states."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.virtual.curve import Ints
from rig.virtual.edges import Edge
from rig.virtual.pins import Pins
from rig.wire.line import hexadecimal

WAIT_US = 250_000
"""How long an edge waits for the encoder edges after it."""
LONG_VISIT_US = 65_536
TOO_OLD_US = 1 << 31


@dataclass(frozen=True, slots=True)
class Look:
    """What the counter shows when the board looks at it; low and high since it last looked."""

    count: int
    low: int
    high: int
    steps: int  # so far, in all
    illegal: int
    widths: tuple[int, ...]  # totals of time in states 0 to 3, visits that do not count


class Counter:
    """Encoder steps as the board sees them, from its start.

    The history holds the time of each step, its direction (0 at the start and where both channels
    changed: nothing is told beyond that), the count after it, and the totals up to it: times in
    the four states, visits that do not count, illegal transitions.
    """

    def __init__(self, began_us: int, count: int) -> None:
        self._t_us = np.array([began_us], np.int64)
        self._step = np.zeros(1, np.int64)
        self._count = np.array([count], np.int64)
        self._totals = np.zeros((1, 6), np.int64)
        self._forgotten = 0  # steps that are no longer in the history
        self._looked = 0  # step up to which the board has looked, forgotten ones included
        self._ignore = self._merge = 0

    @property
    def count(self) -> int:
        return int(self._count[-1])

    def ignore(self, cycles: int) -> None:
        """Fault: so many cycles of four steps are not seen, the next time that four go one way."""
        self._ignore += cycles

    def merge(self, pairs: int) -> None:
        """Fault: of the next steps, so many pairs are seen as one change of both channels."""
        self._merge += pairs

    def feed(self, pins: Pins, look_us: list[int]) -> list[Look]:
        """Take in the steps; what the board sees at each of ``look_us``, which grow."""
        self._append(*self._faulty(pins.step_us, pins.step))
        if not look_us:
            return []
        upto = np.searchsorted(self._t_us, np.asarray(look_us, np.int64), side="right") - 1
        starts = np.concatenate([[self._looked - self._forgotten], upto[:-1]])
        # From the count at the last look to the count at this one, both included.
        seen, now = self._count[: upto[-1] + 1], self._count[upto]
        low = np.minimum(np.minimum.reduceat(seen, starts), now)
        high = np.maximum(np.maximum.reduceat(seen, starts), now)
        self._looked = int(upto[-1]) + self._forgotten
        steps = upto + self._forgotten
        rows = zip(now.tolist(), low.tolist(), high.tolist(), steps.tolist(), strict=True)
        totals = self._totals[upto].tolist()
        return [
            Look(*row, all_[5], tuple(all_[:5])) for row, all_ in zip(rows, totals, strict=True)
        ]

    def after(self, t_us: Ints) -> Ints:
        """Number of steps from the start up to each time, steps at that very time included."""
        return np.searchsorted(self._t_us, t_us, side="right") + self._forgotten

    def ready_us(self, edge: Edge) -> int:
        """When all that can be told of an edge is known."""
        second = edge.at - self._forgotten + 1
        late = edge.t_us + WAIT_US
        return min(int(self._t_us[second]), late) if second < len(self._t_us) else late

    def around(self, edge: Edge) -> tuple[int, list[str]]:
        """Count at the edge; the two steps before it and the two after, as fields."""
        after = edge.at - self._forgotten
        one, two = self._told(after - 1, edge.t_us), self._told(after - 2, edge.t_us)
        three, four = self._told(after, edge.t_us), self._told(after + 1, edge.t_us)
        if one == ".":
            two = "."
        if three == ".":
            four = "."
        return int(self._count[after - 1]), [two, one, three, four]

    def _told(self, which: int, t_us: int) -> str:
        if not 0 <= which < len(self._t_us) or self._step[which] == 0:
            return "."
        distance = abs(int(self._t_us[which]) - t_us)
        if distance >= TOO_OLD_US or (self._t_us[which] - t_us) > WAIT_US:
            return "."
        return ("+" if self._step[which] > 0 else "-") + hexadecimal(distance)

    def forget(self, oldest: int | None) -> None:
        """Drop what no edge needs any more; ``oldest`` is the ``at`` of the oldest that waits."""
        last = self._forgotten + len(self._t_us)
        keep = min(last if oldest is None else oldest, self._looked)
        drop = max(keep - 3 - self._forgotten, 0)
        self._forgotten += drop
        self._t_us, self._step = self._t_us[drop:], self._step[drop:]
        self._count, self._totals = self._count[drop:], self._totals[drop:]

    def _append(self, t_us: Ints, step: Ints) -> None:
        n = len(self._t_us)
        illegal = np.abs(step) > 1
        change = np.where(illegal, 2 * _last_way(self._step, step), step)
        self._t_us = np.concatenate([self._t_us, t_us])
        self._step = np.concatenate([self._step, np.where(illegal, 0, step)])
        self._count = np.concatenate([self._count, self.count + np.cumsum(change)])
        # A visit is the time between two steps; it belongs to the state entered by the first.
        lasted = np.diff(self._t_us[n - 1 :])
        entered, left = self._step[n - 1 : -1], self._step[n:]
        good = (entered == left) & (left != 0) & (lasted < LONG_VISIT_US)
        new = np.zeros((len(t_us), 6), np.int64)
        rows = np.flatnonzero(good)
        new[rows, self._count[n - 1 : -1][rows] % 4] = lasted[rows]
        new[:, 4], new[:, 5] = ~good, illegal
        self._totals = np.concatenate([self._totals, self._totals[-1] + np.cumsum(new, axis=0)])

    def _faulty(self, t_us: Ints, step: Ints) -> tuple[Ints, Ints]:
        """The steps without those that the faults asked for make unseen."""
        if self._ignore and len(step) >= 4 * self._ignore:
            n = 4 * self._ignore
            sums = np.convolve(step, np.ones(n, np.int64), "valid")
            places = np.flatnonzero(np.abs(sums) == n)
            if len(places):
                gone = slice(int(places[0]), int(places[0]) + n)
                t_us, step = np.delete(t_us, gone), np.delete(step, gone)
                self._ignore = 0
        if self._merge and len(step) > 8:
            first = np.arange(4, len(step) - 1, 8)[: self._merge]
            first = first[step[first] == step[first + 1]]
            step = step.copy()
            step[first + 1] *= 2
            t_us, step = np.delete(t_us, first), np.delete(step, first)
            self._merge -= len(first)
        return t_us, step


def _last_way(before: Ints, step: Ints) -> Ints:
    """Direction of the last legal step before each of ``step``; +1 when there was none."""
    both = np.concatenate([before[-3:], step])
    legal = np.abs(both) == 1
    last = np.maximum.accumulate(np.where(legal, np.arange(len(both)), -1))
    way = np.where(last >= 0, both[np.maximum(last, 0)], 1)
    return np.asarray(way[len(both) - len(step) :])
