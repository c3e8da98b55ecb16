"""Past an impulse coupling to its running readings: a state machine, as a table.

Turned slowly, the coupling holds the rotor back, then trips late. A running reading is taken by
turning past the trip, going back past the opening without engaging the coupling again, and going
forward gently (US Army TM 1-1500-204-23-1, magneto timing). The state machine follows the crank:
where the contacts close as it is turned back is where they open, wherever the unit is set; passing
that place with the contacts closed means that the coupling caught again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Literal

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.engine.profile import Unit
from rig.guide.action import Host
from rig.guide.advice import ARC, LIVE
from rig.guide.approach import target_of
from rig.guide.procedure import Advice, GoToView, Hand, LedProcedure, nominal_window
from rig.guide.state import waiting
from rig.signal.events import Closing, Event, Now, Opening
from rig.timing.impulse import LEAST_LAG_DEG, opens_after_release, past_coupling, release_btdc

State = Literal["trip", "back", "forward"]
TripEvent = Literal[
    "nothing", "tripped", "closed", "far enough", "turned too soon", "too short", "read", "passed",
]  # fmt: skip

MARGIN_DEG = 3.0


"""Gone back so much further than the approach needs, so that it is complete at the opening (common
practice, no source)."""


USUAL_LAG_DEG = 26.0


"""A coupling's lag while it is not known where the contacts open (25 to 30 degrees are quoted: an
owners' association article)."""


HAND_DEG = 2.0


"""A hand trembles by less; more than this forward means that the crank was turned."""


class Opened(Enum):
    """What the contacts did at an instant."""

    NOTHING = "nothing"
    TRIPPED = "tripped"  # opened late, as the coupling released
    READ = "read"  # a running reading
    TOO_SHORT = "too short"  # opened where it runs, but the approach was too short
    CLOSED_BACK = "closed, turned back"


TABLE: Mapping[tuple[State, TripEvent], State] = {
    ("trip", "tripped"): "back",
    ("trip", "read"): "trip",
    ("back", "tripped"): "back",
    ("back", "closed"): "back",
    ("back", "far enough"): "forward",
    ("back", "turned too soon"): "back",
    ("back", "too short"): "back",
    ("back", "read"): "trip",
    ("forward", "tripped"): "back",
    ("forward", "too short"): "back",
    ("forward", "passed"): "trip",
    ("forward", "read"): "trip",
}


"""(state, event) to the next state; what is not in it leaves the state as it is."""


class Missed(Enum):
    """What went wrong last."""

    NOTHING = ""
    CAUGHT = "Caught again: turned back too far"
    TOO_SOON = "Not far enough back: the approach would be too short"


MISSED: Mapping[tuple[State, TripEvent], Missed] = {
    ("forward", "tripped"): Missed.CAUGHT,
    ("forward", "passed"): Missed.CAUGHT,
    ("back", "turned too soon"): Missed.TOO_SOON,
    ("back", "too short"): Missed.TOO_SOON,
    ("forward", "too short"): Missed.TOO_SOON,
}


@dataclass(frozen=True, slots=True)
class Seen:
    """What the rig sees at an instant: the crank (continuous, degrees) and what the contacts did,
    at ``event_deg``."""

    crank_deg: float
    opened: Opened = Opened.NOTHING
    event_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class TripState:
    """Where the person stands, continuous crank degrees.

    ``needed_deg`` is the approach that a reading needs, ``lag_deg`` the coupling's lag as far as it
    is known. ``opens_deg`` is where the contacts open running, on the lobe that is worked on.
    """

    needed_deg: float
    lag_deg: float = USUAL_LAG_DEG
    state: State = "trip"
    crank_deg: float = 0.0
    trip_deg: float = 0.0
    opens_deg: float = 0.0
    lowest_deg: float = 0.0  # furthest back since the trip
    missed: Missed = Missed.NOTHING

    @property
    def more_deg(self) -> float:
        """How far back still."""
        return max(self.crank_deg - self.far_enough_deg, 0.0)

    @property
    def far_enough_deg(self) -> float:
        """From here forward the approach is complete at the opening."""
        return self.opens_deg - self.needed_deg - MARGIN_DEG

    @property
    def came_forward(self) -> bool:
        """Whether the crank was turned forward since it was furthest back."""
        return self.crank_deg > self.lowest_deg + HAND_DEG


