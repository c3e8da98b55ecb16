"""Run-up: how far the crank has come in the normal direction since it last went back.

Drives have play; a reading counts only when the slack is taken up. A hand trembles: a backward
movement up to ``forgiven`` is passed over, once its furthest point is passed again; a larger one
begins the run-up anew. The start of a recording counts as a reversal.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_FEW = 12
"""So many records are done one by one in less time than all at once."""


class RunUp:
    """State of the run-up, in counts that grow in the normal direction.

    A count stands for its middle: the crank was within half a count of it.
    """

    __slots__ = ("_forgiven", "furthest", "start")

    def __init__(self, forgiven: float) -> None:
        self._forgiven = forgiven
        self.start: float | None = None
        self.furthest = 0.0

    def moved(self, low: float, high: float, now: float) -> None:
        """The crank is at ``now`` and was between ``low`` and ``high`` since the last call.

        A move back is measured from the furthest point before, and from ``high`` to ``now``.
        """
        if self.start is None:
            self.start, self.furthest = now, now
            return
        if low < self.start or self.furthest - low > self._forgiven:
            self.start, self.furthest = low, now
            return
        self.furthest = max(self.furthest, high)
        if self.furthest - now > self._forgiven:
            self.start, self.furthest = now, now

    def moved_along(self, low: Floats, high: Floats, now: Floats) -> tuple[Floats, Floats]:
        """The same as ``moved`` for each of n records in turn, shapes (n,).

        Gives ``start`` (NaN: none yet) and ``furthest`` before the first and after each of them,
        shapes (n + 1,).
        """
        starts, furthests = np.empty(len(now) + 1), np.empty(len(now) + 1)
        starts[0], furthests[0] = math.nan if self.start is None else self.start, self.furthest
        at, size = 0, len(now)
        while at < len(now):
            upto = min(at + size, len(now))
            reached = self._onward(low[at:upto], high[at:upto], now[at:upto])
            if reached is not None:
                starts[at + 1 : upto + 1], furthests[at + 1 : upto + 1] = self.start, reached
                size *= 4
            else:
                size = _FEW
                upto = min(at + size, len(now))
                for i in range(at, upto):
                    self.moved(float(low[i]), float(high[i]), float(now[i]))
                    starts[i + 1], furthests[i + 1] = self.start, self.furthest
            at = upto
        return starts, furthests

    def _onward(self, low: Floats, high: Floats, now: Floats) -> Floats | None:
        """The furthest after each record, when there are some and in none it begins anew."""
        if self.start is None or len(now) < _FEW:
            return None
        reached = np.maximum.accumulate(np.concatenate(([self.furthest], high)))
        if (
            low.min() < self.start
            or (reached[:-1] - low).max() > self._forgiven
            or (reached[1:] - now).max() > self._forgiven
        ):
            return None
        self.furthest = float(reached[-1])
        return reached[1:]

    def judge(self, at: float) -> tuple[float, bool]:
        """Run-up at place ``at`` in counts, and whether ``at`` is beyond all that was forgiven."""
        start = at if self.start is None else self.start
        return max(at - start, 0.0), at >= self.furthest - 0.5
