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
from rig.base.rounding import btdc, difference, entered_btdc, size, two_figures
from rig.engine.profile import Unit
from rig.guide import approach
from rig.guide.action import Action, Bench, Host
from rig.guide.approach import Going, on_firing_stroke, target_of
from rig.guide.impulse import CouplingWatch, Missed
from rig.guide.procedure import (
    Advice,
    GoToView,
    Hand,
    LedProcedure,
    Offer,
    ask_unit,
    nominal_window,
    why_not_enter,
)
from rig.signal.events import Event, Now, Opening

State = Literal["bring", "close", "move", "opened", "turn back", "confirm", "done"]

# Common practice, no source, all of them:
AT_PART = 0.1  # of the window's half width: the crank is at the target when off by no more
AWAY_DEG = 1.0  # that the crank may drift while the unit is moved; the reading takes where it is
STILL_DEG = 1.0  # a held crank trembles by no more in a second
LET_GO_DEG = 3.0  # after the opening: more than a trembling hand does, so the crank is let go
ENOUGH_DEG = 1.0  # turned back further than the approach needs by this
CLOSE_DEG = 3.0  # moved later by this, contacts that were just open are closed


@dataclass(frozen=True, slots=True)
class Seen:
    """What the rig sees at an instant. Crank degrees.

    ``off_deg`` is how far the crank is past the nominal angle (negative: before it),
    ``moved_deg`` its movement, highest less lowest, over the last second. ``opened`` is true and
    ``turned_reading_btdc`` not None at the instants of these events only.
    """

    crank_deg: float
    off_deg: float
    moved_deg: float
    contacts_open: bool
    opened: bool = False
    turned_reading_btdc: float | None = None
    tripped: bool = False  # its impulse coupling caught again and released: no reading
    right_side: bool = True  # it came there forward, the backlash taken up


@dataclass(frozen=True, slots=True)
class SetResult:
    """A set reading: the crank angle at which the contacts opened, and how still it was held.

    ``hand_deg`` is the half-width of the crank's movement while it was held, at least that of one
    count. ``confirmed_deg`` is the turned reading less the set one, once there is one.
    """

    crank_deg: float
    btdc_deg: float
    hand_deg: float
    confirmed_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Setting:
    """The progress of setting one unit."""

    unit: str
    wanted_btdc: float
    earlier: str = "towards earlier"  # as shown to the person: "anticlockwise, seen from ..."
    later: str = "towards later"
    at_deg: float = 0.1  # off by more than this the crank is not at the target
    state: State = "bring"
    low_deg: float = 0.0  # of the crank while it was held
    high_deg: float = 0.0
    result: SetResult | None = None

    @property
    def words(self) -> str:
        """What to do now, one line."""
        return STATES[self.state].words.format(
            unit=self.unit, earlier=self.earlier, later=self.later,
            target=entered_btdc(self.wanted_btdc),
        )  # fmt: skip

    def since_opened_deg(self, seen: Seen) -> float:
        """How far the crank moved on since the contacts opened."""
        return seen.crank_deg - self.result.crank_deg if self.result else 0.0


def _at(at: Setting, seen: Seen, _: float) -> bool:
    near = abs(seen.off_deg) <= at.at_deg + 1e-9
    return near and seen.right_side and seen.moved_deg <= STILL_DEG


def _away(at: Setting, seen: Seen, _: float) -> bool:
    return abs(seen.off_deg) > at.at_deg + AWAY_DEG or seen.moved_deg > 2.0 * STILL_DEG


def _read(_: Setting, seen: Seen, __: float) -> bool:
    return seen.turned_reading_btdc is not None


@dataclass(frozen=True, slots=True)
class Stage:
    """What is done in a state, and how it ends: the first test that is true gives the next.

    A test is of the setting, of what the rig sees, and of how far back counts as well back.
    """

    words: str
    hand: Hand
    ends: tuple[tuple[Callable[[Setting, Seen, float], bool], State], ...] = ()
    press: str = ""


STATES: Mapping[State, Stage] = {
    "bring": Stage(
        "Bring the crank forward to {target}", Hand.GO_TO,
        ((lambda *now: _at(*now) and now[1].contacts_open, "close"), (_at, "move")),
    ),
    "close": Stage(
        "Hold the crank; move {unit} {later} until its contacts close", Hand.MOVE_UNIT,
        ((_away, "bring"), (lambda _, seen, __: not seen.contacts_open, "move")),
    ),
    "move": Stage(
        "Hold the crank; move {unit} slowly {earlier} until its contacts open", Hand.MOVE_UNIT,
        ((_away, "bring"), (lambda _, seen, __: seen.opened, "opened")),
    ),
    "opened": Stage(
        "Opened: stop, tighten {unit}", Hand.WORK,
        ((lambda at, seen, _: abs(at.since_opened_deg(seen)) >= LET_GO_DEG, "turn back"),),
        press="step_done",
    ),
    "turn back": Stage(
        "Turn the crank back past the opening", Hand.TURN_BACK,
        ((lambda at, seen, back: -at.since_opened_deg(seen) >= back, "confirm"), (_read, "done")),
    ),
    "confirm": Stage(
        "Turn slowly forward through the opening of {unit}", Hand.TURN_FORWARD,
        ((lambda _, seen, __: seen.tripped, "turn back"), (_read, "done")),
    ),
    "done": Stage("Keep the setting of {unit}", Hand.NOTHING, press="event_here"),
}  # fmt: skip


