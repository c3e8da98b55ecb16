"""What the person may do at the bench now: an action for each key, and the keys that matter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache, partial
from importlib import import_module

from rig.base.errors import InputError
from rig.engine.geometry import stop_cylinder, stop_trouble
from rig.engine.profile import Unit
from rig.engine.windows import typed_within
from rig.guide.action import Action, Key, Prompt, Saved, Step
from rig.guide.advice import SAYABLE, needs_no_stroke, step_of
from rig.guide.approach import GoTo
from rig.guide.impulse import PastImpulseCoupling
from rig.guide.procedure import Begin, Offer, unit_answered, unit_names
from rig.guide.tdc import GaugePoints, SelectTdc, still_deg
from rig.live.live_session import LiveSession
from rig.signal.events import Event, Opening, Reason
from rig.tdc.gauge_points import MARK, MARK_WITHIN_DEG
from rig.timing.values import ADJUSTING
from rig.words.diagnostics import mark_words

PROCEDURES = (
    "rig.check.procedure",
    "rig.adjust.set_by_moving",
    "rig.certificate.action",
)
"""Modules of the bench's needs; the ``OFFER`` of each adds actions to those of the core job."""

ORDER = ("space", *"nukdyclew", "lever", *"xiomgtrps")
"""Keys in the order of the work, as the page of all keys has them; a key not in it comes last."""


@cache
def offers() -> tuple[Offer, ...]:
    """What the rooms in ``PROCEDURES`` add to a live run."""
    return tuple(import_module(name).OFFER for name in PROCEDURES)


def _place(action: Action) -> int:
    key = "lever" if action.key.isdigit() else action.key
    return ORDER.index(key) if key in ORDER else len(ORDER)


