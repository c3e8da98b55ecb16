"""Keys to actions at a live bench: whose key it is, what is shown, and what is spoken."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from rig.base.errors import InputError
from rig.guide.action import Action, Key, Prompt, action_lines
from rig.guide.advice import guidance, step_of
from rig.guide.procedure import Procedure
from rig.live.actions import JobActions, as_key, foot_keys
from rig.live.live_session import LiveSession
from rig.live.speech import Speaker, sentence
from rig.live.view import View
from rig.live.view_model import Conversation, view_of
from rig.timing.values import Reading

ARROWS = ("left", "right", "up", "down")
ANY_TIME = "rpu0123456789"


"""Keys of the job's that also work while a procedure is on, where it does not take them itself."""


class UiState:
    """Ties a live run to keys and views.

    ``hand`` takes arrow keys to a virtual hand, where there is one.
    Every action can be undone by a key, or is asked about first.
    """

    def __init__(
        self,
        live: LiveSession,
        *,
        tag: str = "",
        voice: Speaker | None = None,
        hand: Callable[[str], str] | None = None,
    ) -> None:
        self.live = live
        self.prompt = Prompt(lambda: live.elapsed_s)
        self.conversation = Conversation(tag=tag, speaking=voice is not None)
        self.ended = False
        self.touched = False  # the person pressed a key
        self._job = JobActions(live, self.prompt, self._begin)
        self._procedure: Procedure | None = None
        self._under: Procedure | None = None  # the one from which that was begun, to go back to
        self._page = False  # the page of all keys is open
        self._voice = voice
        self._hand = hand
        self._foot = 0
        self._spoken = 0

    def view(self) -> View:
        """Take what has come, and show it."""
        if not self.ended and not self.live.ended:
            events = self.live.pump()
            now = self.live.session.now()
            if self._procedure is None:
                self._job.see(events)
            elif now is not None:
                self._procedure.see(now, events)
            while self._foot < self.live.session.foot_presses:
                self._foot += 1
                self.press("space")
            self._speak()
        self.conversation.message, self.conversation.question = (
            self.prompt.message,
            self.prompt.question,
        )
        self.conversation.procedure = self._procedure
        advice = self.conversation.advice = guidance(self.live)
        actions = self._actions(advice.step)
        self.conversation.page = action_lines(actions) if self._page else ()
        self.conversation.keys = self._keys(actions, advice.step)
        return view_of(self.live, self.conversation)

    def key(self, key: str) -> None:
        """A key of the person's."""
        self.touched = True
        self.press(key)

    def press(self, key: str) -> None:
        """A key, whoever pressed it. What cannot be done is said, never raised."""
        try:
            if self.prompt.question is not None:
                self.prompt.answer(key)
            else:
                self._do(key)
        except InputError as wrong:
            self.say(str(wrong))
        if self._procedure is not None and self._procedure.over:
            self._leave()

    def say(self, text: str) -> None:
        """Show a message for a while."""
        self.prompt.say(text)

    # -- actions ----------------------------------------------------------------------------------

    def actions(self) -> tuple[Action, ...]:
        """All that can be done now: the procedure's own actions first, where one is on."""
        return self._actions(guidance(self.live).step)

    def _actions(self, advised: str) -> tuple[Action, ...]:
        general = self._general()
        if self.live.saved is not None:
            return general
        if self._procedure is None:
            return (*self._job.actions(advised), *general)
        own = self._procedure.actions()
        taken = {action.key for action in own}
        more = [d for d in self._job.actions(advised) if d.key in ANY_TIME and d.key not in taken]
        leave = Action("esc", "leave", "leave this part of the work", "begin it again",
                     self._leave)  # fmt: skip
        return (*own, leave, *more, *general)

    def _general(self) -> tuple[Action, ...]:
        """What can be done at any time."""
        back = "asked first" if self.live.session.openings else "rig live again"
        return (
            *self._arrows(),
            Action("h", "all keys", "this page", "h or esc", self._turn_page),
            Action("q", "quit", "end here; the capture is kept", back, self._ask_quit),
        )

    def _do(self, key: str) -> None:
        if self._page and key == "esc":
            self._page = False
            return
        action = next((action for action in self.actions() if action.key == key), None)
        if action is not None:
            self._page = self._page and key == "h"
            action.run()

    def _keys(self, actions: tuple[Action, ...], advised: str) -> tuple[Key, ...]:
        """The foot: the few that matter, then all keys, then quit."""
        last = [Key("h", "all keys"), Key("q", "quit")]
        if self._page:
            return (Key("h", "close"), last[1])
        if self._hand is not None:
            last.insert(0, Key("arrows", "crank"))
        if self.live.saved is not None:
            return tuple(last)
        if self._procedure is not None:
            own = self._procedure.actions()
            digits = [action for action in own if action.key.isdigit()]
            few = [action for action in own if action not in digits][:5]
            found = (
                [Key("1" if len(digits) == 1 else f"1 to {len(digits)}", digits[0].label)]
                if digits
                else []
            )
            return (*found, *map(as_key, few), Key("esc", "leave"), *last)
        return (*foot_keys(actions, step_of(self.live), advised), *last)

    def _arrows(self) -> tuple[Action, ...]:
        if self._hand is None:
            return ()
        does = "the virtual hand turns the crank"
        return tuple(
            Action(key, key, does, "another arrow", partial(self._turn, key)) for key in ARROWS
        )

    def _turn(self, key: str) -> None:
        if self._hand is not None:
            self.say(self._hand(key))

    def _turn_page(self) -> None:
        self._page = not self._page

    def _ask_quit(self) -> None:
        if self.live.saved is not None or not self.live.session.openings:
            self._quit()
        else:
            self.prompt.ask("Quit without a certificate? The capture is kept.", self._quit)

    def _quit(self) -> None:
        self.ended = True

    # -- procedures -------------------------------------------------------------------------------

    def _begin(self, procedure: Procedure) -> None:
        self._procedure, self._under = procedure, self._procedure

    def _leave(self) -> None:
        if self._procedure is not None:
            self._procedure.leave()
        self._procedure, self._under = self._under, None

    # -- speech -----------------------------------------------------------------------------------

    def _speak(self) -> None:
        if self._voice is None:
            return
        counted = [r for r in self.live.session.readings() if r.valid]
        if len(counted) > self._spoken:
            self._spoken = len(counted)
            self._voice.say(self._sentence(counted[-1]))

    def _sentence(self, reading: Reading) -> str:
        unit = next(
            u for u in view_of(self.live, self.conversation).units if u.name == reading.unit
        )
        return sentence(reading.unit, reading.btdc_deg or 0.0, unit.last_words)