def step(
    setting: Setting, seen: Seen, *, back_deg: float = 20.0, count_deg: float = 0.15
) -> Setting:
    """The setting after one more look at the rig; pure, so that it can be replayed.

    ``back_deg`` is the approach that a turned reading needs, ``count_deg`` one count of the encoder
    in crank degrees. An opening while the crank is not still belongs to turning and changes
    nothing here. If the unit is moved on and opens again, the later opening counts.
    """
    ends = STATES[setting.state].ends
    after = next((state for test, state in ends if test(setting, seen, back_deg)), setting.state)
    now = replace(setting, state=after)
    if after in ("close", "move") and setting.state == "bring":
        return replace(now, low_deg=seen.crank_deg, high_deg=seen.crank_deg, result=None)
    if after in ("close", "move", "opened"):
        low = min(setting.low_deg, seen.crank_deg)
        high = max(setting.high_deg, seen.crank_deg)
        now = replace(now, low_deg=low, high_deg=high)
    if after == "opened" and seen.opened:
        hand = max(now.high_deg - now.low_deg, count_deg) / 2.0
        btdc = wrap(setting.wanted_btdc - seen.off_deg)
        now = replace(now, result=SetResult(seen.crank_deg, btdc, hand))
    if after == "done" and now.result is not None and seen.turned_reading_btdc is not None:
        off = wrap(seen.turned_reading_btdc - now.result.btdc_deg)
        now = replace(now, result=replace(now.result, confirmed_deg=off))
    return now


