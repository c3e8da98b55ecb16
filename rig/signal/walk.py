"""The positions of the crank in order of time, walked over as far as is sure."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.signal.lull import Lull
from rig.signal.runup import RunUp
from rig.signal.settings import Settings
from rig.wire.records import POSITION


class Walked(NamedTuple):
    """Times of n positions, and the run-up and the lull (``Lull.along``) before the first and after
    each: (n,), (n + 1,)."""

    t_us: NDArray[np.float64]
    start: NDArray[np.float64]
    furthest: NDArray[np.float64]
    lull_us: NDArray[np.float64]
    lull_low: NDArray[np.float64]


class Walk:
    """Keeps positions until their time has come, and then moves the run-up on over them.

    ``next_us`` is the time of the first that waits; inf when none does.
    """

    def __init__(self, settings: Settings) -> None:
        self.run_up = RunUp(settings.forgiven_deg / settings.count_deg)
        self._lull = Lull()
        self._direction = settings.direction
        self._columns(np.empty(0, POSITION))

    def add(self, positions: NDArray[np.void]) -> None:
        """Newer positions, dtype ``POSITION``, shape (n,)."""
        left = self._rows[self._walked :]
        self._columns(np.concatenate((left, positions), dtype=POSITION) if len(left) else positions)

    def _columns(self, rows: NDArray[np.void]) -> None:
        """Plain columns, in counts that grow in the normal direction."""
        low, high, now = rows["low"] + 0.5, rows["high"] + 0.5, rows["count"] + 0.5
        if self._direction < 0:
            low, high, now = -high, -low, -now
        self._rows, self._walked = rows, 0
        self._t_us = np.ascontiguousarray(rows["t_us"])
        self._low, self._high, self._now = low, high, now
        self.next_us = float(self._t_us[0]) if len(rows) else math.inf

    def waiting_before(self, t_us: float) -> NDArray[np.void]:
        """The positions before ``t_us`` that were not walked over yet."""
        ready = int(self._t_us[self._walked :].searchsorted(t_us))
        return self._rows[self._walked : self._walked + ready]

    def to(self, before_us: float) -> Walked:
        """Walk over the positions before ``before_us``, maybe none."""
        first = self._walked
        ready = first + int(self._t_us[first:].searchsorted(before_us))
        self._walked = ready
        self.next_us = float(self._t_us[ready]) if ready < len(self._t_us) else math.inf
        t_us, low = self._t_us[first:ready], self._low[first:ready]
        start, furthest = self.run_up.moved_along(
            low, self._high[first:ready], self._now[first:ready]
        )
        return Walked(t_us, start, furthest, *self._lull.along(t_us, low, furthest[1:]))
