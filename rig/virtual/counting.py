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
    widths: tuple[int, ...]  # time in states 0 to 3, visits that do not count


class Counter:
    """Encoder steps as the board sees them, from its start.

    Step 0 of the history is none: it stands for the start, or for a transition of unknown
    direction, beyond which nothing is told.
    """

    def __init__(self, began_us: int, count: int) -> None:
        self._t_us = np.array([began_us], np.int64)
        self._step = np.zeros(1, np.int64)
        self._count = np.array([count], np.int64)
        self._totals = np.zeros((1, 5), np.int64)
        self._illegal = np.zeros(1, np.int64)
        self._first = 0  # how many steps have been forgotten
        self._ignore = self._merge = 0

    @property
    def count(self) -> int:
        return int(self._count[-1])

    def ignore(self, steps: int) -> None:
        """Fault: the next steps are not seen, in whole cycles of four."""
        self._ignore += -(-steps // 4) * 4

    def merge(self, pairs: int) -> None:
        """Fault: each of the next pairs of steps is seen as one change of both channels."""
        self._merge += pairs

    def feed(self, pins: Pins, look_us: list[int]) -> list[Look]:
        """Take in the steps; what the board sees at each of ``look_us``."""
        seen = len(self._t_us)
        t_us = np.floor(pins.step_s * 1e6).astype(np.int64)
        t_us, step, change = self._faulty(t_us, pins.step)
        self._append(t_us, step, change)
        looks = np.asarray(look_us, np.int64)
        upto = np.searchsorted(self._t_us, looks, side="right") - 1
        starts = np.concatenate([[seen - 1], upto])[:-1]
        if not len(looks):
            return []
        # A stretch runs from the count at the last look to the count at this one, both included.
        low = np.minimum(np.minimum.reduceat(self._count, starts), self._count[upto])
        high = np.maximum(np.maximum.reduceat(self._count, starts), self._count[upto])
        return [low, high]  # type: ignore
