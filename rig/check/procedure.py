"""The guided rig check: one step after the other while the capture is taken.

The person begins and ends each step. Both are annotations in the capture, so the check can be
repeated from it. Any step can be skipped.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.base.rounding import many
from rig.check.checks import RigCheck
from rig.check.evidence import judged, lines_of, not_tried, sentence
from rig.engine.profile import Profile
from rig.guide.action import Action, Host, Prompt
from rig.guide.advice import ARC, LIVE
from rig.guide.procedure import Advice, Begin, Offer, Panel, PanelLine, Procedure
from rig.signal import rig_statistics
from rig.signal.events import Now

SKIP, QUIT = "s", "q"
NAP_S = 0.03
TURNS = 3


@dataclass(frozen=True, slots=True)
class Step:
    """What the person gets ready, what is then done, and the note that it makes."""

    ready: str
    do: str
    step: str
    unit: str = ""
    caution: str = ""


def steps_for(profile: Profile) -> list[Step]:
    """The steps in the order of the work: switches before their leads come off, then the rest."""
    turns = TURNS / float(profile.encoder.turns_per_crank_turn)
    steps = []
    for unit in profile.units:
        whole = max(1.0, 1.0 / (float(unit.turns_per_crank_turn) * unit.lobes))
        for step, where in ((rig_statistics.OFF, "OFF"), (rig_statistics.ON, "ON")):
            steps.append(
                Step(
                    f"{unit.name}: its switch lead still on, put the switch at {where}"
                    " (skip it where there is no switch)",
                    f"turn forward by {many(f'{whole:g}', 'turn')} and a little more",
                    step,
                    unit.name,
                    f"{LIVE} {ARC}" if step == rig_statistics.OFF else "",
                )
            )
    steps.append(
        Step(
            "every lead that keeps contacts earthed off, the crank at rest",
            f"let it stand for three seconds, then turn slowly forward, {turns + 0.5:.1f} turns or"
            " more",
            rig_statistics.TURN,
            caution=f"{LIVE} {ARC}",
        )
    )
    for unit in profile.units:
        steps.append(
            Step(
                f"{unit.name}: turn until its contacts are closed, and hold the crank still",
                f"open the contacts of {unit.name} by hand once, a slip of paper or a finger",
                rig_statistics.BY_HAND,
                unit.name,
            )
        )
    return steps


class Walk:
    """The steps one after another. Each is got ready for, done and ended, and notes say so."""

    def __init__(self, host: Host) -> None:
        self._host = host
        self.steps = steps_for(host.job.profile)
        self.number = 1
        self.doing = False

    @property
    def step(self) -> Step | None:
        """The present step; None when all are behind."""
        return self.steps[self.number - 1] if self.number <= len(self.steps) else None

    def begin(self) -> None:
        """All is ready: the step begins."""
        if self.step is not None and not self.doing:
            self.doing = True
            self._host.annotate(
                rig_statistics.NOTE, {"step": self.step.step, "unit": self.step.unit}
            )

    def end(self, *, broken_off: bool = False) -> None:
        """The step is done, or broken off; nothing happens between two steps."""
        if self.doing:
            self.doing = False
            how = {rig_statistics.BROKEN_OFF: True} if broken_off else {}
            self._host.annotate(rig_statistics.NOTE, {"step": rig_statistics.DONE, **how})
            self.number += 1

    def skip(self) -> None:
        """The step is left out."""
        if self.doing:
            self.end(broken_off=True)
        elif self.step is not None:
            self.number += 1

    def back(self) -> None:
        """One step back: to get ready for it again."""
        if self.doing:
            self.end(broken_off=True)
        self.number = max(1, self.number - 1)


NAMES = {
    rig_statistics.OFF: "a turn with its switch at OFF",
    rig_statistics.ON: "a turn with its switch at ON",
    rig_statistics.TURN: "at rest, then some turns",
    rig_statistics.BY_HAND: "its contacts opened by hand",
}
WHY = "Counts, direction and wiring are proved before anything hangs on them."


class CheckRig(Procedure):
    """Step by step: ready, do, done or skip; then a verdict for each thing."""

    def __init__(self, host: Host, prompt: Prompt) -> None:
        self._host = host
        self._prompt = prompt
        self._walk = Walk(host)
        self._check: RigCheck | None = None
        self._missing: list[str] = []

    # -- on the screen --

    def show(self, now: Now | None) -> Panel:
        """The step and how far it has come; at the end the verdicts."""
        walk, now_at = self._walk, self._walk.step
        if now_at is None:
            return self._verdicts()
        seen = self._host.statistics.stretch
        lines = [
            PanelLine(f"{number}", f"{step.unit + ': ' if step.unit else ''}{NAMES[step.step]}",
                      "now" if number == walk.number else "quiet")
            for number, step in enumerate(walk.steps, 1)
            if number >= walk.number
        ]  # fmt: skip
        state = f"step {walk.number} of {len(walk.steps)}"
        if not walk.doing:
            return Panel("rig check", f"{state}: get ready", lines=tuple(lines))
        beside = (
            PanelLine("turning", self._opened(seen.opened)),
            PanelLine("at rest", self._opened(seen.moved)),
        )
        if now_at.step == rig_statistics.BY_HAND:
            return Panel("rig check", f"{state}: now do it", lines=(*beside, *lines))
        return Panel(
            "rig check", f"{state}: now do it", f"{seen.turned_deg:.0f}",
            below="turned forward in this step", beside=beside, lines=tuple(lines),
        )  # fmt: skip

    def _opened(self, inputs: tuple[int, ...]) -> str:
        """Which contacts opened, by the unit's name, and how often."""
        names = {unit.input: unit.name for unit in self._host.session.profile.units}
        told = (
            f"{names.get(n, 'no unit')} (input {n}) {inputs.count(n)}×" for n in sorted(set(inputs))
        )
        return f"opened: {', '.join(told)}" if inputs else "nothing opened yet"

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
        step = self._walk.step
        if step is None:
            came = lines_of(self._check, [])[-1] if self._check else "nothing was checked"
            return Advice("rig check", f"{came}; esc goes on with the work", WHY)
        if self._walk.doing:
            return Advice("rig check", f"now {step.do}; then press space", WHY, step.caution)
        return Advice("rig check", f"get ready: {step.ready}; then press space", WHY, step.caution)

    # -- actions --

    def actions(self) -> tuple[Action, ...]:
        """Ready or done, skip, one step back."""
        back = Action("b", "step back", "one step of the check back", "space or s", self._back)
        if self._walk.step is None:
            return (back,)
        doing = self._walk.doing
        name, does = ("done", "the step is done") if doing else ("ready", "all is ready for it")
        return (
            Action("space", name, does, "b: a step back", self._end if doing else self._walk.begin),
            Action("s", "skip", "the step is left out", "b: a step back", self._skip),
            back,
        )

    def _end(self) -> None:
        self._walk.end()
        self._judge()

    def _skip(self) -> None:
        self._walk.skip()
        self._judge()

    def _back(self) -> None:
        self._walk.back()
        self._check = None

    def leave(self) -> None:
        """A step that goes on is broken off: what was seen counts unless it was done before."""
        self._walk.end(broken_off=True)

    def _judge(self) -> None:
        """At the end of all steps: the verdicts, and what is behind by them."""
        if self._walk.step is not None:
            return
        host = self._host
        seen = host.statistics.result(host.session.state_widths)
        self._check, self._missing = judged(seen, host.session.profile), not_tried(seen)
        steps = {stretch.step for stretch in seen.stretches}
        good = {each.name for each in self._check.checks if each.verdict == "good"}
        units = host.session.profile.units
        if rig_statistics.TURN in steps and self._check.verdict != "bad":
            host.annotate("said", {"step": "rig check"})
        if all(f"switch of {unit.name}" in good for unit in units):
            host.annotate("said", {"step": "switch"})


def _actions(host: Host, prompt: Prompt, begin: Begin) -> tuple[Action, ...]:
    return (
        Action("k", "check the rig", "check the rig, step by step", "esc; b: a step back",
               lambda: begin(CheckRig(host, prompt))),
    )  # fmt: skip


OFFER = Offer(_actions)