class JobActions:
    """The actions of a job. ``begin`` starts a procedure."""

    def __init__(self, live: LiveSession, prompt: Prompt, begin: Begin) -> None:
        self._live = live
        self._prompt = prompt
        self._begin = begin
        self._moved = UnitMoved(live, prompt)
        self._said: list[str] = []  # steps said to be done, to be taken back

    def actions(self, advised: str) -> tuple[Action, ...]:
        """All that can be done now, in the order of the work; ``advised`` is the step that the
        guidance names."""
        core = (
            *self._main(),
            *self._saying(advised),
            *self._stop(),
            Action("l", "gauge", "dead centre by a dial gauge, point by point",
                 "x takes points back", self.by_gauge),
            Action("e", "engine's mark", "the crank stands at the engine's own mark", "w, then x",
                 self._ask_mark),
            Action("w", "which TDC", "all dead centres found: choose one", "choose another",
                 self.which),
            *self._levers(),
            Action("x", "strike", "strike the last reading out", "x again", self._strike),
            *self._past_click(),
            *self._moved.actions(),
            Action("g", "go to", "lead the crank to an angle", "esc",
                 lambda: self._prompt.ask_for("Go to how many degrees BTDC?", self._go_to)),
            self._phase(),
            Action("r", "remark", "a remark for the certificate", "r, then enter",
                 self._ask_remark),
            Action("p", "change", "what was changed on engine or unit", "p, then enter",
                 self._ask_change),
        )  # fmt: skip
        return tuple(sorted((*core, *self._offered()), key=_place))

    def _offered(self) -> tuple[Action, ...]:
        """What the rooms of the bench's needs add."""
        return tuple(
            action
            for offer in offers()
            for action in offer.actions(self._live, self._prompt, self._begin)
        )

    # -- the action of the step --

    def _main(self) -> tuple[Action, ...]:
        """The main key, and the foot switch."""
        live = self._live
        if live.session.stop is not None:
            does = "the stop is out: dead centre from its touches"
            return (Action("space", "stop is out", does, "c: touch it again", self._stop_out),)
        if step_of(live) == "top dead centre":
            does = "the stop is in: touch it from both sides"
            return (Action("space", "stop is in", does, "d drops its touches", self._stop_in),)
        if needs_no_stroke(live.job.profile) or live.session.reference is None:
            return ()
        does = "cylinder 1 stands at its firing dead centre"
        if step_of(live) == "stroke":
            return (Action("space", "firing TDC", does, "space: state it again", self._stroke),)
        return (Action("space", "firing TDC", does, "asked first", self._ask_stroke),)

    def _stop_in(self) -> None:
        self._live.stop_in()
        self._prompt.say(self._where_stop_is())

    def _where_stop_is(self) -> str:
        """With a warning where the stop misleads."""
        stop, engine = self._live.session.stop, self._live.job.profile.engine
        if stop is None or not engine.master_cylinder:
            return "the stop is in"
        said = f"the stop is in cylinder {stop.cylinder}"
        wrong = stop_trouble(engine, stop.cylinder)
        return f"{said}, but {wrong}" if wrong else said

    def _stop_in_other(self, answer: str) -> None:
        cylinders = self._live.job.profile.engine.cylinders
        if not answer.isdecimal() or not 1 <= int(answer) <= cylinders:
            raise InputError(f"{answer!r} is no cylinder; there are 1 to {cylinders}")
        self._live.stop_in(int(answer))
        wrong = stop_trouble(self._live.job.profile.engine, int(answer))
        said = f"the stop is in cylinder {answer}"
        self._prompt.say(f"{said}, but {wrong}" if wrong else said)

    def _stop_out(self) -> None:
        self._live.stop_out()
        self._prompt.say(self._live.session.stop_words)

    def _stroke(self) -> None:
        self._live.state_stroke()
        self._prompt.say("cylinder 1 fires here: stated")

    def _ask_stroke(self) -> None:
        self._prompt.ask("Does cylinder 1 fire here? It was stated before.", self._stroke)

    def _stop(self) -> tuple[Action, ...]:
        live = self._live
        if live.session.stop is not None:
            drop = Action("d", "drop touches", "drop the touches of the stop", "asked first",
                        lambda: self._prompt.ask("Drop the touches of the stop?",
                                               lambda: live.stop_out(drop=True)))  # fmt: skip
            return (drop,)
        if live.session.reference is None:
            cylinders = live.job.profile.engine.cylinders
            if cylinders == 1 or step_of(live) != "top dead centre":
                return ()
            text = f"In which cylinder is the stop (1 to {cylinders})?"
            usual = stop_cylinder(live.job.profile.engine)
            elsewhere = Action("y", "stop elsewhere",
                             f"the stop is in another cylinder than {usual}",
                             "d drops its touches",
                             lambda: self._prompt.ask_for(text, self._stop_in_other))  # fmt: skip
            return (elsewhere,)
        again = Action("c", "stop", "the stop is in again: touch it once more",
                     "d drops its touches",
                     lambda: self._prompt.ask("Is the stop in the plug hole, to touch it again?",
                                            live.stop_in))  # fmt: skip
        return (again,)

    # -- what the rig cannot see --

    def _saying(self, advised: str) -> tuple[Action, ...]:
        found = []
        if advised == "tighten":
            found.append(Action("n", "tightened", "everything is tightened: as left from now on",
                              "t again", self._ask_phase))  # fmt: skip
        elif advised in SAYABLE:
            found.append(Action("n", f"done: {advised}", "the step under NEXT is done",
                              "u: not done",
                              lambda: self._say_done(advised)))  # fmt: skip
        if self._said:
            found.append(Action("u", "not done", f"not done after all: {self._said[-1]}", "n: done",
                              self._not_done))  # fmt: skip
        return tuple(found)

    def _say_done(self, step: str) -> None:
        self._live.annotate("said", {"step": step})
        self._said.append(step)

    def _not_done(self) -> None:
        step = self._said.pop()
        self._live.annotate("said", {"step": step, "back": True})
        self._prompt.say(f"not done after all: {step}")

    def _phase(self) -> Action:
        if self._live.session.told.tightened:
            return Action("t", "as found", "back to readings as found", "t again", self._ask_phase)
        does = "everything is tightened: as left from now on"
        return Action("t", "tightened", does, "t again", self._ask_phase)

    def _ask_phase(self) -> None:
        live = self._live
        if live.session.told.tightened:
            self._prompt.ask("Go back to readings as found?", lambda: live.set_phase(False))
        else:
            self._prompt.ask(
                "Is everything tightened, so that readings are as left from now on?",
                lambda: live.set_phase(True),
            )

    # -- dead centre --

    def by_gauge(self) -> None:
        """Take points by a dial gauge. Raises InputError before the index has passed."""
        if not self._live.session.is_anchored:
            raise InputError("turn the crank until the index has passed once, then fit the gauge")
        if self._live.session.stop is not None:
            raise InputError("the stop is in: take it out and say so, then fit the gauge")
        self._begin(GaugePoints(self._live, self._prompt, self.which))

    def which(self) -> None:
        """Choose the dead centre to go by."""
        self._begin(SelectTdc(self._live, self._prompt))

    def _ask_mark(self) -> None:
        at = still_deg(self._live)
        self._prompt.ask_for(
            "At which mark does the crank stand (flywheel T, pulley notch ...)?",
            lambda what: self._ask_within(at, what),
        )

    def _ask_within(self, at_deg: float, what: str) -> None:
        if not what:
            raise InputError("a mark needs its words, so that it is known which one it was")
        rim = self._live.job.profile.engine.rim_diameter_mm
        lengths = ", or how many mm or in of the rim (1 mm)" if rim else ""
        self._prompt.ask_for(
            f"Within how many degrees is it read, either way (0.5){lengths}? Nothing typed:"
            f" {MARK_WITHIN_DEG:g} degree",
            lambda within: self._mark(at_deg, what, within),
        )

    def _mark(self, at_deg: float, what: str, within: str) -> None:
        session = self._live.session
        read: dict[str, object] = {"within_deg": MARK_WITHIN_DEG}
        if within:
            try:
                typed = typed_within(within, self._live.job.profile.engine.rim_diameter_mm)
            except InputError:
                self._ask_within(at_deg, what)  # the mark's words are not lost
                raise
            read = {"within_deg": typed.deg, "within": typed.words}
        cylinder = session.reference.cylinder if session.reference else 1
        note = {"crank_deg": at_deg, "what": what, "cylinder": cylinder}
        self._live.annotate(MARK, note | read)
        self._prompt.say(mark_words(session.gauge.marks[-1], session.here))

    # -- readings --

    def _strike(self) -> None:
        self._prompt.say(self._live.strike_last())

    def _levers(self) -> tuple[Action, ...]:
        movable = [u for u in self._live.job.profile.units if len(u.settings) > 1]
        names = ", ".join(unit.name for unit in movable)
        does = f"lever to its next setting: {names}"
        return tuple(
            Action(str(u.input), f"lever {u.name}", does, "the same key again",
                 partial(self._lever, u))
            for u in movable
        )  # fmt: skip

    def _lever(self, unit: Unit) -> None:
        self._prompt.say(f"{unit.name}: lever now at {self._live.next_setting(unit.name)}")

    # -- procedures that lead the crank --

    def _past_click(self) -> tuple[Action, ...]:
        coupled = [u for u in self._live.job.profile.units if u.coupling == "impulse"]
        if not coupled:
            return ()
        text = f"Past the coupling of which unit ({unit_names(coupled)})?"
        return (
            Action("i", "past the click", "past an impulse coupling, led", "esc",
                 lambda: self._prompt.ask_for(text, self._go_past)),
        )  # fmt: skip

    def _go_past(self, answer: str) -> None:
        self._begin(
            PastImpulseCoupling(
                self._live, self._prompt, unit_answered(self._live.job.profile.units, answer)
            )
        )

    def _go_to(self, answer: str) -> None:
        try:
            angle = float(answer.replace(",", "."))
        except ValueError:
            raise InputError(
                f"{answer!r} is no angle; give degrees, a minus for after TDC"
            ) from None
        if not -180.0 < angle <= 180.0:
            raise InputError(f"{answer} lies outside -180 to 180 degrees")
        self._begin(GoTo(self._live, self._prompt, angle))

    def see(self, events: Sequence[Event]) -> None:
        """One more look at the rig, while no procedure is on."""
        self._moved.see(events)

    # -- the record --

    def _ask_remark(self) -> None:
        more = "; nothing typed: take the last one back" if self._live.session.told.remarks else ""
        self._prompt.ask_for(f"Remark for the certificate (gap, weather ...){more}?", self._remark)

    def _remark(self, text: str) -> None:
        remarks = self._live.session.told.remarks
        if text:
            self._live.annotate("remark", {"text": text})
        elif remarks:
            self._prompt.ask(f"Take this remark back: {remarks[-1]}?",
                           lambda: self._taken_back("remark"))  # fmt: skip

    def _ask_change(self) -> None:
        more = "; nothing typed: take the last one back" if self._live.session.told.changes else ""
        self._prompt.ask_for(f"What was changed on the engine or a unit{more}?", self._change)

    def _change(self, words: str) -> None:
        changes = self._live.session.told.changes
        if words:
            self._ask_where(words)
        elif changes:
            self._prompt.ask(f"Take back that this was changed: {changes[-1][0]}?",
                           lambda: self._taken_back("change"))  # fmt: skip

    def _ask_where(self, words: str) -> None:
        names = unit_names(self._live.job.profile.units)
        text = f"On which unit ({names}); nothing typed: on the whole engine?"
        self._prompt.ask_for(text, lambda answer: self._changed(words, answer))

    def _changed(self, words: str, answer: str) -> None:
        try:
            on = (
                {"unit": unit_answered(self._live.job.profile.units, answer).name} if answer else {}
            )
        except InputError:
            self._ask_where(words)  # what was typed is not lost
            raise
        self._live.annotate("change", {"words": words, **on})

    def _taken_back(self, kind: str) -> None:
        self._live.annotate(kind, {"back": True})
        self._prompt.say(f"the last {kind} is taken back")


