"""What comes of a session's openings: readings, assessments, comparisons, lags of couplings."""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from rig.signal.events import Opening, Reason, Rejection
from rig.tdc.reference import TdcReference
from rig.timing.assess import assess
from rig.timing.compare import compare_units
from rig.timing.impulse import ImpulseLag, impulse_lags, separate_impulse_trips
from rig.timing.readings import by_moving, drag_alone, to_reading, unless_far
from rig.timing.values import ADJUSTING, Assessment, Comparison, Reading

if TYPE_CHECKING:
    from rig.session.session import Session


class Figures(NamedTuple):
    """Worked out with one reference. Without one there are readings alone."""

    reference: TdcReference | None
    readings: list[Reading]
    assessments: list[Assessment]
    comparisons: list[Comparison]
    lags: list[ImpulseLag]


class Results:
    """Worked out when they are asked for, and kept until something new is known."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._assigned: list[Reading | None] = []  # of the first openings, with this reference:
        self._assigned_with: TdcReference | None = None
        self._figures: Figures | None = None

    def changed(self) -> None:
        """There is another opening."""
        self._figures = None

    def forget(self) -> None:
        """Earlier openings may be other readings now."""
        self._figures, self._assigned = None, []

    def left_out(self, stays: Sequence[bool]) -> None:
        """Which of the openings are still kept."""
        self._assigned = [each for each, stay in zip(self._assigned, stays, strict=False) if stay]

    def now(self) -> Figures:
        """All figures by the reference in use."""
        session, reference = self._session, self._session.reference
        if self._figures is None or self._figures.reference is not reference:
            if self._assigned_with is not reference:
                self._assigned, self._assigned_with = [], reference
            new = session.openings[len(self._assigned) :]
            self._assigned += [_assigned(session, opening) for opening in new]
            own = [reading for reading in self._assigned if reading is not None]
            profile = session.profile
            apart = separate_impulse_trips(own, profile, self.begins(own), session.rules)
            readings = drag_alone(apart)
            found, compared = [], []
            if reference:
                found = assess(readings, profile, reference, session.rules)
                compared = compare_units(readings, profile, reference, session.rules)
            lags = impulse_lags(readings, profile)
            self._figures = Figures(reference, readings, found, compared, lags)
        return self._figures

    def begins(self, readings: Sequence[Reading]) -> set[int]:
        """Indices in ``readings`` at which the rig restarted."""
        times = [self._session.t_us(reading) for reading in readings]
        return {bisect.bisect_left(times, began_us) for began_us in self._session.began_us}


def _assigned(session: Session, opening: Opening) -> Reading | None:
    """The reading of an opening; None if it is of no unit, or met turning back."""
    unit = next((u for u in session.profile.units if u.input == opening.input), None)
    if unit is None:
        return None
    opening = session.hindsight.placed(opening)
    t_us, notes = opening.t_us, session.annotations
    own = notes.of[unit.name]
    moving = own.moving.at(t_us)
    moved = not notes.by_hand_at(unit.name, t_us) and by_moving(opening, moving=moving)
    if opening.direction < 0 and not moved:
        return None
    rejected = session.hindsight.why_not(t_us, held=moved)
    opening = replace(opening, rejection=opening.rejection or rejected)
    reading = to_reading(
        opening,
        session.profile,
        session.reference_at(t_us),
        start_us=session.start_us,
        without=session.why_no_reference(t_us),
        setting=own.setting.at(t_us),
        stroke=session.stroke_at(t_us),
        phase=session.phase_of(unit.name, t_us),
        kind="set" if moved and not rejected else "turned",
        drag=own.drag.at(t_us),
    )
    if reading.phase == ADJUSTING and notes.moved_since(unit.name, t_us):
        # A figure never spans a move: of several while adjusting, the last place counts.
        again = Rejection(Reason.MOVED_AGAIN)
        reading = replace(reading, rejection=reading.rejection or again)
    return unless_far(reading, unit) if reading.kind == "set" and not moving else reading
