"""Procedure: set a unit by moving it while the crank is held.

The person brings the crank to the angle, holds it, moves the unit until its contacts just open,
lets go, turns back, and confirms by turning. The steps are a state machine, written as a table.

The opening belongs to the unit's adjustment at a known crank angle. It is a *set* reading, never a
*turned* one, and how still the hand held the crank is its uncertainty. The result is written into
the capture as a remark.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from rig.base.angles import wrap
from rig.base.rounding import btdc, difference, two_figures
from rig.engine.profile import Unit
from rig.guide import approach
from rig.guide.action import Action, Bench, Host
from rig.guide.advice import LIVE
from rig.guide.approach import on_firing_stroke, target_of
from rig.guide.procedure import (
    Advice,
    GoToView,
    Hand,
    LedProcedure,
    Offer,
    nominal_window,
    unit_answered,
    unit_names,
)
from rig.signal.events import Event, Now, Opening

State = Literal["bring", "close", "move", "parted", "turn back", "confirm", "done"]
SettingEvent = Literal[
    "nothing", "at the angle, closed", "at the angle, open", "closed", "moved away", "parted",
    "let go", "well back", "turned reading",
]  # fmt: skip

AT_DEG = 1.0


"""Nearer than this the crank stands at the wanted angle; the reading takes the angle at which it
does stand (common practice, no source)."""


STILL_DEG = 1.0


"""A held crank trembles by no more than this in a second (common practice, no source)."""


LET_GO_DEG = 3.0


"""After the parting, a movement of this much means that the crank is no longer held: what a
trembling hand does not do (common practice, no source)."""


TABLE: Mapping[tuple[State, SettingEvent], State] = {
    ("bring", "at the angle, closed"): "move",
    ("bring", "at the angle, open"): "close",
    ("close", "closed"): "move",
    ("close", "moved away"): "bring",
    ("move", "parted"): "parted",
    ("move", "moved away"): "bring",
    ("parted", "parted"): "parted",  # moved on and parted again: the later one counts
    ("parted", "let go"): "turn back",
    ("turn back", "well back"): "confirm",
    ("turn back", "turned reading"): "done",
    ("confirm", "turned reading"): "done",
}


"""(state, event) to the next state; what is not in it leaves the state as it is."""


WORDS: Mapping[State, str] = {
    "bring": "bring the crank to the angle, forward, and hold it there",
    "close": "the contacts stand open: move the unit {later} until they close, the crank held",
    "move": "hold the crank; move the unit slowly {earlier} until the contacts just part",
    "parted": "parted: do not move it any more, tighten, then let go of the crank",
    "turn back": "turn the crank back, well past the opening",
    "confirm": "come forward gently: a turned reading confirms or refutes the setting",
    "done": "confirmed by turning: read on for the spread, or set it again",
}


HANDS: Mapping[State, Hand] = {
    "bring": Hand.GO_TO,
    "close": Hand.MOVE_UNIT,
    "move": Hand.MOVE_UNIT,
    "parted": Hand.TURN_BACK,
    "turn back": Hand.TURN_BACK,
    "confirm": Hand.TURN_FORWARD,
    "done": Hand.NOTHING,
}


@dataclass(frozen=True, slots=True)
class Seen:
    """What the rig sees at an instant. Crank degrees.

    ``off_deg`` is how far the crank stands past the wanted angle (negative: before it),
    ``moved_deg`` its movement, highest less lowest, over the last second. ``parted`` and
    ``turned_reading`` are true at the instants of these events only.
    """

    t_s: float
    crank_deg: float
    off_deg: float
    moved_deg: float
    contacts_open: bool
    parted: bool = False
    turned_reading_btdc: float | None = None


@dataclass(frozen=True, slots=True)
class SetResult:
    """A set reading: the crank angle at which the contacts parted, and how still it was held.

    ``hand_deg`` is the half-width of the crank's movement while it was held, at least that of one
    count. ``confirmed_deg`` is the turned reading less the set one, once there is one.
    """

    t_s: float
    crank_deg: float
    btdc_deg: float
    hand_deg: float
    confirmed_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Setting:
    """Where the setting of one unit stands."""

    unit: str
    wanted_btdc: float
    earlier: str = "towards earlier"  # as said to the person: "anticlockwise, seen from ..."
    later: str = "towards later"
    state: State = "bring"
    low_deg: float = 0.0  # of the crank while it was held
    high_deg: float = 0.0
    result: SetResult | None = None

    @property
    def words(self) -> str:
        """What to do now, one line. Source: the table."""
        return WORDS[self.state].format(earlier=self.earlier, later=self.later)


def _at(seen: Seen) -> bool:
    return abs(seen.off_deg) <= AT_DEG and seen.moved_deg <= STILL_DEG


def _away(seen: Seen) -> bool:
    return abs(seen.off_deg) > 2.0 * AT_DEG or seen.moved_deg > 2.0 * STILL_DEG


def _since_parted(setting: Setting, seen: Seen) -> float:
    """How far the crank moved on since the contacts parted, degrees."""
    return seen.crank_deg - setting.result.crank_deg if setting.result else 0.0


Test = Callable[[Setting, Seen, float], bool]

SEEN_AS: tuple[tuple[State, SettingEvent, Test], ...] = (
    ("bring", "at the angle, open", lambda _, seen, __: _at(seen) and seen.contacts_open),
    ("bring", "at the angle, closed", lambda _, seen, __: _at(seen)),
    ("close", "moved away", lambda _, seen, __: _away(seen)),
    ("close", "closed", lambda _, seen, __: not seen.contacts_open),
    ("move", "moved away", lambda _, seen, __: _away(seen)),
    ("move", "parted", lambda _, seen, __: seen.parted),
    ("parted", "let go", lambda now, seen, __: abs(_since_parted(now, seen)) >= LET_GO_DEG),
    ("parted", "parted", lambda _, seen, __: seen.parted),
    ("turn back", "well back", lambda now, seen, back: -_since_parted(now, seen) >= back),
    ("turn back", "turned reading", lambda _, seen, __: seen.turned_reading_btdc is not None),
    ("confirm", "turned reading", lambda _, seen, __: seen.turned_reading_btdc is not None),
)


"""How an event shows in a state; the first row that holds counts."""


def event_of(setting: Setting, seen: Seen, back_deg: float) -> SettingEvent:
    """What happened, as far as it matters in the present state.

    ``back_deg`` is how far back from the opening counts as well back. Source: the table above.
    """
    for state, event, shows in SEEN_AS:
        if state == setting.state and shows(setting, seen, back_deg):
            return event
    return "nothing"


def step(
    setting: Setting, seen: Seen, *, back_deg: float = 20.0, count_deg: float = 0.15
) -> Setting:
    """The setting after one more look at the rig; pure, so that it can be replayed.

    ``back_deg`` is the run-up that a turned reading needs, ``count_deg`` one count of the encoder
    in crank degrees. A parting read while the crank is not still belongs to turning and changes
    nothing here. Source: the table.
    """
    event = event_of(setting, seen, back_deg)
    after = TABLE.get((setting.state, event), setting.state)
    now = replace(setting, state=after)
    if after in ("close", "move") and setting.state == "bring":
        return replace(now, low_deg=seen.crank_deg, high_deg=seen.crank_deg, result=None)
    if after in ("close", "move", "parted"):
        low = min(setting.low_deg, seen.crank_deg)
        high = max(setting.high_deg, seen.crank_deg)
        now = replace(now, low_deg=low, high_deg=high)
    if event == "parted" and after == "parted":
        hand = max(now.high_deg - now.low_deg, count_deg) / 2.0
        btdc = wrap(setting.wanted_btdc - seen.off_deg)
        now = replace(now, result=SetResult(seen.t_s, seen.crank_deg, btdc, hand))
    if after == "done" and now.result is not None and seen.turned_reading_btdc is not None:
        off = wrap(seen.turned_reading_btdc - now.result.btdc_deg)
        now = replace(now, result=replace(now.result, confirmed_deg=off))
    return now


class SetUnit(LedProcedure):
    """Follow the person through setting ``unit`` at its nominal figure, the crank held.

    While the crank is held for it, a note says so: openings of the unit then belong to the moving
    of the unit, however the hand on the crank trembles.
    """

    def __init__(self, host: Host, unit: Unit) -> None:
        super().__init__(host)
        window = nominal_window(host, unit)
        # The unit's body is turned against its shaft to make it earlier.
        against = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}[unit.rotation]
        self._unit = unit
        # Where the unit opens on one of the strokes alone, that stroke is the one to set it on.
        self._apart_deg = 360.0 / float(unit.turns_per_crank_turn * unit.lobes)
        self._target = target_of(host, window.nominal_btdc, 1)
        if wrap(360.0, self._apart_deg):
            self._target = on_firing_stroke(host, self._target)
        self._at = Setting(
            unit.name,
            window.nominal_btdc,
            earlier=f"{against}, seen from the {unit.seen_from}",
            later=f"{unit.rotation}, seen from the {unit.seen_from}",
        )
        self._noted = False  # that the unit is being moved

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """One more look at the rig."""
        if now.crank_deg is None:
            return
        mine = [e for e in events if isinstance(e, Opening) and e.input == self._unit.input]
        turned = [e for e in mine if e.valid]
        read = None
        if turned and turned[-1].crank_deg is not None:
            off = -approach.distance_deg(turned[-1].crank_deg, self._target)
            if abs(off) < self._apart_deg / 2.0:  # else another lobe's
                read = self._target.btdc_deg - off
        settings = self._host.session.settings
        at_deg = now.crank_deg
        if mine and self._noted and mine[-1].crank_deg is not None:
            at_deg = mine[-1].crank_deg  # where they parted, while the hand trembles
        seen = Seen(
            now.t_us * 1e-6,
            at_deg,
            -approach.distance_deg(at_deg, self._target),
            self._host.stillness.moved_deg(),
            bool(self._host.session.contact_open(self._unit.input)),
            parted=bool(mine),
            turned_reading_btdc=read,
        )
        self._at = step(self._at, seen, back_deg=settings.run_up_deg, count_deg=settings.count_deg)
        self._note_moving(self._at.state in ("close", "move", "parted"))

    def _note_moving(self, moving: bool) -> None:
        if moving == self._noted:
            return
        self._noted = moving
        # That the crank is turned shows only after a while: it was held until that movement began.
        until = {} if moving else {"end": True, "from_us": self._host.stillness.began_us()}
        self._host.annotate("moving", {"unit": self._unit.name, **until})

    def leave(self) -> None:
        """The unit is no longer being moved."""
        self._note_moving(False)

    def advice(self) -> Advice:
        """What the words beside the figure do not say."""
        return Advice(
            "set",
            "Do as the words above say, step by step",
            "An opening with the crank held is kept apart from those found by turning.",
            LIVE,
            press="event_here" if self._at.state == "done" else "",
            hand=HANDS[self._at.state],
            unit=self._at.unit,
            deg=self._at.wanted_btdc if self._at.state == "bring" else None,
        )

    def show(self, now: Now | None) -> GoToView:
        """What the dashboard shows."""
        to_go = None
        if now is not None and now.crank_deg is not None:
            to_go = approach.distance_deg(now.crank_deg, self._target)
        return GoToView(self._at.wanted_btdc, to_go, True, self._at.words, unit=self._unit.name)

    def done(self, now: Now | None) -> str:
        """The person ends it: what was set, and whether turning confirmed it."""
        result = self._at.result
        if result is None:
            return f"{self._unit.name}: not set"
        confirmed = (
            "not confirmed by turning yet"
            if result.confirmed_deg is None
            else f"confirmed by turning, {difference(result.confirmed_deg)} degrees"
        )
        return (
            f"{self._unit.name}: set with the crank held at {btdc(result.btdc_deg)}"
            f" within {two_figures(result.hand_deg)}°; {confirmed}"
        )


def _why_not(bench: Bench) -> str:
    return "" if bench.host.session.here is not None else "Find TDC first."


def _set(bench: Bench, entered: str) -> None:
    units = bench.host.job.profile.units
    text = f"Set which unit by moving it, the crank held ({unit_names(units)})?"
    bench.ask_for(
        text,
        entered,
        lambda answer: bench.dashboard.begin(SetUnit(bench.host, unit_answered(units, answer))),
    )


OFFER = Offer(
    (
        Action(
            "set_by_moving", "m", "set by moving", "set a unit by moving it, the crank held", _set,
            undo="esc", why_not=_why_not, takes="UNIT",
        ),
    )
)  # fmt: skip
"""To set a unit by moving it."""
