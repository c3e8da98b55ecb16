"""Contacts that part with the crank held: the person may say that their unit was moved."""

from __future__ import annotations

from collections.abc import Sequence

from rig.command.live.bench import Bench
from rig.command.live.deeds import Deed
from rig.command.live.talk import Talk
from rig.signal.events import Event, Opening
from rig.signal.holding import STOOD_STILL
from rig.timing.results import BEING_SET


class Moved:
    """What was read of a unit before it was moved says nothing of how it stands now. But a finger,
    or the magnet's pull, parts contacts too: so it is for the person to say."""

    def __init__(self, bench: Bench, talk: Talk) -> None:
        self._bench = bench
        self._talk = talk
        self._parted: tuple[str, float] | None = None  # unit, and when by the rig's clock

    def see(self, events: Sequence[Event]) -> None:
        """Take note of the last such parting of a unit that was read before."""
        session = self._bench.session
        for event in events:
            if not isinstance(event, Opening) or event.why != STOOD_STILL:
                continue
            for unit in session.profile.units:
                if unit.input == event.input and session.was_read(unit.name):
                    self._parted = unit.name, event.t_us
                    if self.deeds():
                        self._talk.say(
                            f"{unit.name}: its contacts parted with the crank held;"
                            " press o if it was moved"
                        )

    def deeds(self) -> tuple[Deed, ...]:
        """To say so, as long as nothing else has."""
        if self._parted is None:
            return ()
        unit, t_us = self._parted
        session = self._bench.session
        if session.phase_of(unit) == BEING_SET or session.told.struck(t_us):
            return ()
        does = f"{unit} was moved, the crank held: keep apart what is read now"
        return (Deed("o", f"{unit} moved", does, "x strikes that reading", self._was_moved),)

    def _was_moved(self) -> None:
        if self._parted is not None:
            unit, from_us = self._parted
            self._bench.note("moved", {"unit": unit, "from_us": from_us})
            self._talk.say(f"{unit}: what is read now is kept apart from what was read before")
