"""What the person may do at the bench now: an action for each key, and the keys that matter."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from rig.adjust.set_by_moving import SetUnit
from rig.base.errors import InputError
from rig.check.procedure import CheckRig
from rig.engine.geometry import stop_cylinder, stop_trouble
from rig.engine.profile import Unit
from rig.engine.windows import typed_within
from rig.guide.action import Action, Key, Prompt, Step
from rig.guide.advice import SAYABLE, needs_no_stroke, step_of
from rig.guide.approach import GoTo
from rig.guide.impulse import PastImpulseCoupling
from rig.guide.procedure import Procedure
from rig.guide.tdc import GaugePoints, SelectTdc, still_deg
from rig.live.live_session import LiveSession
from rig.signal.events import Event, Opening, Reason
from rig.tdc.gauge_points import MARK, MARK_WITHIN_DEG
from rig.timing.values import BEING_SET
from rig.words.diagnostics import mark_words


class JobActions:
    """The deeds of a job. ``begin`` starts an errand."""

    def __init__(
        self, bench: LiveSession, talk: Prompt, begin: Callable[[Procedure], None]
    ) -> None:
        self._bench = bench
        self._talk = talk
        self._begin = begin
        self._moved = UnitMoved(bench, talk)
        self._said: list[str] = []  # steps said to be done, to be taken back

    def deeds(self, advised: str) -> tuple[Action, ...]:
        """All that can be done now, in the order of the work; ``advised`` is the step that the
        guidance names."""
        return (
            *self._main(),
            *self._saying(advised),
            Action("k", "check the rig", "check the rig, step by step", "esc; b: a step back",
                 lambda: self._begin(CheckRig(self._bench, self._talk))),
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
            *self._moved.deeds(),
            Action("m", "set", "set a unit by moving it, the crank held", "esc; x strikes it",
                 self._ask_set),
            Action("g", "go to", "lead the crank to an angle", "esc",
                 lambda: self._talk.ask_for("Go to how many degrees BTDC?", self._go_to)),
            self._phase(),
            Action("r", "remark", "a remark for the certificate", "r, then enter",
                 self._ask_remark),
            Action("p", "change", "what was changed on engine or unit", "p, then enter",
                 self._ask_change),
            Action("s", "save", "end the capture, save the certificate", "asked first",
                 lambda: self._talk.ask("End this capture and save the certificate?", self._save)),
        )  # fmt: skip

    # -- the deed of the step --

    def _main(self) -> tuple[Action, ...]:
        """The main key, and the foot switch."""
        bench = self._bench
        if bench.session.stop is not None:
            does = "the stop is out: dead centre from its touches"
            return (Action("space", "stop is out", does, "c: touch it again", self._stop_out),)
        if step_of(bench) == "top dead centre":
            does = "the stop is in: touch it from both sides"
            return (Action("space", "stop is in", does, "d drops its touches", self._stop_in),)
        if needs_no_stroke(bench.job.profile) or bench.session.reference is None:
            return ()
        does = "cylinder 1 stands at its firing dead centre"
        if step_of(bench) == "stroke":
            return (Action("space", "firing TDC", does, "space: state it again", self._stroke),)
        return (Action("space", "firing TDC", does, "asked first", self._ask_stroke),)

    def _stop_in(self) -> None:
        self._bench.stop_in()
        self._talk.say(self._where_stop_is())

    def _where_stop_is(self) -> str:
        """With a warning where the stop misleads."""
        stop, engine = self._bench.session.stop, self._bench.job.profile.engine
        if stop is None or not engine.master_cylinder:
            return "the stop is in"
        said = f"the stop is in cylinder {stop.cylinder}"
        wrong = stop_trouble(engine, stop.cylinder)
        return f"{said}, but {wrong}" if wrong else said

    def _stop_in_other(self, answer: str) -> None:
        cylinders = self._bench.job.profile.engine.cylinders
        if not answer.isdecimal() or not 1 <= int(answer) <= cylinders:
            raise InputError(f"{answer!r} is no cylinder; there are 1 to {cylinders}")
        self._bench.stop_in(int(answer))
        wrong = stop_trouble(self._bench.job.profile.engine, int(answer))
        said = f"the stop is in cylinder {answer}"
        self._talk.say(f"{said}, but {wrong}" if wrong else said)

    def _stop_out(self) -> None:
        self._bench.stop_out()
        self._talk.say(self._bench.session.stop_words)

    def _stroke(self) -> None:
        self._bench.state_stroke()
        self._talk.say("cylinder 1 fires here: stated")

    def _ask_stroke(self) -> None:
        self._talk.ask("Does cylinder 1 fire here? It was stated before.", self._stroke)

    def _stop(self) -> tuple[Action, ...]:
        bench = self._bench
        if bench.session.stop is not None:
            drop = Action("d", "drop touches", "drop the touches of the stop", "asked first",
                        lambda: self._talk.ask("Drop the touches of the stop?",
                                               lambda: bench.stop_out(drop=True)))  # fmt: skip
            return (drop,)
        if bench.session.reference is None:
            cylinders = bench.job.profile.engine.cylinders
            if cylinders == 1 or step_of(bench) != "top dead centre":
                return ()
            text = f"In which cylinder is the stop (1 to {cylinders})?"
            usual = stop_cylinder(bench.job.profile.engine)
            elsewhere = Action("y", "stop elsewhere",
                             f"the stop is in another cylinder than {usual}",
                             "d drops its touches",
                             lambda: self._talk.ask_for(text, self._stop_in_other))  # fmt: skip
            return (elsewhere,)
        again = Action("c", "stop", "the stop is in again: touch it once more",
                     "d drops its touches",
                     lambda: self._talk.ask("Is the stop in the plug hole, to touch it again?",
                                            bench.stop_in))  # fmt: skip
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
        self._bench.note("said", {"step": step})
        self._said.append(step)

    def _not_done(self) -> None:
        step = self._said.pop()
        self._bench.note("said", {"step": step, "back": True})
        self._talk.say(f"not done after all: {step}")

    def _phase(self) -> Action:
        if self._bench.session.told.tightened:
            return Action("t", "as found", "back to readings as found", "t again", self._ask_phase)
        does = "everything is tightened: as left from now on"
        return Action("t", "tightened", does, "t again", self._ask_phase)

    def _ask_phase(self) -> None:
        bench = self._bench
        if bench.session.told.tightened:
            self._talk.ask("Go back to readings as found?", lambda: bench.set_phase(False))
        else:
            self._talk.ask(
                "Is everything tightened, so that readings are as left from now on?",
                lambda: bench.set_phase(True),
            )

    # -- dead centre --

    def by_gauge(self) -> None:
        """Take points by a dial gauge. Raises InputError before the index has passed."""
        if not self._bench.session.is_anchored:
            raise InputError("turn the crank until the index has passed once, then fit the gauge")
        if self._bench.session.stop is not None:
            raise InputError("the stop is in: take it out and say so, then fit the gauge")
        self._begin(GaugePoints(self._bench, self._talk, self.which))

    def which(self) -> None:
        """Choose the dead centre to go by."""
        self._begin(SelectTdc(self._bench, self._talk))

    def _ask_mark(self) -> None:
        at = still_deg(self._bench)
        self._talk.ask_for(
            "At which mark does the crank stand (flywheel T, pulley notch ...)?",
            lambda what: self._ask_within(at, what),
        )

    def _ask_within(self, at_deg: float, what: str) -> None:
        if not what:
            raise InputError("a mark needs its words, so that it is known which one it was")
        rim = self._bench.job.profile.engine.rim_diameter_mm
        lengths = ", or how many mm or in of the rim (1 mm)" if rim else ""
        self._talk.ask_for(
            f"Within how many degrees is it read, either way (0.5){lengths}? Nothing typed:"
            f" {MARK_WITHIN_DEG:g} degree",
            lambda within: self._mark(at_deg, what, within),
        )

    def _mark(self, at_deg: float, what: str, within: str) -> None:
        session = self._bench.session
        read: dict[str, object] = {"within_deg": MARK_WITHIN_DEG}
        if within:
            try:
                typed = typed_within(within, self._bench.job.profile.engine.rim_diameter_mm)
            except InputError:
                self._ask_within(at_deg, what)  # the mark's words are not lost
                raise
            read = {"within_deg": typed.deg, "within": typed.words}
        cylinder = session.reference.cylinder if session.reference else 1
        note = {"crank_deg": at_deg, "what": what, "cylinder": cylinder}
        self._bench.note(MARK, note | read)
        self._talk.say(mark_words(session.gauge.marks[-1], session.here))

    # -- readings --

    def _strike(self) -> None:
        self._talk.say(self._bench.strike_last())

    def _levers(self) -> tuple[Action, ...]:
        movable = [u for u in self._bench.job.profile.units if len(u.settings) > 1]
        names = ", ".join(unit.name for unit in movable)
        does = f"lever to its next setting: {names}"
        return tuple(
            Action(str(u.input), f"lever {u.name}", does, "the same key again",
                 partial(self._lever, u))
            for u in movable
        )  # fmt: skip

    def _lever(self, unit: Unit) -> None:
        self._talk.say(f"{unit.name}: lever now at {self._bench.next_setting(unit.name)}")

    # -- errands that lead the crank --

    def _past_click(self) -> tuple[Action, ...]:
        coupled = [u for u in self._bench.job.profile.units if u.coupling == "impulse"]
        if not coupled:
            return ()
        text = f"Past the coupling of which unit ({_names(coupled)})?"
        return (
            Action("i", "past the click", "past an impulse coupling, led", "esc",
                 lambda: self._talk.ask_for(text, self._go_past)),
        )  # fmt: skip

    def _go_past(self, answer: str) -> None:
        self._begin(PastImpulseCoupling(self._bench, self._talk, self._unit(answer)))

    def _ask_set(self) -> None:
        names = _names(self._bench.job.profile.units)
        text = f"Set which unit by moving it, the crank held ({names})?"
        self._talk.ask_for(text, self._set_unit)

    def _set_unit(self, answer: str) -> None:
        self._begin(SetUnit(self._bench, self._talk, self._unit(answer)))

    def _unit(self, answer: str) -> Unit:
        units = self._bench.job.profile.units
        for unit in units:
            if answer in (str(unit.input), unit.name):
                return unit
        raise InputError(f"there is no unit {answer!r}; there are {_names(units)}")

    def _go_to(self, answer: str) -> None:
        try:
            angle = float(answer.replace(",", "."))
        except ValueError:
            raise InputError(
                f"{answer!r} is no angle; give degrees, a minus for after TDC"
            ) from None
        if not -180.0 < angle <= 180.0:
            raise InputError(f"{answer} lies outside -180 to 180 degrees")
        self._begin(GoTo(self._bench, self._talk, angle))

    def see(self, events: Sequence[Event]) -> None:
        """One more look at the rig, while no errand is on."""
        self._moved.see(events)

    # -- the record --

    def _ask_remark(self) -> None:
        more = "; nothing typed: take the last one back" if self._bench.session.told.remarks else ""
        self._talk.ask_for(f"Remark for the certificate (gap, weather ...){more}?", self._remark)

    def _remark(self, text: str) -> None:
        remarks = self._bench.session.told.remarks
        if text:
            self._bench.note("remark", {"text": text})
        elif remarks:
            self._talk.ask(f"Take this remark back: {remarks[-1]}?",
                           lambda: self._taken_back("remark"))  # fmt: skip

    def _ask_change(self) -> None:
        more = "; nothing typed: take the last one back" if self._bench.session.told.changes else ""
        self._talk.ask_for(f"What was changed on the engine or a unit{more}?", self._change)

    def _change(self, words: str) -> None:
        changes = self._bench.session.told.changes
        if words:
            self._ask_where(words)
        elif changes:
            self._talk.ask(f"Take back that this was changed: {changes[-1][0]}?",
                           lambda: self._taken_back("change"))  # fmt: skip

    def _ask_where(self, words: str) -> None:
        names = _names(self._bench.job.profile.units)
        text = f"On which unit ({names}); nothing typed: on the whole engine?"
        self._talk.ask_for(text, lambda answer: self._changed(words, answer))

    def _changed(self, words: str, answer: str) -> None:
        try:
            on = {"unit": self._unit(answer).name} if answer else {}
        except InputError:
            self._ask_where(words)  # what was typed is not lost
            raise
        self._bench.note("change", {"words": words, **on})

    def _taken_back(self, kind: str) -> None:
        self._bench.note(kind, {"back": True})
        self._talk.say(f"the last {kind} is taken back")

    def _save(self) -> None:
        record, _ = self._bench.save()
        self._talk.say(f"saved: {record}")


def _names(units: list[Unit] | tuple[Unit, ...]) -> str:
    return ", ".join(f"{unit.input} {unit.name}" for unit in units)


FOOT: Mapping[str, str] = {
    "make safe": "n", "gap": "n", "switch": "k n", "rig check": "k n", "rig bad": "k",
    "top dead centre": "space d l w", "stop out": "space d", "marks": "e n",
    "stroke": "space", "impulse": "i", "correction": "m", "play": "n", "tighten": "n",
    "touch again": "c w", "dead centre moved": "c w", "certificate": "s",
    "advance": "n",
}  # fmt: skip


"""Keys that matter when a step is advised; the deed's own step and the readings have more."""


