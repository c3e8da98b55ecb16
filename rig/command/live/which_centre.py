"""Which dead centre to go by: all that were found, side by side, and the person chooses."""

from __future__ import annotations

from functools import partial

from rig.command.live.bench import Bench
from rig.command.live.deeds import Deed
from rig.command.live.errands import Errand
from rig.command.live.talk import Talk
from rig.engine import stated
from rig.faults import InputError
from rig.job.dead_centres import Candidate, candidates
from rig.screen.view import Panel, PanelLine, Sort
from rig.session.dead_centre import is_of_dead_centre, mark_words
from rig.session.gauge_notes import MARK
from rig.signal.events import Now
from rig.timing.guidance import Advice


class WhichCentre(Errand):
    """Dead centre by each method beside the others and the engine's own mark."""

    def __init__(self, bench: Bench, talk: Talk) -> None:
        self._bench = bench
        self._talk = talk
        self._key: object = None
        self._found: list[Candidate] = []

    def _candidates(self) -> list[Candidate]:
        session = self._bench.session
        notes = session.gauge
        key = (tuple(notes.readings), tuple(notes.marks), notes.gauge, len(session.references))
        if key != self._key:
            self._key, self._found = key, candidates(session, session.profile)
        return self._found

    def show(self, now: Now | None) -> Panel:
        """A line for each, the one in use first, then the marks that are of something else."""
        session = self._bench.session
        lines = []
        for number, each in enumerate(self._candidates(), 1):
            reference = each.reference
            tdc = stated.after_index_with(reference.tdc_deg, reference.uncertainty.U_deg)
            cylinder = f", cylinder {reference.cylinder}" if reference.cylinder != 1 else ""
            text = f"{tdc} by {reference.method}{cylinder}"
            if each.in_use:
                text += ": IN USE"
            elif each.doubts:
                text += f": IN DOUBT: {each.doubts[0]}"
            elif each.beside:
                text += f": {each.beside}"
            sort: Sort = "now" if each.in_use else "bad" if each.doubts else "plain"
            lines.append(PanelLine(str(number), text, sort))
        lines += [
            PanelLine("mark", mark_words(mark, session.here), "quiet")
            for mark in session.gauge.marks
            if not is_of_dead_centre(mark, session.here)
        ]
        if not lines:
            lines = [PanelLine("", "none was found yet: c by the stop, l by a gauge", "now")]
        return Panel("which dead centre is gone by", "degrees after the index", lines=tuple(lines))

    def told(self) -> Advice:
        """Choose, or leave it as it is."""
        return Advice(
            "which",
            "press the number of the one to go by, or esc to leave it as it is",
            "The certificate says which one the figures rest on, and shows the others.",
        )

    def deeds(self) -> tuple[Deed, ...]:
        """A number for each, and the last mark taken back."""
        found = [
            Deed(str(n), "go by it", "go by that dead centre", "asked first; choose another",
                 partial(self._ask, each))
            for n, each in enumerate(self._candidates()[:9], 1)
        ]  # fmt: skip
        if self._bench.session.gauge.marks:
            does = "take the last mark of the engine back"
            found.append(Deed("x", "mark back", does, "e: note it again", self._ask_back))
        return tuple(found)

    def _ask(self, each: Candidate) -> None:
        if each.in_use:
            raise InputError("this one is in use")
        if each.doubts:
            raise InputError(f"not taken: {each.doubts[0]}")
        self._talk.ask(
            f"Go by top dead centre as found by {each.reference.method} from now on? Every reading"
            " is worked out with it.",
            lambda: self._use(each),
        )

    def _use(self, each: Candidate) -> None:
        found = self._bench.use(each.which)
        tdc = stated.after_index_with(found.tdc_deg, found.uncertainty.U_deg)
        self._talk.say(f"in use now: {found.method}, {tdc}")

    def _ask_back(self) -> None:
        what = self._bench.session.gauge.marks[-1].what
        self._talk.ask(
            f"Take back that the crank stood at {what}?",
            lambda: self._taken_back(what),
        )

    def _taken_back(self, what: str) -> None:
        self._bench.note(MARK, {"back": True})
        self._talk.say(f"taken back: {what}")
