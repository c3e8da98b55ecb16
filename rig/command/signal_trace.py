"""The contact signal around one opening, taken out of a recording."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.record.plots.signal import Trace
from rig.signal.events import Event, Finding, Opening
from rig.signal.settings import Settings
from rig.signal.wavering import JUST_BEFORE
from rig.wire.records import EDGE, Batch

AROUND_US = 200_000.0
"""Edges this near to the opening are drawn."""


@dataclass(slots=True)
class Taken:
    """The edges of a recording, and what was found in it."""

    edges: NDArray[np.void]
    events: list[Event]


def keep(batches: Iterable[Batch], seen: list[NDArray[np.void]]) -> Iterable[Batch]:
    """The batches as they are; their edges are kept in ``seen``."""
    for batch in batches:
        seen.append(batch.edges)
        yield batch


def trace_of(taken: Taken, opening: Opening, settings: Settings, words: str) -> Trace:
    """The signal around ``opening``, in milliseconds from its instant."""
    rows = taken.edges[taken.edges["input"] == opening.input] if len(taken.edges) else (
        np.empty(0, EDGE)
    )  # fmt: skip
    near = rows[np.abs(rows["t_us"] - opening.t_us) < AROUND_US]
    open_level = settings.open_levels.get(opening.input, 1)
    after = near["around_t_us"].ravel()
    encoder = np.unique(after[np.isfinite(after)])
    noise = [
        event.t_us
        for event in taken.events
        if isinstance(event, Finding) and event.kind == JUST_BEFORE
        and event.input == opening.input and abs(event.t_us - opening.t_us) < AROUND_US
    ]  # fmt: skip
    return Trace(
        changes=[
            ((float(t) - opening.t_us) / 1e3, int(level) == open_level)
            for t, level in sorted(zip(near["t_us"], near["level"], strict=True))
        ],
        encoder_ms=[(float(t) - opening.t_us) / 1e3 for t in encoder],
        noise_ms=[(t - opening.t_us) / 1e3 for t in noise],
        last_ms=opening.passage_us / 1e3,
        partings=opening.partings,
        closed_ms=opening.closed_us / 1e3,
        least_open_ms=settings.least_open_us / 1e3,
        deg_per_ms=opening.speed_deg_s / 1e3,
        words=words,
    )
