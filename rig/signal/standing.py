"""How many counts the encoder wanders while the crank stands."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from rig.signal.settings import Settings

PIECE_US = 500_000.0
PIECES = 4
"""Stood for two seconds: this many pieces in succession."""
STANDS_DEG = 1.0
"""A crank that stands wanders by no more than this, and not on and on (common practice, no
source: a hand on it trembles by as much)."""

_Piece = tuple[int, int, int, int, int]  # number, lowest, highest, first, last


class Standing:
    """Finds the quietest two seconds. ``least_counts`` is None while the crank never stood."""

    def __init__(self, settings: Settings) -> None:
        self._most = max(STANDS_DEG / settings.count_deg, 2.0)
        self._pieces: deque[_Piece] = deque(maxlen=PIECES)
        self.least_counts: int | None = None

    def interrupted(self) -> None:
        """The counts begin anew."""
        self._pieces.clear()

    def take(self, positions: NDArray[np.void]) -> None:
        """Newer positions, dtype ``POSITION``, shape (n,)."""
        numbers = np.floor(positions["t_us"] / PIECE_US).astype(np.int64)
        starts = np.flatnonzero(np.diff(numbers, prepend=numbers[0] - 1))
        low = np.minimum.reduceat(positions["low"], starts)
        high = np.maximum.reduceat(positions["high"], starts)
        first = positions["count"][starts]
        last = positions["count"][np.append(starts[1:], len(numbers)) - 1]
        columns = (each.tolist() for each in (numbers[starts], low, high, first, last))
        for piece in zip(*columns, strict=True):
            self._add(piece)

    def _add(self, piece: _Piece) -> None:
        pieces = self._pieces
        if pieces and pieces[-1][0] == piece[0]:  # the same half second, cut by the stream
            _, low, high, first, _ = pieces.pop()
            piece = (piece[0], min(low, piece[1]), max(high, piece[2]), first, piece[4])
        else:
            self._judge()
            if pieces and piece[0] != pieces[-1][0] + 1:
                pieces.clear()
        pieces.append(piece)

    def _judge(self) -> None:
        """Four whole pieces: did the crank stand?"""
        pieces = self._pieces
        if len(pieces) < PIECES:
            return
        if abs(pieces[-1][4] - pieces[0][3]) > 1:
            return
        counts = max(p[2] for p in pieces) - min(p[1] for p in pieces)
        if counts <= self._most:
            least = self.least_counts
            self.least_counts = counts if least is None else min(least, counts)
