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
from rig.guide.action import Action, Bench, Host
from rig.guide.advice import ARC, LIVE
from rig.guide.procedure import Advice, Hand, Offer, Panel, PanelLine, SteppedProcedure
from rig.signal import rig_statistics
from rig.signal.events import Now

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
                    f"{unit.name}: its switch lead still on, put the switch at {where}"
                    " (skip it where there is no switch)",
                    f"turn forward by {many(f'{whole:g}', 'turn')} and a little more",
                    step,
                    unit.name,
                    f"{LIVE} {ARC}" if step == rig_statistics.OFF else "",
                    whole,
                )
            )
    steps.append(
        Step(
            "every lead that keeps contacts earthed off, the crank at rest",
            f"let it stand for three seconds, then turn slowly forward, {turns + 0.5:.1f} turns or"
            " more",
            rig_statistics.TURN,
            caution=f"{LIVE} {ARC}",
            turns=turns,
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


class CheckRig(SteppedProcedure[Step]):
    """Step by step: ready, do, done or skip; then a verdict for each thing."""

    def __init__(self, host: Host) -> None:
        super().__init__(steps_for(host.job.profile))
        self._host = host
        self._check: RigCheck | None = None
        self._missing: list[str] = []

    # -- on the screen --

    def show(self, now: Now | None) -> Panel:
        """The step and how far it has come; at the end the verdicts."""
        now_at = self.step
        if now_at is None:
            return self._verdicts()
        seen = self._host.statistics.stretch
        lines = [
            PanelLine(f"{number}", f"{step.unit + ': ' if step.unit else ''}{NAMES[step.step]}",
                      "now" if number == self.number else "quiet")
            for number, step in enumerate(self.steps, 1)
            if number >= self.number
        ]  # fmt: skip
        state = f"step {self.number} of {len(self.steps)}"
        if not self.doing:
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
        words = f"now {step.do}" if self.doing else f"get ready: {step.ready}"
        hand, deg = (HANDS if self.doing else READY_HANDS)[step.step], None
        if hand is Hand.TURN_FORWARD:
            deg = 360.0 * (step.turns + 0.5)
        return Advice(
            "rig check", words, WHY, step.caution,
            press="step_done", hand=hand, unit=step.unit, deg=deg,
        )  # fmt: skip

    # -- actions --

    def actions(self) -> tuple[Action, ...]:
        """Ready or done, skip, one step back."""
        doing, over = self.doing, self.step is None
        name, does = ("done", "the step is done") if doing else ("ready", "all is ready for it")
        go_on = self.end if doing else self.begin

        def why_not(_: Bench) -> str:
            return "The check is done; esc goes on with the work." if over else ""

        return (
            Action("step_done", "enter", name, does, lambda *_: go_on(), why_not=why_not),
            Action("skip", "k", "skip", "skip this step of the check", lambda *_: self.skip(),
                   why_not=why_not),
            Action("undo", "backspace", "step back", "one step of the check back",
                   lambda *_: self.back(), undo="enter or k"),
        )  # fmt: skip

    def back(self) -> None:
        """One step back: its verdicts are given again."""
        super().back()
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
        if rig_statistics.TURN in steps and self._check.verdict != "bad":
            host.annotate("said", {"step": "rig check"})
        if all(f"switch of {unit.name}" in good for unit in units):
            host.annotate("said", {"step": "switch"})


def _why_not(bench: Bench) -> str:
    return "Remove the piston stop first." if bench.host.session.stop is not None else ""


OFFER = Offer(
    (
        Action(
            "rig_check", "c", "rig check", "check the rig, step by step",
            lambda bench, _: bench.dashboard.begin(CheckRig(bench.host)), undo="esc",
            why_not=_why_not, steps=("rig check", "index"),
        ),
    )
)  # fmt: skip
"""To check the rig."""
