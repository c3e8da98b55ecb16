"""A lull: the crank gains no new ground, as when a hand holds it and trembles.

Turned slowly, a crank gains a count within moments; held, it goes to and fro below the furthest
place that it has reached.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Lull:
    """Since when no new ground was gained, and the lowest place since. Counts grow forward."""

    __slots__ = ("_furthest", "_lowest", "_since_us")

    def __init__(self) -> None:
        self._since_us, self._lowest, self._furthest = math.inf, 0.0, math.nan

    def along(self, t_us: Floats, low: Floats, furthest: Floats) -> tuple[Floats, Floats]:
        """Time since which none was gained (inf before any position) and the lowest place since,
        before the first of n positions and after each of them, shapes (n + 1,).

        ``t_us`` and ``low`` of the positions, shapes (n,), and the run-up's ``furthest`` place
        after each of them, shape (n,).
        """
        gained = np.diff(furthest, prepend=self._furthest) != 0.0
        stretch = np.concatenate(([0], np.cumsum(gained)))
        since = np.concatenate(([self._since_us], t_us[gained]))[stretch]
        # One running minimum for all: each stretch is put below everything that came before it.
        lowest = np.concatenate(([self._lowest], low))
        below = stretch * (lowest.max() - lowest.min() + 1.0)
        lowest = np.minimum.accumulate(lowest - below) + below
        self._since_us, self._lowest = float(since[-1]), float(lowest[-1])
        self._furthest = float(furthest[-1]) if len(furthest) else self._furthest
        return since, lowest
