"""How wide the four quadrature states of the encoder really are, from the time spent in them.

A light encoder's A and B are seldom a quarter of a line apart, and a state may be wider than its
neighbour by half. While the crank turns, the time spent in a state is its width over the speed.
Speed is taken out by comparing states within short stretches of one movement: in a stretch from
count c1 to count c2 the visits completed are known exactly, so each state's mean visit can be set
against the stretch's own mean. Assumption: over some hundred stretches, accelerations fall on all
four states alike.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

LEAST_COUNTS = 12
"""Counts in a stretch: three whole lines, so that every state was visited at least twice."""
MOST_COUNTS = 4000
LEAST_STRETCHES = 8
SURE = 4.0
"""A state's width is corrected once it differs from a quarter line by this many standard errors."""

Offsets = tuple[float, float, float, float]
EVEN: Offsets = (0.0, 0.0, 0.0, 0.0)


class Widths:
    """Boundary offsets of the four states, as measured so far.

    ``offsets`` (4 floats, in counts) say how far boundary k lies above where equal states would
    put it, by k % 4, up to a common constant. Zeros until there is something sure to correct.
    """

    def __init__(self) -> None:
        self._offsets: Offsets | None = EVEN
        self.n = 0
        self._mean = np.zeros(4)
        self._square = np.zeros(4)
        self._weight = 0.0
        self._last: tuple[int, NDArray[np.float64], int] | None = None

    def restart(self) -> None:
        """The rig's totals begin anew; what was measured of the encoder stays."""
        self._last = None

    @property
    def offsets(self) -> Offsets:
        """Four floats, in counts: see the class."""
        if self._offsets is None:
            self._offsets = self._measured()
        return self._offsets

    def _measured(self) -> Offsets:
        widths, errors = self.shares
        unequal = np.abs(widths - 1.0) > SURE * np.maximum(errors, 1e-6)
        if self.n < LEAST_STRETCHES or not unequal.any():
            return EVEN
        # State s lies between boundary s and boundary s + 1.
        first, second, third = (float(x) for x in np.cumsum(widths[:3] - 1.0))
        return (0.0, first, second, third)

    @property
    def shares(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Widths of states 0..3 in counts (mean 1) and their standard errors, shapes (4,)."""
        if self.n < 2:
            return np.ones(4), np.full(4, math.inf)
        variance = np.maximum(self._square / self._weight - (self._mean / self._weight) ** 2, 0.0)
        return self._mean / self._weight, np.sqrt(variance / (self.n - 1))

    def take(self, count: int, dwell_us: NDArray[np.float64], breaks: int) -> None:
        """A width record: totals up to ``count``."""
        if self._last is None:
            self._last = (count, dwell_us, breaks)
            return
        before, totals, breaks_before = self._last
        moved = count - before
        if breaks == breaks_before and abs(moved) < LEAST_COUNTS:
            return
        self._last = (count, dwell_us, breaks)
        if breaks != breaks_before or abs(moved) > MOST_COUNTS:
            return
        first = before if moved > 0 else count + 1
        visits = np.bincount(np.arange(first, first + abs(moved)) % 4, minlength=4)
        mean_us = (dwell_us - totals) / visits
        if mean_us.min() <= 0:
            return
        share = 4.0 * mean_us / mean_us.sum()
        weight = float(abs(moved))
        self.n += 1
        self._weight += weight
        self._mean += weight * share
        self._square += weight * share**2
        self._offsets = None