class SetUnit(LedProcedure):
    """Follow the person through setting ``unit`` at its nominal, the crank held.

    A note marks the time during which the crank is held for it: openings of the unit then come from
    moving it, however the hand on the crank trembles.
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
        count_deg = host.session.settings.count_deg
        half_deg = (window.earliest_btdc - window.latest_btdc) / 2.0
        self._at = Setting(
            unit.name,
            window.nominal_btdc,
            earlier=f"{against}, seen from the {unit.seen_from}",
            later=f"{unit.rotation}, seen from the {unit.seen_from}",
            at_deg=max(AT_PART * half_deg, count_deg),
        )
        self._target = replace(self._target, within_deg=self._at.at_deg)
        self._watch = CouplingWatch(host, unit) if unit.coupling == "impulse" else None
        self._noted = False  # that the unit is being moved
        self._going: Going | None = None
        self._crank_deg = 0.0
        self._tripped = False  # at its last opening, past what was set

    def see(self, now: Now, events: Sequence[Event]) -> None:
        super().see(now, events)
        if now.crank_deg is None:
            return
        if self._watch is not None:
            self._watch.see(now, events)
        mine = [e for e in events if isinstance(e, Opening) and e.input == self._unit.input]
        turned = [e for e in mine if e.valid]
        if mine:
            self._tripped = self._watch is not None and not self._watch.ran
        read = None
        if turned and turned[-1].crank_deg is not None and not self._tripped:
            off = -approach.distance_deg(turned[-1].crank_deg, self._target)
            if abs(off) < self._apart_deg / 2.0:  # else another lobe's
                read = self._target.btdc_deg - off
        settings = self._host.session.settings
        at_deg = self._crank_deg = now.crank_deg
        if mine and self._noted and mine[-1].crank_deg is not None:
            at_deg = mine[-1].crank_deg  # where they opened, while the hand trembles
        seen = Seen(
            at_deg,
            -approach.distance_deg(at_deg, self._target),
            self._host.stillness.moved_deg(),
            bool(self._host.session.contact_open(self._unit.input)),
            opened=bool(mine),
            turned_reading_btdc=read,
            tripped=bool(mine) and self._tripped,
            right_side=now.approach_deg >= settings.approach_deg and not self._held_back,
        )
        self._going = approach.approach_to(
            now.crank_deg, self._target, now.approach_deg, settings.approach_deg, now.direction
        )
        self._at = step(
            self._at, seen, back_deg=settings.approach_deg, count_deg=settings.count_deg
        )
        if self._watch is not None and self._at.state == "opened" and self._at.result is not None:
            self._watch.set_deg = self._at.result.crank_deg
        self._note_moving(self._at.state in ("close", "move", "opened"))

    @property
    def _held_back(self) -> bool:
        """Whether an impulse coupling may hold the rotor back: set then, the unit would be wrong by
        the angle since it caught."""
        return self._watch is not None and not self._watch.is_released

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
        at, state = self._at, self._at.state
        stage = STATES[state]
        hand, deg, next_ = stage.hand, None, at.words
        if state == "bring":
            deg = at.wanted_btdc
            going = self._going
            if self._held_back and self._watch is not None and not self._watch.is_past_trip:
                hand, deg = Hand.TURN_FORWARD, None
                next_ = f"Turn forward past the trip of {at.unit}"
            elif going is not None and going.move_deg < 0.0:
                hand, deg = Hand.TURN_BACK, -going.move_deg
                next_ = f"Turn back by {-going.move_deg:.0f}°, then come forward"
        elif state == "close":
            deg = -CLOSE_DEG
        elif state == "turn back" and at.result is not None:
            past_deg = self._crank_deg - at.result.crank_deg
            deg = past_deg + self._host.session.settings.approach_deg + ENOUGH_DEG
            next_ = f"Turn back {max(deg, 1.0):.0f}° more"
        elif state == "confirm":
            deg = 2.0 * self._host.session.settings.approach_deg
        return Advice(
            "set", next_, self._why(),
            press=stage.press, hand=hand, unit=at.unit, deg=deg,
            what="tighten" if state == "opened" else "",
        )  # fmt: skip

    def _why(self) -> str:
        at, result = self._at, self._at.result
        if at.state == "bring" and self._held_back:
            return "Its impulse coupling holds the rotor back until it has tripped."
        if at.state == "bring":
            return self._how_far()
        if at.state in ("close", "move"):
            off = self._going.distance_deg if self._going else 0.0
            if abs(off) > at.at_deg:
                side = "short of" if off > 0.0 else "past"
                return f"NOT AT THE TARGET: the crank is {size(off)}° {side} it."
            return "The crank is at the target: hold it there."
        if result is None:
            return ""
        if self._tripped:
            return f"{Missed.CAUGHT.value}. A trip is no reading."
        if at.state == "done" and result.confirmed_deg is not None:
            return f"Turning reads {difference(result.confirmed_deg)}° from it."
        return f"Its contacts opened at {btdc(result.btdc_deg)}."

    def _how_far(self) -> str:
        going = self._going
        if going is None:
            return "The crank's angle is not known yet."
        if going.where == "wrong side":
            return "It is at the target, but the backlash is not taken up."
        past = going.distance_deg < 0.0
        return f"{size(going.distance_deg)}° {'past the target' if past else 'to go'}."

    def actions(self) -> tuple[Action, ...]:
        return (
            Action("step_done", "enter", "tightened", "the unit is tightened", self._tightened,
                   why_not=self._why_not_tightened),
            *super().actions(),
        )  # fmt: skip

    def _why_not_tightened(self, _: Bench) -> str:
        return "" if self._at.state == "opened" else why_not_enter(self.advice())

    def _tightened(self, bench: Bench, _: str) -> None:
        self._at = replace(self._at, state="turn back")
        self._note_moving(False)
        if not bench.host.session.annotations.tightened:
            bench.note("as left", "phase", {"phase": "as left"})

    def show(self, now: Now | None) -> GoToView:
        to_go = None
        if now is not None and now.crank_deg is not None:
            to_go = approach.distance_deg(now.crank_deg, self._target)
        return GoToView(self._at.wanted_btdc, to_go, True, self._why(), unit=self._unit.name)

    def done(self, now: Now | None) -> str:
        """The person ends it: what was set, and whether turning confirmed it."""
        result = self._at.result
        if result is None:
            return f"{self._unit.name}: not set"
        confirmed = "not confirmed by turning yet"
        if result.confirmed_deg is not None:
            confirmed = f"confirmed by turning, {difference(result.confirmed_deg)} degrees"
        return (
            f"{self._unit.name}: set with the crank held at {btdc(result.btdc_deg)}"
            f" within {two_figures(result.hand_deg)}°; {confirmed}"
        )


def _why_not(bench: Bench) -> str:
    return "" if bench.host.session.here is not None else "Find TDC first."


def _set(bench: Bench, entered: str) -> None:
    def take(unit: Unit) -> None:
        bench.dashboard.begin(SetUnit(bench.host, unit))

    text = "Set which unit by moving it, the crank held"
    ask_unit(bench, text, bench.host.job.profile.units, entered, take)


OFFER = Offer(
    (
        Action(
            "set_by_moving", "m", "set by moving", "set a unit by moving it, the crank held", _set,
            undo="esc", why_not=_why_not, takes="UNIT",
        ),
    )
)  # fmt: skip
"""To set a unit by moving it."""