MOST_KEYS = 7
LONGEST_NAME = 16


def foot_keys(deeds: Sequence[Action], step: Step, advised: str) -> tuple[Key, ...]:
    """The few keys that matter now: of the advised step, of the present one, then readings."""
    wanted = FOOT.get(advised, "").split()
    if step == "top dead centre":
        wanted += ["space", "d"]
    elif step == "stroke":
        wanted += ["space"]
    elif step == "reading":
        levers = [deed.key for deed in deeds if deed.key.isdigit()]
        wanted += ["o", *levers[:2], "x", "s"]
    have = {deed.key: deed for deed in deeds}
    chosen = [have[key] for key in dict.fromkeys(wanted) if key in have]
    return tuple(as_key(deed) for deed in chosen[:MOST_KEYS])


def as_key(deed: Action) -> Key:
    """A deed as the foot shows it. A long name (a unit's may be) is cut."""
    name = deed.name
    return Key(deed.key, name if len(name) <= LONGEST_NAME + 6 else f"{name[: LONGEST_NAME + 5]}…")


class UnitMoved:
    """What was read of a unit before it was moved says nothing of how it stands now. But a finger,
    or the magnet's pull, parts contacts too: so it is for the person to say."""

    def __init__(self, bench: LiveSession, talk: Prompt) -> None:
        self._bench = bench
        self._talk = talk
        self._parted: tuple[str, float] | None = None  # unit, and when by the rig's clock

    def see(self, events: Sequence[Event]) -> None:
        """Take note of the last such parting of a unit that was read before."""
        session = self._bench.session
        for event in events:
            if not isinstance(event, Opening) or event.rejection is None:
                continue
            if event.rejection.reason is not Reason.CRANK_STILL:
                continue
            for unit in session.profile.units:
                if unit.input == event.input and session.was_read(unit.name):
                    self._parted = unit.name, event.t_us
                    if self.deeds():
                        self._talk.say(
                            f"{unit.name}: its contacts parted with the crank held;"
                            " press o if it was moved"
                        )

    def deeds(self) -> tuple[Action, ...]:
        """To say so, as long as nothing else has."""
        if self._parted is None:
            return ()
        unit, t_us = self._parted
        session = self._bench.session
        if session.phase_of(unit) == BEING_SET or session.told.struck(t_us):
            return ()
        does = f"{unit} was moved, the crank held: keep apart what is read now"
        return (Action("o", f"{unit} moved", does, "x strikes that reading", self._was_moved),)

    def _was_moved(self) -> None:
        if self._parted is not None:
            unit, from_us = self._parted
            self._bench.note("moved", {"unit": unit, "from_us": from_us})
            self._talk.say(f"{unit}: what is read now is kept apart from what was read before")
