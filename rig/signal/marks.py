"""The state of things at each edge, kept until the passage is decided that it begins."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.signal.walk import Walked
from rig.signal.widths import Offsets
from rig.wire.records import EDGE, Edge

MARK = np.dtype(
    [
        *EDGE.descr,
        ("run_start", "f8"),  # of the run-up, in counts that grow forward; NaN before any position
        ("run_furthest", "f8"),
        ("lull_us", "f8"),  # since when no new ground was gained, and the lowest place since
        ("lull_low", "f8"),
        ("offsets", "f8", (4,)),  # of the encoder's boundaries, see ``Widths``
    ]
)


class Mark(NamedTuple):
    """One row of ``MARK`` in plain numbers."""

    edge: Edge
    run_start: float
    run_furthest: float
    lull_us: float
    lull_low: float
    offsets: Offsets


def marked(
    edges: NDArray[np.void],
    walked: Walked,
    widths_us: NDArray[np.float64],
    offsets: NDArray[np.float64],
) -> NDArray[np.void]:
    """Marks for edges (dtype ``EDGE``, shape (n,)) among positions that were walked over and
    widths records at ``widths_us``, shape (m,), with the ``offsets`` before the first and after
    each of them, shape (m + 1, 4). An edge comes before a position and widths of its instant.
    """
    marks = np.empty(len(edges), MARK)
    for name in EDGE.names or ():
        marks[name] = edges[name]
    t_us = edges["t_us"]
    at = walked.t_us.searchsorted(t_us)
    marks["run_start"], marks["run_furthest"] = walked.start[at], walked.furthest[at]
    marks["lull_us"], marks["lull_low"] = walked.lull_us[at], walked.lull_low[at]
    marks["offsets"] = offsets[widths_us.searchsorted(t_us)]
    return marks


def mark_of(row: np.void) -> Mark:
    """A row of ``MARK`` in plain numbers."""
    values: Any = row.item()
    *edge, start, furthest, lull_us, lull_low, offsets = values
    around = (column.tolist() for column in edge[4:])
    return Mark(
        Edge(*edge[:4], *around), start, furthest, lull_us, lull_low, tuple(offsets.tolist())
    )
