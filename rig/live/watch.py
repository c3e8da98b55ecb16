"""What the person is told at once: touches of the piston stop, and contacts that open at rest."""

from __future__ import annotations

from collections.abc import Sequence

from rig.guide.action import Bench
from rig.live.actions import action
from rig.signal.events import Event, Opening, Reason
from rig.timing.values import ADJUSTING


class Watch:
    """Looks at a live run beside whatever else is going on."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._touched: tuple[int, int] | None = None  # side and number of the touch that goes on
        self._words = ""  # of that touch

    def see(self, events: Sequence[Event]) -> None:
        """One more look."""
        self._touch()
        self._opened_at_rest(events)

    def _touch(self) -> None:
        """A touch is reported while the crank is held at the piston stop."""
        session = self._bench.host.session
        hold, stop = session.stop_hold(), session.touches()
        if hold is None or stop is None or not hold.is_touch:
            self._touched = None
            if self._words:
                self._bench.prompt.withdraw(self._words)
                self._words = ""
            return
        side = hold.touch.side
        touch = side, len(stop.side(side)) + 1
        if touch != self._touched:
            self._touched = touch
            way, away = ("forward", "back") if side > 0 else ("back", "forward")
            self._words = f"Touch {touch[1]} turning {way}: now turn {away}."
            self._bench.prompt.say(self._words)

    def _opened_at_rest(self, events: Sequence[Event]) -> None:
        """A unit that was read before may have been moved; or a finger, or the magnet's pull,
        opened its contacts: the person knows."""
        bench, session = self._bench, self._bench.host.session
        for event in events:
            if not isinstance(event, Opening) or event.rejection is None:
                continue
            if event.rejection.reason is not Reason.CRANK_STILL:
                continue
            for unit in (u.name for u in session.profile.units if u.input == event.input):
                if session.was_read(unit) and session.phase_of(unit) != ADJUSTING:
                    bench.opened_at_rest = unit, event.t_us
                    bench.prompt.say(
                        f"{unit}: its contacts opened with the crank held;"
                        f" press {action('unit_moved').key} if it was moved"
                    )
