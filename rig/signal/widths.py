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
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

LEAST_COUNTS = 40
"""Counts in a stretch: ten whole lines, over which a change of speed falls on all states alike."""
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
        self._mean = [0.0] * 4
        self._square = [0.0] * 4
        self._weight = 0.0
        self._last: tuple[int, Sequence[float], int] | None = None

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
        if self.n < LEAST_STRETCHES:
            return EVEN
        mean = [total / self._weight for total in self._mean]
        sure = False
        for one, total in zip(mean, self._square, strict=True):
            variance = max(total / self._weight - one * one, 0.0) / (self.n - 1)
            sure = sure or (one - 1.0) ** 2 > SURE**2 * max(variance, 1e-12)
        if not sure:
            return EVEN
        # State s lies between boundary s and boundary s + 1.
        first = mean[0] - 1.0
        second = first + mean[1] - 1.0
        return (0.0, first, second, second + mean[2] - 1.0)

    @property
    def shares(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Widths of states 0..3 in counts (mean 1) and their standard errors, shapes (4,)."""
        if self.n < 2:
            return np.ones(4), np.full(4, math.inf)
        mean = np.array(self._mean) / self._weight
        variance = np.maximum(np.array(self._square) / self._weight - mean**2, 0.0)
        return mean, np.sqrt(variance / (self.n - 1))

    def take(self, count: int, dwell_us: Sequence[float], breaks: int) -> None:
        """A width record: totals up to ``count``; ``dwell_us`` has 4 numbers."""
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
        # Plain numbers, not arrays: this is done four times for every second of a capture.
        first = before if moved > 0 else count + 1
        whole, rest = divmod(abs(moved), 4)
        a = (dwell_us[0] - totals[0]) / (whole + (-first % 4 < rest))
        b = (dwell_us[1] - totals[1]) / (whole + ((1 - first) % 4 < rest))
        c = (dwell_us[2] - totals[2]) / (whole + ((2 - first) % 4 < rest))
        d = (dwell_us[3] - totals[3]) / (whole + ((3 - first) % 4 < rest))
        if a <= 0 or b <= 0 or c <= 0 or d <= 0:
            return
        weight = float(abs(moved))
        scale = 4.0 / (a + b + c + d)
        mean, square = self._mean, self._square
        for state, visit in ((0, a), (1, b), (2, c), (3, d)):
            share = scale * visit
            mean[state] += weight * share
            square[state] += weight * share * share
        self.n += 1
        self._weight += weight
        self._offsets = None
