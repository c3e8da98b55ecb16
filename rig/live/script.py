"""A live run from a script, one command a line, through the table of actions.

A command is the name of an action (``piston stop``, ``firing TDC``, ``as left``;
``touch`` is an event here) or of its key (``space``, ``p``), and what is entered
with it: ``lever upper full retard``, ``remark gap 0.30 mm``, ``go to 36``. Further
answers come after a semicolon: ``work done new heel; upper``. A question of yes
or no is answered with yes. Besides:

    press ACTION    the same as its name alone
    wait rig        until a rig is understood
    wait index      until the index passed
    wait TDC        until TDC is known
    wait 3 touches  until the piston stop was touched so often on both sides
    wait 5 readings until each unit has so many as it is set now; or: of UNIT
    wait at 36      until the crank is within half a degree of 36 degrees BTDC
    wait for ACTION until NEXT names that action
    wait 2 s        so long
    hand COMMAND    a command for the hand of a virtual rig, where there is one

``within 60 s`` after a wait ends the run with an error when that takes longer. An
empty line, and what follows ``#``, is left out. The run ends with the script.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from difflib import get_close_matches
from pathlib import Path

from rig.base.angles import wrap
from rig.base.errors import InputError, reason
from rig.guide.action import Action
from rig.guide.procedure import unit_answered
from rig.guide.state import state_of
from rig.live.actions import table
from rig.live.run import Lines
from rig.live.ui_state import UiState

Done = Callable[[], bool]
NEAR_DEG = 0.5
NUMBER = r"-?\d+(?:[.,]\d+)?"
WAITS = (
    "rig",
    "index",
    "TDC",
    "N touches",
    "N readings [of UNIT]",
    "at DEGREES",
    "for ACTION",
    "N s",
)


def help_text() -> str:
    """What a script may say, for ``--help``: the above, and every action of the table."""
    rows = [f"    {a.label:<18}{a.key:<10} {a.takes}".rstrip() for a in table()]
    head = "Actions, their keys and what may be entered:"
    return "\n".join([(__doc__ or "").replace("``", ""), head, *rows])


def script_lines(path: str) -> Iterator[str | None]:
    """The lines of a file, or of standard input (``-``) as they come; at its end, to quit. Raises
    InputError when the file cannot be read."""
    if path == "-":
        typed = Lines()
        return iter(typed, object())
    try:
        return iter(Path(path).read_text("utf-8").splitlines())
    except OSError as why:
        raise InputError(f"{path}: the script cannot be read: {reason(why)}") from why
    except UnicodeDecodeError as why:
        raise InputError(f"{path}: byte {why.start + 1} is not UTF-8 text") from None


class Script:
    """Carries out ``lines`` on ``ui_state``; None among them means that none has come yet.

    ``hand`` gives a command to the hand of a virtual rig, and what says when it is done. Raises
    InputError naming the line.
    """

    def __init__(
        self,
        lines: Iterator[str | None],
        ui_state: UiState,
        name: str = "script",
        hand: Callable[[str], Done] | None = None,
    ) -> None:
        self._lines = lines
        self._ui = ui_state
        self._name = "standard input" if name == "-" else name
        self._hand = hand
        self._number = 0
        self._text = ""
        self._waiting: Done | None = None
        self._until_s: float | None = None
        self.ended = False

    def step(self) -> bool:
        """Go on by one command at most; False when the script has ended. Call it often, and take a
        view in between."""
        if self.ended:
            return False
        try:
            if self._waiting is not None and not self._is_done(self._waiting):
                return True
            self._waiting = self._until_s = None
            line = next(self._lines)
            if line is None:
                return True
            self._number += 1
            self._text = line.partition("#")[0].strip()
            if self._text:
                self._waiting = self._begin(self._text)
        except StopIteration:
            self.ended = True
        except InputError as why:
            raise InputError(f"{self._name}, line {self._number}: {self._text!r}: {why}") from None
        return not self.ended

    def _is_done(self, waiting: Done) -> bool:
        if waiting():
            return True
        if self._until_s is not None and self._ui.live.elapsed_s >= self._until_s:
            raise InputError("it took longer than that")
        if self._ui.live.lost:
            return False
        if self._ui.ended or self._ui.live.ended:
            raise InputError("the run has ended: there is nothing to wait for")
        return False

    def _begin(self, text: str) -> Done | None:
        """Carry out a command; what it waits for, if anything."""
        verb, _, rest = text.partition(" ")
        if verb == "wait":
            return self._wait(rest.strip())
        if verb == "hand":
            if self._hand is None:
                raise InputError("there is no virtual hand at this rig: a person turns the crank")
            return self._hand(rest.strip())
        self._act(rest.strip() if verb == "press" else text)
        return None

    # -- actions --

    def _act(self, text: str) -> None:
        action, rest = self._named(text)
        entered, *answers = [part.strip() for part in rest.split(";")]
        if rest and not action.takes:
            raise InputError(f"{action.label} takes nothing after it")
        self._ui.act(action, entered)
        while (question := self._ui.prompt.question) is not None:
            if question.entry is None:
                self._ui.take("y")
            elif answers:
                self._answer(answers.pop(0))
            elif question.may_be_empty:
                self._answer("")
            else:
                self._ui.take("esc")
                raise InputError(f"{question.text} Enter it after {action.label}: {action.takes}")
        if answers:
            raise InputError(f"{answers[0]!r} answers no question")

    def _answer(self, text: str) -> None:
        for key in (*text, "enter"):
            self._ui.take("space" if key == " " else key)

    def _named(self, text: str) -> tuple[Action, str]:
        """The action that ``text`` begins with, the longest name first, and what follows."""
        names: dict[str, Action] = {}
        for action, _ in self._ui.actions():
            digits = action.digits(self._ui.bench)
            for name in (action.id, action.id.replace("_", " "), action.label, action.key, *digits):
                names.setdefault(name.casefold(), action)
            if action.id == "event_here":
                names["touch"] = action
        low = text.casefold()
        for name in sorted(names, key=len, reverse=True):
            if low == name or low.startswith((f"{name} ", f"{name};")):
                rest = text[len(name) :].strip()
                return names[name], f"{name} {rest}".strip() if name.isdecimal() else rest
        near = get_close_matches(low.split()[0], [*names, "wait", "hand", "press"], 1)
        hint = (
            f"; did you mean {near[0].replace('_', ' ')!r}?"
            if near
            else "; h on the dashboard, and rig live --help, show them"
        )
        raise InputError(f"there is no such action{hint}")

    # -- waiting --

    def _wait(self, text: str) -> Done:
        limit = re.fullmatch(rf"(.*?)\s+within ({NUMBER}) s", text)
        if limit:
            text = limit[1]
            self._until_s = self._ui.live.elapsed_s + _number(limit[2])
        live, session = self._ui.live, self._ui.live.session
        plain: dict[str, Done] = {
            "rig": lambda: live.understood,
            "index": lambda: session.is_anchored and not session.angles_lost,
            "tdc": lambda: session.here is not None,
        }
        if text.casefold() in plain:
            return plain[text.casefold()]
        if found := re.fullmatch(r"(\d+) touch(?:es)?", text):
            n = int(found[1])
            return lambda: min(state_of(live).touches) >= n
        if found := re.fullmatch(r"(\d+) readings?(?: of (.+))?", text):
            return self._readings(int(found[1]), found[2])
        if found := re.fullmatch(rf"at ({NUMBER})", text):
            return self._at(_number(found[1]))
        if found := re.fullmatch(rf"({NUMBER}) s", text):
            until_s = live.elapsed_s + _number(found[1])
            return lambda: live.elapsed_s >= until_s
        if found := re.fullmatch(r"for (.+)", text):
            wanted = found[1]
            return lambda: self._ui.bench.advice.press == self._named(wanted)[0].id
        raise InputError(f"wait for what? Enter {', '.join(WAITS)}; perhaps within N s")

    def _readings(self, n: int, of: str | None) -> Done:
        session, units = self._ui.live.session, self._ui.live.job.profile.units
        names = [unit_answered(units, of).name] if of else [unit.name for unit in units]

        def read(name: str) -> int:
            here = name, session.setting_of(name), session.phase_of(name)
            return sum(r.valid and (r.unit, r.setting, r.phase) == here for r in session.readings())

        return lambda: all(read(name) >= n for name in names)

    def _at(self, btdc_deg: float) -> Done:
        session = self._ui.live.session

        def there() -> bool:
            crank_deg, here = session.crank_deg(), session.here
            if crank_deg is None or here is None:
                return False
            return abs(wrap(here.tdc_deg - crank_deg - btdc_deg)) <= NEAR_DEG

        return there


def _number(text: str) -> float:
    return float(text.replace(",", "."))
