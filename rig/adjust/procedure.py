"""Procedure: adjust what opens outside its window, from the dashboard.

What to move, how far and which way come from the same computation as ``rig adjust``: it reads the
capture as far as it was written, so the prediction that is kept can be computed again from it. The
person chooses an option, moves, tightens and reads again; the new readings are shown beside what
was predicted.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from enum import Enum, auto
from typing import NamedTuple

from rig.adjust import outcomes, predictions
from rig.adjust.plan import Confirmation, Option, Step, expanded_deg
from rig.adjust.predictions import Choice, Sheet
from rig.base.angles import wrap
from rig.base.errors import InputError, reason
from rig.base.rounding import btdc, btdc_with, listed, many, size
from rig.engine.profile import Adjustments, Unit
from rig.guide.action import DIGITS, Action, Bench, Host
from rig.guide.advice import LAST_WORD
from rig.guide.impulse import PastImpulseCoupling
from rig.guide.procedure import (
    Advice,
    Hand,
    Offer,
    Panel,
    PanelLine,
    Procedure,
    Sort,
    why_not_enter,
)
from rig.guide.state import Waiting, state_of
from rig.job.folder import Job
from rig.job.new import adjustments_text
from rig.job.questions import Interview, adjustments
from rig.job.results import JobResults, PredictedOpening, work_job
from rig.signal.events import Event, Now
from rig.timing.values import Assessment

SHOWN = 9  # so many options have a digit


class Stage(Enum):
    """How far the adjusting of a unit is."""

    CHOOSE = auto()
    MOVE = auto()
    TIGHTEN = auto()
    READ = auto()
    COMPARE = auto()


LABELS = {Stage.CHOOSE: "take it", Stage.MOVE: "moved", Stage.TIGHTEN: "tightened"}
"""Of the key for a step that the rig cannot see."""


class Beside(NamedTuple):
    """A prediction beside what was read of it so far; ``found`` once enough was read."""

    prediction: PredictedOpening
    read: Assessment | None
    found: Confirmation | None

    @property
    def off(self) -> tuple[bool, float]:
        """How far what was read is off, what is not as predicted first."""
        mean = self.read.mean_btdc if self.read else None
        off = 0.0 if mean is None else wrap(mean - self.prediction.predicted_btdc)
        return self.found is not None and self.found.missed, abs(off)

    def line(self, of_cylinders: int) -> PanelLine:
        of, read = self.prediction, self.read
        where = of.setting
        if of.cylinder is not None:
            where += f", cylinder {of.cylinder} of {of_cylinders}"
        text = f"{where}: predicted {btdc(of.predicted_btdc, of.expanded_deg)}"
        if read is None:
            return PanelLine(of.unit, f"{text}, was {btdc(of.before_btdc, of.expanded_deg)}")
        text += f", read {btdc_with(read.mean_btdc, expanded_deg(read))} of {read.n}"
        if self.found is None:
            return PanelLine(of.unit, text)
        sort: Sort = "bad" if self.found.missed else "good"
        return PanelLine(of.unit, f"{text}: {self.found.opening.verdict}", sort)


def results_so_far(host: Host) -> JobResults:
    """The job's results by the part of the capture that is written. Raises InputError as
    ``work_job``."""
    job, path = host.job, host.capture_path
    try:
        size = path.stat().st_size
    except OSError as why:
        raise InputError(f"{path.name}: cannot be read: {reason(why)}") from why
    return work_job(job, [path], {path: size})


class Adjust(Procedure):
    """Choose an option, move, tighten, read again, compare."""

    def __init__(self, host: Host, asked: str = "") -> None:
        self._host = host
        self._asked = asked
        self._worked = results_so_far(host)
        if self._worked.reference is None:
            raise InputError("Find TDC first.")
        self._proposal, _, _ = predictions.proposed(
            host.job, self._worked, Choice(1, asked=asked), host.utc()
        )
        if self._proposal.present.inside:
            raise InputError("Everything is inside: nothing has to be moved.")
        self.stage = Stage.CHOOSE
        first = self._options[0]
        self._number = int(bool(first.steps) and first.reversible)  # from 1; 0: none helps
        self._step = 0
        self._sheet: Sheet | None = None
        self._trouble = ""  # why the outcome is not kept

    # -- what is so --

    @property
    def _options(self) -> Sequence[Option]:
        return self._proposal.options[:SHOWN]

    @property
    def _option(self) -> Option:
        return self._options[self._number - 1] if self._number else self._proposal.present

    @property
    def _steps(self) -> tuple[Step, ...]:
        return self._option.steps

    @property
    def _moved(self) -> tuple[str, ...]:
        moved = [unit for step in self._steps for unit, deg in step.shift_deg.items() if deg]
        return tuple(dict.fromkeys(moved))

    def _waiting(self) -> tuple[Waiting | None, bool]:
        """The first unit that was moved and has too few readings since, and whether it is behind
        its impulse coupling."""
        state, moved = state_of(self._host), self._moved
        behind = next((each for each in state.impulse if each.unit in moved), None)
        unread = next((each for each in state.unread if each.unit in moved), None)
        return behind or unread, behind is not None

    def beside(self) -> list[Beside]:
        """Each prediction, for all cylinders where there is one of these, beside what was read."""
        session, sheet = self._host.session, self._sheet
        if sheet is None or session.reference is None:
            return []
        whole = {(p.unit, p.setting) for p in sheet.made.predictions if p.cylinder is None}
        u_tdc = outcomes.u_of_two(sheet.made, session.reference)
        reading = self.stage in (Stage.READ, Stage.COMPARE)
        judged = session.assessments() if reading else []
        found = []
        for each in sheet.made.predictions:
            if each.cylinder is None or (each.unit, each.setting) not in whole:
                own = [j for j in judged if j.phase == session.phase_of(each.unit)]
                read, result = outcomes.reading_of(each, own), None
                if self.stage is Stage.COMPARE and read is not None:
                    result = outcomes.confirm(each, read, u_tdc)
                found.append(Beside(each, read, result))
        return found

    # -- what happens --

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """Once enough was read, it is compared."""
        if self.stage is not Stage.READ or self._waiting()[0] is not None:
            return
        self.stage = Stage.COMPARE
        if self._sheet is not None:
            try:
                worked = results_so_far(self._host)
                found = outcomes.confirmed(self._host.job, worked, self._sheet)
                outcomes.save(self._host.job, worked, self._sheet, found, self._host.utc())
            except InputError as why:  # shown: the work goes on without it
                self._trouble = str(why)

    def _done(self, bench: Bench, _: str) -> None:
        if self.stage is Stage.CHOOSE and not self._number:
            _leave_out(bench)
            self.over = True
        elif self.stage is Stage.CHOOSE:
            choice = Choice(self._number, asked=self._asked)
            path = predictions.save(self._host.job, self._worked, choice, self._host.utc())
            self._sheet = predictions.load(path)
            self.stage, self._step = Stage.MOVE, 0
        elif self.stage is Stage.MOVE:
            for unit in _apart(self._steps[self._step], bench.host.job.profile.units):
                bench.note(f"{unit} was moved", "moved", {"unit": unit}, unit=unit)
            self._step += 1
            if self._step == len(self._steps):
                self.stage = Stage.TIGHTEN
        elif self.stage is Stage.TIGHTEN:
            if not bench.host.session.annotations.tightened:
                bench.note("as left", "phase", {"phase": "as left"})
            self.stage = Stage.READ

    # -- what is shown --

    def advice(self) -> Advice:
        if self.stage is Stage.MOVE:
            return self._advice_to_move(self._steps[self._step])
        if self.stage is Stage.TIGHTEN:
            return Advice(
                "adjust", f"Tighten {listed(self._moved)}, as the manual says",
                "Bolts move the timing: what is read next is as left.",
                press="step_done", hand=Hand.WORK, what="tighten",
            )  # fmt: skip
        if self.stage is Stage.READ:
            return self._advice_to_read()
        if self.stage is Stage.COMPARE:
            return self._advice_after()
        next_ = "Go on without adjusting"
        why = "Nothing that the engine file names brings it nearer."
        if len(self._options) > 1:
            why = "Nothing that can be undone brings it nearer; look at what cannot be."
        if self._number:
            parts = many(self._option.disturbs, "part")
            next_ = f"Take option {self._number}"
            why = f"It brings {'everything inside' if self._option.inside else 'them nearest'}"
            why += f": {parts} to move."
        return Advice("adjust", next_, why, LAST_WORD, press="step_done")

    def _advice_to_move(self, step: Step) -> Advice:
        unit = next((name for name, deg in step.shift_deg.items() if deg), step.part)
        nth = f"Step {self._step + 1} of {len(self._steps)}. " if len(self._steps) > 1 else ""
        shift = step.shift_deg.get(unit, 0.0)
        side = "earlier" if shift > 0.0 else "later"
        of = self._sheet.made.predictions if self._sheet else ()
        U_deg = next((p.expanded_deg for p in of if p.unit == unit), None)
        return Advice(
            "adjust", f"{step.do[:1].upper()}{step.do[1:]}",
            f"{nth}It will open {size(shift, U_deg)}° of crank {side}.",
            " ".join(f"{text[:1].upper()}{text[1:]}." for text in step.warnings),
            press="step_done", hand=Hand.MOVE_UNIT, unit=unit, deg=shift, what=step.part,
        )  # fmt: skip

    def _advice_to_read(self) -> Advice:
        waiting, behind = self._waiting()
        if waiting is None:
            return Advice("adjust", "Wait", "What was read is being compared.")
        if behind:
            return Advice(
                "adjust", f"Read {waiting.unit} past its impulse coupling",
                "Its nominal is for the coupling released, not holding back.",
                press="past_impulse", unit=waiting.unit,
            )  # fmt: skip
        return Advice(
            "adjust", "Turn slowly forward past the openings",
            f"{waiting.unit}: {waiting.n} of {many(waiting.wanted, 'reading')} since it was moved.",
            hand=Hand.TURN_FORWARD,
        )  # fmt: skip

    def _advice_after(self) -> Advice:
        missed = next((b.found for b in self.beside() if b.found and b.found.missed), None)
        if missed is None:
            return Advice("adjust", "Go on with the work", "It opens as predicted.", press="leave")
        unit = missed.opening.unit
        state = state_of(self._host)
        if unit not in (*(out.unit for out in state.outside), *state.apart):
            why = "It is inside, though it does not open just as predicted."
            return Advice("adjust", "Go on with the work", why, press="leave")
        why = {
            "wrong way round": "It was moved the wrong way round.",
            "not moved": "It has not moved.",
        }.get(missed.opening.verdict, "It does not open as predicted.")
        return Advice("adjust", f"Adjust {unit} again", why, press="leave", unit=unit)

    def show(self, now: Now | None) -> Panel:
        """The options; what is to be moved; predicted beside read."""
        lines = self._beside_lines()
        title = f"option {self._number}: predicted and read"
        if self.stage is Stage.MOVE:
            title = f"option {self._number}: {many(len(self._steps), 'step')}"
            step = self._steps[self._step]
            lines = [PanelLine(f"step {self._step + 1}", step.words, "now"), *lines]
        elif self.stage is Stage.CHOOSE:
            title = many(len(self._options), "option")
            lines = [self._option_line(n, each) for n, each in enumerate(self._options, 1)]
            lines += [PanelLine("note", text, "quiet") for text in self._proposal.notes]
        return Panel("adjust", title, lines=tuple(lines))

    def _option_line(self, number: int, option: Option) -> PanelLine:
        what = "; ".join(step.do for step in option.steps) or "leave everything as it is"
        comes_to = "all inside" if option.inside else "NOT all inside"
        undone = "" if option.reversible else ", CANNOT be undone"
        sort: Sort = "now" if number == self._number else "plain"
        return PanelLine(str(number), f"{comes_to}{undone}: {what}", sort)

    def _beside_lines(self) -> list[PanelLine]:
        """A line for each unit and setting: of several cylinders the one that is off most."""
        by_setting: defaultdict[object, list[Beside]] = defaultdict(list)
        for each in self.beside():
            by_setting[each.prediction.unit, each.prediction.setting].append(each)
        lines = [max(own, key=lambda each: each.off).line(len(own)) for own in by_setting.values()]
        if self._trouble:
            lines.append(PanelLine("not kept", self._trouble, "bad"))
        return lines

    # -- actions --

    def actions(self) -> tuple[Action, ...]:
        """Another option, done, and past the impulse coupling while it reads."""
        label = LABELS.get(self.stage, "done")
        if self.stage is Stage.CHOOSE and not self._number:
            label = "go on without"
        return (
            Action("step_done", "enter", label, "the step under NEXT is done", self._done,
                   why_not=self._why_not_done),
            Action("choose_option", DIGITS, "option", "choose that option", self._choose,
                   undo="another digit", digits=self._digits, takes="NUMBER"),
            Action("past_impulse", "i", "past the impulse coupling", "past an impulse coupling",
                   self._past_impulse, undo="esc", why_not=self._why_not_past),
        )  # fmt: skip

    def _why_not_done(self, _: Bench) -> str:
        return "" if self.stage in LABELS else why_not_enter(self.advice())

    def _digits(self, _: Bench) -> dict[str, str]:
        if self.stage is not Stage.CHOOSE:
            return {}
        return {str(n): "option" for n, each in enumerate(self._options, 1) if each.steps}

    def _choose(self, bench: Bench, entered: str) -> None:
        if entered not in self._digits(bench):
            raise InputError(f"option {entered}: enter {listed(self._digits(bench))}")
        self._number = int(entered)

    def _why_not_past(self, _: Bench) -> str:
        behind = self.stage is Stage.READ and self._waiting()[1]
        return "" if behind else "No unit is behind its impulse coupling now."

    def _past_impulse(self, bench: Bench, _: str) -> None:
        waiting = self._waiting()[0]
        for unit in bench.host.job.profile.units:
            if waiting is not None and unit.name == waiting.unit:
                bench.dashboard.begin(PastImpulseCoupling(bench.host, unit))


def _apart(step: Step, units: Sequence[Unit]) -> list[str]:
    """Of the units that a step moves, one of each body."""
    moved = [u for u in units if step.shift_deg.get(u.name)]
    return list({unit.body or unit.name: unit.name for unit in reversed(moved)}.values())


def _leave_out(bench: Bench) -> None:
    text, step = "the adjusting is left out", "correction"
    bench.note(text, "skipped", {"step": step}, step=step)


def _ask_what_can_be_moved(bench: Bench, unit: Unit, take: Callable[[str], None]) -> None:
    """Ask for the sizes of an adjustment of ``unit``, one after the other; ``take`` gets them as
    tables of an engine file."""
    drive = {"drive": str(unit.turns_per_crank_turn)}
    interview = Interview(lambda so_far: tuple(adjustments({**drive, **so_far})))

    def ask() -> None:
        question = interview.question
        if question is None:
            found = adjustments_text(interview.answers, [unit.name])
            if found:
                take(found)
                return
            _leave_out(bench)
            bench.prompt.say(f"{unit.name}: nothing can be moved; the adjusting is left out.")
            return
        text = f"{unit.name}: {question.text[:1].lower()}{question.text[1:]}"
        bench.prompt.ask_for(f"{text} [{interview.default}]", answer)

    def answer(typed: str) -> None:
        try:
            doubt = interview.take(typed)
        except InputError:
            ask()  # what was entered before is not lost
            raise
        ask()
        if doubt:
            bench.prompt.say(f"{doubt} Enter yes to keep it, or another answer.")

    ask()


def _why_not(bench: Bench) -> str:
    session = bench.host.session
    if session.here is None:
        return "Find TDC first."
    if session.stop is not None:
        return "Remove the piston stop first."
    verdicts = {j.verdict for j in session.assessments()}
    if "outside" not in verdicts | {c.verdict for c in session.comparisons()}:
        return "Nothing was read outside its window."
    return ""


def _adjust(bench: Bench, _: str) -> None:
    def begin(asked: str) -> None:
        bench.dashboard.begin(Adjust(bench.host, asked))
        bench.can_be_moved = asked

    if bench.host.job.adjustments != Adjustments():
        begin("")
        return
    units = {unit.name: unit for unit in bench.host.job.profile.units}
    outside = [j.unit for j in bench.host.session.assessments() if j.verdict == "outside"]
    name = bench.advice.unit or next(iter(outside), "")
    unit = units.get(name, bench.host.job.profile.units[0])
    before = bench.can_be_moved or _entered_before(bench.host.job)
    if unit.name in predictions.units_in(before):
        begin(before)
    else:
        tables = (before,) if before else ()
        _ask_what_can_be_moved(bench, unit, lambda own: begin("\n".join((*tables, own))))


def _entered_before(job: Job) -> str:
    """What can be moved, as it was entered for the newest prediction of the job."""
    sheets = predictions.sheets_of(job.folder / predictions.FOLDER, passing_over=True)
    return next((sheet.asked for sheet in reversed(sheets) if sheet.asked), "")


OFFER = Offer(
    (
        Action(
            "adjust", "a", "adjust", "what to move, how far and which way; then read again",
            _adjust, undo="esc", why_not=_why_not, steps=("reading",),
        ),
    )
)  # fmt: skip
"""To adjust what opens outside its window."""
