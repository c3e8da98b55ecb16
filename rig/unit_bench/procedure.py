"""A unit on the bench, live: the encoder on its own shaft; leads the person to its report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from rig.base import rounding
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.engine.profile import Profile, Unit
from rig.guide.action import Action, Bench, Host, Prompt
from rig.guide.advice import PRIMARY
from rig.guide.procedure import Advice, Hand, Panel, PanelLine, Procedure, Subject
from rig.guide.tdc import still_deg
from rig.job.folder import Job
from rig.signal.events import Event, Now
from rig.unit_bench.report import (
    COUPLING,
    FOLDER,
    NEUTRAL,
    Alone,
    BenchEvidence,
    Mean,
    UnitReport,
    report,
)
from rig.wire.records import Note

TURNS, TURNS_BACK, FELT = 5, 3, 3
"""Openings a lobe forward, closings a lobe turning back, and neutral places a side, after which no
more are asked for (common practice, no source)."""
OF_NEUTRAL = f"Magnetic neutral gives the E-gap angle: felt {{}} of {FELT} times this way."

CAUTION = (
    "A magneto on the bench is live as soon as it is turned: its leads on an earthed gap, hands off"
    f" its terminals. {PRIMARY}"
)


class UnitJob(Job):
    """The job's folder with one unit by itself: no engine, no TDC, no ratio.

    Its captures are kept with the reports of units, apart from those of the engine.
    """

    def __init__(self, folder: Path, name: str) -> None:
        super().__init__(folder)
        unit = next(each for each in self.profile.units if each.name == name)
        self.profile = on_its_own(self.profile, unit)
        self.captures = folder / FOLDER

    def reference(self) -> None:
        """A unit by itself has no TDC."""
        return


def on_its_own(profile: Profile, unit: Unit) -> Profile:
    """``profile`` with the encoder on the shaft of ``unit``, and nothing else."""
    one = Fraction(1)
    return replace(
        profile,
        encoder=replace(
            profile.encoder, turns_per_crank_turn=one, backlash_deg=0.0, backlash_error_deg=0.0
        ),
        units=(replace(unit, turns_per_crank_turn=one, backlash_deg=None),),
        synchronism=(),
    )


class MeasureUnit(Procedure):
    """Openings forward and back, neutral felt from both sides, the coupling; in that order."""

    def __init__(self, host: Host, prompt: Prompt) -> None:
        (self._unit,) = host.job.profile.units
        self._host = host
        self._prompt = prompt
        self._alone = Alone(self._unit, host.session.hindsight)
        self._now_us = 0.0
        self._key: object = None
        self._found: UnitReport | str = ""

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """Keep openings and closings."""
        self._now_us = now.t_us
        self._alone.add(events)

    # -- on the screen --

    @property
    def subject(self) -> Subject:
        """The unit, which turns with the encoder on its own shaft."""
        serial = f", serial {self._unit.serial}" if self._unit.serial else ""
        return Subject(
            name=f"{self._unit.name}{serial}",
            instead="a unit on the bench",
            tdc="off the engine",
            shaft="its shaft",
            no_angle="turn it until the index has passed",
        )

    def _report(self, seen: BenchEvidence) -> UnitReport | str:
        """The report so far, or why there is none yet."""
        if seen != self._key:
            self._key = seen
            try:
                self._found = report(seen, self._unit.lobes, self._host.job.profile.encoder)
            except InputError as why:
                self._found = str(why)
        return self._found

    def show(self, now: Now | None) -> Panel:
        """The last opening, each lobe, backlash, neutral and coupling."""
        seen = self._alone.seen()
        found = self._report(seen)
        openings = seen.impulse_deg if self._alone.engaged else seen.openings_deg
        lines = [PanelLine("so far", found)] if isinstance(found, str) else _lines(found)
        forward, back = len(seen.neutral_forward_deg), len(seen.neutral_backward_deg)
        if forward or back:
            felt = PanelLine("felt", f"neutral {forward}× forward, {back}× turning back")
            lines.insert(0, felt)
        is_open = self._host.session.contact_open(self._unit.input)
        state = "contacts ?" if is_open is None else "OPEN" if is_open else "CLOSED"
        coupling = ", coupling ENGAGED" if self._alone.engaged else ""
        return Panel(
            f"{self._unit.name}: degrees of its own shaft", f"{state}{coupling}",
            rounding.after_index(openings[-1]) if openings else "",
            below="last opening, after the index" if openings else "no opening yet",
            beside=(
                PanelLine("forward", f"{many(len(seen.openings_deg), 'opening')}"),
                PanelLine("back", f"{many(len(seen.back_closings_deg), 'closing')}"),
                PanelLine("engaged", f"{many(len(seen.impulse_deg), 'opening')}"),
            ),
            lines=tuple(lines),
        )  # fmt: skip

    def advice(self) -> Advice:
        """What is still needed, in order."""
        words, why, press, hand = self._next()
        return Advice("unit", words, why, CAUTION, press=press, hand=hand)

    def _next(self) -> tuple[str, str, str, Hand]:
        """What to do and why, the action, what the hand does."""
        seen, lobes = self._alone.seen(), self._unit.lobes
        coupled = self._unit.coupling == "impulse"
        forward, back = Hand.TURN_FORWARD, Hand.TURN_BACK
        steps = (
            (not self._host.session.is_anchored,
             "Turn it slowly forward until the index passes",
             "All angles are counted from the index.", "", forward),
            (len(seen.openings_deg) < TURNS * lobes,
             f"Turn it forward through its openings, {TURNS} turns or more",
             f"{len(seen.openings_deg)} of {many(TURNS * lobes, 'opening')} read.", "", forward),
            (len(seen.back_closings_deg) < TURNS_BACK * lobes,
             f"Turn it back, {TURNS_BACK} turns or more",
             "Where the contacts close, turned back, shows the backlash.", "", back),
            (len(seen.neutral_forward_deg) < FELT,
             "Turn gently forward until the rotor settles, let go",
             OF_NEUTRAL.format(len(seen.neutral_forward_deg)), "event_here", forward),
            (len(seen.neutral_backward_deg) < FELT,
             "Turn gently back until the rotor settles, let go",
             OF_NEUTRAL.format(len(seen.neutral_backward_deg)), "event_here", back),
            (coupled and not self._alone.engaged and not seen.impulse_deg,
             "Let its coupling engage", "Its trips show the lag.", "coupling", forward),
            (coupled and len(seen.impulse_deg) < FELT,
             "Turn it forward through the trips, a few turns",
             f"{len(seen.impulse_deg)} of {FELT} trips are read.", "", forward),
        )  # fmt: skip
        found = (each[1:] for each in steps if each[0])
        end = (
            "End here and save the report",
            "Everything for the report is read.",
            "save",
            Hand.NOTHING,
        )
        return next(found, end)

    # -- actions --

    def actions(self) -> tuple[Action, ...]:
        """Neutral felt here, the coupling, the report."""
        name, does = "engaged", "its impulse coupling is engaged from now on"
        if self._alone.engaged:
            name, does = "released", "its impulse coupling is released again"
        return (
            Action("event_here", "space", "neutral here", "the rotor has settled here: neutral",
                   self._settled),
            Action("undo", "backspace", "undo", "undo the last place felt as neutral", self._back,
                   undo="feel it again"),
            Action("coupling", "i", f"coupling {name}", does, self._turn_coupling, undo="i again"),
            Action("save", "s", "report", "end here and save the report", self._ask_end,
                   undo="asked first"),
        )  # fmt: skip

    def _ask_end(self, bench: Bench, _: str) -> None:
        bench.prompt.ask("End here and save the report?", self._end)

    def _end(self) -> None:
        self.over = True

    def _note(self, name: str, value: dict[str, object]) -> None:
        self._host.annotate(name, value)
        self._alone.note(Note(self._now_us, name, value))

    def _settled(self, _: Bench, __: str) -> None:
        at, way = still_deg(self._host), self._host.stillness.way
        if way == 0:
            raise InputError("turn it first: neutral is approached from one side or the other")
        self._note(NEUTRAL, {"crank_deg": at, "direction": way})
        side = "forward" if way > 0 else "turning back"
        self._prompt.say(f"neutral felt {side} at {rounding.after_index(at)}° after the index")

    def _back(self, _: Bench, __: str) -> None:
        if not self._alone.felt:
            raise InputError("no neutral place was entered yet")
        at = self._alone.felt[-1][1]
        self._note(NEUTRAL, {"back": True})
        self._prompt.say(f"undone: neutral at {rounding.after_index(at)}° after the index")

    def _turn_coupling(self, _: Bench, __: str) -> None:
        self._note(COUPLING, {"engaged": not self._alone.engaged})


def _lines(found: UnitReport) -> list[PanelLine]:
    whole = {
        "backlash": found.backlash, "neutral": found.neutral, "impulse lag": found.impulse_lag,
    }  # fmt: skip
    return [
        *(PanelLine(name, str(mean), "now") for name, mean in whole.items() if mean is not None),
        *(
            PanelLine(
                f"lobe {lobe.number}",
                f"opens {_size(lobe.opening)}, to the next {_size(lobe.interval)}, closed"
                f" {_size(lobe.closed)}, open {_size(lobe.opened)}",
            )
            for lobe in found.lobes
        ),
    ]


def _size(mean: Mean | None) -> str:
    return "?" if mean is None else f"{mean.deg:.2f}°"