def _turned_too_soon(now: TripState, seen: Seen) -> bool:
    """A hand that goes on a little past the trip has not turned round yet."""
    came_back = now.lowest_deg < now.trip_deg - HAND_DEG
    return came_back and seen.crank_deg > now.lowest_deg + HAND_DEG


def _is(opened: Opened) -> Callable[[TripState, Seen], bool]:
    return lambda _, seen: seen.opened is opened


Test = Callable[[TripState, Seen], bool]

SEEN_AS: tuple[tuple[TripEvent, tuple[State, ...], Test], ...] = (
    ("tripped", ("trip", "back", "forward"), _is(Opened.TRIPPED)),
    ("read", ("trip", "back", "forward"), _is(Opened.READ)),
    ("too short", ("back", "forward"), _is(Opened.TOO_SHORT)),
    ("closed", ("back",), _is(Opened.CLOSED_BACK)),
    ("far enough", ("back",), lambda now, seen: seen.crank_deg <= now.far_enough_deg),
    ("turned too soon", ("back",), _turned_too_soon),
    ("passed", ("forward",), lambda now, seen: seen.crank_deg > now.opens_deg + MARGIN_DEG),
)  # fmt: skip


"""How an event shows, and in which states; the first row that holds counts."""


def step(now: TripState, seen: Seen) -> TripState:
    """The state after one more look at the rig; pure, so that it can be replayed.

    Source: the table.
    """
    event: TripEvent = next(
        (name for name, states, shows in SEEN_AS if now.state in states and shows(now, seen)),
        "nothing",
    )
    after = replace(
        now,
        state=TABLE.get((now.state, event), now.state),
        crank_deg=seen.crank_deg,
        lowest_deg=min(now.lowest_deg, seen.crank_deg),
    )
    if (now.state, event) in MISSED and MISSED[now.state, event] is Missed.CAUGHT:
        after = replace(after, lag_deg=USUAL_LAG_DEG)  # what was learnt led there
    if event == "tripped":
        at = seen.event_deg
        after = replace(after, trip_deg=at, lowest_deg=at, opens_deg=at - after.lag_deg)
    elif event in ("closed", "too short", "read"):
        lag_deg = now.trip_deg - seen.event_deg
        if lag_deg >= LEAST_LAG_DEG:
            after = replace(after, opens_deg=seen.event_deg, lag_deg=lag_deg)
    if event in ("turned too soon", "too short"):
        after = replace(after, lowest_deg=seen.crank_deg)
    missed = MISSED.get((now.state, event))
    if missed is not None:
        return replace(after, missed=missed)
    if event in ("tripped", "read", "far enough"):
        return replace(after, missed=Missed.NOTHING)
    return after


