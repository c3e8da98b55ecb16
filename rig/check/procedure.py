"""The guided rig check: one step after the other while the capture is taken.

The person begins and ends each step. Both are annotations in the capture, so the check can be
repeated from it. Any step can be skipped.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from rig.base.rounding import listed, many
from rig.check.checks import RigCheck
from rig.check.evidence import judged, lines_of, not_tried, sentence
from rig.engine.profile import Profile, Unit
from rig.guide.action import Action, Bench, Host
from rig.guide.advice import ARC, CHECK_BAD, LIVE
from rig.guide.procedure import (
    Advice,
    Hand,
    Offer,
    Panel,
    PanelLine,
    Sort,
    SteppedProcedure,
)
from rig.signal import rig_statistics
from rig.signal.events import Now
from rig.signal.rig_statistics import Stretch

TURNS = 3


@dataclass(frozen=True, slots=True)
class Step:
    """What the person gets ready, what is then done, and the note that it makes."""

    ready: str
    do: str
    step: str
    unit: str = ""
    caution: str = ""
    turns: float = 0.0  # of the crank, where it is turned


def steps_for(profile: Profile) -> list[Step]:
    """The steps in the order of the work: switches before their leads come off, then the rest."""
    turns = TURNS / float(profile.encoder.turns_per_crank_turn)
    steps = []
    for unit in profile.units:
        whole = max(1.0, 1.0 / (float(unit.turns_per_crank_turn) * unit.lobes))
        for step, where in ((rig_statistics.OFF, "OFF"), (rig_statistics.ON, "ON")):
            steps.append(
                Step(
                    f"put the switch of {unit.name} at {where}, its switch lead on",
                    f"turn forward by {many(f'{whole:g}', 'turn')} and a little more",
                    step,
                    unit.name,
                    f"{LIVE} {ARC}" if step == rig_statistics.OFF else "",
                    whole,
                )
            )
    steps.append(
        Step(
            "take off every lead that earths contacts, and leave the crank at rest",
            f"let it stand for three seconds, then turn slowly forward by {turns + 0.5:.1f} turns",
            rig_statistics.TURN,
            caution=f"{LIVE} {ARC}",
            turns=turns,
        )
    )
    for unit in profile.units:
        steps.append(
            Step(
                f"turn until the contacts of {unit.name} are closed, and hold the crank",
                f"open the contacts of {unit.name} by hand once, by a slip of paper or a finger",
                rig_statistics.BY_HAND,
                unit.name,
            )
        )
    return steps


class Came(Enum):
    """What a step came to."""

    GOOD = "GOOD"
    BAD = "BAD"
    TOO_LITTLE = "NOT ENOUGH"


@dataclass(frozen=True, slots=True)
class Result:
    """What a step came to, and in words what was seen."""

    came: Came
    words: str

    @property
    def said(self) -> str:
        """In one line."""
        return f"{self.came.value}: {self.words}"


def result_of(step: Step, seen: Stretch, units: Sequence[Unit]) -> Result:
    """What a step shows by itself, as soon as it is done. Source: what each step asks for."""
    names = {unit.input: unit.name for unit in units}
    own = next((unit.input for unit in units if unit.name == step.unit), 0)
    if step.step == rig_statistics.BY_HAND:
        return _opened_by_hand(own, sorted(set(seen.moved)), names)
    opened, needed = seen.opened.count(own), 360.0 * step.turns
    if step.step == rig_statistics.OFF and opened:
        return Result(
            Came.BAD, f"opened {_times(opened)} with its switch at OFF: the switch does not earth"
            " it, or its switch lead is off: IT IS LIVE",
        )  # fmt: skip
    if seen.turned_deg < needed:
        return Result(Came.TOO_LITTLE, f"{seen.turned_deg:.0f}° of {needed:.0f}° were turned")
    if step.step == rig_statistics.OFF:
        return Result(Came.GOOD, f"closed for {seen.turned_deg:.0f}°")
    asked = [step.unit] if step.step == rig_statistics.ON else [unit.name for unit in units]
    silent = [name for n, name in names.items() if name in asked and n not in seen.opened]
    if silent:
        ends = " it" if len(silent) == 1 else " they"
        return Result(
            Came.BAD, f"{listed(silent)} did not open: {'is' if ends == ' it' else 'are'}{ends}"
            " still earthed, or not wired?",
        )  # fmt: skip
    return Result(Came.GOOD, f"{listed(asked)} opened in {seen.turned_deg:.0f}°")


def _opened_by_hand(own: int, moved: Sequence[int], names: Mapping[int, str]) -> Result:
    if own in moved:
        return Result(Came.GOOD, f"input {own} opened")
    if moved:
        told = listed(f"input {n} ({names.get(n, 'no unit')})" for n in moved)
        return Result(
            Came.BAD, f"{told} opened, not input {own}: leads crossed, or another unit's contacts"
        )  # fmt: skip
    return Result(Came.BAD, f"nothing opened: is its lead on, on input {own}, and not earthed?")


def _times(n: int) -> str:
    return "once" if n == 1 else many(n, "time")


NAMES = {
    rig_statistics.OFF: "a turn with its switch at OFF",
    rig_statistics.ON: "a turn with its switch at ON",
    rig_statistics.TURN: "at rest, then some turns",
    rig_statistics.BY_HAND: "its contacts opened by hand",
}
HANDS = {
    rig_statistics.OFF: Hand.TURN_FORWARD,
    rig_statistics.ON: Hand.TURN_FORWARD,
    rig_statistics.TURN: Hand.TURN_FORWARD,
    rig_statistics.BY_HAND: Hand.OPEN_CONTACTS,
}
READY_HANDS = {
    rig_statistics.OFF: Hand.SWITCH_OFF,
    rig_statistics.ON: Hand.SWITCH_ON,
    rig_statistics.TURN: Hand.HOLD,
    rig_statistics.BY_HAND: Hand.CLOSE_CONTACTS,
}
WHY = "Counts, direction and wiring are proved before anything hangs on them."
NEXT_SHOWN = 3


"""So many of the steps to come are listed."""


class CheckRig(SteppedProcedure[Step]):
    """Step by step: ready, do, done or skip; then a verdict for each thing.

    What a step came to is shown at once. One that came to nothing good is asked for once more
    before the check goes on.
    """

    def __init__(self, host: Host) -> None:
        super().__init__(steps_for(host.job.profile))
        self._host = host
        self._check: RigCheck | None = None
        self._missing: list[str] = []
        self._came: dict[int, Result] = {}  # by the step's number
        self._repeated: set[int] = set()

    @property
    def _units(self) -> Sequence[Unit]:
        return self._host.job.profile.units

    def end(self, *, broken_off: bool = False) -> None:
        """The step is done: what it came to is shown, and where it is not good it is repeated."""
        if self.doing and self.step is not None and not broken_off:
            result = result_of(self.step, self._host.statistics.step, self._units)
            self._came[self.number] = result
            if result.came is not Came.GOOD and self.number not in self._repeated:
                self._repeated.add(self.number)
                self.doing = False
                self._ended(broken_off=False)
                return
        super().end(broken_off=broken_off)

    @property
    def came(self) -> str:
        """What the last step came to, in one line."""
        last = self._came.get(self.number) or self._came.get(self.number - 1)
        return last.said if last else ""

    def not_ready(self) -> str:
        """Why the step cannot begin: its contacts are not as it asks for."""
        step = self.step
        if step is None or step.step != rig_statistics.BY_HAND or self._is_open(step) is not True:
            return ""
        return f"The contacts of {step.unit} are open here: turn until they are closed."

    def _is_open(self, step: Step) -> bool | None:
        own = next((unit.input for unit in self._units if unit.name == step.unit), 0)
        return self._host.session.contact_open(own) if own else None

    # -- on the screen --

    def show(self, now: Now | None) -> Panel:
        """The step, what it asks of contacts, and what the one before came to; then verdicts."""
        step = self.step
        if step is None:
            return self._verdicts()
        seen = self._host.statistics.step
        state = f"step {self.number} of {len(self.steps)}"
        lines = [*self._contacts(step), *self._came_lines(), *self._steps_to_come()]
        if not self.doing:
            return Panel("rig check", f"{state}: get ready", lines=tuple(lines))
        beside = (
            PanelLine("turning", self._opened(seen.opened)),
            PanelLine("at rest", self._opened(seen.moved)),
        )
        if step.step == rig_statistics.BY_HAND:
            return Panel("rig check", f"{state}: now do it", lines=(*beside, *lines))
        return Panel(
            "rig check", f"{state}: now do it", f"{seen.turned_deg:.0f}",
            below="turned forward in this step", beside=beside, lines=tuple(lines),
        )  # fmt: skip

    def _contacts(self, step: Step) -> list[PanelLine]:
        """How the contacts of the step's unit are, and how it asks them to be."""
        is_open = self._is_open(step)
        if is_open is None:
            return []
        now = "open" if is_open else "closed"
        asked = {
            rig_statistics.OFF: ("closed all round", not is_open),
            rig_statistics.ON: ("to open within the turn", True),
            rig_statistics.BY_HAND: (
                ("to open" if self.doing else "closed"), self.doing or not is_open
            ),
        }[step.step]  # fmt: skip
        sort: Sort = "good" if asked[1] else "bad"
        return [PanelLine("contacts", f"{step.unit}: {now} now; asked for: {asked[0]}", sort)]

    def _came_lines(self) -> list[PanelLine]:
        """What this step came to before, or else the one before it."""
        for number in (self.number, self.number - 1):
            if (result := self._came.get(number)) is not None:
                sort: Sort = "good" if result.came is Came.GOOD else "bad"
                return [PanelLine(f"step {number}", f"{self._name(number)}: {result.said}", sort)]
        return []

    def _steps_to_come(self) -> list[PanelLine]:
        last = min(self.number + NEXT_SHOWN, len(self.steps))
        return [
            PanelLine(f"{n}", self._name(n), "now" if n == self.number else "quiet")
            for n in range(self.number, last + 1)
        ]

    def _name(self, number: int) -> str:
        step = self.steps[number - 1]
        return f"{step.unit}: {NAMES[step.step]}" if step.unit else NAMES[step.step]

    def _opened(self, inputs: tuple[int, ...]) -> str:
        """Which contacts opened, by the unit's name, and how often."""
        names = {unit.input: unit.name for unit in self._host.session.profile.units}
        openings = (
            f"{names.get(n, 'no unit')} (input {n}) {inputs.count(n)}×" for n in sorted(set(inputs))
        )
        return f"opened: {', '.join(openings)}" if inputs else "nothing opened yet"

    def _verdicts(self) -> Panel:
        if self._check is None:
            return Panel("rig check")
        checks = self._check.checks
        said = {"bad": "BAD", "not seen": "not seen", "good": "good"}
        wrong = [each for each in checks if each.verdict == "bad"]
        unseen = [each for each in checks if each.verdict == "not seen"]
        right = [each for each in checks if each.verdict == "good"]
        lines = [
            PanelLine(said[each.verdict], f"{each.name}: {sentence(each)}",
                      "bad" if each.verdict == "bad" else "plain")
            for each in (*wrong, *unseen)
        ]  # fmt: skip
        lines += [PanelLine("not tried", text) for text in self._missing]
        lines.append(PanelLine("GOOD", ", ".join(each.name for each in right), "good"))
        lines += [PanelLine("good", f"{each.name}: {sentence(each)}", "quiet") for each in right]
        good = len(right)
        state = f"{good} of {len(checks)} good"
        return Panel("rig check: verdicts", state, lines=tuple(lines))

    def advice(self) -> Advice:
        """What to get ready, what to do, or what came of it."""
        step = self.step
        if step is None:
            came = lines_of(self._check, [])[-1] if self._check else "nothing was checked"
            return Advice("rig check", f"{came}; esc goes on with the work", WHY, press="leave")
        words = step.do if self.doing else step.ready
        hand, deg = (HANDS if self.doing else READY_HANDS)[step.step], None
        if hand is Hand.TURN_FORWARD:
            deg = 360.0 * (step.turns + 0.5)
        return Advice(
            "rig check", f"{words[:1].upper()}{words[1:]}", self._why(step), step.caution,
            press="step_done", hand=hand, unit=step.unit, deg=deg,
        )  # fmt: skip

    def _why(self, step: Step) -> str:
        """What the step came to before; else what is asked of the contacts."""
        came = self._came.get(self.number)
        if came is not None and not self.doing:
            return f"{came.said}. Put it right and repeat the step, or skip it."
        if step.step in (rig_statistics.OFF, rig_statistics.ON) and not self.doing:
            return "Skip it where there is no switch."
        return {
            rig_statistics.OFF: "The contacts have to read closed all round.",
            rig_statistics.ON: "The contacts have to open within the turn.",
            rig_statistics.TURN: WHY,
            rig_statistics.BY_HAND: "It shows which input the unit is on.",
        }[step.step]

    # -- actions --

    def actions(self) -> tuple[Action, ...]:
        """Ready or done, skip, one step back."""
        name, does = (
            ("done", "the step is done") if self.doing else ("ready", "all is ready for it")
        )
        return (
            Action("step_done", "enter", name, does, self._go_on, why_not=self._why_not_on),
            Action("skip", "k", "skip", "skip this step of the check", self._skip,
                   why_not=self._why_over),
            Action("undo", "backspace", "step back", "one step of the check back", self._back,
                   undo="enter or k"),
        )  # fmt: skip

    def _go_on(self, bench: Bench, _: str) -> None:
        if not self.doing:
            self.begin()
            return
        self.end()
        bench.prompt.say(self.came)

    def _why_over(self, _: Bench) -> str:
        return "The check is done; esc goes on with the work." if self.step is None else ""

    def _why_not_on(self, bench: Bench) -> str:
        return self._why_over(bench) or ("" if self.doing else self.not_ready())

    def _skip(self, _: Bench, __: str) -> None:
        self.skip()

    def _back(self, _: Bench, __: str) -> None:
        self.back()

    def back(self) -> None:
        """One step back: it is done anew, and the verdicts are given again."""
        super().back()
        self._came.pop(self.number, None)
        self._repeated.discard(self.number)
        self._check = None

    # -- annotations --

    def _begun(self, step: Step) -> None:
        self._host.annotate(rig_statistics.NOTE, {"step": step.step, "unit": step.unit})

    def _ended(self, broken_off: bool) -> None:
        how = {rig_statistics.BROKEN_OFF: True} if broken_off else {}
        self._host.annotate(rig_statistics.NOTE, {"step": rig_statistics.DONE, **how})

    def _completed(self) -> None:
        """The verdicts, and the steps of the job that are done by them."""
        host = self._host
        seen = host.statistics.result(host.session.state_widths)
        self._check, self._missing = judged(seen, host.session.profile), not_tried(seen)
        steps = {stretch.step for stretch in seen.stretches}
        good = {each.name for each in self._check.checks if each.verdict == "good"}
        units = host.session.profile.units
        if rig_statistics.TURN in steps:
            is_bad = self._check.verdict == "bad"
            host.annotate("said", {"step": CHECK_BAD if is_bad else "rig check"})
        if all(f"switch of {unit.name}" in good for unit in units):
            host.annotate("said", {"step": "switch"})


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
