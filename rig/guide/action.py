"""Actions (what a person does at the bench with a key), the bench that they act on, the prompt."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol

from rig.base.errors import InputError
from rig.guide.stillness import StallWatch
from rig.job.folder import Job
from rig.session.session import Session
from rig.signal.events import Event
from rig.signal.rig_statistics import StatisticsCollector
from rig.tdc.reference import TdcReference
from rig.timing.values import Assessment, Comparison

if TYPE_CHECKING:
    from rig.guide.procedure import Advice, Procedure

DIGITS = "digits"  # the key of an action that each of several digits calls
MESSAGE_S = 8.0  # a message stays on the screen this long
LONGEST_ENTRY = 80
NOTHING_DONE = "Nothing was done yet that can be undone."

Step = Literal["connect", "index", "top dead centre", "stroke", "reading", "saved"]
Stroke = Literal["stated", "not stated", "lost", "not needed"]


@dataclass(frozen=True, slots=True)
class Action:
    """Something that the person does with a key.

    ``label`` is on the foot, ``does`` and ``undo`` on the page of all keys and in the README;
    ``now`` gives a label that says more at this moment, or an empty one. ``run`` gets what was
    entered with it: the digit, or the words of a script after the action's name; empty from any
    other key, and it asks for what it needs then. ``takes`` names what may be entered; empty where
    nothing may. It raises InputError for what cannot be done.

    ``why_not`` says in a short sentence why it is not offered now; empty when it is. It is on the
    foot at the ``steps`` of the job, and offered within a procedure, too, if ``any_time``. Where
    its key is ``DIGITS``, ``digits`` has each digit that calls it now, with its label.
    """

    id: str
    key: str
    label: str
    does: str
    run: Callable[[Bench, str], None]
    undo: str = "backspace"
    why_not: Callable[[Bench], str] = lambda _: ""
    takes: str = ""
    now: Callable[[Bench], str] = lambda _: ""
    digits: Callable[[Bench], Mapping[str, str]] = lambda _: {}
    steps: tuple[Step, ...] = ()
    any_time: bool = False

    def called_by(self, key: str, bench: Bench) -> bool:
        """Whether ``key``, a name as ``rig.live.terminal`` gives it, calls this action now."""
        return key in self.digits(bench) if self.key == DIGITS else key == self.key

    def keys(self, bench: Bench) -> tuple[Key, ...]:
        """The keys that call it now, with their labels."""
        if self.key == DIGITS:
            return tuple(Key(key, label) for key, label in self.digits(bench).items())
        return (Key(self.key, self.now(bench) or self.label),)


@dataclass(frozen=True, slots=True)
class _Done:
    """Something that was done, when by the rig's clock, and what undoes it."""

    words: str
    undo: Callable[[], object]
    t_us: float
    what: object = None


class Dashboard(Protocol):
    """What shows the bench, as actions see it, and the procedure that is on."""

    procedure: Procedure | None

    def begin(self, procedure: Procedure) -> None:
        """Begin a procedure; the one that is on goes on afterwards."""

    def leave(self) -> None:
        """Leave the procedure that is on."""

    def turn_page(self) -> None:
        """Show the page of all keys, or close it."""

    def end(self) -> None:
        """End the run."""


@dataclass(slots=True)
class Bench:
    """What actions act on: the live run, its dashboard and prompt, the advice of this moment, and
    all that was done, to be undone in reverse order."""

    host: Host
    prompt: Prompt
    dashboard: Dashboard
    advice: Advice
    done: list[_Done] = field(default_factory=list)
    opened_at_rest: tuple[str, float] | None = None
    """The unit whose contacts opened last with the crank held, and when by the rig's clock."""
    can_be_moved: str = ""  # as it was entered at the bench: tables of an engine file

    def ask_for(self, text: str, entered: str, take: Callable[[str], None]) -> None:
        """Ask for something to be entered, unless it already was; ``take`` gets it."""
        if entered:
            take(entered)
        else:
            self.prompt.ask_for(text, take)

    def did(self, words: str, undo: Callable[[], object], what: object = None) -> None:
        """``words`` says what was done, and ``undo`` undoes it; ``what`` it was done to."""
        now = self.host.session.now()
        self.done.append(_Done(words, undo, now.t_us if now else 0.0, what))

    def undone(self, what: object) -> None:
        """What was done to ``what`` was undone out of turn."""
        self.done = [one for one in self.done if one.what is not what]

    def note(self, words: str, name: str, value: dict[str, object], **back: object) -> None:
        """Write an annotation that says what was done; ``back`` identifies it when it is undone."""
        self.host.annotate(name, value)
        self.did(words, lambda: self.host.annotate(name, {"back": True, **back}))

    def undo(self) -> str:
        """Undo the last thing that was done, read or touched; says what that was. Raises InputError
        when there is nothing."""
        every = (*self.done[-1:], *self._read_and_touched())
        if not every:
            raise InputError(NOTHING_DONE)
        last = max(every, key=lambda one: one.t_us)
        if self.done and last is self.done[-1]:
            self.done.pop()
        last.undo()
        return last.words

    def _read_and_touched(self) -> Iterator[_Done]:
        """The last reading, and the last touch of the piston stop."""
        session, annotate = self.host.session, self.host.annotate
        if valid := [r for r in session.readings() if r.valid]:
            at_us = session.t_us(valid[-1])
            t_us = min((one.t_us for one in session.openings), key=lambda us: abs(us - at_us))
            words = f"the last reading of {valid[-1].unit}"
            yield _Done(words, lambda: annotate("strike", {"t_us": t_us}), t_us)
        stop = session.touches()
        if stop is not None and stop.touches:
            touch = stop.touches[-1]
            words = f"the last touch turning {'forward' if touch.side > 0 else 'back'}"
            undone: dict[str, object] = {"back": True, "t_us": touch.t_us}
            yield _Done(words, lambda: annotate("touch", undone), touch.t_us)


