"""An opening that nobody saw: edges were lost, and afterwards the contacts are open."""

from __future__ import annotations

import math

import numpy as np

from rig.signal.events import Opening
from rig.signal.losses import Losses
from rig.wire.records import Edge


def edge_at(row: np.void, which: int, level: int) -> tuple[Edge, int]:
    """The edge as if it had come at a ``POSITION`` record, and the crank's step there: +1 when the
    count was growing, -1 when shrinking, 0 when neither is known."""
    count = int(row["count"])
    came, goes = count - int(row["low"]), int(row["high"]) - count
    around: tuple[list[float], list[int], list[int]] = ([math.nan] * 4, [0] * 4, [0] * 4)
    edge = Edge(float(row["t_us"]), which, level, count, *around)
    return edge, (came > goes) - (came < goes)


def opened_unseen(edge: Edge, direction: int, losses: Losses) -> Opening:
    """The opening, for the list: it is no reading, and its angle is still to be filled in."""
    return Opening(
        input=edge.input,
        t_us=edge.t_us,
        crank_deg=None,
        direction=direction,
        speed_deg_s=math.nan,
        run_up_deg=math.nan,
        counts=False,
        why=losses.why(edge.t_us, edge.t_us),
        partings=1,
        passage_us=math.nan,
        closed_us=math.nan,
        closed_deg=math.nan,
    )