FOOT: Mapping[str, str] = {
    "make safe": "n", "gap": "n", "switch": "k n", "rig check": "k n", "rig bad": "k",
    "top dead centre": "space d l w", "stop out": "space d", "marks": "e n",
    "stroke": "space", "impulse": "i", "correction": "m", "play": "n", "tighten": "n",
    "touch again": "c w", "dead centre moved": "c w", "certificate": "s",
    "advance": "n",
}  # fmt: skip


"""Keys that matter when a step is advised; the action's own step and the readings have more."""


MOST_KEYS = 7
LONGEST_LABEL = 16


def foot_keys(actions: Sequence[Action], step: Step, advised: str) -> tuple[Key, ...]:
    """The few keys that matter now: of the advised step, of the present one, then readings."""
    wanted = FOOT.get(advised, "").split()
    if step == "top dead centre":
        wanted += ["space", "d"]
    elif step == "stroke":
        wanted += ["space"]
    elif step == "reading":
        levers = [action.key for action in actions if action.key.isdigit()]
        wanted += ["o", *levers[:2], "x", "s"]
    have = {action.key: action for action in actions}
    chosen = [have[key] for key in dict.fromkeys(wanted) if key in have]
    return tuple(as_key(action) for action in chosen[:MOST_KEYS])


def as_key(action: Action) -> Key:
    """An action as the foot shows it. A long label (a unit's name may be) is cut."""
    label = action.label
    short = label if len(label) <= LONGEST_LABEL + 6 else f"{label[: LONGEST_LABEL + 5]}…"
    return Key(action.key, short)


