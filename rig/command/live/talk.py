"""What is said to the person at a live bench, and asked of them: one thing at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from rig.screen.keys import typed
from rig.screen.view import Question

MESSAGE_S = 8.0
"""A message stays on the screen this long."""


@dataclass(slots=True)
class _Asked:
    """A question and what yes does; where an answer is typed, ``take`` gets it."""

    question: Question
    yes: Callable[[], None] | None = None
    take: Callable[[str], None] | None = None


class Talk:
    """A message for a while, and a question until it is answered. ``clock`` gives seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._message = ""
        self._until_s = 0.0
        self._asked: _Asked | None = None

    @property
    def message(self) -> str:
        """What has just been said, while it is still to be seen."""
        return self._message if self._clock() <= self._until_s else ""

    @property
    def question(self) -> Question | None:
        """What is asked just now."""
        return self._asked.question if self._asked else None

    def say(self, text: str) -> None:
        """Show a message for a while."""
        self._message = text
        self._until_s = self._clock() + MESSAGE_S

    def ask(self, text: str, yes: Callable[[], None]) -> None:
        """Ask whether to do something."""
        self._asked = _Asked(Question(text), yes)

    def ask_for(self, text: str, take: Callable[[str], None]) -> None:
        """Ask for something to be typed; ``take`` gets it without blanks around it, maybe empty."""
        self._asked = _Asked(Question(text, yes="enter it", no="leave it", entry=""), take=take)

    def answer(self, key: str) -> None:
        """A key while something is asked. What ``yes`` or ``take`` raise comes out here."""
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
