"""A live run from a script, one command a line, through the table of actions.

A command is the name of an action (``piston stop``, ``firing TDC``, ``as left``;
``touch`` is an event here) or of its key (``space``, ``p``), and what is entered
with it: ``lever upper full retard``, ``remark gap 0.30 mm``, ``go to 36``. Further
answers come after a semicolon: ``work done new heel; upper``. Questions of yes or
no are answered with yes. There are also:

    press ACTION     the same as its name alone
    wait rig         until a rig is recognised
    wait index       until the index has passed
    wait TDC         until TDC is known
    wait 3 touches   until the piston stop was touched 3 times from each side
    wait 5 readings  until each unit has 5 in its present setting; or: of UNIT
    wait at 36       until the crank is within half a degree of 36 degrees BTDC
    wait for ACTION  until NEXT names that action
    wait 2 s         for 2 seconds
    hand COMMAND     a command for the hand of a virtual rig, where there is one

``within 60 s`` after a wait ends the run with an error when it takes longer. Empty
lines, and what follows ``#``, are ignored. The run ends with the script.
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
NUMBER = r"(-?\d+(?:[.,]\d+)?)"


def help_text() -> str:
    """What a script may contain, for ``--help``: the above, and every action of the table."""
    rows = [f"    {a.label:<19}{a.key:<10} {a.takes}".rstrip() for a in table()]
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
        self._ui = ui_state
        self._hand = hand
        self._until_s: float | None = None
        self._steps = self._run(lines, "standard input" if name == "-" else name)

    def step(self) -> bool:
        """Go on by one command at most; False when the script has ended. Call it often, and take a
        view in between."""
        return next(self._steps, False)

    def _run(self, lines: Iterator[str | None], name: str) -> Iterator[bool]:
        number = 0
        for line in lines:
            if line is not None:
                number += 1
                text = line.partition("#")[0].strip()
                try:
                    waiting = self._begin(text) if text else None
                    while waiting is not None and not self._is_done(waiting):
                        yield True
                except InputError as why:
                    raise InputError(f"{name}, line {number}: {text!r}: {why}") from None
                self._until_s = None
            yield True

    def _is_done(self, waiting: Done) -> bool:
        if waiting():
            return True
        if self._until_s is not None and self._ui.live.elapsed_s >= self._until_s:
            raise InputError("it took longer than that")
        if not self._ui.live.lost and (self._ui.ended or self._ui.live.ended):
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

    def _act(self, text: str) -> None:
        action, rest = named(self._ui, text)
        entered, *answers = [part.strip() for part in rest.split(";")]
        if rest and not action.takes:
            raise InputError(f"{action.label} takes nothing after it")
        self._ui.act(action, entered)
        while (question := self._ui.prompt.question) is not None:
            if question.entry is None:
                self._ui.take("y")
            elif answers or question.may_be_empty:
                for key in (*(answers.pop(0) if answers else ""), "enter"):
                    self._ui.take("space" if key == " " else key)
            else:
                self._ui.take("esc")
                raise InputError(f"{question.text} Enter it after {action.label}: {action.takes}")
        if answers:
            raise InputError(f"{answers[0]!r} answers no question")

    def _wait(self, text: str) -> Done:
        if limit := re.fullmatch(rf"(.*?)\s+within {NUMBER} s", text):
            text = limit[1]
            self._until_s = self._ui.live.elapsed_s + _number(limit[2])
        for _, pattern, begin in WAITS:
            if found := re.fullmatch(pattern, text, re.IGNORECASE):
                return begin(self._ui, *found.groups())
        forms = ", ".join(form for form, _, _ in WAITS)
        raise InputError(f"wait for what? Enter {forms}; perhaps within N s")


def named(ui: UiState, text: str) -> tuple[Action, str]:
    """The action that ``text`` begins with, the longest name first, and what follows."""
    names: dict[str, Action] = {}
    for action, _ in ui.actions():
        digits = action.digits(ui.bench)
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
    hint = "h on the dashboard, and rig live --help, show them"
    if near:
        hint = f"did you mean {near[0].replace('_', ' ')!r}?"
    raise InputError(f"there is no such action; {hint}")


def _read(ui: UiState, n: str, of: str | None) -> Done:
    session, units = ui.live.session, ui.live.job.profile.units
    names = [unit_answered(units, of).name] if of else [unit.name for unit in units]

    def readings(name: str) -> int:
        here = name, session.setting_of(name), session.phase_of(name)
        return sum(r.valid and (r.unit, r.setting, r.phase) == here for r in session.readings())

    return lambda: all(readings(name) >= int(n) for name in names)


def _at(ui: UiState, btdc_deg: str) -> Done:
    def there() -> bool:
        crank_deg, here = ui.live.session.crank_deg(), ui.live.session.here
        if crank_deg is None or here is None:
            return False
        return abs(wrap(here.tdc_deg - crank_deg - _number(btdc_deg))) <= NEAR_DEG

    return there


def _elapsed(ui: UiState, n: str) -> Done:
    until_s = ui.live.elapsed_s + _number(n)
    return lambda: ui.live.elapsed_s >= until_s


WAITS: tuple[tuple[str, str, Callable[..., Done]], ...] = (
    ("rig", "rig", lambda ui: lambda: ui.live.understood),
    ("index", "index",
     lambda ui: lambda: ui.live.session.is_anchored and not ui.live.session.angles_lost),
    ("TDC", "TDC", lambda ui: lambda: ui.live.session.here is not None),
    ("N touches", r"(\d+) touch(?:es)?",
     lambda ui, n: lambda: min(state_of(ui.live).touches) >= int(n)),
    ("N readings [of UNIT]", r"(\d+) readings?(?: of (.+))?", _read),
    ("at DEGREES", f"at {NUMBER}", _at),
    ("for ACTION", "for (.+)",
     lambda ui, name: lambda: ui.bench.advice.press == named(ui, name)[0].id),
    ("N s", f"{NUMBER} s", _elapsed),
)  # fmt: skip


def _number(text: str) -> float:
    return float(text.replace(",", "."))