def save(live: LiveSession) -> Saved:
    """Save a live run without asking. Raises InputError when it cannot be saved."""
    for offer in offers():
        if offer.save is not None:
            return offer.save(live)
    raise InputError("this program has no room that saves a live run; its capture is kept")


class UnitMoved:
    """What was read of a unit before it was moved says nothing of how it stands now. But a finger,
    or the magnet's pull, parts contacts too: so it is for the person to say."""

    def __init__(self, live: LiveSession, prompt: Prompt) -> None:
        self._live = live
        self._prompt = prompt
        self._parted: tuple[str, float] | None = None  # unit, and when by the rig's clock

    def see(self, events: Sequence[Event]) -> None:
        """Take note of the last such parting of a unit that was read before."""
        session = self._live.session
        for event in events:
            if not isinstance(event, Opening) or event.rejection is None:
                continue
            if event.rejection.reason is not Reason.CRANK_STILL:
                continue
            for unit in session.profile.units:
                if unit.input == event.input and session.was_read(unit.name):
                    self._parted = unit.name, event.t_us
                    if self.actions():
                        self._prompt.say(
                            f"{unit.name}: its contacts parted with the crank held;"
                            " press o if it was moved"
                        )

    def actions(self) -> tuple[Action, ...]:
        """To say so, as long as nothing else has."""
        if self._parted is None:
            return ()
        unit, t_us = self._parted
        session = self._live.session
        if session.phase_of(unit) == ADJUSTING or session.told.struck(t_us):
            return ()
        does = f"{unit} was moved, the crank held: keep apart what is read now"
        return (Action("o", f"{unit} moved", does, "x strikes that reading", self._was_moved),)

    def _was_moved(self) -> None:
        if self._parted is not None:
            unit, from_us = self._parted
            self._live.annotate("moved", {"unit": unit, "from_us": from_us})
            self._prompt.say(f"{unit}: what is read now is kept apart from what was read before")
