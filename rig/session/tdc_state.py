"""TDC and firing TDC in a session: what was found or entered, and the notes by which it was.

The reference in use, the touches of the piston stop, gauge readings, the place of a geared
encoder's index and the stroke. Each kind of note has its handler in a table, and those that can be
undone restore all of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError
from rig.engine.geometry import plug_hole_offset_deg
from rig.engine.profile import Profile
from rig.session.annotations import Act, Timeline
from rig.session.hindsight import Hindsight
from rig.signal.events import Rejection
from rig.signal.openings import OpeningFinder
from rig.tdc.gauge_points import GaugeNotes, chosen
from rig.tdc.index_resolver import IndexResolver, same_frame
from rig.tdc.piston_stop import StopEnd, StopPurpose, StopResult, StopTouches, from_touches
from rig.tdc.reference import Method, Move, TdcReference, moved
from rig.tdc.reference_file import from_plain
from rig.tdc.touches import Hold, ShortWay
from rig.tdc.validity import Tdcs, Validity
from rig.timing.readings import NO_TDC, FiringTdc, FiringTdcEntry


class TdcState:
    """What is known of TDC and of firing TDC so far; angles are those of ``finder``."""

    def __init__(
        self,
        profile: Profile,
        reference: TdcReference | None,
        rules: Rules,
        finder: OpeningFinder,
        hindsight: Hindsight,
    ) -> None:
        self.profile = profile
        self.reference = reference
        self.rules = rules
        self._finder = finder
        self._index = hindsight.index
        self.stop: StopTouches | None = None  # while the piston stop is in
        self.stops: list[StopTouches] = []  # earlier ones
        self.stop_result: StopResult = None  # of the last one taken out
        trusting = EarlierRule.TOUCHES_TRUSTED in rules
        self.tdcs = Tdcs(profile.encoder, lambda t_us: None if trusting else self._index.lost(t_us))
        self.gauge = GaugeNotes(rules=rules)  # gauge readings and engine's marks, as noted
        self.checks: list[Move] = []  # results of touching the piston stop again
        self._stroke: Timeline[FiringTdcEntry | None] = Timeline(None)
        self._turns_from_us = -math.inf  # since when whole turns are on one count
        self.stroke_lost = False
        self.stroke_entries = 0  # since the count of turns began
        self.places = IndexResolver(profile)
        self._undo: list[tuple[str, Callable[[], None]]] = []  # of the notes, by kind
        # Handlers by kind of note; they raise if a note makes no sense.
        self.tdc_acts: dict[str, Act] = {
            "touch": self._note_touch,
            "stroke": self._note_stroke,
            "reference": self._note_reference,
            "use": self._note_use,
            "stop-in": self._note_stop_in,
            "stop-out": self._note_stop_out,
        }

    def lose_turns(self, t_us: float) -> None:
        """Turns may be uncounted: firing TDC has to be entered again, and the index place resolved
        again, if there are several."""
        self.places.lost(t_us)
        self._undo.clear()  # from before the restart
        self._turns_from_us = t_us
        if self._stroke.now is not None:
            self._stroke.set(t_us, None)
            self.stroke_lost, self.stroke_entries = True, 0

    # -- what the person did ------------------------------------------------------------------

    def _undone(self, kind: str, value: dict[str, object]) -> bool:
        """Undo the last note of this ``kind`` if the note says ``{"back": true}``."""
        if not value.get("back"):
            return False
        if not self._undo or self._undo[-1][0] != kind:
            raise InputError("there is nothing of the kind to undo, or TDC was found since")
        self._undo.pop()[1]()
        return True

    def _as_it_is(self) -> Callable[[], None]:
        """What restores TDC, firing TDC and index place to their present state."""
        reference, stop, result = self.reference, self.stop, self.stop_result
        lost, place, stroke = self.stroke_lost, self.places.place, len(self._stroke)
        stops, found, checks = len(self.stops), len(self.tdcs.known), len(self.checks)

        def restore() -> None:
            self.reference, self.stop, self.stop_result = reference, stop, result
            self.stroke_lost, self.places.place = lost, place
            while len(self._stroke) > stroke:
                self._stroke.back()
            self.tdcs.cut(found)
            del self.stops[stops:], self.checks[checks:]

        return restore

    def _note_touch(self, t_us: float, value: dict[str, object]) -> None:
        """A touch entered by the person, or one undone."""
        if self.stop is None:
            raise InputError("the piston stop is not in")
        if value.get("back"):
            self.stop.undo(float(str(value["t_us"])))
        else:
            side = int(str(value["direction"]))
            self.stop.entered(t_us, side, float(str(value["crank_deg"])))

    def _note_stroke(self, t_us: float, value: dict[str, object]) -> None:
        if self._undone("stroke", value):
            return
        if self.reference is None:
            raise InputError("TDC is not known yet")
        entered = FiringTdcEntry(float(str(value["crank_deg"])), int(str(value["cylinder"])))
        restore = self._as_it_is()
        if not self.places.known:
            self.places.state(entered.crank_deg, entered.cylinder, self.reference)
        entered.on(self.profile, self.reference)  # raises if there is no such cylinder or TDC
        # Earlier readings of this life of the rig are on the same count of turns.
        since = t_us if self.stroke_lost else self._turns_from_us
        self._stroke.set(since, entered)
        self.stroke_entries += 1
        self.stroke_lost = False
        self._undo.append(("stroke", restore))

    def _note_reference(self, t_us: float, value: dict[str, object]) -> None:
        claim = from_plain(value)
        plug_hole_offset_deg(self.profile.engine, claim.cylinder)  # raises without its TDC
        self.reference = claim
        self.tdcs.came(claim, t_us, claimed=True)
        self._undo.clear()

    def _note_use(self, t_us: float, value: dict[str, object]) -> None:
        if self._undone("use", value):
            return
        restore = self._as_it_is()
        self.reference = chosen(value, self.references, self.gauged, self.profile)
        if "found" not in value:  # it is of this life of the rig
            self.places.found(self.reference)
        read = self.gauge.of(self.reference.cylinder) if "method" in value else ()
        self.tdcs.came(self.reference, t_us, found_us=(each.t_us for each in read))
        self._undo.append(("use", restore))

    def _note_stop_in(self, t_us: float, value: dict[str, object]) -> None:
        cylinder = int(str(value.get("cylinder", 1)))
        plug_hole_offset_deg(self.profile.engine, cylinder)  # raises before it is touched
        purposes: dict[object, StopPurpose] = {"check": "check", "more": "more"}
        self.stop = StopTouches(
            t_us,
            cylinder,
            purposes.get(value.get("purpose"), "reference"),
            as_even=EarlierRule.TOUCHES_AS_EVEN in self.rules,
        )

    def _note_stop_out(self, t_us: float, value: dict[str, object]) -> None:
        if self._undone("stop-out", value) or self.stop is None:
            return
        restore = self._as_it_is()
        done, self.stop = self.stop.so_far(self._finder), None
        self.stops.append(done)
        if value.get("drop"):
            self.stop_result = StopEnd.DROPPED
            return
        self._undo.append(("stop-out", restore))
        # Touches are placed now: those on counts that are void since are as wrong as these.
        void_us = self._index.moved_us
        found_us = [max(each.t_us, void_us) for each in done.touches if each.steady]
        try:
            found = replace(
                done.reference(self.profile, self.rules),
                made_utc=str(value.get("utc", "")),
                capture=str(value.get("capture", "")),
            )
            lost = self.validity.lost is not None  # there is nothing to compare with
            if done.purpose != "reference" and self.reference is not None and not lost:
                if not self.places.known:
                    self.places.found(found)
                here = self.places.now(self.reference) or self.reference
                move = moved(here, found)
                more = done.purpose == "more" and not move.has_moved
                self.stop_result = move
                found = same_frame(found, self.reference, self.profile.encoder)
                if more:
                    found_us += self.tdcs.found_us(self.reference)
                    found = self._with_more_touches(found, done.count_width)
                    self.reference = self.stop_result = found
                else:
                    self.checks.append(move)
            else:
                self.places.found(found)
                self.reference = self.stop_result = found
            self.tdcs.came(found, t_us, touched=True, found_us=found_us)
        except InputError as why:
            self.stop_result = why
            if self.reference is not None and self.places.touched(done, self.reference):
                self.stop_result = StopEnd.ONE_SIDE

    def _with_more_touches(self, found: TdcReference, count_width: float) -> TdcReference:
        """TDC from the touches ``found`` and those of the one in use, where they were made in this
        recording; the one in use where that has no smaller uncertainty."""
        used = self.reference
        assert used is not None
        if used.method is Method.STOP and any(used is each for each in self.found):
            both = from_touches(
                self.profile,
                found.cylinder,
                (*used.forward_deg, *found.forward_deg),
                (*used.backward_deg, *found.backward_deg),
                self.rules,
                count_width=count_width,
            )
            found = replace(both, made_utc=found.made_utc, capture=found.capture)
        return min(used, found, key=lambda each: each.uncertainty.U_deg)

    # -- the piston stop ----------------------------------------------------------------------

    def touches(self) -> StopTouches | None:
        """The touches of the piston stop that is in, as far as the crank has left them."""
        return None if self.stop is None else self.stop.so_far(self._finder)

    def stop_hold(self) -> Hold | None:
        """Where the crank is held now, as at the piston stop; None while it turns."""
        return None if self.stop is None else self.stop.hold(self._finder)

    def stop_hides_index(self) -> bool:
        """Whether the index cannot pass while the piston stop is in: it did not on all the way."""
        stop = self.stop
        return (
            stop is not None
            and self._finder.track.anchor is None
            and stop.went_to_and_fro(self._finder)
        )

    def stop_turned_deg(self) -> float:
        """How much of the circle the crank has covered with the piston stop in, degrees; else 0."""
        return 0.0 if self.stop is None else self.stop.turned_deg(self._finder.settings)

    def short_way(self) -> ShortWay | None:
        """Where the crank was held at the stop after too short a movement; else None."""
        return None if self.stop is None else self.stop.short_way(self._finder)

    # -- TDC in effect ------------------------------------------------------------------------

    @property
    def validity(self) -> Validity:
        """How long the reference in use is valid, by all touches."""
        return self.tdcs.validity(self.reference)

    def why_no_reference(self, t_us: float = math.inf) -> Rejection:
        """Why there is no TDC at ``t_us``."""
        why = self.validity.why_not((self.tdcs.number, t_us)) or self.places.why_not
        return NO_TDC if self.reference is None else why

    def stroke_at(self, t_us: float) -> FiringTdc | None:
        """The firing TDC in effect at ``t_us``; see ``stroke``."""
        entered, reference = self._stroke.at(t_us), self.reference_at(t_us)
        if EarlierRule.STROKE_BEFORE_RESTART in self.rules:
            first = self._stroke.began(t_us) == -math.inf
            entered = self._stroke.first if first else entered
        return entered.on(self.profile, reference) if entered and reference else None

    @property
    def stroke(self) -> FiringTdc | None:
        """The firing TDC in effect now, counted from the reference as valid now."""
        entered, here = self._stroke.now, self.here
        return entered.on(self.profile, here) if entered and here else None

    @property
    def here(self) -> TdcReference | None:
        """The reference as valid now: as found, or counted from the present place of a geared
        encoder's index. None while that place is not known, and once TDC has moved."""
        return self.reference_at(math.inf)

    def reference_at(self, t_us: float) -> TdcReference | None:
        """The reference as valid at ``t_us``; see ``here``."""
        if not self.validity.at((self.tdcs.number, t_us)):
            return None
        return self.places.at(t_us, self.reference)

    @property
    def found(self) -> list[TdcReference]:
        """The TDCs found in this recording."""
        return [each.reference for each in self.tdcs.known if not each.claimed]

    @property
    def references(self) -> list[TdcReference]:
        """Every TDC used, or found as a check, in order."""
        return self.tdcs.references

    @property
    def gauged(self) -> GaugeNotes:
        """The gauge readings and marks that belong together; see ``GaugeNotes.in_one_life``."""
        return self.gauge.in_one_life() if self.places.many > 1 else self.gauge

    @property
    def index_places(self) -> int:
        """Number of places at which the index may be now; 1 once it is known."""
        return 1 if self.places.known else self.places.many
