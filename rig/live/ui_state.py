"""Keys to actions at a live bench: what a key does now, what is shown, and what is spoken."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import replace

from rig.base.errors import InputError
from rig.guide.action import DIGITS, Action, ActionLine, Bench, Host, Key, Prompt, Step
from rig.guide.advice import guidance, with_hazards
from rig.guide.procedure import Hand, Procedure
from rig.guide.state import step_of
from rig.live.actions import action as action_of
from rig.live.actions import table
from rig.live.live_session import LiveSession
from rig.live.speech import Speaker, reading_sentence, speakable
from rig.live.view import View, view_of
from rig.signal.events import Event, Opening, Reason
from rig.timing.values import ADJUSTING

ARROWS = ("left", "right", "up", "down")
MOST_KEYS = 7
LONGEST_LABEL = 22
MOST_SILENT = 45  # characters of the keys that are not offered, in one line of the page

# Actions at the end of the foot, which are offered also when the capture has ended.
LAST = ("keys", "quit")

Offered = tuple[Action, str]  # an action, and why it is not offered; empty when it is


class UiState:
    """Ties a live run to keys and views.

    ``hand`` takes arrow keys to a virtual hand, where there is one. A procedure that is ``alone``
    has the dashboard to itself, in the place of a job; it ends when the procedure does.
    """

    def __init__(
        self,
        live: LiveSession,
        *,
        tag: str = "",
        voice: Speaker | None = None,
        hand: Callable[[str], str] | None = None,
        alone: Callable[[Host, Prompt], Procedure] | None = None,
    ) -> None:
        self.live = live
        self.prompt = Prompt(lambda: live.elapsed_s)
        self._tag = tag
        self.ended = False
        self.touched = False  # the person pressed a key
        self.procedure: Procedure | None = None
        self.bench = Bench(live, self.prompt, self, guidance(live))
        self._table = table()
        self._under: Procedure | None = None  # the one from which that was begun, to go back to
        self._touch_words = ""  # of the touch that goes on
        self._page = False  # the page of all keys is open
        self._voice = voice
        self._hand = hand
        self._foot = 0
        self._spoken = 0
        self._spoken_next = ""
        self._alone = alone(live, self.prompt) if alone else None
        if self._alone is not None:
            self._table = (action_of("keys"), replace(action_of("quit"), run=self._ask_to_end))
            self.begin(self._alone)

    def view(self) -> View:
        """Take what has come, and show it."""
        now = self.live.session.now()
        if not self.ended and not self.live.ended:
            events = self.live.pump()
            now = self.live.session.now()
            self._report_touch()
            self._report_opened_at_rest(events)
            if self.procedure is not None and now is not None:
                self.procedure.see(now, events)
                self._leave_what_is_over()
            while self._foot < self.live.session.foot_presses:
                self._foot += 1
                self.actions()  # an event is recorded, or a step is done that needs none
                self.press("enter" if self.bench.advice.press == "step_done" else "space")
            self._speak()
        actions = self.actions()
        if self._alone is not None and self.bench.advice.press == "leave":  # it is done
            self.end()
        return view_of(
            self.live,
            self.bench.advice,
            self.procedure.show(now) if self.procedure is not None else None,
            self._alone.subject if self._alone is not None else None,
            tag=self._tag,
            message=self.prompt.message,
            question=self.prompt.question,
            then=self._then(actions),
            actions=self._lines(actions) if self._page else (),
            keys=self._keys(actions),
            speaking=self._voice is not None,
        )

    def _report_touch(self) -> None:
        """A touch is reported while the crank is held at the piston stop."""
        session, words = self.live.session, ""
        hold, stop = session.stop_hold(), session.touches()
        if hold is not None and stop is not None and hold.is_touch:
            number = len(stop.side(hold.touch.side)) + 1
            way, away = ("forward", "back") if hold.touch.side > 0 else ("back", "forward")
            words = f"Touch {number} turning {way}: now turn {away}."
        if words != self._touch_words:
            if self._touch_words:
                self.prompt.withdraw(self._touch_words)
            if words:
                self.say(words)
            self._touch_words = words

    def _report_opened_at_rest(self, events: Sequence[Event]) -> None:
        """Contacts opened with the crank held. A unit that was read before may have been moved; or
        a finger, or the magnet's pull, opened them: the person knows."""
        session = self.live.session
        for event in events:
            if not isinstance(event, Opening) or event.rejection is None:
                continue
            if event.rejection.reason is not Reason.CRANK_STILL:
                continue
            for unit in (u.name for u in session.profile.units if u.input == event.input):
                if session.was_read(unit) and session.phase_of(unit) != ADJUSTING:
                    self.bench.opened_at_rest = unit, event.t_us
                    words = f"{unit}: its contacts opened with the crank held; press"
                    self.say(f"{words} {action_of('unit_moved').key} if it was moved")

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

    def actions(self) -> tuple[Offered, ...]:
        """Every action of this moment, and why it is not offered (empty when it is): those of the
        procedure first, where one is on. Updates the advice."""
        on = self.procedure if self.live.saved is None else None
        if on is None:
            self.bench.advice = guidance(self.live)
        elif on.subject is not None:
            self.bench.advice = on.advice()
        else:
            self.bench.advice = with_hazards(on.advice(), self.live.job.profile)
        own = on.actions() if on is not None else ()
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

    def _do(self, key: str) -> None:
        if self._page and key == "esc":
            self._page = False
        elif self._hand is not None and key in ARROWS:
            self.say(self._hand(key))
        else:
            for action, why in self.actions():
                if action.called_by(key, self.bench):
                    self._page = self._page and action.id == "keys"
                    if why:
                        self.say(why)
                    else:
                        action.run(self.bench, key if action.key == DIGITS else "")
                    return

    def _lines(self, actions: Sequence[Offered]) -> tuple[ActionLine, ...]:
        """The page of all keys: what is offered, then the keys that are not."""
        lines, silent = [], []
        for action, why in actions:
            keys = [key.key for key in action.keys(self.bench)]
            if why:
                silent += keys
            else:
                lines.append(ActionLine(" ".join(keys), action.does, action.undo))
        if self._hand is not None:
            lines.append(ActionLine("arrows", "the virtual hand turns the crank", "another arrow"))
        head = "not now"
        for row in textwrap.wrap(" ".join(silent), MOST_SILENT):
            lines.append(ActionLine(head, row, "says why"))
            head = ""
        return tuple(lines)

    def _keys(self, actions: Sequence[Offered]) -> tuple[Key, ...]:
        """The foot: the key that NEXT names, the few that matter, all keys, quit."""
        offered = {action.id: action for action, why in actions if not why}
        last = [key for name in LAST for key in offered[name].keys(self.bench)]
        if self._page:
            return (Key("h", "close"), last[1])
        if self._hand is not None:
            last.insert(0, Key("arrows", "crank"))
        press, step = self.bench.advice.press, step_of(self.live)
        if press in LAST:
            last.sort(key=lambda each: each.key != offered[press].key)
        wanted = [a for a in offered.values() if a.id not in LAST and self._on_foot(a, step)]
        found = [(a.id, key) for a in wanted for key in a.keys(self.bench)]
        found.sort(key=lambda each: press not in (each[0], each[1].key))  # what NEXT names is first
        few = [Key(key.key, _short(key.label)) for _, key in found[:MOST_KEYS]]
        return (*few, *last)

    def _on_foot(self, action: Action, step: Step) -> bool:
        if self.procedure is not None and not self.live.saved:
            own = {each.id for each in self.procedure.actions()}
            return action.id in own or action.id == "leave"
        here = self.bench.advice.press, "event_here", "skip"
        moved = action.id == "unit_moved" and self.bench.opened_at_rest is not None
        return action.id in here or step in action.steps or moved

    def _then(self, actions: Sequence[Offered]) -> str:
        """The key that NEXT names: of an action that is offered, or a digit of one."""
        press = self.bench.advice.press
        for action, why in actions:
            if not why and (action.id == press or action.called_by(press, self.bench)):
                key = press if action.key == DIGITS else action.key
                return f"{': ' if self.bench.advice.hand is Hand.NOTHING else ', then '}press {key}"
        return ""

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
        if self._alone is not None and self.procedure is self._alone:
            self.end()
        else:
            self.procedure, self._under = self._under, None

    def _ask_to_end(self, bench: Bench, _: str) -> None:
        bench.prompt.ask("End here? The capture is kept.", self.leave)

    def _leave_what_is_over(self) -> None:
        if self.procedure is not None and self.procedure.over:
            self.leave()

    def _speak(self) -> None:
        """Speak each reading, and what NEXT says when that changes."""
        if self._voice is None:
            return
        if self._voice.failed:
            self.say(self._voice.failed)
            self._voice = None
            return
        then = self._then(self.actions())
        follow = f"{self.bench.advice.next}{then}"
        follow, self._spoken_next = follow if follow != self._spoken_next else "", follow
        valid = [r for r in self.live.session.readings() if r.valid]
        if len(valid) > self._spoken:
            self._voice.say(reading_sentence(valid[-1], self.live.job.profile.units, follow))
        elif follow:
            self._voice.say(speakable(follow))
        self._spoken = len(valid)


def _short(label: str) -> str:
    """A label as the foot shows it; a long one (a unit's name may be) is cut."""
    return label if len(label) <= LONGEST_LABEL else f"{label[: LONGEST_LABEL - 1]}…"
