"""Past an impulse coupling to its running readings: a state machine, as a table.

Turned slowly, the coupling holds the rotor back, then trips late. A running reading is taken by
turning past the trip, going back past the opening without engaging the coupling again, and going
forward gently (US Army TM 1-1500-204-23-1, magneto timing). The state machine follows the crank:
where the contacts close as it is turned back is where they open, wherever the unit is set; passing
that place with the contacts closed means that the coupling caught again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Literal

from rig.base.angles import modulo, wrap
from rig.base.errors import InputError
from rig.engine.profile import Unit
from rig.guide.action import Host
from rig.guide.approach import target_of
from rig.guide.procedure import Advice, GoToView, Hand, LedProcedure, nominal_window
from rig.guide.state import at_release, waiting
from rig.signal.events import Closing, Event, Now, Opening
from rig.timing.impulse import (
    LEAST_LAG_DEG,
    SAME_PLACE_DEG,
    TRIES,
    Release,
    past_coupling,
    release_of,
    tries_at_release,
)
from rig.timing.values import Phase, Reading

State = Literal["trip", "back", "forward"]

MARGIN_DEG = 3.0  # further back than the approach needs (common practice, no source)
USUAL_LAG_DEG = 26.0  # while it is not known (25 to 30 are quoted: an owners' association article)
AT_RELEASE = "It opens just where its coupling releases: no reading is surely a running one."
HAND_DEG = 2.0  # a hand trembles by less; more than this forward means that the crank was turned


class Opened(Enum):
    """What the contacts did at an instant."""

    TRIPPED = "tripped"  # opened late, as the coupling released
    READ = "read"  # a running reading
    TOO_SHORT = "too short"  # opened where it runs, but the approach was too short
    CLOSED_BACK = "closed, turned back"


class Missed(Enum):
    """What went wrong last."""

    NOTHING = ""
    CAUGHT = "Caught again: turned back too far"
    TOO_SOON = "Not far enough back: the approach would be too short"


@dataclass(frozen=True, slots=True)
class TripState:
    """Where the person is, continuous crank degrees.

    ``needed_deg`` is the approach that a reading needs, ``lag_deg`` the coupling's lag as far as it
    is known, ``usual_deg`` what is taken for it else. ``opens_deg`` is where the contacts
    open running, on the lobe that is worked on.
    Turned back past ``catch_deg`` the coupling catches again, where that was entered; so it does
    ``apart_deg`` on, at the next lobe. ``caught_deg`` is the shortest way back from the trip after
    which it did trip again: it catches somewhere on that way. Where it does is learnt from this
    alone, a bound that narrows as the crank is taken back less.
    """

    needed_deg: float
    lag_deg: float = USUAL_LAG_DEG
    usual_deg: float = USUAL_LAG_DEG
    state: State = "trip"
    crank_deg: float = 0.0
    trip_deg: float = -math.inf  # none yet
    opens_deg: float = 0.0
    lowest_deg: float = 0.0  # furthest back since the trip, or a running reading after it
    missed: Missed = Missed.NOTHING
    catch_deg: float | None = None
    apart_deg: float = 360.0
    caught_deg: float = math.inf

    @property
    def more_deg(self) -> float:
        """How far back still."""
        return max(self.crank_deg - self.far_enough_deg, 0.0)

    @property
    def far_enough_deg(self) -> float:
        """From here forward the approach is complete at the opening; never where it catches, and
        less far back than where it once caught."""
        least_deg = self.opens_deg - self.needed_deg
        between_deg = (least_deg + self._learnt_deg) / 2.0
        return max(least_deg - MARGIN_DEG, self._entered_deg + HAND_DEG, between_deg)

    @property
    def catches_deg(self) -> float:
        """Where it has surely caught again, turned back; minus infinity where that is not known."""
        return max(self._entered_deg, self._learnt_deg)

    @property
    def _learnt_deg(self) -> float:
        """Not used where it leaves no room for a complete approach: a finger may have opened the
        contacts, and nothing is lost by trying again."""
        caught_deg = self.trip_deg - self.caught_deg
        return caught_deg if caught_deg < self.opens_deg - self.needed_deg else -math.inf

    @property
    def _entered_deg(self) -> float:
        if self.catch_deg is None:
            return -math.inf
        return self.opens_deg - modulo(self.opens_deg - self.catch_deg, self.apart_deg)

    @property
    def came_forward(self) -> bool:
        """Whether the crank was turned forward since it was furthest back."""
        return self.crank_deg > self.lowest_deg + HAND_DEG


def _turned_too_soon(now: TripState, at_deg: float) -> bool:
    """A hand that goes on a little past the trip has not turned round yet."""
    came_back = now.lowest_deg < now.trip_deg - HAND_DEG
    return came_back and at_deg > now.lowest_deg + HAND_DEG


Shows = Opened | Callable[[TripState, float], bool]

ROWS: tuple[tuple[Shows, tuple[State, ...], State, Missed | None], ...] = (
    (Opened.TRIPPED, ("trip", "back"), "back", Missed.NOTHING),
    (Opened.TRIPPED, ("forward",), "back", Missed.CAUGHT),
    (Opened.READ, ("trip", "back", "forward"), "trip", Missed.NOTHING),
    (Opened.TOO_SHORT, ("back", "forward"), "back", Missed.TOO_SOON),
    (Opened.CLOSED_BACK, ("back",), "back", None),
    (lambda now, at: at > now.trip_deg + now.apart_deg / 2.0, ("back",), "trip", Missed.NOTHING),
    (lambda now, at: at < now.catches_deg, ("back", "forward"), "trip", Missed.CAUGHT),
    (lambda now, at: at <= now.far_enough_deg, ("back",), "forward", Missed.NOTHING),
    (_turned_too_soon, ("back",), "back", Missed.TOO_SOON),
    (lambda now, at: at > now.opens_deg + MARGIN_DEG, ("forward",), "trip", Missed.CAUGHT),
)
"""How an event shows, in which states, the state after it, and what was missed (None: as before).
The first row that holds counts; where none does, the state stays."""


def step(now: TripState, at_deg: float, opened: Opened | None = None) -> TripState:
    """The state after one more look at the rig: the crank at ``at_deg`` (continuous), and what the
    contacts did there. Pure, so that it can be replayed."""
    after = replace(now, crank_deg=at_deg, lowest_deg=min(now.lowest_deg, at_deg))

    def shown(shows: Shows) -> bool:
        return opened is shows if isinstance(shows, Opened) else shows(now, at_deg)

    row = next((row for row in ROWS if now.state in row[1] and shown(row[0])), None)
    if row is None:
        return after
    shows, _, state, missed = row
    after = replace(after, state=state, missed=now.missed if missed is None else missed)
    if missed is Missed.CAUGHT:
        after = replace(after, lag_deg=now.usual_deg)  # what was learnt led there
    if shows is Opened.TRIPPED:
        way_deg, opens_deg = now.trip_deg - now.lowest_deg, at_deg - after.lag_deg
        # Contacts have closed only where it was turned back past the opening.
        if abs(at_deg - now.trip_deg) <= SAME_PLACE_DEG and way_deg >= now.lag_deg + HAND_DEG:
            after = replace(after, caught_deg=min(way_deg, now.caught_deg))
        return replace(after, trip_deg=at_deg, lowest_deg=at_deg, opens_deg=opens_deg)
    if isinstance(shows, Opened) and now.trip_deg - at_deg >= LEAST_LAG_DEG:
        after = replace(after, opens_deg=at_deg, lag_deg=now.trip_deg - at_deg)
    turned = missed is Missed.TOO_SOON or shows is Opened.READ
    return replace(after, lowest_deg=at_deg) if turned else after


SPARE_DEG = 4.0
"""Turned back further than far enough by more than this, a coupling may have caught again, where it
is not entered at which angle it does (common practice, no source)."""


class CouplingWatch:
    """Follows the crank and the contacts of ``unit`` past its impulse coupling; ``at`` is where the
    person is. Raises InputError where it has no nominal, or TDC is not known."""

    def __init__(self, host: Host, unit: Unit) -> None:
        self._host = host
        self.unit = unit
        self.target = target_of(host, nominal_window(host, unit).nominal_btdc, 1)
        self.nominal_deg = self.target.tdc_deg - self.target.btdc_deg
        # Openings of a unit are so far apart; the nearest place is the one that is turned through.
        self.apart_deg = 360.0 / float(unit.turns_per_crank_turn * unit.lobes)
        session, here = host.session, host.session.setting_of(unit.name)
        lags = [lag.lag_deg for lag in session.lags()
                if lag.running and (lag.unit, lag.setting) == (unit.name, here)]  # fmt: skip
        release = self.release.middle
        usual_deg = USUAL_LAG_DEG
        if release is not None:
            usual_deg = max(self.target.btdc_deg - release, 0.0)
        self.at = TripState(
            session.settings.approach_deg,
            lags[-1] if lags else usual_deg,
            usual_deg,
            catch_deg=None if unit.catch_btdc is None else self.target.tdc_deg - unit.catch_btdc,
            apart_deg=self.apart_deg,
        )
        self._before: tuple[float, bool] | None = None  # the last opening, and whether it ran
        self.set_deg: float | None = None  # where it was set since, the coupling released

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """One more look at the rig."""
        if now.crank_deg is None:
            self._before = None
            self.at = replace(self.at, state="trip")
            return
        for event in events:
            if isinstance(event, Opening | Closing) and event.input == self.unit.input:
                self._change(event)
        self.at = step(self.at, now.crank_deg)

    def _change(self, event: Opening | Closing) -> None:
        if event.crank_deg is None:
            return
        at_deg, opened = event.crank_deg, None
        if isinstance(event, Opening) and event.direction > 0:
            ran = self._is_running(at_deg)
            self._before, self.set_deg = (at_deg, ran), None
            opened = (Opened.READ if event.valid else Opened.TOO_SHORT) if ran else Opened.TRIPPED
        elif isinstance(event, Closing) and event.direction < 0:
            opened = Opened.CLOSED_BACK
        if opened is not None:
            self.at = step(self.at, at_deg, opened)

    def _is_running(self, at_deg: float) -> bool:
        if self._before is not None and past_coupling(*self._before, at_deg, self.apart_deg):
            return True
        if self.set_deg is not None and abs(at_deg - self.set_deg) <= SAME_PLACE_DEG:
            return True
        btdc_deg = self.target.btdc_deg - wrap(at_deg - self.nominal_deg, self.apart_deg)
        return self.release.was_before(btdc_deg) or self.release.comes_after(btdc_deg)

    @property
    def release(self) -> Release:
        """Where the coupling releases, as far as it is known."""
        return release_of(*self._read_here())

    @property
    def tries(self) -> int:
        """How often in a row it opened at its release here."""
        return tries_at_release(*self._read_here())

    def _read_here(self) -> tuple[Sequence[Reading], Unit, str, Phase, Collection[int]]:
        """All readings, and what of them is asked for: unit, setting, phase; where the rig
        restarted."""
        session, name = self._host.session, self.unit.name
        setting, phase = session.setting_of(name), session.phase_of(name)
        return session.readings(), self.unit, setting, phase, session.restarted_at()

    @property
    def next_opening_deg(self) -> float:
        """Where it will trip next, turned straight on, as far as is known: after the last trip, or
        the usual lag after the nominal. Where it opens after the release, its nominal."""
        at, lobe_deg = self.at, self.apart_deg
        trips = (r for r in reversed(self._host.session.readings())
                 if r.unit == self.unit.name and r.kind == "impulse")  # fmt: skip
        known = next((r.crank_deg for r in trips if r.crank_deg is not None), None)
        place_deg = self.nominal_deg + at.lag_deg if known is None else known
        if self.release.was_before(self.target.btdc_deg):
            place_deg = self.nominal_deg
        ahead_deg = modulo(place_deg - at.crank_deg + HAND_DEG, lobe_deg) - HAND_DEG
        released = self.is_released and ahead_deg < lobe_deg / 2.0
        return at.crank_deg + max(ahead_deg, 0.0) + (lobe_deg if released else 0.0)

    @property
    def ran(self) -> bool:
        """Whether its last opening, met turning forward, was a running one."""
        return self._before is not None and self._before[1]

    @property
    def is_caught(self) -> bool:
        """Past the place where the contacts open running, and they are still closed."""
        if self._host.session.contact_open(self.unit.input) or self._before is None:
            return False
        past_deg = wrap(self.at.crank_deg - self.at.opens_deg, self.apart_deg)
        return MARGIN_DEG < past_deg < self.apart_deg / 2.0

    @property
    def is_past_trip(self) -> bool:
        """Whether it has tripped and the crank is still nearer to that lobe than to the next."""
        at = self.at
        return at.state == "back" and at.crank_deg - at.opens_deg < self.apart_deg / 2.0

    @property
    def is_released(self) -> bool:
        """Whether it surely does not hold the rotor back here: after a trip, or a running reading,
        the crank was turned back far enough and no further, or not at all."""
        at = self.at
        here = abs(at.crank_deg - at.opens_deg) < self.apart_deg / 2.0
        furthest_deg = max(at.far_enough_deg - SPARE_DEG, at.catches_deg)
        return (at.state == "forward" or self.ran) and here and at.lowest_deg >= furthest_deg


class PastImpulseCoupling(LedProcedure):
    """Follow the person past the impulse coupling of ``unit`` to its running readings."""

    def __init__(self, host: Host, unit: Unit) -> None:
        super().__init__(host)
        self._watch = CouplingWatch(host, unit)

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """One more look at the rig."""
        super().see(now, events)
        self._watch.see(now, events)

    def show(self, now: Now | None) -> GoToView:
        """What the dashboard shows: how far to where the crank is to go."""
        watch, at, to_go = self._watch, self._watch.at, None
        enough = self.advice().press == "event_here"
        if now is not None and now.crank_deg is not None and not enough:
            goal_deg = at.far_enough_deg if at.state == "back" else at.opens_deg
            if at.state == "trip":
                goal_deg = watch.next_opening_deg
            to_go = goal_deg - now.crank_deg
        missed = f"{at.missed.value}. " if at.missed is not Missed.NOTHING else ""
        title = f"{watch.unit.name}: past its impulse coupling"
        words = f"{missed}{self.advice().next}"
        return GoToView(watch.target.btdc_deg, to_go, True, words, title=title)

    def advice(self) -> Advice:
        """What to do now, from the table and the crank."""
        watch, at = self._watch, self._watch.at
        has = waiting(self._host, watch.unit)
        why = f"{watch.unit.name}: {has.n} of {has.wanted} running readings."
        hand, deg, press = Hand.TURN_FORWARD, None, ""
        if at_release(self._host.session, watch.unit):
            words, hand, press = "Leave it unread", Hand.NOTHING, "leave"
            why = AT_RELEASE
        elif has.n >= has.wanted and at.state == "trip":
            words, hand, press = "End here", Hand.NOTHING, "event_here"
            why = f"Enough: {why}"
        elif at.state == "back":
            words, hand = f"Turn back {max(at.more_deg, 1.0):.0f}° more", Hand.TURN_BACK
            deg = at.more_deg + 1.0
        elif at.state == "forward" and not at.came_forward:
            words, why = "STOP. Now turn forward, gently", "Far enough back: it stays released."
        elif at.state == "forward":
            words = "Turn forward gently, through the opening"
        elif watch.release.was_before(watch.target.btdc_deg):
            words, why = "Turn forward through the opening", "It opens after the release here."
        elif watch.is_caught:
            words, why = "Turn on forward to the trip", "Caught: the contacts stay closed."
        else:
            words = "Turn forward to the trip"
        if press != "leave" and (tries := watch.tries) > 1:
            why = f"It opened where it trips: try {tries} of {TRIES - 1}."
        elif press != "leave" and at.missed is not Missed.NOTHING:
            why = f"{at.missed.value}."
        return Advice(
            "impulse", words, why, press=press, hand=hand, unit=watch.unit.name, deg=deg
        )  # fmt: skip

    def done(self, now: Now | None) -> str:
        """The person ends it."""
        name, n = self._watch.unit.name, waiting(self._host, self._watch.unit).n
        if not n:
            raise InputError("no running reading yet: go on, or leave (esc)")
        return f"{name}: {n} running readings past the impulse coupling"
