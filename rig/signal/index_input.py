"""The index input: its edges, once it is sure that none of them belongs to a mere spike."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

INDEX_LEAST_US = 20.0
"""An index pulse shorter than this is noise: at 20,000 counts a second a count lasts 50 us."""


class IndexInput:
    """Takes the edges in order of time, as rows of dtype ``MARK``."""

    def __init__(self) -> None:
        self._edge: np.void | None = None
        self.due_us = math.inf  # when silence makes sure of the last edge
        self._cut = False

    def cut(self) -> None:
        """The rig left edges out of a burst. The edge that ends it may be one of noise as well."""
        self._edge, self.due_us = None, math.inf
        self._cut = True

    def edges(self, marks: NDArray[np.void]) -> list[tuple[float, np.void | None]]:
        """When each edge became sure, and the edge; None where a pulse ended that was too short."""
        decided: list[tuple[float, np.void | None]] = []
        for mark in marks:
            t_us = float(mark["t_us"])
            decided += self.until(t_us)
            if self._cut:
                self._cut = False
            elif self._edge is None:
                self._edge, self.due_us = mark, t_us + INDEX_LEAST_US
            else:
                self._edge, self.due_us = None, math.inf
                decided.append((t_us, None))
        return decided

    def until(self, t_us: float) -> list[tuple[float, np.void | None]]:
        """No edge comes before ``t_us``: what is sure then?"""
        if t_us < self.due_us:
            return []
        decided = [(self.due_us, self._edge)]
        self._edge, self.due_us = None, math.inf
        return decided