class PastImpulseCoupling(LedProcedure):
    """Follow the person past the impulse coupling of ``unit`` to its running readings."""

    def __init__(self, host: Host, unit: Unit) -> None:
        super().__init__(host)
        window = nominal_window(host, unit)
        self._unit = unit
        self._target = target_of(host, window.nominal_btdc, 1)
        self._nominal_deg = self._target.tdc_deg - self._target.btdc_deg
        # Openings of a unit are so far apart; the nearest place is the one that is turned through.
        self._apart_deg = 360.0 / float(unit.turns_per_crank_turn * unit.lobes)
        lags = [lag.lag_deg for lag in host.session.lags() if lag.unit == unit.name and lag.running]
        self._at = TripState(
            host.session.settings.approach_deg, lag_deg=lags[-1] if lags else USUAL_LAG_DEG
        )
        self._before: tuple[float, bool] | None = None  # the last opening, and whether it ran

    # -- what the rig sees --

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """One more look at the rig."""
        if now.crank_deg is None:
            self._before = None
            self._at = replace(self._at, state="trip")
            return
        for event in events:
            if isinstance(event, Opening | Closing) and event.input == self._unit.input:
                self._change(event)
        self._at = step(self._at, Seen(now.crank_deg))

    def _change(self, event: Opening | Closing) -> None:
        if event.crank_deg is None:
            return
        if isinstance(event, Closing):
            if event.direction < 0:
                self._look(event.crank_deg, Opened.CLOSED_BACK)
        elif event.direction > 0:
            ran = self._is_running(event.crank_deg)
            self._before = event.crank_deg, ran
            read = Opened.READ if event.valid else Opened.TOO_SHORT
            self._look(event.crank_deg, read if ran else Opened.TRIPPED)

    def _look(self, at_deg: float, opened: Opened) -> None:
        self._at = step(self._at, Seen(at_deg, opened, at_deg))

    def _is_running(self, at_deg: float) -> bool:
        if self._before is not None and past_coupling(*self._before, at_deg, self._apart_deg):
            return True
        btdc_deg = self._target.btdc_deg - wrap(at_deg - self._nominal_deg, self._apart_deg)
        return opens_after_release(btdc_deg, self._release_btdc())

    def _release_btdc(self) -> float | None:
        session, name = self._host.session, self._unit.name
        return release_btdc(
            session.readings(), self._unit, session.setting_of(name), session.phase_of(name),
            session.restarted_at(),
        )  # fmt: skip

    # -- on the screen --

    def show(self, now: Now | None) -> GoToView:
        """What the dashboard shows."""
        to_go = None
        if now is not None and now.crank_deg is not None:
            to_go = wrap(self._goal_deg() - now.crank_deg, 2.0 * self._apart_deg)
        words = self.advice().next
        if self._at.missed is not Missed.NOTHING:
            words = f"{self._at.missed.value}. {words}"
        title = f"{self._unit.name}: past its impulse coupling"
        return GoToView(self._target.btdc_deg, to_go, True, words, title=title)

    def _goal_deg(self) -> float:
        """Where the crank is to go, continuous degrees."""
        at = self._at
        if at.state == "back":
            return at.far_enough_deg
        if at.state == "forward":
            return at.opens_deg
        return at.crank_deg + wrap(self._nominal_deg - at.crank_deg, self._apart_deg)

    def advice(self) -> Advice:
        """What to do now, from the table and the crank."""
        has = waiting(self._host, self._unit)
        so_far = f"{self._unit.name}: {has.n} of {has.wanted} running readings."
        at, hand, deg, press = self._at, Hand.TURN_FORWARD, None, ""
        if has.n >= has.wanted and at.state == "trip":
            words, hand, press = "End here: enough running readings", Hand.NOTHING, "event_here"
        elif at.state == "back":
            words, hand = f"Turn back {max(at.more_deg, 1.0):.0f}° more", Hand.TURN_BACK
            deg = at.more_deg + 1.0
        elif at.state == "forward" and not at.came_forward:
            words, so_far = "STOP. Now turn forward, gently", "Far enough back: it stays released."
        elif at.state == "forward":
            words = "Turn forward gently, through the opening"
        elif opens_after_release(self._target.btdc_deg, self._release_btdc()):
            words, so_far = "Turn forward through the opening", "It opens after the release here."
        elif self._caught:
            words, so_far = "Turn on forward to the trip", "Caught: the contacts stay closed."
        else:
            words = "Turn forward to the trip"
        if at.missed is not Missed.NOTHING:
            so_far = f"{at.missed.value}."
        return Advice(
            "impulse", words, so_far, f"{LIVE} {ARC}",
            press=press, hand=hand, unit=self._unit.name, deg=deg,
        )  # fmt: skip

    @property
    def _caught(self) -> bool:
        """Past the place where the contacts open running, and they are still closed."""
        if self._host.session.contact_open(self._unit.input) or not self._before:
            return False
        past_deg = wrap(self._at.crank_deg - self._at.opens_deg, self._apart_deg)
        return MARGIN_DEG < past_deg < self._apart_deg / 2.0

    def done(self, now: Now | None) -> str:
        """The person ends it."""
        n = waiting(self._host, self._unit).n
        if not n:
            raise InputError("no running reading yet: go on, or leave (esc)")
        return f"{self._unit.name}: {n} running readings past the impulse coupling"
