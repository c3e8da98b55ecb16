"""Records that wait until it is sure that nothing earlier is still to come, in order of time."""

from __future__ import annotations

import bisect
import math
import operator
from collections import deque

from rig.wire.records import Batch, Cut, Edge, Health, Total, Trouble, edges_of, totals_of

Word = Cut | Health | Trouble
_T_US = operator.itemgetter(0)
"""An ``Edge`` begins with its time."""


class Waiting:
    """Edges, widths (``totals``) and what the rig or the line said (``words``: time, arrival,
    record), each in order of time, then of arrival."""

    def __init__(self) -> None:
        self.edges: list[Edge] = []
        self.totals: deque[Total] = deque()
        self.words: deque[tuple[float, int, Word]] = deque()
        self._arrivals = 0

    def add(self, batch: Batch) -> None:
        """What has come."""
        if len(batch.edges):
            self.edges += edges_of(batch.edges)
            self.edges.sort(key=_T_US)
        self.totals.extend(totals_of(batch.widths))
        for other in batch.others:
            if isinstance(other, Cut | Health | Trouble):
                self._arrivals += 1
                bisect.insort(self.words, (other.t_us, self._arrivals, other))

    def edges_before(self, t_us: float) -> list[Edge]:
        """Take the edges before ``t_us``."""
        ready = bisect.bisect_left(self.edges, t_us, key=_T_US)
        edges, self.edges = self.edges[:ready], self.edges[ready:]
        return edges

    @property
    def last_us(self) -> float:
        """Time of the latest edge or word; minus infinity when there is none."""
        return max(
            self.edges[-1].t_us if self.edges else -math.inf,
            self.words[-1][0] if self.words else -math.inf,
        )
