"""Past an impulse coupling to a running reading: a state machine, as a table.

Turned slowly, the coupling holds the rotor back, then trips late. The running value is read by
turning past the trip, going back past the opening without engaging the coupling again, and going
forward gently (US Army TM 1-1500-204-23-1, magneto timing). The state machine follows these steps
and reports one that was missed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from rig.base.angles import wrap
from rig.engine.profile import Unit
from rig.guide.action import Host
from rig.guide.advice import ARC, LIVE
from rig.guide.approach import target_of
from rig.guide.procedure import Advice, GoToView, Hand, LedProcedure, nominal_window
from rig.signal.events import Event, Now, Opening
from rig.timing.impulse import LEAST_LAG_DEG

State = Literal["click", "back", "forward", "done"]
TripEvent = Literal[
    "nothing", "clicked", "far enough", "too far", "turned too soon", "running reading"
]

MARGIN_DEG = 3.0


"""Gone back so much further than the run-up needs, so that it is full at the opening (common
practice, no source)."""


TOO_FAR_DEG = 25.0


"""Gone back so much further than needed, a coupling has probably engaged again (common practice,
no source: each maker's own differs)."""


HAND_DEG = 2.0


"""A hand trembles by less; more than this forward means that the crank was turned."""


TABLE: Mapping[tuple[State, TripEvent], State] = {
    ("click", "clicked"): "back",
    ("back", "clicked"): "back",
    ("back", "far enough"): "forward",
    ("back", "turned too soon"): "back",
    ("forward", "too far"): "click",
    ("forward", "clicked"): "back",
    ("forward", "running reading"): "done",
}


"""(state, event) to the next state; what is not in it leaves the state as it is."""


WORDS: Mapping[State, str] = {
    "click": "turn forward past the click",
    "back": "come back {more:.0f} degrees more, past the opening",
    "forward": "now forward, gently, through the opening",
    "done": "a running reading: go back and forward again for more",
}
MISSED: Mapping[TripEvent, str] = {
    "too far": "too far back: the coupling may have engaged again",
    "clicked": "it clicked again: gone back too far, the coupling had engaged",
    "turned too soon": "not far enough back: there would be no run-up",
}


HANDS: Mapping[State, Hand] = {
    "click": Hand.TURN_FORWARD,
    "back": Hand.TURN_BACK,
    "forward": Hand.TURN_FORWARD,
    "done": Hand.NOTHING,
}


@dataclass(frozen=True, slots=True)
class Seen:
    """What the rig sees at an instant. ``past_deg`` is how far the crank stands past the running
    opening (negative: before it), crank degrees; the last two are true at those instants only."""

    past_deg: float
    clicked: bool = False  # an opening late by the coupling's lag
    running: bool = False  # an opening that counts, where the running one belongs


@dataclass(frozen=True, slots=True)
class TripState:
    """Where the person stands. ``needed_deg`` is the run-up that a reading needs."""

    needed_deg: float
    state: State = "click"
    clicked_deg: float = 0.0  # where it clicked
    lowest_deg: float = 0.0  # furthest back since the click
    past_deg: float = 0.0
    missed: str = ""

    @property
    def words(self) -> str:
        """What to do now, one line, with what was missed. Source: the table."""
        more = max(self.past_deg + self.needed_deg + MARGIN_DEG, 0.0)
        now = WORDS[self.state].format(more=more)
        return f"{self.missed}; {now}" if self.missed else now


def _far_enough(now: TripState) -> float:
    return -(now.needed_deg + MARGIN_DEG)


def _came_back(now: TripState) -> bool:
    """A hand that goes on a little past the click has not turned round yet."""
    return now.lowest_deg < now.clicked_deg - HAND_DEG


def _turned_on(now: TripState, seen: Seen) -> bool:
    return seen.past_deg > now.lowest_deg + HAND_DEG


Test = Callable[[TripState, Seen], bool]

SEEN_AS: tuple[tuple[State, TripEvent, Test], ...] = (
    ("click", "clicked", lambda _, seen: seen.clicked),
    ("back", "clicked", lambda _, seen: seen.clicked),
    ("back", "far enough", lambda now, seen: seen.past_deg <= _far_enough(now)),
    ("back", "turned too soon", lambda now, seen: _came_back(now) and _turned_on(now, seen)),
    ("forward", "running reading", lambda _, seen: seen.running),
    ("forward", "clicked", lambda _, seen: seen.clicked),
    ("forward", "too far", lambda now, seen: seen.past_deg < _far_enough(now) - TOO_FAR_DEG),
)


"""How an event shows in a state; the first row that holds counts."""


def step(now: TripState, seen: Seen) -> TripState:
    """The state after one more look at the rig; pure, so that it can be replayed.

    Angles in crank degrees. Source: the table.
    """
    event: TripEvent = "nothing"
    for state, name, shows in SEEN_AS:
        if state == now.state and shows(now, seen):
            event = name
            break
    after = TABLE.get((now.state, event), now.state)
    clicked = seen.past_deg if event == "clicked" else now.clicked_deg
    lowest = seen.past_deg if event == "clicked" else min(now.lowest_deg, seen.past_deg)
    missed = now.missed
    if event == "clicked" and now.state != "forward":
        missed = ""
    elif event in MISSED:
        missed = MISSED[event]
    elif event != "nothing":
        missed = ""
    return replace(
        now, state=after, clicked_deg=clicked, lowest_deg=lowest,
        past_deg=seen.past_deg, missed=missed,
    )  # fmt: skip


class PastImpulseCoupling(LedProcedure):
    """Follow the person past the impulse coupling of ``unit`` to a running reading."""

    def __init__(self, host: Host, unit: Unit) -> None:
        super().__init__(host)
        window = nominal_window(host, unit)
        self._unit = unit
        self._target = target_of(host, window.nominal_btdc, 1)
        # Openings of a unit lie so far apart; the nearest place is the one that is turned through.
        self._apart_deg = 360.0 / float(unit.turns_per_crank_turn * unit.lobes)
        self._at = TripState(host.session.settings.run_up_deg)

    def _past(self, crank_deg: float) -> float:
        running_deg = self._target.tdc_deg - self._target.btdc_deg
        return wrap(crank_deg - running_deg, self._apart_deg)

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """One more look at the rig."""
        if now.crank_deg is None:
            return
        mine = [
            e for e in events
            if isinstance(e, Opening) and e.input == self._unit.input and e.direction > 0
        ]  # fmt: skip
        late = [self._past(e.crank_deg) for e in mine if e.crank_deg is not None]
        running = any(e.valid for e in mine) and any(abs(x) < LEAST_LAG_DEG for x in late)
        clicks = [x for x in late if x >= LEAST_LAG_DEG]
        past = self._past(now.crank_deg)
        if self._at.state != "click" and not clicks:
            # From the click on the crank is followed from where it was, also past half-way to
            # the next opening, where the angle folds over.
            past = self._at.past_deg + wrap(past - self._at.past_deg, self._apart_deg)
        self._at = step(self._at, Seen(past, bool(clicks), running))

    def show(self, now: Now | None) -> GoToView:
        """What the dashboard shows."""
        to_go = None if now is None or now.crank_deg is None else -self._past(now.crank_deg)
        return GoToView(self._target.btdc_deg, to_go, True, self._at.words, unit=self._unit.name)

    def advice(self) -> Advice:
        """What the words beside the figure do not say."""
        return Advice(
            "impulse",
            "Do as the words above say, step by step",
            "The nominal is for the coupling released, not holding back.",
            f"{LIVE} {ARC}",
            press="event_here" if self._at.state == "done" else "",
            hand=HANDS[self._at.state],
            unit=self._unit.name,
        )

    def done(self, now: Now | None) -> str:
        """The person ends it."""
        return f"{self._unit.name}: past the impulse coupling, {self._at.state}"
