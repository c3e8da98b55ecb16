"""Actions (what a person may do at the bench, each with its key and undo) and the prompt."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, Protocol

from rig.guide.stillness import StallWatch
from rig.job.folder import Job
from rig.session.session import Session
from rig.signal.events import Event
from rig.signal.rig_statistics import StatisticsCollector
from rig.tdc.reference import TdcReference
from rig.timing.values import Assessment, Comparison


@dataclass(frozen=True, slots=True)
class Action:
    """``label`` stands in the foot; ``does`` and ``undo`` (or that it is asked about first) on the
    page of all keys. ``run`` raises InputError for what cannot be done."""

    key: str
    label: str
    does: str
    undo: str
    run: Callable[[], None]


@dataclass(frozen=True, slots=True)
class Saved:
    """What a live run was saved as, and what was found. ``files``: the record and its page."""

    files: tuple[Path, Path]
    reference: TdcReference
    assessments: tuple[Assessment, ...]
    comparisons: tuple[Comparison, ...]


class Host(Protocol):
    """A live run as actions and procedures see it."""

    @property
    def job(self) -> Job:
        """The job at which the run takes place."""

    @property
    def session(self) -> Session:
        """What is known so far."""

    @property
    def statistics(self) -> StatisticsCollector:
        """Statistics of the rig itself."""

    @property
    def stillness(self) -> StallWatch:
        """How still the crank is held, and which way it was last turned."""

    @property
    def connected(self) -> bool:
        """False while the port is lost."""

    @property
    def understood(self) -> bool:
        """True once a rig was read that speaks this program's line format."""

    @property
    def saved(self) -> Saved | None:
        """What the run was saved as, once it was; its capture has ended then."""

    def crank_deg(self) -> float | None:
        """Continuous crank angle now, degrees; None while it is not known."""

    def annotate(self, name: str, value: dict[str, object]) -> Sequence[Event]:
        """Write an annotation into the capture and let it take effect."""

    def use(self, which: dict[str, object]) -> TdcReference:
        """Go by another of the TDCs found. Raises InputError when there is none such."""

    def save(self, write: Callable[[Job, Path], Saved]) -> Saved:
        """End the capture, whole and in the job, and let ``write`` save what is made of it.
        Raises InputError when that cannot be; the capture goes on then."""


def action_lines(actions: Sequence[Action]) -> tuple[ActionLine, ...]:
    """A line for each action; neighbours that do the same share one."""
    lines: list[ActionLine] = []
    for action in actions:
        if lines and (lines[-1].does, lines[-1].undo) == (action.does, action.undo):
            lines[-1] = ActionLine(f"{lines[-1].key} {action.key}", action.does, action.undo)
        else:
            lines.append(ActionLine(action.key, action.does, action.undo))
    return tuple(lines)


MESSAGE_S = 8.0


"""A message stays on the screen this long."""


@dataclass(slots=True)
class _Asked:
    """A question and what yes does; where an answer is typed, ``take`` gets it."""

    question: Question
    yes: Callable[[], None] | None = None
    take: Callable[[str], None] | None = None


class Prompt:
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


Step = Literal["rig check", "index", "top dead centre", "stroke", "reading", "saved"]

Stroke = Literal["stated", "not stated", "lost", "not needed"]


@dataclass(frozen=True, slots=True)
class ActionLine:
    """One line of the page of all keys: what the key does, and how to undo it."""

    key: str
    does: str
    undo: str


@dataclass(frozen=True, slots=True)
class Question:
    """Something asked of the person. With ``entry`` (also "") an answer is being typed."""

    text: str
    yes: str = "yes"
    no: str = "no"
    entry: str | None = None


@dataclass(frozen=True, slots=True)
class Key:
    """A key that does something now. ``key`` is a name as ``rig.live.terminal`` gives it."""

    key: str
    label: str


_LONGEST_ENTRY = 80


def typed(entry: str, keys: Iterable[str]) -> tuple[str, bool | None]:
    """An answer being typed, after ``keys``: the text so far, and True once it was entered.

    False when it was given up, None while it goes on.
    """
    for key in keys:
        if key in ("enter", "esc"):
            return entry, key == "enter"
        if key == "backspace":
            entry = entry[:-1]
        elif key == "space" or len(key) == 1:
            entry = (entry + (" " if key == "space" else key))[:_LONGEST_ENTRY]
    return entry, None
