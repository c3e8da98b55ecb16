"""Records that wait until it is sure that nothing earlier is still to come, in order of time."""

from __future__ import annotations

import heapq
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.signal.losses import Grown, Word
from rig.wire.records import EDGE, WIDTH, Batch, Cut, Trouble


class Waiting:
    """Edges and what the rig or the line said (``words``) in order of time, of the same time the
    rig's totals first, then of arrival; widths as they come."""

    def __init__(self) -> None:
        self._edges = np.empty(0, EDGE)
        self._widths = np.empty(0, WIDTH)
        self._words: list[tuple[float, int, int, Word]] = []  # a heap
        self._troubles: set[tuple[float, str]] = set()  # time and kind of those that wait
        self._latest_word_us = -math.inf
        self._arrivals = 0

    def add(self, batch: Batch, grown: Sequence[Grown] = ()) -> None:
        """What has come, and where the rig's totals grew in it."""
        if len(batch.edges):
            self._edges = _in_order(_joined(self._edges, batch.edges))
        if len(batch.widths):
            self._widths = _joined(self._widths, batch.widths)
        words: list[Word] = [*grown]
        for other in batch.others:
            if isinstance(other, Trouble):  # the same again says nothing new of that time
                if (other.t_us, other.kind) in self._troubles:
                    continue
                self._troubles.add((other.t_us, other.kind))
            if isinstance(other, Cut | Trouble):
                words.append(other)
        for word in words:
            self._arrivals += 1
            totals_first = 0 if isinstance(word, Grown) else 1
            heapq.heappush(self._words, (word.t_us, totals_first, self._arrivals, word))
            self._latest_word_us = max(self._latest_word_us, word.t_us)

    def word_before(self, t_us: float) -> Word | None:
        """Take the first word before ``t_us``; None when there is none."""
        if self._words and self._words[0][0] < t_us:
            word = heapq.heappop(self._words)[-1]
            if isinstance(word, Trouble):
                self._troubles.discard((word.t_us, word.kind))
            return word
        return None

    def edges_before(self, t_us: float) -> NDArray[np.void]:
        """Take the edges before ``t_us``, dtype ``EDGE``, shape (n,)."""
        ready = int(self._edges["t_us"].searchsorted(t_us))
        edges, self._edges = self._edges[:ready], self._edges[ready:]
        return edges

    def widths_before(self, t_us: float) -> NDArray[np.void]:
        """Take the widths before ``t_us``, dtype ``WIDTH``, shape (n,)."""
        ready = int(np.maximum.accumulate(self._widths["t_us"]).searchsorted(t_us))
        widths, self._widths = self._widths[:ready], self._widths[ready:]
        return widths

    @property
    def last_us(self) -> float:
        """Time of the latest edge or word; minus infinity when there is none."""
        return max(
            float(self._edges["t_us"][-1]) if len(self._edges) else -math.inf,
            self._latest_word_us if self._words else -math.inf,
        )


def _joined(waiting: NDArray[np.void], come: NDArray[np.void]) -> NDArray[np.void]:
    return np.concatenate((waiting, come), dtype=come.dtype) if len(waiting) else come


def _in_order(rows: NDArray[np.void]) -> NDArray[np.void]:
    t_us = rows["t_us"]
    if np.all(t_us[1:] >= t_us[:-1]):
        return rows
    return rows[np.argsort(t_us, kind="stable")]
