"""Keys to deeds: what the person at a live bench may do, and what is asked first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from rig.command.bench import Bench
from rig.command.errands import GoTo, PastClick, SetUnit
from rig.command.guide import SAYABLE, guidance
from rig.command.present import Says, view_of
from rig.command.steps import step_of
from rig.engine.profile import Unit
from rig.faults import InputError
from rig.screen.keys import typed
from rig.screen.speak import Speaker, sentence
from rig.screen.view import Question, View
from rig.timing.results import Reading

MESSAGE_S = 8.0
"""A message stays on the screen this long."""


@dataclass(slots=True)
class _Asked:
    """A question and what yes does; with ``entry`` an answer is typed, and ``take`` gets it."""

    question: Question
    yes: Callable[[], None] | None = None
    take: Callable[[str], None] | None = None


class Desk:
    """Ties a bench to keys and views. ``hand`` takes arrow keys to a virtual hand, if there is one.

    Every deed can be taken back by the same key, or is asked about first.
    """

    def __init__(
        self,
        bench: Bench,
        *,
        tag: str = "",
        voice: Speaker | None = None,
        hand: Callable[[str], str] | None = None,
    ) -> None:
        self.bench = bench
        self.says = Says(tag=tag, speaking=voice is not None, hand=hand is not None)
        self.ended = False
        self.touched = False  # the person pressed a key
        self._voice = voice
        self._hand = hand
        self._asked: _Asked | None = None
        self._message_until_s = 0.0
        self._foot = 0
        self._spoken = 0

    def view(self) -> View:
        """Take what has come, and show it."""
        if not self.ended and not self.bench.ended:
            events = self.bench.pump()
            now = self.bench.session.follower.now()
            if self.says.errand is not None and now is not None:
                self.says.errand.see(now, events)
            while self._foot < self.bench.session.foot_presses:
                self._foot += 1
                self.press("space")
            self._speak()
        if self.bench.elapsed_s > self._message_until_s:
            self.says.message = ""
        self.says.question = self._asked.question if self._asked else None
        return view_of(self.bench, self.says)

    def key(self, key: str) -> None:
        """A key of the person's."""
        self.touched = True
        self.press(key)

    def press(self, key: str) -> None:
        """A key, whoever pressed it. What cannot be done is said, never raised."""
        try:
            if self._asked is not None:
                self._answer(key)
            else:
                self._do(key)
        except InputError as wrong:
            self.say(str(wrong))

    def say(self, text: str) -> None:
        """Show a message for a while."""
        self.says.message = text
        self._message_until_s = self.bench.elapsed_s + MESSAGE_S

    # -- deeds ----------------------------------------------------------------------------------

    def _do(self, key: str) -> None:
        bench = self.bench
        if key == "q":
            self._ask_quit()
        elif key in ("left", "right", "down", "up") and self._hand is not None:
            self.say(self._hand(key))
        elif bench.saved is not None:
            return
        elif self.says.errand is not None:
            self._end_errand(key)
        elif key.isdigit():
            self._lever(int(key))
        else:
            deed = self._deeds().get(key)
            if deed is not None:
                deed()

    def _deeds(self) -> dict[str, Callable[[], None]]:
        """What a key does. Every deed can be taken back, or is asked about first."""
        bench = self.bench
        names = ", ".join(f"{u.input} {u.name}" for u in bench.job.profile.units)
        which = f"Set which unit by moving it, the crank held ({names})?"
        deeds = {
            "space": self._main,
            "s": lambda: self._ask("End this capture and save the certificate?", self._save),
            "n": self._say_done,
            "x": lambda: self.say(bench.strike_last()),
            "t": self._ask_phase,
            "g": lambda: self._ask_for("Go to how many degrees BTDC?", self._go_to),
            "r": lambda: self._ask_for(
                "Remark for the certificate (gap, weather ...)?", self._remark
            ),
            "p": lambda: self._ask_for("What was changed on the engine or a unit?", self._change),
            "m": lambda: self._ask_for(which, self._set_unit),
        }
        if bench.session.stop is not None:
            deeds["d"] = lambda: self._ask(
                "Drop the touches of the stop?", lambda: bench.stop_out(drop=True)
            )
        else:
            deeds["c"] = lambda: self._ask(
                "Is the stop in the plug hole, to touch it again?", bench.stop_in
            )
        coupled = [u for u in bench.job.profile.units if u.coupling == "impulse"]
        if coupled:
            which_one = ", ".join(f"{u.input} {u.name}" for u in coupled)
            deeds["i"] = lambda: self._ask_for(
                f"Past the coupling of which unit ({which_one})?", self._past_click
            )
        return deeds

    def _main(self) -> None:
        """The main key, and the foot switch: the deed of the step."""
        bench = self.bench
        step = step_of(bench)
        if step == "top dead centre" and bench.session.stop is None:
            bench.stop_in()
            self.say("the stop is in")
        elif step == "top dead centre":
            bench.stop_out()
            self.say(bench.session.stop_words)
        elif step == "stroke":
            bench.state_stroke()
            self.say("cylinder 1 fires here: stated")

    def _say_done(self) -> None:
        step = guidance(self.bench).step
        if step == "tighten":
            self._ask_phase()
        elif step in SAYABLE:
            self.bench.note("said", {"step": step})

    def _remark(self, answer: str) -> None:
        if answer:
            self.bench.note("remark", {"text": answer})

    def _change(self, answer: str) -> None:
        if answer:
            self.bench.note("change", {"words": answer})

    def _lever(self, number: int) -> None:
        for unit in self.bench.job.profile.units:
            if unit.input == number and len(unit.settings) > 1:
                self.say(f"{unit.name}: lever now at {self.bench.next_setting(unit.name)}")

    def _ask_phase(self) -> None:
        if self.bench.session.phase == "as left":
            self._ask("Go back to readings as found?", lambda: self.bench.set_phase(False))
        else:
            self._ask(
                "Is everything tightened, so that readings are as left from now on?",
                lambda: self.bench.set_phase(True),
            )

    def _save(self) -> None:
        record, _ = self.bench.save()
        self.say(f"saved: {record}")

    def _ask_quit(self) -> None:
        if self.bench.saved is not None or not self.bench.session.openings:
            self._quit()
        else:
            self._ask("Quit without a certificate? The capture is kept.", self._quit)

    def _quit(self) -> None:
        self.ended = True

    # -- errands ----------------------------------------------------------------------------------

    def _go_to(self, answer: str) -> None:
        try:
            angle = float(answer)
        except ValueError:
            raise InputError(
                f"{answer!r} is no angle; give degrees, a minus for after TDC"
            ) from None
        if not -180.0 < angle <= 180.0:
            raise InputError(f"{answer} lies outside -180 to 180 degrees")
        self.says.errand = GoTo(self.bench, angle)

    def _set_unit(self, answer: str) -> None:
        self.says.errand = SetUnit(self.bench, self._unit(answer))

    def _past_click(self, answer: str) -> None:
        self.says.errand = PastClick(self.bench, self._unit(answer))

    def _unit(self, answer: str) -> Unit:
        for unit in self.bench.job.profile.units:
            if answer in (str(unit.input), unit.name):
                return unit
        raise InputError(f"there is no unit {answer!r}")

    def _end_errand(self, key: str) -> None:
        errand = self.says.errand
        if errand is None or key not in ("space", "esc"):
            return
        if key == "space":
            said = errand.done(self.bench.session.follower.now())
            self.bench.note("remark", {"text": said})
            self.say(said)
        self.says.errand = None

    # -- questions --------------------------------------------------------------------------------

    def _ask(self, text: str, yes: Callable[[], None]) -> None:
        self._asked = _Asked(Question(text), yes)

    def _ask_for(self, text: str, take: Callable[[str], None]) -> None:
        self._asked = _Asked(Question(text, entry=""), take=take)

    def _answer(self, key: str) -> None:
        asked = self._asked
        if asked is None:
            return
        if asked.take is not None:
            entry, entered = typed(asked.question.entry or "", [key])
            asked.question = replace(asked.question, entry=entry)
            if entered is not None:
                self._asked = None
            if entered:
                asked.take(entry.strip())
        elif key in ("y", "enter"):
            self._asked = None
            if asked.yes is not None:
                asked.yes()
        elif key in ("n", "esc"):
            self._asked = None

    # -- speech -----------------------------------------------------------------------------------

    def _speak(self) -> None:
        if self._voice is None:
            return
        counted = [r for r in self.bench.session.readings() if r.counts]
        if len(counted) > self._spoken:
            self._spoken = len(counted)
            self._voice.say(self._sentence(counted[-1]))

    def _sentence(self, reading: Reading) -> str:
        unit = next(u for u in view_of(self.bench, self.says).units if u.name == reading.unit)
        return sentence(reading.unit, reading.btdc_deg or 0.0, unit.last_words)
