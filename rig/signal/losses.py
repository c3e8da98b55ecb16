"""Stretches of time in which an edge or a count may be missing, by what the rig and line said."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.wire.records import Cut, Health, Trouble

LINE_LOSSES = frozenset(
    {"gap", "interrupted", "checksum", "garbage", "long-line", "half-line", "field"}
)
"""Trouble after which an edge may be missing."""

JUMPED = "the encoder jumped: its count is not sure until the index has passed"
CUT_OFF = "the line was interrupted: the count is not sure until the index has passed"


class Losses:
    """Where edges may be missing. ``looking`` is true until the true levels were seen again."""

    def __init__(self) -> None:
        self._from_us = math.inf
        self._to_us = -math.inf
        self._health: Health | None = None
        self.looking = False
        self.illegal = 0

    def matters(self, word: Cut | Health | Trouble) -> bool:
        """False for the rig's totals as long as none of them grew."""
        if not isinstance(word, Health):
            return True
        lost_before = self._health.lost_edges if self._health else word.lost_edges
        return word.illegal > self.illegal or word.lost_edges > lost_before

    def trouble(self, trouble: Trouble) -> str:
        """Take note of trouble; says so when the encoder's count is no longer sure."""
        if trouble.kind in LINE_LOSSES:
            self._doubt(trouble.t_us)
        return {"encoder": JUMPED, "interrupted": CUT_OFF}.get(trouble.kind, "")

    def health(self, health: Health) -> str:
        """Take note of the rig's own totals; says so when the count is no longer sure."""
        before, self._health = self._health, health
        if before and health.lost_edges > before.lost_edges:
            self._doubt(before.t_us)
        grew = health.illegal > self.illegal
        self.illegal = health.illegal
        return JUMPED if grew else ""

    def _doubt(self, from_us: float) -> None:
        self._from_us = min(self._from_us, from_us) if self.looking else from_us
        self._to_us = math.inf
        self.looking = True

    def touches(self, t_us: float) -> bool:
        """True when an edge near ``t_us`` may be missing."""
        return self._from_us <= t_us <= self._to_us

    def over(self, rows: NDArray[np.void]) -> np.void | None:
        """The first position, dtype ``POSITION``, before which no edge is outstanding: with it the
        loss is over. None while there is none.
        """
        t_us = rows["t_us"]
        sound = np.flatnonzero((t_us >= self._from_us) & (rows["done_us"] >= t_us))
        if not len(sound):
            return None
        self._to_us = float(t_us[sound[0]])
        self.looking = False
        first: np.void = rows[sound[0]]
        return first
