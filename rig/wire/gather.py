"""Batches as they are being put together from single rows and from many at a time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.wire.records import EDGE, POSITION, WIDTH, Batch, Other

Row = tuple[object, ...]


class Rows:
    """Rows of one dtype, gathered singly and many at a time."""

    def __init__(self, dtype: np.dtype[np.void]) -> None:
        self._dtype = dtype
        self._single: list[Row] = []
        self._done: list[NDArray[np.void]] = []
        self.append = self._single.append

    def __bool__(self) -> bool:
        return bool(self._single or self._done)

    def extend(self, rows: NDArray[np.void]) -> None:
        """Rows of this dtype, shape (n,)."""
        if len(rows):
            self._close()
            self._done.append(rows)

    def take(self) -> NDArray[np.void]:
        """All rows, shape (n,); none are left."""
        self._close()
        done, self._done = self._done, []
        if len(done) == 1:
            return done[0]
        return np.concatenate(done, dtype=self._dtype) if done else np.empty(0, self._dtype)

    def _close(self) -> None:
        if self._single:
            self._done.append(np.array(self._single, self._dtype))
            self._single.clear()


class Gathered:
    """The batch that is being gathered, and those that are closed."""

    def __init__(self) -> None:
        self.positions = Rows(POSITION)
        self.edges = Rows(EDGE)
        self.widths = Rows(WIDTH)
        self.others: list[Other] = []
        self._done: list[Batch] = []

    def close(self) -> None:
        """What comes next goes into another batch."""
        if self.positions or self.edges or self.widths or self.others:
            self._done.append(
                Batch(self.positions.take(), self.edges.take(), self.widths.take(), self.others)
            )
            self.others = []

    def take(self) -> list[Batch]:
        """All batches, none of them empty; none are left."""
        self.close()
        done, self._done = self._done, []
        return done
