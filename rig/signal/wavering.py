"""Chatter and drop-outs of the contact inputs, measured from their edges once they are decided.

Within a passage that ended open, the closed runs are chatter; open runs that came to nothing are
drop-outs. The true runs, for which the contacts stayed closed or open, stand beside them.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rig.signal.events import Closing, Finding, Opening
from rig.signal.settings import Settings
from rig.wire.records import INDEX_INPUT

PARTED = ("spike", "drop-out", "short opening")
JUST_BEFORE = "drop-out just before"


@dataclass(frozen=True, slots=True)
class Wavering:
    """Microseconds. ``closed_us`` and ``open_us``: how long the contacts stayed so, each time."""

    chatter_us: tuple[float, ...] = ()
    dropouts_us: tuple[float, ...] = ()
    closed_us: tuple[float, ...] = ()
    open_us: tuple[float, ...] = ()


@dataclass(slots=True)
class _Input:
    times: array[float] = field(default_factory=lambda: array("d"))
    levels: bytearray = field(default_factory=bytearray)
    passages: list[tuple[float, float]] = field(default_factory=list)  # from, to
    parted: list[tuple[float, bool]] = field(default_factory=list)  # from, alone
    closed_us: list[float] = field(default_factory=list)
    open_us: list[float] = field(default_factory=list)


class Levels:
    """Keeps the edges of every contact input, and what was made of them."""

    def __init__(self, settings: Settings) -> None:
        self._s = settings
        self._inputs: dict[int, _Input] = {}

    def _of(self, which: int) -> _Input:
        return self._inputs.setdefault(which, _Input())

    def take(self, edges: NDArray[np.void]) -> None:
        """Edges as they came, dtype ``EDGE``, shape (n,)."""
        for which in np.unique(edges["input"]).tolist():
            if which == INDEX_INPUT:
                continue
            rows = edges[edges["input"] == which]
            own = self._of(which)
            own.times.frombytes(np.ascontiguousarray(rows["t_us"], np.float64).tobytes())
            own.levels += rows["level"].astype(np.uint8).tobytes()

    def opened(self, opening: Opening) -> None:
        """An opening was decided."""
        own = self._of(opening.input)
        own.passages.append((opening.t_us, opening.t_us + opening.passage_us))
        # How long it had been closed is known where it was seen to close, the crank turning.
        if opening.direction and not math.isnan(opening.closed_deg):
            own.closed_us.append(opening.closed_us)

    def closed(self, closing: Closing) -> None:
        """A closing was decided."""
        if closing.direction and not math.isnan(closing.open_us):
            self._of(closing.input).open_us.append(closing.open_us)

    def found(self, finding: Finding) -> None:
        """Contacts parted and it came to nothing, or so it was judged."""
        if finding.kind in PARTED:
            self._of(finding.input).parted.append((finding.t_us, False))
        elif finding.kind == JUST_BEFORE:
            self._of(finding.input).parted.append((finding.t_us, True))

    def result(self) -> dict[int, Wavering]:
        """For each input of which an edge was heard."""
        return {which: self._measured(which, own) for which, own in self._inputs.items()}

    def _measured(self, which: int, own: _Input) -> Wavering:
        times = np.frombuffer(own.times, np.float64) if own.times else np.empty(0)
        is_open = np.frombuffer(own.levels, np.uint8) == self._s.open_levels.get(which, 1)
        order = np.argsort(times, kind="stable")
        times, is_open = times[order], is_open[order]
        changed = np.ones(len(times), bool)
        changed[1:] = is_open[1:] != is_open[:-1]
        times, is_open = times[changed], is_open[changed]
        chatter: list[float] = []
        for from_us, to_us in own.passages:
            first, last = np.searchsorted(times, (from_us, to_us + 0.5))
            runs = times[first:last]
            opens = is_open[first:last]
            if len(runs) > 2 and opens[0]:
                chatter += (runs[2::2] - runs[1::2][: len(runs[2::2])]).tolist()
        dropouts: list[float] = []
        for from_us, alone in own.parted:
            dropouts += self._runs(times, is_open, from_us, alone)
        return Wavering(tuple(chatter), tuple(dropouts), tuple(own.closed_us), tuple(own.open_us))

    def _runs(
        self, times: NDArray[np.float64], is_open: NDArray[np.bool_], from_us: float, alone: bool
    ) -> list[float]:
        """Open runs from ``from_us`` on, as long as the closed gaps between them end nothing."""
        i = int(np.searchsorted(times, from_us))
        found: list[float] = []
        while i + 1 < len(times) and is_open[i]:
            found.append(float(times[i + 1] - times[i]))
            gap_us = times[i + 2] - times[i + 1] if i + 2 < len(times) else math.inf
            if alone or gap_us >= self._s.closed_end_us:
                break
            i += 2
        return found
