"""A hand that does whatever NEXT says and nothing else, on the virtual rig.

It reads the structured advice alone (what the hand does, which action is pressed, on which unit),
never a sentence. It presses the key that the table of actions has for that action, answers a
question with yes, and what is asked for with the unit that the advice is about.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import NoReturn

from nothing_cut import SIZES, assert_nothing_cut
from virtual_bench import VirtualBench, offered

from rig.base.errors import InputError
from rig.guide.advice import COIL, LIVE
from rig.guide.procedure import Advice, Hand
from rig.guide.state import state_of
from rig.guide.tdc import DIAL_ZERO

SLICE_DEG = 30.0
FAST, SLOW = 150.0, 60.0
MOST_TURNED_DEG = 1800.0
MOST_QUESTIONS = 12


class StuckError(AssertionError):
    """NEXT leads nowhere: what it said, and why that cannot be followed."""


@dataclass(slots=True)
class Trail:
    """What was done. ``keys`` without those of the rig check, which are counted apart."""

    steps: int = 0
    keys: int = 0
    check_keys: int = 0
    lines: list[str] = field(default_factory=list)


class ObedientHand:
    """Follows NEXT at ``bench`` until a certificate is saved and the run has ended."""

    def __init__(
        self, bench: VirtualBench, most_steps: int = 400, *, by_gauge: bool = False
    ) -> None:
        self.bench = bench
        self.by_gauge = by_gauge  # it has no piston stop, and fits a dial gauge for TDC
        self.most_steps = most_steps
        self.trail = Trail()
        self.stop_is_in = False
        self._seen: set[object] = set()

    # -- what NEXT says --

    def advice(self) -> Advice:
        """NEXT as the dashboard has it now, on which nothing that matters is cut; no step lacks the
        warning of a unit that can be live."""
        view = self.bench.ui_state.view()
        kinds = {unit.ignition for unit in self.bench.job.profile.units}
        assert (LIVE in view.warning, COIL in view.warning) == ("magneto" in kinds, "coil" in kinds)
        for size in SIZES:
            assert_nothing_cut(view, size)
        return self._next()

    def _next(self) -> Advice:
        """NEXT after the last slice, whose screen is looked at once it differs."""
        return self.bench.ui_state.bench.advice

    def run(self) -> Trail:
        """Do all that is said to the end."""
        while not self.bench.ui_state.ended:
            self.step()
        return self.trail

    def step(self) -> None:
        """Do what NEXT says once."""
        advice = self.advice()
        self.trail.steps += 1
        self.trail.lines.append(f"{advice.step}: {advice.next} [{advice.hand.name} {advice.press}]")
        if self.trail.steps > self.most_steps:
            self.stuck(advice, "too many steps")
        self._never_twice(advice)
        if advice.hand is Hand.NOTHING and not advice.press:
            self.stuck(advice, "it names neither a hand's work nor an action")
        if self.by_gauge and advice.hand is Hand.FIT_STOP:
            self.bench.press("d")
            return
        HANDS[advice.hand](self, advice)
        if advice.press:
            self.press(advice)

    def state(self, advice: Advice) -> object:
        """All that a step may change, but for where the crank stands."""
        live = self.bench.live
        session = live.session
        procedure = self.bench.ui_state.procedure
        return (
            advice,
            state_of(live),
            type(procedure),
            len(session.annotations.changes),
            tuple((u.name, session.setting_of(u.name), session.phase_of(u.name))
                  for u in live.job.profile.units),
        )  # fmt: skip

    def _never_twice(self, advice: Advice) -> None:
        state = self.state(advice)
        if state in self._seen:
            self.stuck(advice, "this state was seen before")
        self._seen.add(state)

    def stuck(self, advice: Advice, why: str) -> NoReturn:
        """Give up, with the way that led here."""
        said = self.bench.ui_state.prompt.message
        way = "\n  ".join(self.trail.lines[-12:])
        raise StuckError(f"{why}: {advice}\n  said: {said!r}\n  {way}")

    # -- keys --

    def key_of(self, advice: Advice) -> str:
        """The key of the action that NEXT names. It has to be offered."""
        ui_state = self.bench.ui_state
        for action in offered(ui_state):
            if action.id == advice.press:
                return action.key
            if action.called_by(advice.press, ui_state.bench):  # one of several digits
                return advice.press
        why = {action.id: why for action, why in ui_state.actions()}
        return self.stuck(advice, f"{advice.press} is not offered: {why.get(advice.press)}")

    def press(self, advice: Advice) -> None:
        """Press it, and answer what is asked then."""
        self._key(advice, self.key_of(advice))
        for _ in range(MOST_QUESTIONS):
            question = self.bench.ui_state.prompt.question
            if question is None:
                return
            if question.entry is None:
                self._key(advice, "y")
                continue
            for key in self.answer(advice):
                self._key(advice, key)
            self._key(advice, "enter")
        self.stuck(advice, f"it goes on asking: {self.bench.ui_state.prompt.question}")

    def answer(self, advice: Advice) -> str:
        """What is typed where something is asked for."""
        if advice.hand in (Hand.TO_DROP_FORWARD, Hand.TO_DROP_BACK):
            return f"{self.piston_drop():.2f}"
        if advice.press in ("adjust", "undo"):  # what can be moved, or undone, as it is asked
            return ""
        units = {unit.name: unit.input for unit in self.bench.job.profile.units}
        if advice.unit not in units:
            self.stuck(advice, f"asked: {self.bench.ui_state.prompt.question}")
        return str(units[advice.unit])

    def _key(self, advice: Advice, key: str) -> None:
        self.bench.press(key)
        if advice.step == "rig check":
            self.trail.check_keys += 1
        else:
            self.trail.keys += 1

    # -- hands --

    def do(self, *commands: str) -> None:
        """Let the virtual hand work."""
        self.bench.do(*commands)

    def until_changed(self, advice: Advice, way: str, speed: float) -> None:
        """Turn on until NEXT changes."""
        turned = 0.0
        while turned < MOST_TURNED_DEG:
            self.do(f"{way} {SLICE_DEG:g} at {speed:g}")
            turned += SLICE_DEG
            if self.bench.rig.reply.get("blocked"):
                self.do("rest 1")
            if self._next() != advice:
                return
        self.stuck(advice, f"turned {turned:.0f} degrees, and NEXT stays the same")

    def turn(self, advice: Advice, way: str) -> None:
        if advice.deg is None:
            self.until_changed(advice, way, SLOW)
        else:
            self.do(f"{way} {advice.deg:g} at {FAST:g}", "rest 0.5")

    def to_stop(self, advice: Advice, way: str) -> None:
        self.do(f"touch {way} at 20", "rest 1")
        back = "back" if way == "forward" else "turn"
        if self._next() == advice:
            self.do(f"{back} 3 at 30", "rest 0.3")

    def go_to(self, advice: Advice) -> None:
        self.do(f"goto {advice.deg:g} at 30", "rest 1")

    def go_to_firing_tdc(self, advice: Advice) -> None:
        self.do("goto 0 at 60")
        if not self.bench.rig.reply["compressed"]:
            self.do("turn 180 at 120", "goto 0 at 60")
        self.do("rest 1")

    def piston_drop(self) -> float:
        """What the dial gauge shows, millimetres."""
        self.do("gauge")
        return float(self.bench.rig.reply["travel_mm"])

    def to_drop(self, advice: Advice, side: int) -> None:
        """To that piston drop with the piston rising: before TDC (``side`` 1) forward, after it
        turning back."""
        away, way = ("back", "") if side > 0 else ("", "back")
        self.do(f"goto {60 * side} {away} at 150")
        at = 60.0 if advice.mm is not None else 30.0
        while True:
            self.do(f"goto {at * side:g} {way} at 40")
            over = self.piston_drop() - (advice.mm or math.inf)
            if over <= 0.02:
                break
            at -= 3.0 if over > 3.0 else 1.0 if over > 1.0 else 0.25
        self.do("hold 1")

    def fit_stop(self, advice: Advice) -> None:
        if self.stop_is_in:
            return
        try:
            self.do("stop in")
        except InputError:  # the piston is in its way
            self.do("turn 180 at 120", "stop in")
        self.stop_is_in = True

    def remove_stop(self, advice: Advice) -> None:
        self.do("stop out")
        self.stop_is_in = False

    def close_contacts(self, advice: Advice) -> None:
        """Turn until the contacts of the unit are closed, and a little more."""
        number = {u.name: u.input for u in self.bench.job.profile.units}[advice.unit]
        for _ in range(80):
            self.do("turn 10 at 60")
            if self.bench.live.session.contact_open(number) is False:
                self.do("turn 15 at 60", "rest 1")
                if self.bench.live.session.contact_open(number) is False:
                    return
        self.stuck(advice, "its contacts never close")

    def open_contacts(self, advice: Advice) -> None:
        self.do(f"finger {advice.unit} 1", "rest 0.5")

    def switch(self, advice: Advice, way: str) -> None:
        self.do(f"switch {way} {advice.unit}", "rest 0.3")

    def hold_drag(self, advice: Advice) -> None:
        units = [u.name for u in self.bench.job.profile.units if u.ignition == "magneto"]
        for unit in [advice.unit] if advice.unit else units:
            self.do(f"drag on {unit}")

    def move_unit(self, advice: Advice) -> None:
        if advice.deg is None:
            self.do(f"set {advice.unit}", "rest 1")
        else:
            self.do(f"move {advice.unit} {advice.deg:g}", "rest 1")

    def move_lever(self, advice: Advice) -> None:
        """On this bench one lever moves all units that have the setting."""
        self.do(f"lever {advice.what}", "rest 0.5")

    def fix(self, advice: Advice) -> None:
        """The cable is put in again, the rig is waited for."""
        for _ in range(20):
            self.do("rest 1")
            if advice.press or self._next() != advice:
                return
        self.stuck(advice, "the rig does not come right by itself")

    def work(self, advice: Advice) -> None:
        if advice.press == "":
            self.stuck(advice, "the rig cannot see this, and nothing says that it is done")
        if advice.what == DIAL_ZERO:
            self.do("goto 0 at 90")
        self.do("rest 0.5")

    def hold(self, advice: Advice) -> None:
        self.do("hold 4")


HANDS: Mapping[Hand, Callable[[ObedientHand, Advice], None]] = {
    Hand.NOTHING: lambda hand, advice: None,
    Hand.TURN_FORWARD: lambda hand, advice: hand.turn(advice, "turn"),
    Hand.TURN_BACK: lambda hand, advice: hand.turn(advice, "back"),
    Hand.TO_STOP_FORWARD: lambda hand, advice: hand.to_stop(advice, "forward"),
    Hand.TO_STOP_BACK: lambda hand, advice: hand.to_stop(advice, "back"),
    Hand.HOLD: lambda hand, advice: hand.hold(advice),
    Hand.GO_TO: lambda hand, advice: hand.go_to(advice),
    Hand.GO_TO_FIRING_TDC: lambda hand, advice: hand.go_to_firing_tdc(advice),
    Hand.TO_DROP_FORWARD: lambda hand, advice: hand.to_drop(advice, 1),
    Hand.TO_DROP_BACK: lambda hand, advice: hand.to_drop(advice, -1),
    Hand.FIT_STOP: lambda hand, advice: hand.fit_stop(advice),
    Hand.REMOVE_STOP: lambda hand, advice: hand.remove_stop(advice),
    Hand.SWITCH_OFF: lambda hand, advice: hand.switch(advice, "off"),
    Hand.SWITCH_ON: lambda hand, advice: hand.switch(advice, "on"),
    Hand.CLOSE_CONTACTS: lambda hand, advice: hand.close_contacts(advice),
    Hand.OPEN_CONTACTS: lambda hand, advice: hand.open_contacts(advice),
    Hand.HOLD_DRAG: lambda hand, advice: hand.hold_drag(advice),
    Hand.MOVE_UNIT: lambda hand, advice: hand.move_unit(advice),
    Hand.MOVE_LEVER: lambda hand, advice: hand.move_lever(advice),
    Hand.WORK: lambda hand, advice: hand.work(advice),
    Hand.FIX: lambda hand, advice: hand.fix(advice),
}
