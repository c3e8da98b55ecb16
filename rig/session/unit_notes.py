"""A recording of a unit alone, the encoder on its own shaft: events and the person's notes.

Notes: ``NEUTRAL`` with ``{"crank_deg": 12.3, "direction": 1}`` where the rotor settles by feel,
come to forward (1) or back (-1), ``{"back": true}`` to take the last one back; ``COUPLING`` with
``{"engaged": true}`` while its impulse coupling is engaged, so that openings from then on are the
coupling's. Angles are of the unit's own shaft.
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


class Alone:
    """The events and notes of a unit on input ``contact``, in order. ``wrong`` notes make no sense.

    ``{"back": true}`` takes the last place felt as neutral back.
    """

    def __init__(self, contact: int) -> None:
        self._contact = contact
        self._engaged = Since(False)
        self._events: list[Event] = []
        self.felt: list[tuple[int, float]] = []  # direction, angle: in order
        self.wrong: list[str] = []

    @property
    def engaged(self) -> bool:
        """Whether the coupling is engaged now."""
        return self._engaged.now

    def note(self, note: Note) -> None:
        """Take a note; one of another name is passed over."""
        if note.name == COUPLING:
            self._engaged.set(note.t_us, bool(note.value.get("engaged")))
        elif note.name == NEUTRAL and note.value.get("back"):
            del self.felt[-1:]
        elif note.name == NEUTRAL and not _felt(note, self.felt):
            self.wrong.append(f"a note named {NEUTRAL!r} has no angle, or no direction 1 or -1")

    def add(self, events: Iterable[Event]) -> None:
        """Further events."""
        self._events += events

    def seen(self) -> AloneSeen:
        """What was seen so far."""
        at = self._engaged.at
        seen = seen_from_events((e for e in self._events if not at(e.t_us)), self._contact)
        held = seen_from_events((e for e in self._events if at(e.t_us)), self._contact)
        return replace(
            seen,
            neutral_forward_deg=tuple(deg for way, deg in self.felt if way > 0),
            neutral_backward_deg=tuple(deg for way, deg in self.felt if way < 0),
            impulse_deg=held.openings_deg,
        )


def alone_seen(
    batches: Iterable[Batch], settings: Settings, contact: int
) -> tuple[AloneSeen, list[str]]:
    """What a recording shows of the unit on input ``contact``, and the notes without sense."""
    follower, alone = Follower(settings), Alone(contact)
    for batch in batches:
        alone.add(follower.take(batch))
        for note in batch.others:
            if isinstance(note, Note):
                alone.note(note)
    alone.add(follower.finish())
    return alone.seen(), alone.wrong


def _felt(note: Note, felt: list[tuple[int, float]]) -> bool:
    """Take a place felt as neutral; False when the note makes no sense."""
    angle, said = note.value.get("crank_deg"), note.value.get("direction")
    if isinstance(angle, bool) or not isinstance(angle, int | float) or not math.isfinite(angle):
        return False
    way = next((each for each in (1, -1) if each == said), None)
    if way is None:
        return False
    felt.append((way, float(angle)))
    return True
