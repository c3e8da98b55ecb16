"""The guided rig check on the dashboard: the steps of ``check_live``, then the verdicts."""

from __future__ import annotations

from rig.command.live.bench import Bench
from rig.command.live.check_live import Walk
from rig.command.live.deeds import Deed
from rig.command.live.errands import Errand
from rig.command.live.talk import Talk
from rig.job.rig_seen import judged, lines_of, not_tried, sentence
from rig.screen.view import Panel, PanelLine
from rig.signal import survey
from rig.signal.events import Now
from rig.timing.guidance import Advice
from rig.timing.rigcheck.check import RigCheck

NAMES = {
    survey.OFF: "a turn with its switch at OFF",
    survey.ON: "a turn with its switch at ON",
    survey.TURN: "at rest, then some turns",
    survey.BY_HAND: "its contacts opened by hand",
}
WHY = "Counts, direction and wiring are proved before anything hangs on them."


class CheckRig(Errand):
    """Step by step: ready, do, done or skip; then a verdict for each thing."""

    def __init__(self, bench: Bench, talk: Talk) -> None:
        self._bench = bench
        self._talk = talk
        self._walk = Walk(bench)
        self._check: RigCheck | None = None
        self._missing: list[str] = []

    # -- on the screen --

    def show(self, now: Now | None) -> Panel:
        """The step and how far it has come; at the end the verdicts."""
        walk, now_at = self._walk, self._walk.step
        if now_at is None:
            return self._verdicts()
        seen = self._bench.survey.stretch
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
        if now_at.step == survey.BY_HAND:
            return Panel("rig check", f"{state}: now do it", lines=(*beside, *lines))
        return Panel(
            "rig check", f"{state}: now do it", f"{seen.turned_deg:.0f}",
            below="turned forward in this step", beside=beside, lines=tuple(lines),
        )  # fmt: skip

    def _opened(self, inputs: tuple[int, ...]) -> str:
        """Which contacts opened, by the unit's name, and how often."""
        names = {unit.input: unit.name for unit in self._bench.session.profile.units}
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

    def told(self) -> Advice:
        """What to get ready, what to do, or what came of it."""
        step = self._walk.step
        if step is None:
            came = lines_of(self._check, [])[-1] if self._check else "nothing was checked"
            return Advice("rig check", f"{came}; esc goes on with the work", WHY)
        if self._walk.doing:
            return Advice("rig check", f"now {step.do}; then press space", WHY, step.caution)
        return Advice("rig check", f"get ready: {step.ready}; then press space", WHY, step.caution)

    # -- deeds --

    def deeds(self) -> tuple[Deed, ...]:
        """Ready or done, skip, one step back."""
        back = Deed("b", "step back", "one step of the check back", "space or s", self._back)
        if self._walk.step is None:
            return (back,)
        doing = self._walk.doing
        name, does = ("done", "the step is done") if doing else ("ready", "all is ready for it")
        return (
            Deed("space", name, does, "b: a step back", self._end if doing else self._walk.begin),
            Deed("s", "skip", "the step is left out", "b: a step back", self._skip),
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
        bench = self._bench
        seen = bench.survey.result(bench.session.follower)
        self._check, self._missing = judged(seen, bench.session.profile), not_tried(seen)
        steps = {stretch.step for stretch in seen.stretches}
        good = {each.name for each in self._check.checks if each.verdict == "good"}
        units = bench.session.profile.units
        if survey.TURN in steps and self._check.verdict != "bad":
            bench.note("said", {"step": "rig check"})
        if all(f"switch of {unit.name}" in good for unit in units):
            bench.note("said", {"step": "switch"})
