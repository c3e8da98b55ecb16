"""Batches as they are being put together from single rows and from many at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rig.wire.records import EDGE, POSITION, WIDTH, Batch, Other, Trouble

Row = tuple[object, ...]

MOST_TOLD = 20
"""So many troubles of a kind at the same time of the rig are told one by one, more as one record:
a byte may be a trouble of its own, and a record takes far more memory than a byte."""


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
        self._trouble_us = 0.0
        self._told: dict[str, int] = {}  # troubles of each kind at ``_trouble_us``
        self._many: dict[str, int] = {}  # where in ``others`` the record of all further ones is
        self._times: dict[str, int] = {}  # how many those are

    def trouble(self, t_us: float, kind: str, detail: Callable[[], str]) -> None:
        """Something is wrong; ``t_us`` as in ``Trouble``."""
        if t_us != self._trouble_us:
            self._count_many()
            self._trouble_us = t_us
            self._told.clear()
        if kind in self._many:
            self._times[kind] += 1
            return
        self._told[kind] = told = self._told.get(kind, 0) + 1
        if told > MOST_TOLD:
            self._many[kind], self._times[kind] = len(self.others), 1
        self.others.append(Trouble(t_us, kind, detail()))

    def _count_many(self) -> None:
        """The records of many get their numbers."""
        for kind, at in self._many.items():
            trouble = self.others[at]
            assert isinstance(trouble, Trouble)
            self.others[at] = replace(trouble, times=self._times[kind])
        self._many.clear()

    def close(self) -> None:
        """What comes next goes into another batch."""
        self._count_many()
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
