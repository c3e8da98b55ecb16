"""A recording of a unit alone, the encoder on its own shaft: events and the person's notes.

Notes: ``NEUTRAL`` with ``{"crank_deg": 12.3, "direction": 1}`` where the rotor settles by feel,
come to forward (1) or back (-1); ``COUPLING`` with ``{"engaged": true}`` while its impulse coupling
is engaged, so that openings from then on are the coupling's. Angles are of the unit's own shaft.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from rig.session.since import Since
from rig.signal.events import Event
from rig.signal.follow import Follower
from rig.signal.settings import Settings
from rig.timing.unit_alone import AloneSeen, seen_from_events
from rig.wire.records import Batch, Note

NEUTRAL, COUPLING = "neutral", "coupling"


def alone_seen(
    batches: Iterable[Batch], settings: Settings, contact: int
) -> tuple[AloneSeen, list[str]]:
    """What a recording shows of the unit on input ``contact``, and the notes without sense."""
    follower = Follower(settings)
    engaged = Since(False)
    felt: dict[int, list[float]] = {1: [], -1: []}
    wrong: list[str] = []
    events: list[Event] = []
    for batch in batches:
        events += follower.take(batch)
        for note in batch.others:
            if not isinstance(note, Note):
                continue
            if note.name == COUPLING:
                engaged.set(note.t_us, bool(note.value.get("engaged")))
            elif note.name == NEUTRAL and not _felt(note, felt):
                wrong.append(f"a note named {NEUTRAL!r} has no angle, or no direction 1 or -1")
    events += follower.finish()
    seen = seen_from_events((e for e in events if not engaged.at(e.t_us)), contact)
    held = seen_from_events((e for e in events if engaged.at(e.t_us)), contact)
    return replace(
        seen,
        neutral_forward_deg=tuple(felt[1]),
        neutral_backward_deg=tuple(felt[-1]),
        impulse_deg=held.openings_deg,
    ), wrong


def _felt(note: Note, felt: dict[int, list[float]]) -> bool:
    """Take a place felt as neutral; False when the note makes no sense."""
    angle, way = note.value.get("crank_deg"), note.value.get("direction")
    if isinstance(angle, bool) or not isinstance(angle, int | float) or not math.isfinite(angle):
        return False
    if way not in (1, -1):
        return False
    felt[int(str(way))].append(float(angle))
    return True
