"""Procedures (guided sequences of steps at the bench) and what each shows: panel, angle, advice.

An ``Offer`` is what a room adds to a live run.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Literal

from rig.base.errors import InputError
from rig.engine.profile import Unit, Window
from rig.guide.action import Action, Bench, Host, Saved
from rig.signal.events import Event, Now


class Procedure(ABC):
    """A part of the work. ``over`` when it has come to its end by itself."""

    over = False

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """One more look at the rig; without memory there is nothing to do."""
        return

    @property
    def subject(self) -> Subject | None:
        """What it measures, where that takes the place of a job on an engine."""
        return None

    @abstractmethod
    def show(self, now: Now | None) -> GoToView | Panel:
        """What has the middle of the screen."""

    @abstractmethod
    def advice(self) -> Advice:
        """What comes next in it, why, and what to beware of."""

    @abstractmethod
    def actions(self) -> tuple[Action, ...]:
        """Its own, the most needed first; one has the place of the job's with its id or key."""

    def leave(self) -> None:
        """The person leaves it, or it is over."""
        return


@dataclass(frozen=True, slots=True)
class Offer:
    """What a room adds to a live run; ``save``, where it has one, saves the run without asking."""

    actions: tuple[Action, ...]
    save: Callable[[Host], Saved] | None = None


class LedProcedure(Procedure):
    """A procedure that leads the crank; the person says when it is done.

    It is over where its angles are no longer valid: TDC has moved, or the index of a geared encoder
    may be at another place since the rig restarted.
    """

    def __init__(self, host: Host) -> None:
        self._host = host

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """One more look at the rig."""
        self.over = self.over or self._host.session.here is None

    def actions(self) -> tuple[Action, ...]:
        """It is done."""
        does = "done: what was reached is kept as a remark"
        return (Action("event_here", "space", "done here", does, self._end),)

    def _end(self, bench: Bench, _: str) -> None:
        said = self.done(self._host.session.now())
        bench.note("a remark", "remark", {"text": said})
        bench.prompt.say(said)
        self.over = True

    @abstractmethod
    def done(self, now: Now | None) -> str:
        """What was reached. Raises InputError when nothing can be said."""


def nominal_window(host: Host, unit: Unit) -> Window:
    name = host.session.setting_of(unit.name)
    window = next(s for s in unit.settings if s.name == name).window
    if window is None:
        raise InputError(f"{unit.name}, {name}: no window is set, so there is no angle to go to")
    return window


def why_not_enter(advice: Advice) -> str:
    """Why enter does nothing at a step that it does not end."""
    return "This step has its own key." if advice.press else "The rig sees this step by itself."


def unit_names(units: Iterable[Unit]) -> str:
    """Units as they are asked for: input and name of each."""
    return ", ".join(f"{unit.input} {unit.name}" for unit in units)


def unit_answered(units: Sequence[Unit], answer: str) -> Unit:
    """The unit that a person named by its input or name. Raises InputError when there is none."""
    for unit in units:
        if answer in (str(unit.input), unit.name):
            return unit
    raise InputError(f"there is no unit {answer!r}; there are {unit_names(units)}")


def ask_unit(
    bench: Bench, text: str, units: Sequence[Unit], named: str, take: Callable[[Unit], None]
) -> None:
    """``take`` gets the unit that is named, the only one, or the one that is entered then."""
    named = named or (units[0].name if len(units) == 1 else "")
    text = f"{text} ({unit_names(units)})?"
    bench.ask_for(text, named, lambda answer: take(unit_answered(units, answer)))


Sort = Literal["plain", "now", "good", "bad", "quiet"]


@dataclass(frozen=True, slots=True)
class GoToView:
    """Bringing the crank to a wanted angle, or holding it there while a unit is moved."""

    target_btdc: float
    to_go_deg: float | None  # forward still to go; negative once passed; None: angle unknown
    from_right_side: bool = True  # arriving by forward movement, slack taken up
    words: str = ""  # "forward, gently", "there: hold", "passed: go back well past it"
    rim_mm: float | None = None  # length round the rim from top dead centre
    unit: str = ""  # the unit that is being moved while the crank is held
    title: str = ""  # where the crank is led back and forward: what for


@dataclass(frozen=True, slots=True)
class PanelLine:
    """One line of a panel: what it is about, what is said, and how it is meant."""

    label: str
    text: str
    sort: Sort = "plain"


@dataclass(frozen=True, slots=True)
class Panel:
    """A part of the work that has the middle of the screen to itself.

    ``figure`` is the number to be seen first, with what it is in ``below``; lines are ``beside``
    it and, over the whole width, under it. Without a figure (empty) the lines have all the room.
    """

    title: str
    state: str = ""
    figure: str = ""  # digits and a point, or empty
    unit: str = "°"
    below: str = ""
    beside: tuple[PanelLine, ...] = ()
    lines: tuple[PanelLine, ...] = ()


@dataclass(frozen=True, slots=True)
class Subject:
    """What a procedure measures in the place of a job on an engine, as the screen names it."""

    name: str  # in the place of the engine's name
    instead: str  # in the place of the job's steps
    tdc: str  # in the place of how TDC was found
    shaft: str  # in the place of the crank
    no_angle: str  # while its angle is not known: what to do


class Hand(Enum):
    """What the person does with the hands, before the key."""

    NOTHING = "nothing"
    TURN_FORWARD = "turn forward"  # by ``deg``; None: until the advice changes
    TURN_BACK = "turn back"  # the same
    TO_STOP_FORWARD = "to the piston stop, forward"
    TO_STOP_BACK = "to the piston stop, back"
    HOLD = "hold the crank"
    GO_TO = "go to an angle"  # ``deg`` before TDC of cylinder 1, coming forward
    GO_TO_FIRING_TDC = "go to firing TDC"  # of cylinder 1, by feeling compression
    FIT_STOP = "fit the piston stop"
    REMOVE_STOP = "remove the piston stop"
    TO_DROP_FORWARD = "to a piston drop, forward"  # of ``mm`` (None: some), and read the dial gauge
    TO_DROP_BACK = "to a piston drop, back"  # the same, past TDC
    SWITCH_OFF = "switch off"  # of ``unit``
    SWITCH_ON = "switch on"  # of ``unit``, or its switch lead off
    CLOSE_CONTACTS = "turn until contacts are closed"  # those of ``unit``
    OPEN_CONTACTS = "open contacts"  # of ``unit``, by hand
    HOLD_DRAG = "hold a drag"  # a light one, on the rotor of ``unit``; empty: of each
    MOVE_UNIT = "move a unit"  # ``unit`` by ``deg`` of crank, positive earlier; None: to opening
    MOVE_LEVER = "move the advance lever"  # of ``unit``, to the setting ``what``
    WORK = "other work"  # what the rig cannot see: ``what``
    FIX = "put right"  # ``what`` is wrong with the rig


@dataclass(frozen=True, slots=True)
class Advice:
    """One step: what to do, why, and what to beware of.

    ``next`` is one imperative without the key, ``why`` one short sentence. First ``hand`` is done,
    then ``press``, the id of an action (empty: none); a question that follows is about ``unit``.
    """

    step: str
    next: str
    why: str
    warning: str = ""  # what can injure
    press: str = ""
    hand: Hand = Hand.NOTHING
    unit: str = ""
    deg: float | None = None  # crank degrees
    what: str = ""
    caution: str = ""  # what can damage
    mm: float | None = None  # piston drop
