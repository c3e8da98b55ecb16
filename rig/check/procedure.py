"""The guided rig check: one step after the other while the capture is taken.

The person begins and ends each step, and may skip it. Both are annotations in the capture, so the
check can be repeated from it; what went wrong before the check began does not count.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

from rig.base.rounding import listed, many
from rig.check.checks import (
    UNTRIED,
    RigCheck,
    Untried,
    judged,
    magnetos,
    not_tried,
    sentence,
    turns_to_open,
    verdict_of,
)
from rig.engine.profile import Profile, Unit
from rig.guide.action import Action, Bench, Host
from rig.guide.procedure import Advice, Hand, Offer, Panel, PanelLine, Procedure, Sort
from rig.guide.state import CHECK_BAD
from rig.signal import rig_statistics
from rig.signal.events import Now
from rig.signal.rig_statistics import Stretch

TURNS = 3
WHY = "Counts, direction and wiring are proved before anything depends on them."
NEXT_SHOWN = 3  # so many of the steps to come are listed


@dataclass(frozen=True, slots=True)
class Step:
    """What the person gets ready, what is then done, with which hands, and why. ``kind`` is that of
    its annotation."""

    kind: str
    unit: str
    input: int  # of the unit; 0 where it is about all
    name: str
    ready: str
    get_ready: Hand
    do: str
    doing: Hand
    why: str
    turns: float = 0.0  # of the crank, where it is turned


def steps_for(profile: Profile) -> list[Step]:
    """The steps in the order of the work: switches before their leads come off, then the rest."""
    turns = TURNS / float(profile.encoder.turns_per_crank_turn)
    switches = (
        (rig_statistics.OFF, "OFF", Hand.SWITCH_OFF, "read closed all round"),
        (rig_statistics.ON, "ON", Hand.SWITCH_ON, "open within the turn"),
    )
    return [
        *(Step(kind, unit.name, unit.input, f"a turn with its switch at {at}",
               f"put the switch of {unit.name} at {at}, its switch lead on", hand,
               f"turn forward by {many(f'{turns_to_open(unit):g}', 'turn')} and a little more",
               Hand.TURN_FORWARD, f"The contacts have to {why}.", turns_to_open(unit))
          for unit in magnetos(profile.units) for kind, at, hand, why in switches),
        Step(rig_statistics.TURN, "", 0, "at rest, then some turns",
             "take off every lead that earths contacts, and leave the crank at rest", Hand.HOLD,
             f"let it stand for three seconds, then turn slowly forward by {turns + 0.5:.1f} turns",
             Hand.TURN_FORWARD, WHY, turns),
        *(Step(rig_statistics.BY_HAND, unit.name, unit.input, "its contacts opened by hand",
               f"turn until the contacts of {unit.name} are closed, and hold the crank",
               Hand.CLOSE_CONTACTS,
               f"open the contacts of {unit.name} by hand once, by a slip of paper or a finger",
               Hand.OPEN_CONTACTS, "It shows which input the unit is on.")
          for unit in profile.units),
    ]  # fmt: skip


class Came(Enum):
    """The result of a step."""

    GOOD = "GOOD"
    BAD = "BAD"
    TOO_LITTLE = "NOT ENOUGH"


def result_of(step: Step, seen: Stretch, units: Sequence[Unit]) -> tuple[Came, str]:
    """What a step shows by itself, as soon as it is done, and in words what was seen."""
    names = {unit.input: unit.name for unit in units}
    own = step.input
    if step.kind == rig_statistics.BY_HAND:
        moved = sorted(set(seen.moved))
        if own in moved:
            return Came.GOOD, f"input {own} opened"
        if not moved:
            return Came.BAD, f"nothing opened: is its lead on, on input {own}, and not earthed?"
        others = listed(f"input {n} ({names.get(n, 'no unit')})" for n in moved)
        words = f"{others} opened, not input {own}: leads crossed, or another unit's contacts"
        return Came.BAD, words
    opened, needed = seen.opened.count(own), 360.0 * step.turns
    if step.kind == rig_statistics.OFF and opened:
        times = "once" if opened == 1 else many(opened, "time")
        return Came.BAD, (
            f"opened {times} with its switch at OFF: the switch does not earth it, or its switch"
            " lead is off: IT IS LIVE"
        )
    if seen.turned_deg < needed:
        return Came.TOO_LITTLE, f"{seen.turned_deg:.0f}° of {needed:.0f}° were turned"
    if step.kind == rig_statistics.OFF:
        return Came.GOOD, f"closed for {seen.turned_deg:.0f}°"
    asked = {n: name for n, name in names.items() if step.unit in ("", name)}
    silent = [name for n, name in asked.items() if n not in seen.opened]
    if not silent:
        return Came.GOOD, f"{listed(asked.values())} opened in {seen.turned_deg:.0f}°"
    are = "is it" if len(silent) == 1 else "are they"
    return Came.BAD, f"{listed(silent)} did not open: {are} still earthed, or not wired?"


class CheckRig(Procedure):
    """Step by step: ready, do, done or skip; then a verdict for each thing.

    The result of a step is shown at once. A step without a good result is asked for once more
    before the check continues.
    """

    def __init__(self, host: Host) -> None:
        self.steps = steps_for(host.job.profile)
        self.number = 1
        self.doing = False
        self._host = host
        self._units = host.job.profile.units
        self._begun = False  # the capture has an annotation that this check began
        self._check: RigCheck | None = None
        self._missing: list[Untried] = []
        self._came: dict[int, tuple[Came, str]] = {}  # by the step's number
        self._repeated: set[int] = set()

    @property
    def step(self) -> Step | None:
        """The present step; None when all are done."""
        return self.steps[self.number - 1] if self.number <= len(self.steps) else None

    @property
    def came(self) -> str:
        """The result of the last step, in one line; empty where that is not known."""
        last = self._came.get(self.number) or self._came.get(self.number - 1)
        return f"{last[0].value}: {last[1]}" if last else ""

    def not_ready(self) -> str:
        """Why the step cannot begin, as far as the rig sees it; empty when it can."""
        step = self.step
        if step is None or step.kind != rig_statistics.BY_HAND:
            return ""
        if not self._host.session.contact_open(step.input):
            return ""
        return f"The contacts of {step.unit} are open here: turn until they are closed."

    def begin(self) -> None:
        """All is ready: the step begins."""
        if self.step is None or self.doing:
            return
        if not self._begun:
            self._begun = True
            self._note(rig_statistics.BEGIN)
        self.doing = True
        self._note(self.step.kind, unit=self.step.unit)

    def end(self, *, broken_off: bool = False) -> None:
        """The step is done, or broken off; without a good result it is repeated once."""
        if not self.doing or self.step is None:
            return
        self.doing = False
        repeat = False
        if not broken_off:
            result = result_of(self.step, self._host.statistics.step, self._units)
            self._came[self.number] = result
            repeat = result[0] is not Came.GOOD and self.number not in self._repeated
        self._note(rig_statistics.DONE, **{rig_statistics.BROKEN_OFF: True} if broken_off else {})
        if repeat:
            self._repeated.add(self.number)
            return
        self.number += 1
        if self.step is None and not broken_off:
            self._judge()

    def skip(self) -> None:
        """The step is left out."""
        if self.step is None:
            return
        if self.doing:
            self.end(broken_off=True)
        else:
            self.number += 1
        if self.step is None:
            self._judge()

    def back(self) -> None:
        """One step back: it is done again, and the verdicts are given again."""
        if self.doing:
            self.end(broken_off=True)
        self.number = max(1, self.number - 1)
        self._came.pop(self.number, None)
        self._repeated.discard(self.number)
        self._check = None

    def leave(self) -> None:
        """A step that goes on is broken off."""
        self.end(broken_off=True)

    def _note(self, kind: str, **more: object) -> None:
        self._host.annotate(rig_statistics.NOTE, {"step": kind, **more})

    def _judge(self) -> None:
        """The verdicts, and the steps of the job that are done by them."""
        host = self._host
        seen = host.statistics.result(host.session.state_widths)
        self._check = judged(seen, host.session.profile)
        self._missing = not_tried(seen, self._units)
        good = {each.name for each in self._check.checks if each.verdict == "good"}
        if rig_statistics.TURN in {stretch.step for stretch in seen.stretches}:
            is_bad = self._check.verdict == "bad"
            for step, is_so in ((CHECK_BAD, is_bad), ("rig check", not is_bad)):
                if is_so != (step in host.session.annotations.steps):
                    host.annotate("said", {"step": step, **({} if is_so else {"back": True})})
        if all(f"switch of {unit.name}" in good for unit in magnetos(self._units)):
            host.annotate("said", {"step": "switch"})

    # -- on the screen --

    def show(self, now: Now | None) -> Panel:
        """The step, what it asks of contacts, and the result of the one before; then verdicts."""
        step = self.step
        if step is None:
            return self._verdicts()
        state = f"step {self.number} of {len(self.steps)}"
        lines = tuple(self._lines(step))
        if not self.doing:
            return Panel("rig check", f"{state}: get ready", lines=lines)
        seen, state = self._host.statistics.step, f"{state}: now do it"
        by_hand = step.kind == rig_statistics.BY_HAND  # else a switch may have closed them
        beside = (
            PanelLine("turning", self._inputs(seen.opened, "opened")),
            PanelLine("at rest", self._inputs(seen.moved, "opened" if by_hand else "changed")),
        )
        if by_hand:
            return Panel("rig check", state, lines=(*beside, *lines))
        return Panel(
            "rig check", state, f"{seen.turned_deg:.0f}", below="turned forward in this step",
            beside=beside, lines=lines,
        )  # fmt: skip

    def _lines(self, step: Step) -> Iterator[PanelLine]:
        """How the contacts are and should be; the result of this step, or of the one before; the
        steps to come."""
        is_open = self._host.session.contact_open(step.input) if step.input else None
        if is_open is not None:
            asked, good = {
                rig_statistics.OFF: ("closed all round", not is_open),
                rig_statistics.ON: ("to open within the turn", True),
                rig_statistics.BY_HAND: ("to open", True)
                if self.doing
                else ("closed", not is_open),
            }[step.kind]
            text = f"{step.unit}: {'open' if is_open else 'closed'} now; asked for: {asked}"
            yield PanelLine("contacts", text, "good" if good else "bad")
        shown = self.number if self.number in self._came else self.number - 1
        if shown in self._came:
            sort: Sort = "good" if self._came[shown][0] is Came.GOOD else "bad"
            yield PanelLine(f"step {shown}", f"{self._name(shown)}: {self.came}", sort)
        for n in range(self.number, min(self.number + NEXT_SHOWN, len(self.steps)) + 1):
            yield PanelLine(f"{n}", self._name(n), "now" if n == self.number else "quiet")

    def _name(self, number: int) -> str:
        step = self.steps[number - 1]
        return f"{step.unit}: {step.name}" if step.unit else step.name

    def _inputs(self, inputs: tuple[int, ...], did: str) -> str:
        """Which contacts ``did`` so, by the unit's name; how often where that is more than once."""
        names = {unit.input: unit.name for unit in self._units}
        each = (
            f"{names.get(n, 'no unit')} (input {n}){f' {times}×' if times > 1 else ''}"
            for n, times in sorted(Counter(inputs).items())
        )
        return f"{did}: {', '.join(each)}" if inputs else f"nothing {did} yet"

    def _verdicts(self) -> Panel:
        if self._check is None:
            return Panel("rig check")
        checks = self._check.checks
        good = [each for each in checks if each.verdict == "good"]
        rows: tuple[tuple[str, str, Sort], ...] = (
            ("bad", "BAD", "bad"), ("not seen", "not seen", "plain"), ("good", "good", "quiet"),
        )  # fmt: skip
        wrong, unseen, right = (
            [PanelLine(label, f"{each.name}: {sentence(each)}", sort)
             for each in checks if each.verdict == verdict]
            for verdict, label, sort in rows
        )  # fmt: skip
        untried = [PanelLine("not tried", UNTRIED[part]) for part in self._missing]
        names = PanelLine("GOOD", ", ".join(each.name for each in good), "good")
        return Panel(
            "rig check: verdicts", f"{len(good)} of {len(checks)} good",
            lines=(*wrong, *unseen, *untried, names, *right),
        )  # fmt: skip

    def advice(self) -> Advice:
        """What to get ready, what to do, or what came of it."""
        step = self.step
        if step is None:
            came = verdict_of(self._check, self._missing) if self._check else "nothing was checked"
            bad = self._check is not None and self._check.verdict == "bad"
            words = "Leave the check, and put right what is bad" if bad else "Go on with the work"
            return Advice("rig check", words, f"{came[:1].upper()}{came[1:]}.", press="leave")
        words, hand = (step.do, step.doing) if self.doing else (step.ready, step.get_ready)
        why = step.why
        if not self.doing and self.number in self._came:
            why = f"{self.came}. Put it right and repeat the step, or skip it."
        elif not self.doing and step.kind in (rig_statistics.OFF, rig_statistics.ON):
            why = "Skip it where there is no switch."
        return Advice(
            "rig check", f"{words[:1].upper()}{words[1:]}", why,
            press="step_done", hand=hand, unit=step.unit,
            deg=360.0 * (step.turns + 0.5) if hand is Hand.TURN_FORWARD else None,
        )  # fmt: skip

    # -- actions --

    def actions(self) -> tuple[Action, ...]:
        """Ready or done, skip, one step back."""
        name, does = (
            ("done", "the step is done") if self.doing else ("ready", "all is ready for it")
        )
        return (
            Action("step_done", "enter", name, does, self._go_on,
                   why_not=lambda _: self._over() or ("" if self.doing else self.not_ready())),
            Action("skip", "k", "skip", "skip this step of the check", lambda *_: self.skip(),
                   why_not=lambda _: self._over()),
            Action("undo", "backspace", "step back", "one step of the check back",
                   lambda *_: self.back(), undo="enter or k"),
        )  # fmt: skip

    def _over(self) -> str:
        return "The check is done; esc goes on with the work." if self.step is None else ""

    def _go_on(self, bench: Bench, _: str) -> None:
        if self.doing:
            self.end()
            bench.prompt.say(self.came)
        else:
            self.begin()


def _why_not(bench: Bench) -> str:
    return "Remove the piston stop first." if bench.host.session.stop is not None else ""


OFFER = Offer(
    (
        Action(
            "rig_check", "c", "rig check", "check the rig, step by step",
            lambda bench, _: bench.dashboard.begin(CheckRig(bench.host)), undo="esc",
            why_not=_why_not, steps=("connect", "index"),
        ),
    )
)  # fmt: skip
"""To check the rig."""