@dataclass(frozen=True, slots=True)
class Saved:
    """What a live run was saved as, and what was found. ``files``: the record and its page."""

    files: tuple[Path, Path]
    reference: TdcReference
    assessments: tuple[Assessment, ...]
    comparisons: tuple[Comparison, ...]


class Host(Protocol):
    """A live run as actions and procedures see it."""

    job: Job
    session: Session  # what is known so far
    statistics: StatisticsCollector  # of the rig itself
    stillness: StallWatch  # how still the crank is held, and which way it was last turned
    saved: Saved | None  # what the run was saved as, once it was; its capture has ended then

    @property
    def connected(self) -> bool:
        """False while the port is lost, or nothing is received on it any more."""

    @property
    def understood(self) -> bool:
        """True once a rig was read that speaks this program's line format."""

    @property
    def capture_path(self) -> Path:
        """The capture that is being taken, with everything received so far."""

    def utc(self) -> datetime:
        """The time of day by the host's clock."""

    def annotate(self, name: str, value: dict[str, object]) -> Sequence[Event]:
        """Write an annotation into the capture and let it take effect."""

    def use(self, which: dict[str, object]) -> TdcReference:
        """Use another of the TDCs found. Raises InputError when there is none such."""

    def stop_in(self, cylinder: int | None = None, *, more: bool = False) -> None:
        """The piston stop is in; ``more`` to make TDC's uncertainty smaller. Raises InputError
        before the index has passed."""

    def stop_out(self, *, drop: bool = False) -> None:
        """The piston stop is out; TDC from its touches, unless they are dropped."""

    def enter_firing_tdc(self, cylinder: int = 1) -> None:
        """``cylinder`` is at its firing TDC. Raises InputError while no angle is known."""

    def undo_tdc(self, kind: str) -> None:
        """Undo the last annotation of a ``kind`` that gave TDC or firing TDC."""

    def save(self, write: Callable[[Job, Path], Saved]) -> Saved:
        """End the capture, whole and in the job, and let ``write`` save what is made of it.
        Raises InputError when that cannot be; the capture goes on then."""


class Prompt:
    """A message for a while, and a question until it is answered. ``clock`` gives seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._message = ""
        self._until_s = 0.0
        self._take: Callable[[str], None] = lambda _: None  # gets the answer
        self.question: Question | None = None  # what is asked just now

    @property
    def message(self) -> str:
        """What has just been said, while it is still to be seen."""
        return self._message if self._clock() <= self._until_s else ""

    def withdraw(self, text: str = "") -> None:
        """Show a message no longer: what it says is out of date. Without ``text``, whatever it
        is."""
        if text in ("", self._message):
            self._message = ""

    def say(self, text: str) -> None:
        """Show a message for a while."""
        self._message = text
        self._until_s = self._clock() + MESSAGE_S

    def ask(self, text: str, yes: Callable[[], None]) -> None:
        """Ask whether to do something."""
        self.question, self._take = Question(text), lambda _: yes()

    def ask_for(
        self, text: str, take: Callable[[str], None], *, may_be_empty: bool = False
    ) -> None:
        """Ask for something to be typed; ``take`` gets it without blanks around it, maybe empty."""
        self.question = Question(text, "enter it", "leave it", entry="", may_be_empty=may_be_empty)
        self._take = take

    def answer(self, key: str) -> None:
        """A key while something is asked. What comes of the answer may raise."""
        asked, entry = self.question, ""
        if asked is None:
            return
        if asked.entry is None:
            entered = {"y": True, "enter": True, "n": False, "esc": False}.get(key)
        else:
            entry, entered = typed(asked.entry, key)
            self.question = replace(asked, entry=entry)
        if entered is not None:
            self.question = None
        if entered:
            self._take(entry.strip())


@dataclass(frozen=True, slots=True)
class ActionLine:
    """One line of the page of all keys: what the key does, and how to undo it; where it is not
    offered, why (and ``undo`` is empty)."""

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
    may_be_empty: bool = False


@dataclass(frozen=True, slots=True)
class Key:
    """A key that does something now. ``key`` is a name as ``rig.live.terminal`` gives it."""

    key: str
    label: str


def typed(entry: str, key: str) -> tuple[str, bool | None]:
    """An answer being typed, after one more key: the text so far, and True once it was entered,
    False when it was given up, None while it goes on."""
    if key in ("enter", "esc"):
        return entry, key == "enter"
    if key == "backspace":
        return entry[:-1], None
    letter = " " if key == "space" else key if len(key) == 1 else ""
    return (entry + letter)[:LONGEST_ENTRY], None
