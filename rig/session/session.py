"""The session: the one place where the rooms meet. Batches in, events and figures out.

Live, replayed and certified, a job runs through this object. What the person did stands in the
capture as notes; a note takes effect at the rig's time at which it was made, so that a replay comes
to the same readings. The session opens no file, no port and no terminal.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rig.engine.profile import Profile, Unit
from rig.engine.reference import Reference, from_plain
from rig.faults import InputError
from rig.session.doubts import Doubt, Seen, doubts
from rig.session.settings import signal_settings
from rig.session.since import Since
from rig.session.stop import StopTouches
from rig.signal.events import Event, Finding, IndexPass, Opening, ReferenceLost
from rig.signal.follow import Follower
from rig.signal.index_check import IndexCheck
from rig.signal.place import STOOD_STILL
from rig.signal.touches import find_touches
from rig.signal.track import TOLERANCE_COUNTS
from rig.timing.compare import compare_units
from rig.timing.impulse import ImpulseLag, impulse_lags, sort_out
from rig.timing.judge import judge
from rig.timing.results import Comparison, Judgement, Reading
from rig.timing.tie import StrokeStatement, state_stroke, tie
from rig.wire.records import Batch, Foot, Health, Identity, Note, Restart, Trouble

Phase = Literal["as found", "as left"]


class Session:
    """One job, from the records of one capture."""

    def __init__(self, profile: Profile, reference: Reference | None = None) -> None:
        self.profile = profile
        self.reference = reference
        self.follower = Follower(signal_settings(profile))
        self.openings: list[Opening] = []
        self.troubles: Counter[str] = Counter()
        self.last_trouble = ""
        self.findings: Counter[tuple[str, int]] = Counter()
        self.identity: Identity | None = None
        self.health: Health | None = None
        self.foot_presses = 0
        self.restarts = 0
        self.remarks: list[str] = []
        self.changes: list[tuple[str, str]] = []  # what was changed, on which unit
        self.said: set[str] = set()  # steps that the person said to be done
        self.index_passes: list[IndexPass] = []
        self.index_check = IndexCheck(self.follower.settings)
        self.stop: StopTouches | None = None  # while the stop is in
        self.stops: list[StopTouches] = []  # earlier ones
        self.stop_words = ""
        self.references: list[Reference] = []  # every one that was in use, or found as a check
        self.checks: list[str] = []  # what touching the stop again showed
        self.notes = 0
        self._settings = {unit.name: Since(unit.settings[0].name) for unit in profile.units}
        self._phase: Since[Phase] = Since("as found")
        self._stroke: Since[StrokeStatement | None] = Since(None)
        self.stroke_lost = False
        self._struck: dict[float, str] = {}
        self._trail: list[NDArray[np.void]] = []
        self._figures: tuple[object, list[Reading], list[Judgement], list[Comparison]] | None
        self._figures = None
        self._ties: list[Reading | None] = []  # of the first openings, with this reference:
        self._ties_with: Reference | None = None

    # -- in -----------------------------------------------------------------------------------

    def take(self, batch: Batch) -> list[Event]:
        """Work through a batch. Returns what it decided, in order."""
        for other in batch.others:
            if isinstance(other, Restart):
                self._end_trail()
                self._restarted(other)
        events = self.follower.take(batch)
        if self.stop is not None and len(batch.positions):
            self._trail.append(batch.positions)
        for other in batch.others:
            if isinstance(other, Trouble):
                self.troubles[other.kind] += 1
                self.last_trouble = other.detail
            elif isinstance(other, Identity):
                self.identity = other
            elif isinstance(other, Health):
                self.health = other
            elif isinstance(other, Foot):
                self.foot_presses += other.level
            elif isinstance(other, Note):
                self._noted(other)
        self._keep(events)
        return events

    def finish(self) -> list[Event]:
        """No more will come."""
        events = self.follower.finish()
        self._keep(events)
        return events

    def _keep(self, events: list[Event]) -> None:
        for event in events:
            if isinstance(event, Opening):
                self.openings.append(event)
                self._figures = None
            elif isinstance(event, Finding):
                self.findings[event.kind, event.input] += 1
            elif isinstance(event, IndexPass):
                self.index_passes.append(event)
                if event.anchored and abs(event.off_counts) > TOLERANCE_COUNTS:
                    self._lose_stroke(event.t_us)
                doubted = self.index_check.off_passes, self.index_check.counts_wrong
                self.index_check.take(event)
                if doubted != (self.index_check.off_passes, self.index_check.counts_wrong):
                    self._figures, self._ties = None, []  # what was read before may not count now
            elif isinstance(event, ReferenceLost):
                self.last_trouble = event.why

    def _restarted(self, restart: Restart) -> None:
        if self.follower.latest is not None or self.openings:
            self.restarts += 1
        self._lose_stroke(restart.t_us)

    def _lose_stroke(self, t_us: float) -> None:
        """Turns may have gone uncounted: the firing stroke has to be stated again."""
        if self._stroke.now is not None:
            self._stroke.set(t_us, None)
            self.stroke_lost = True

    # -- what the person did ------------------------------------------------------------------

    def _noted(self, note: Note) -> None:
        """Take a note. One that cannot be understood is counted as trouble, nothing more."""
        self.notes += 1
        act = getattr(self, "_note_" + note.name.replace("-", "_"), None)
        if act is None:
            return
        self._figures, self._ties = None, []
        try:
            act(note.t_us, note.value)
        except (KeyError, TypeError, ValueError, InputError) as why:
            self.troubles["note"] += 1
            self.last_trouble = f"a note of the kind {note.name!r} makes no sense: {why}"

    def _note_setting(self, t_us: float, value: dict[str, object]) -> None:
        unit = self.unit(str(value["unit"]))
        name = str(value["setting"])
        if name not in {setting.name for setting in unit.settings}:
            raise InputError(f"{unit.name} has no setting {name!r}")
        self._settings[unit.name].set(t_us, name)

    def _note_phase(self, t_us: float, value: dict[str, object]) -> None:
        self._phase.set(t_us, "as left" if value["phase"] == "as left" else "as found")

    def _note_stroke(self, t_us: float, value: dict[str, object]) -> None:
        if self.reference is None:
            raise InputError("top dead centre is not known yet")
        crank_deg = float(str(value["crank_deg"]))
        statement = state_stroke(
            crank_deg, int(str(value["cylinder"])), self.profile, self.reference
        )
        # What was read before in this life of the rig is on the same count of turns.
        since = t_us if self.stroke_lost else -math.inf
        self._stroke.set(since, statement)
        self.stroke_lost = False

    def _note_strike(self, t_us: float, value: dict[str, object]) -> None:
        struck = float(str(value["t_us"]))
        if value.get("back"):
            self._struck.pop(struck, None)
        else:
            self._struck[struck] = str(value.get("why") or "struck out by hand")

    def _note_said(self, t_us: float, value: dict[str, object]) -> None:
        self.said.add(str(value["step"]))

    def _note_change(self, t_us: float, value: dict[str, object]) -> None:
        self.changes.append((str(value["words"]), str(value.get("unit", ""))))

    def _note_remark(self, t_us: float, value: dict[str, object]) -> None:
        self.remarks.append(str(value["text"]))

    def _note_reference(self, t_us: float, value: dict[str, object]) -> None:
        self.reference = from_plain(value)
        self.references.append(self.reference)

    def _note_stop_in(self, t_us: float, value: dict[str, object]) -> None:
        purpose: Literal["reference", "check"] = (
            "check" if value.get("purpose") == "check" else "reference"
        )
        self.stop = StopTouches(t_us, int(str(value.get("cylinder", 1))), purpose)
        self._trail = []

    def _note_stop_out(self, t_us: float, value: dict[str, object]) -> None:
        if self.stop is None:
            return
        done = self.touches()
        self.stop, self._trail = None, []
        assert done is not None
        self.stops.append(done)
        if value.get("drop"):
            self.stop_words = "the touches were dropped"
            return
        try:
            found = replace(
                done.reference(self.profile),
                made_utc=str(value.get("utc", "")),
                capture=str(value.get("capture", "")),
            )
            if done.purpose == "check" and self.reference is not None:
                self.stop_words = self.reference.compared(found)
                self.checks.append(self.stop_words)
            else:
                self.reference = found
                self.stop_words = found.how
            self.references.append(found)
        except InputError as why:
            self.stop_words = str(why)

    # -- the stop -----------------------------------------------------------------------------

    def touches(self) -> StopTouches | None:
        """The touches of the stop that is in, as far as they have been left again."""
        if self.stop is None:
            return None
        done = StopTouches(
            self.stop.t_us,
            self.stop.cylinder,
            self.stop.purpose,
            list(self.stop.touches),
            list(self.stop.crank_deg),
        )
        self._add_touches(done)
        return done

    def _add_touches(self, to: StopTouches) -> None:
        if not self._trail:
            return
        self._trail = [np.concatenate(self._trail)]
        for touch in find_touches(self._trail[0], self.follower.settings):
            angle = self.follower.track.crank_deg(touch.at)
            if angle is not None:
                to.touches.append(touch)
                to.crank_deg.append(angle)

    def _end_trail(self) -> None:
        """The rig restarts: counts of the old life mean nothing in the new one."""
        if self.stop is not None:
            self._add_touches(self.stop)
        self._trail = []

    # -- out ----------------------------------------------------------------------------------

    def unit(self, name: str) -> Unit:
        """The unit of that name. Raises InputError when there is none."""
        for unit in self.profile.units:
            if unit.name == name:
                return unit
        names = ", ".join(unit.name for unit in self.profile.units)
        raise InputError(f"there is no unit {name!r}; the engine file has {names}")

    def setting_of(self, unit: str) -> str:
        """Name of the setting in force for ``unit`` now."""
        return self._settings[unit].now

    def doubts(self, *, over: bool = False) -> list[Doubt]:
        """What looks wrong so far, the worst first: lines, counts, contact inputs.

        Once the recording is ``over``, also that no rig was heard in it.
        """
        heard = self.follower.latest is not None or bool(self.openings or self.restarts)
        seen = Seen(
            heard=heard or not over,
            identity=self.identity,
            openings=self.openings,
            passes=self.index_passes,
            is_open=self.follower.contact_open,
            turn_counts=self.index_check.turns,
            counts_wrong=self.index_check.counts_wrong,
            off_passes=self.index_check.off_passes,
            lost=self.follower.track.lost,
            restarts=self.restarts,
            illegal=self.follower.losses.illegal,
            troubles=self.troubles,
        )
        return doubts(self.profile, seen)

    def first_doubt(self) -> str:
        """The first bad doubt in words, empty when there is none."""
        return next((doubt.words for doubt in self.doubts() if doubt.bad), "")

    def is_struck(self, t_us: float) -> bool:
        """True when the opening at ``t_us`` was struck out by hand."""
        return t_us in self._struck

    @property
    def phase(self) -> Phase:
        """As found, or as left after the tightening."""
        return self._phase.now

    @property
    def stroke(self) -> StrokeStatement | None:
        """The statement of the firing stroke in force now."""
        return self._stroke.now

    def readings(self) -> list[Reading]:
        """Every forward opening of the units, tied with the reference as it is known now."""
        return self._worked_out()[0]

    def judgements(self) -> list[Judgement]:
        """Per unit, setting, cylinder and phase; empty while there is no reference."""
        return self._worked_out()[1]

    def comparisons(self) -> list[Comparison]:
        """Units against one another; empty while there is no reference."""
        return self._worked_out()[2]

    def lags(self) -> list[ImpulseLag]:
        """The lag of each impulse coupling that shows in the readings."""
        return impulse_lags(self.readings(), self.profile)

    def _worked_out(self) -> tuple[list[Reading], list[Judgement], list[Comparison]]:
        if self._figures is None or self._figures[0] is not self.reference:
            if self._ties_with is not self.reference:
                self._ties, self._ties_with = [], self.reference
            self._ties += [self._tied(o) for o in self.openings[len(self._ties) :]]
            readings = sort_out([r for r in self._ties if r is not None], self.profile)
            judged: list[Judgement] = []
            compared: list[Comparison] = []
            if self.reference is not None:
                judged = judge(readings, self.profile, self.reference)
                compared = compare_units(readings, self.profile, self.reference)
            self._figures = (self.reference, readings, judged, compared)
        return self._figures[1:]

    def _tied(self, opening: Opening) -> Reading | None:
        unit = next((u for u in self.profile.units if u.input == opening.input), None)
        if unit is None or opening.direction < 0:
            return None
        struck = self._struck.get(opening.t_us) or self.index_check.why_not(opening.t_us)
        if struck:
            opening = replace(opening, counts=False, why=opening.why or struck)
        return tie(
            opening,
            self.profile,
            self.reference,
            setting=self._settings[unit.name].at(opening.t_us),
            stroke=self._stroke.at(opening.t_us),
            phase=self._phase.at(opening.t_us),
            # The crank held, and the contacts part: the unit was moved, or its lever.
            kind="set" if opening.why == STOOD_STILL and not struck else "turned",
        )
