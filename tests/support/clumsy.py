"""An obedient hand that errs every few steps: a wrong key, a turn back, a stop left in."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, auto

from obedient import ObedientHand
from virtual_bench import VirtualBench

from rig.base.errors import InputError
from rig.guide.procedure import Advice

KEYS = (*"abcdefgiklmnoprtuvwxz0123456789", "enter", "space", "backspace", "esc", "tab", "left")
"""All but: h (a page that hides the rest), q and s."""


class Mishap(Enum):
    """What goes wrong before a step, or in it."""

    WRONG_KEY = auto()
    TURNED_BACK = auto()
    TURNED_ON = auto()
    CABLE_PULLED = auto()
    RESET = auto()
    STOP_LEFT_IN = auto()  # and said to be out
    LEVER_ASIDE = auto()  # and said to be where it was
    LEVER_BETWEEN = auto()  # left there for a turn, until it is noticed
    KNOCKED = auto()  # contacts opened by a finger


@dataclass(frozen=True, slots=True)
class Erring:
    """A mishap before step number ``step``; ``which`` chooses the key, or how much."""

    step: int
    mishap: Mishap
    which: int


class ClumsyHand(ObedientHand):
    """Does what NEXT says, but for the mishaps; what it notices by itself it puts right."""

    def __init__(
        self, bench: VirtualBench, erring: Sequence[Erring], most_steps: int = 400
    ) -> None:
        super().__init__(bench, most_steps)
        self._erring = erring
        self._leave_stop_in = False

    def step(self) -> None:
        """Err, notice what a person notices, then do what NEXT says."""
        for each in self._erring:
            if each.step == self.trail.steps:
                self.trail.lines.append(f"-- {each.mishap.name} {each.which}")
                self._err(each)
        if self.bench.ui_state.prompt.question is not None:  # asked by a key that was not meant
            self.bench.press("esc")
        super().step()

    def _never_twice(self, advice: Advice) -> None:
        """Undoing a mishap leads back to where it was."""

    def _err(self, each: Erring) -> None:
        bench = self.bench
        match each.mishap:
            case Mishap.WRONG_KEY:
                bench.press(KEYS[each.which % len(KEYS)])
            case Mishap.TURNED_BACK:
                self.do(f"back {10 + each.which % 90} at 90")
            case Mishap.TURNED_ON:
                self.do(f"turn {10 + each.which % 90} at 120")
            case Mishap.CABLE_PULLED:
                self.do(f"fault cable {2 + each.which % 3}", "turn 40 at 60", "rest 4")
            case Mishap.RESET:
                self.do("fault reset", "rest 4")
            case Mishap.STOP_LEFT_IN:
                self._leave_stop_in = True
            case Mishap.LEVER_ASIDE:
                self._lever_aside(each.which)
            case Mishap.LEVER_BETWEEN:
                self._lever_between(0.1 + 0.1 * (each.which % 9))
            case Mishap.KNOCKED:
                unit = bench.job.profile.units[each.which % len(bench.job.profile.units)]
                try:
                    self.do(f"finger {unit.name} 1", "rest 0.5")
                except InputError:
                    self.do("rest 0.5")  # they are open here

    def _lever_aside(self, which: int) -> None:
        """The lever goes for a moment, with the crank turning, and comes back."""
        names = [s.name for unit in self.bench.job.profile.units for s in unit.settings]
        aside = names[which % len(names)]
        self.do(f"lever {aside}", "turn 30 at 60", f"lever {names[0]}", "rest 1")

    def _lever_between(self, share: float) -> None:
        """Left between its ends while the crank is turned on by more than a turn."""
        two = [u.settings for u in self.bench.job.profile.units if len(u.settings) > 1]
        if two:
            first, other = (setting.name for setting in two[0][:2])
            self.do(f"lever {share:.1f} from {first} to {other}", "turn 400 at 90")
            self.do(f"lever {first}", "rest 1")

    # -- what a person notices --

    def remove_stop(self, advice: Advice) -> None:
        if not self._leave_stop_in:
            super().remove_stop(advice)

    def do(self, *commands: str) -> None:
        """The crank that meets the piston stop where it should be out: it is taken out."""
        for command in commands:
            super().do(command)
            if self.bench.rig.reply.get("blocked") and self.bench.live.session.stop is None:
                self._leave_stop_in = self.stop_is_in = False
                super().do("stop out", "rest 0.5", command)

    def open_contacts(self, advice: Advice) -> None:
        try:
            super().open_contacts(advice)
        except InputError:  # they are open: the crank was turned on since
            self.close_contacts(advice)
            with contextlib.suppress(InputError):  # earthed: they only seem to be closed
                super().open_contacts(advice)

    def to_stop(self, advice: Advice, way: str) -> None:
        try:
            super().to_stop(advice, way)
        except InputError:  # there is none: it was said by mistake
            self.fit_stop(advice)
            super().to_stop(advice, way)
