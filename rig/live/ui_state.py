"""Keys to actions at a live bench: whose key it is, what is shown, and what is spoken."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence

from rig.base.errors import InputError
from rig.guide.action import DIGITS, Action, ActionLine, Bench, Key, Prompt, Step
from rig.guide.advice import guidance, step_of
from rig.guide.procedure import Advice, Hand, Procedure
from rig.live.actions import table
from rig.live.live_session import LiveSession
from rig.live.speech import Speaker, sentence, speakable
from rig.live.view import View
from rig.live.view_model import Conversation, view_of
from rig.live.watch import Watch
from rig.timing.values import Reading
from rig.words.assessments import reading_word

ARROWS = ("left", "right", "up", "down")
MOST_KEYS = 7
LONGEST_LABEL = 22
MOST_SILENT = 45  # characters of the keys that are not offered, in one line of the page

# Actions at the end of the foot, which are offered also when the capture has ended.
LAST = ("keys", "quit")


class UiState:
    """Ties a live run to keys and views.

    ``hand`` takes arrow keys to a virtual hand, where there is one. ``actions`` are those of the
    job unless a procedure has the dashboard to itself.
    """

    def __init__(
        self,
        live: LiveSession,
        *,
        tag: str = "",
        voice: Speaker | None = None,
        hand: Callable[[str], str] | None = None,
        actions: Sequence[Action] | None = None,
    ) -> None:
        self.live = live
        self.prompt = Prompt(lambda: live.elapsed_s)
        self.conversation = Conversation(tag=tag, speaking=voice is not None)
        self.ended = False
        self.touched = False  # the person pressed a key
        self.procedure: Procedure | None = None
        self.bench = Bench(live, self.prompt, self, guidance(live))
        self._table = table() if actions is None else tuple(actions)
        self._under: Procedure | None = None  # the one from which that was begun, to go back to
        self._watch = Watch(self.bench)
        self._page = False  # the page of all keys is open
        self._voice = voice
        self._hand = hand
        self._foot = 0
        self._spoken = 0
        self._spoken_next = ""

    def view(self) -> View:
        """Take what has come, and show it."""
        if not self.ended and not self.live.ended:
            events = self.live.pump()
            now = self.live.session.now()
            self._watch.see(events)
            if self.procedure is not None and now is not None:
                self.procedure.see(now, events)
            while self._foot < self.live.session.foot_presses:
                self._foot += 1
                self.press(self._foot_key())
            self._speak()
        said = self.conversation
        said.message, said.question = self.prompt.message, self.prompt.question
        said.procedure = self.procedure
        actions = self.actions()
        said.advice = self.bench.advice
        said.then = self._then(actions)
        said.page = self._lines(actions) if self._page else ()
        said.keys = self._keys(actions)
        return view_of(self.live, said)

    def _advise(self) -> Advice:
        on = self.procedure if self.live.saved is None else None
        self.bench.advice = on.advice() if on is not None else guidance(self.live)
        return self.bench.advice

    def _then(self, actions: tuple[tuple[Action, str], ...]) -> str:
        """The key that NEXT names: of an action that is offered, or a digit of one."""
        press = self.bench.advice.press
        for action, why in actions:
            if not why and (action.id == press or action.called_by(press, self.bench)):
                key = press if action.key == DIGITS else action.key
                return f"{': ' if self.bench.advice.hand is Hand.NOTHING else ', then '}press {key}"
        return ""

    def _foot_key(self) -> str:
        """The foot switch records an event, or says that a step is done that needs none."""
        return "enter" if self._advise().press == "step_done" else "space"

    def key(self, key: str) -> None:
        """A key of the person's."""
        self.touched = True
        self.press(key)

    def press(self, key: str) -> None:
        """A key, whoever pressed it. What cannot be done is shown, never raised."""
        try:
            self.take(key)
        except InputError as wrong:
            self.say(str(wrong))

    def take(self, key: str) -> None:
        """The same, but what cannot be done raises InputError."""
        self.prompt.withdraw()
        try:
            if self.prompt.question is not None:
                self.prompt.answer(key)
            else:
                self._do(key)
        finally:
            self._leave_what_is_over()

    def act(self, action: Action, entered: str = "") -> None:
        """Do ``action`` with what was entered. Raises InputError for what cannot be done, also
        because the action is not offered."""
        here = {each.id: why for each, why in self.actions()}
        if why := here.get(action.id, "This part of the work has no such action."):
            raise InputError(why)
        action.run(self.bench, entered)
        self._leave_what_is_over()

    def say(self, text: str) -> None:
        """Show a message for a while."""
        self.prompt.say(text)

    # -- actions ----------------------------------------------------------------------------------

    def actions(self) -> tuple[tuple[Action, str], ...]:
        """Every action of this moment, and why it is not offered (empty when it is): those of the
        procedure first, where one is on."""
        self._advise()
        own = self.procedure.actions() if self.procedure and not self.live.saved else ()
        taken = {each.id for each in own} | {each.key for each in own}
        rest = [a for a in self._table if a.id not in taken and a.key not in taken]
        found = [(each, each.why_not(self.bench)) for each in own]
        return (*found, *((each, self._why_not(each)) for each in rest))

    def _why_not(self, action: Action) -> str:
        if self.live.saved is not None and action.id not in LAST:
            return "The capture has ended: nothing more is recorded."
        if self.procedure is not None and not action.any_time:
            return "Leave this part of the work first (esc)."
        return action.why_not(self.bench)

    def offered(self) -> tuple[Action, ...]:
        """The actions that can be done now."""
        return tuple(action for action, why in self.actions() if not why)

    def _do(self, key: str) -> None:
        if self._page and key == "esc":
            self._page = False
            return
        if self._hand is not None and key in ARROWS:
            self.say(self._hand(key))
            return
        for action, why in self.actions():
            if action.called_by(key, self.bench):
                self._page = self._page and action.id == "keys"
                if why:
                    self.say(why)
                else:
                    action.run(self.bench, key if action.key == DIGITS else "")
                return

    def _lines(self, actions: tuple[tuple[Action, str], ...]) -> tuple[ActionLine, ...]:
        """The page of all keys: what is offered, then the keys that are not."""
        lines, silent = [], []
        for action, why in actions:
            keys = " ".join(key.key for key in action.keys(self.bench))
            if why:
                silent.append(keys)
            else:
                lines.append(ActionLine(keys, action.does, action.undo))
        if self._hand is not None:
            lines.append(ActionLine("arrows", "the virtual hand turns the crank", "another arrow"))
        rest = textwrap.wrap(" ".join(filter(None, silent)), MOST_SILENT)
        heads = ["not now", *[""] * len(rest)]
        lines += [
            ActionLine(head, keys, "says why") for head, keys in zip(heads, rest, strict=False)
        ]
        return tuple(lines)

    def _keys(self, actions: tuple[tuple[Action, str], ...]) -> tuple[Key, ...]:
        """The foot: the key that NEXT names, the few that matter, all keys, quit."""
        offered = {action.id: action for action, why in actions if not why}
        last = [key for name in LAST for key in offered[name].keys(self.bench)]
        if self._page:
            return (Key("h", "close"), last[1])
        if self._hand is not None:
            last.insert(0, Key("arrows", "crank"))
        step = step_of(self.live)
        wanted = [a for a in offered.values() if a.id not in LAST and self._on_foot(a, step)]
        found = [key for action in wanted for key in action.keys(self.bench)]
        press = self.bench.advice.press
        pressed = offered.get(press)
        head = [k for k in found if k.key == (pressed.key if pressed else press)]
        few = list(dict.fromkeys((*head, *found)))[:MOST_KEYS]
        return (*(Key(key.key, _short(key.label)) for key in few), *last)

    def _on_foot(self, action: Action, step: Step) -> bool:
        if self.procedure is not None and not self.live.saved:
            own = {each.id for each in self.procedure.actions()}
            return action.id in own or action.id == "leave"
        here = self.bench.advice.press, "event_here", "skip"
        moved = action.id == "unit_moved" and self.bench.opened_at_rest is not None
        return action.id in here or step in action.steps or moved

    # -- what actions see of it -------------------------------------------------------------------

    def turn_page(self) -> None:
        """Show the page of all keys, or close it."""
        self._page = not self._page

    def end(self) -> None:
        """End the run."""
        self.ended = True

    def begin(self, procedure: Procedure) -> None:
        """Begin a procedure; the one that is on goes on afterwards."""
        self.procedure, self._under = procedure, self.procedure

    def leave(self) -> None:
        """Leave the procedure that is on."""
        if self.procedure is not None:
            self.procedure.leave()
        self.procedure, self._under = self._under, None

    def _leave_what_is_over(self) -> None:
        if self.procedure is not None and self.procedure.over:
            self.leave()

    # -- speech -----------------------------------------------------------------------------------

    def _speak(self) -> None:
        """Each reading, and what NEXT says when that changes."""
        if self._voice is None:
            return
        then = self._then(self.actions())
        follow = f"{self.bench.advice.next}{then}"
        follow, self._spoken_next = follow if follow != self._spoken_next else "", follow
        counted = [r for r in self.live.session.readings() if r.valid]
        if len(counted) > self._spoken:
            self._voice.say(self._sentence(counted[-1], follow))
        elif follow:
            self._voice.say(speakable(follow))
        self._spoken = len(counted)

    def _sentence(self, reading: Reading, follow: str) -> str:
        units = self.live.job.profile.units
        settings = next(unit.settings for unit in units if unit.name == reading.unit)
        setting = next(each for each in settings if each.name == reading.setting)
        words = reading_word(reading, setting)
        return sentence(reading.unit, reading.btdc_deg or 0.0, words, follow)


def _short(label: str) -> str:
    """A label as the foot shows it; a long one (a unit's name may be) is cut."""
    return label if len(label) <= LONGEST_LABEL else f"{label[: LONGEST_LABEL - 1]}…"
