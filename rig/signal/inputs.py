"""The contact inputs of a rig: a debouncer each, and what levels the position records tell."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.signal.contacts import Debouncer, Passage, Rest
from rig.signal.events import Finding
from rig.signal.settings import Settings
from rig.wire.records import Cut

_FIRST_BIT = 4
_USUAL = 2
"""A rig has at least this many contact inputs; more show themselves by a level or an edge."""


class Inputs:
    """Contact inputs, numbered from 1."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._debouncers: dict[int, Debouncer] = {}

    def __bool__(self) -> bool:
        return bool(self._debouncers)

    def __getitem__(self, which: int) -> Debouncer:
        found = self._debouncers.get(which)
        if found is None:
            found = Debouncer(self._settings, self.open_level(which))
            self._debouncers[which] = found
        return found

    def open_level(self, which: int) -> int:
        """Level of input ``which`` when its contacts are open."""
        return self._settings.open_levels.get(which, 1)

    def is_open(self, which: int, row: np.void) -> bool:
        """Whether the contacts are open by a ``POSITION`` record."""
        return (int(row["levels"]) >> (_FIRST_BIT + which - 1) & 1) == self.open_level(which)

    def begin(self, positions: NDArray[np.void]) -> None:
        """Levels at the start of a recording, by the first of the ``positions`` if there is one."""
        if not len(positions):
            return
        row = positions[0]
        most = max(_USUAL, int(row["levels"]).bit_length() - _FIRST_BIT)
        for which in range(1, most + 1):
            self[which].begin(self.is_open(which, row), float(row["t_us"]))

    def edges(self, marks: NDArray[np.void]) -> list[tuple[int, Passage]]:
        """Edges of any contact inputs, as rows of dtype ``MARK`` in order of time. Gives the
        passages that are decided, and on which input.
        """
        decided = []
        for which in np.unique(marks["input"]).tolist():
            own = marks[marks["input"] == which]
            contact = self[which]
            is_open = own["level"] == contact.open_level
            decided += [(which, passage) for passage in contact.edges(own["t_us"], is_open, own)]
        return decided

    def until(self, t_us: float) -> list[tuple[int, Passage]]:
        """No edge comes before ``t_us``: what does that decide, and on which input?"""
        return [
            (which, passage)
            for which, debouncer in self._debouncers.items()
            for passage in debouncer.until(t_us)
        ]

    def cut(self, cut: Cut) -> list[tuple[int, Passage]]:
        """Edges of a contact input were left out. Gives the passages that silence up to the first
        of them decides."""
        contact = self[cut.input]
        runs_us = cut.longest_low_us, cut.longest_high_us
        return [(cut.input, p) for p in contact.cut(cut.first_us, cut.edges, *runs_us)]

    def set_right(self, row: np.void) -> list[tuple[Finding, bool]]:
        """After a loss: take the levels from a record with nothing outstanding. Tells of each input
        that is not where it was, and whether its contacts opened meanwhile."""
        changed = []
        t_us = float(row["t_us"])
        for which, debouncer in self._debouncers.items():
            is_open = self.is_open(which, row)
            if debouncer.in_cut or debouncer.level_open is not is_open:
                opened = is_open and debouncer.rest is Rest.CLOSED
                debouncer.begin(is_open, t_us)
                text = "the contacts changed while edges were lost"
                changed.append((Finding(t_us, "edges lost", which, text), opened))
        return changed
