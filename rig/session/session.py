"""The session: records or bytes in, events and results out.

Live, replayed or certified, a job runs through this object. What the person did is in the capture
as notes. A note takes effect at the rig's time at which it was made, so a replay gives the same
readings. The session opens no file, no port and no terminal.
"""

from __future__ import annotations

import bisect
import math
from collections import Counter, deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Self

from rig.base.earlier_rules import EarlierRule
from rig.base.errors import InputError
from rig.engine.geometry import plug_hole_offset_deg
from rig.engine.profile import Profile
from rig.session.annotations import Act, Annotations, Timeline, asked_for
from rig.session.diagnostics import Asked, Diagnostic, diagnose
from rig.session.kept import MOST_VALID, OpeningLog, PassLog
from rig.session.results import Results
from rig.signal import rig_statistics
from rig.signal.events import Event, Finding, IndexPass, Now, Opening, Reason, Rejection, Settings
from rig.signal.interpolate import StateWidths
from rig.signal.openings import OpeningFinder, replay
from rig.signal.track import TOLERANCE_COUNTS, IndexCheck
from rig.tdc.gauge_points import GaugeNotes, chosen
from rig.tdc.index_resolver import IndexResolver, same_frame
from rig.tdc.piston_stop import (
    StopEnd,
    StopPurpose,
    StopResult,
    StopTouches,
    from_touches,
)
from rig.tdc.reference import Method, Move, TdcReference, moved
from rig.tdc.reference_file import from_plain
from rig.tdc.touches import Hold, ShortWay
from rig.tdc.validity import Tdcs, Validity
from rig.timing.impulse import ImpulseLag
from rig.timing.readings import NO_TDC, FiringTdc, FiringTdcEntry, most_closed_deg
from rig.timing.values import Assessment, Comparison, Phase, Reading
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Foot, Health, Identity, LineError, Note, Restart

# Many boards restart when their port is opened: this soon after the first line it is no fault.
AS_PORT_OPENS_US = 3_000_000.0
# Power on, supply dip: causes of a restart that a boot loader does not set. It may set the
# watchdog's or none, as many start the program that way (common practice, no source).
POWER_CAUSES = 1 | 4


class Session:
    """One job, from the records of one capture.

    ``rules`` are those of an earlier version of the program by which the capture is read.
    """

    def __init__(
        self,
        profile: Profile,
        reference: TdcReference | None = None,
        rules: Collection[EarlierRule] = (),
    ) -> None:
        self.profile = profile
        self.reference = reference
        self.rules = rules
        self._finder = OpeningFinder(signal_settings(profile, rules))
        self._lines = LineReader()
        self.start_us = 0.0  # the rig's time of the first position
        self.log = OpeningLog()
        self._passes = PassLog()
        self._net_at: dict[int, int] = {}  # input: turns by the index up to its last opening
        self.at_rest_left_out: Counter[int] = Counter()
        self.line_errors: Counter[str] = Counter()
        self.last_error = ""
        self.findings: Counter[tuple[str, int]] = Counter()
        self.identity: Identity | None = None
        self.health: Health | None = None
        self.foot_presses = 0
        self.restarts = 0
        self.began_us: deque[float] = deque(maxlen=MOST_VALID)  # restarts, with openings between
        self.annotations = Annotations(profile, self.rules)
        self._read_us: dict[str, list[float]] = {unit.name: [] for unit in profile.units}
        trusting = EarlierRule.INDEX_TRUSTED in self.rules
        self.index_check = IndexCheck(self._finder.settings, trusting=trusting)
        self.stop: StopTouches | None = None  # while the piston stop is in
        self.stops: list[StopTouches] = []  # earlier ones
        self.stop_result: StopResult = None  # of the last one taken out
        self.tdcs = Tdcs(profile.encoder)
        self.gauge = GaugeNotes()  # gauge readings and engine's marks, as noted
        self.checks: list[Move] = []  # results of touching the piston stop again
        self.notes = 0
        self._heard_nothing = True
        self._stroke: Timeline[FiringTdcEntry | None] = Timeline(None)
        self._turns_from_us = -math.inf  # since when whole turns are on one count
        self.stroke_lost = False
        self.stroke_entries = 0  # since the count of turns began
        self.places = IndexResolver(profile)
        self._results = Results(self)
        self._undo: list[tuple[str, Callable[[], None]]] = []  # of the notes on TDC, by kind
        self._acts: dict[str, Act] = {
            "touch": self._note_touch,
            "stroke": self._note_stroke,
            "reference": self._note_reference,
            "use": self._note_use,
            "stop-in": self._note_stop_in,
            "stop-out": self._note_stop_out,
        }

    # -- input --------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.finish()

    def feed(self, data: bytes) -> list[Event]:
        """Take bytes of a live rig, in pieces of any size. Returns what they decided, in order. Use
        the session as a context manager, or call ``finish`` after the last piece."""
        return [event for batch in self._lines.feed(data) for event in self.take(batch)]

    def replay(self, batches: Iterable[Batch]) -> Iterator[tuple[Batch, list[Event]]]:
        """Play a recording to its end: each batch with the events that it decided. The last pair is
        an empty batch with the events that the end decided."""
        return replay(self, batches)

    def take(self, batch: Batch) -> list[Event]:
        """Process a batch. Returns what it decided, in order."""
        for other in batch.others:
            if isinstance(other, Restart):
                if self.stop is not None:
                    self.stop.restarted(self._finder, self.profile)
                self._restarted(other)
        if self._heard_nothing and len(batch.positions):
            self._heard_nothing, self.start_us = False, float(batch.positions[0]["t_us"])
        decided = self._finder.take(batch)
        if len(batch.widths) and self._finder.states_matter:
            self._results.forget()
        if self.stop is not None and len(batch.positions):
            self.stop.add(batch.positions, self.settings)
        for other in batch.others:
            if isinstance(other, LineError):
                self.line_errors[other.kind] += other.times
                self.last_error = other.detail
            elif isinstance(other, Identity):
                self.identity = other
            elif isinstance(other, Health):
                self.health = other
            elif isinstance(other, Foot):
                self.foot_presses += other.level
            elif isinstance(other, Note):
                self._noted(other)
        return self._keep(decided)

    def finish(self) -> list[Event]:
        """The recording has ended. Returns what the end decided; a second call decides nothing."""
        events = [event for batch in self._lines.finish() for event in self.take(batch)]
        return events + self._keep(self._finder.finish())

    def _keep(self, decided: list[Event]) -> list[Event]:
        """Take in what was decided. Returns it with what the annotations say about openings."""
        events = [self._annotated(e) if isinstance(e, Opening) else e for e in decided]
        for event in events:
            if isinstance(event, Opening):
                self.opened(event)
            elif isinstance(event, Finding):
                self.findings[event.kind, event.input] += 1
            elif isinstance(event, IndexPass):
                self._passes.add(event)
                if event.anchored and abs(event.off_counts) > TOLERANCE_COUNTS:
                    self._lose_stroke(event.t_us)
                check = self.index_check
                wrong = check.counts_wrong
                check.take(event)
                if check.off_passes or event.anchored or wrong != check.counts_wrong:
                    self._results.forget()  # earlier readings may be valid now, or no longer
        return events

    def _annotated(self, opening: Opening) -> Opening:
        """The opening, rejected where a switch that was tried may have opened its contacts."""
        units = [unit.name for unit in self.profile.units if unit.input == opening.input]
        closed_us = opening.t_us - opening.closed_us
        if opening.rejection or EarlierRule.EARTHED_READ in self.rules:
            return opening
        if not any(self.annotations.was_off(name, closed_us, opening.t_us) for name in units):
            return opening
        return replace(opening, rejection=Rejection(Reason.EARTHED))

    def settled(self, opening: Opening) -> Opening:
        """An opening by what is known by now of the encoder's states."""
        if EarlierRule.STATES_NOT_MEASURED in self.rules:
            return opening
        return self._finder.settled(opening)

    def opened(self, opening: Opening) -> None:
        """An opening was found."""
        self._results.changed()
        self._net_at[opening.input] = self._passes.net(opening.t_us)
        units = [unit.name for unit in self.profile.units if unit.input == opening.input]
        for name in units if opening.valid else ():
            # The first of each phase shows what a move came after.
            since_us, read_us = self.annotations.phase_began(opening.t_us), self._read_us[name]
            if bisect.bisect_right(read_us, since_us) == len(read_us):
                read_us.append(opening.t_us)
        if (trimmed := self.log.add(opening)) is None:
            return
        stays, gone = trimmed
        self._results.left_out(stays)
        at_rest = [each for each in gone if each.direction == 0]
        asked = self.asked() if at_rest else None
        for name in units if asked else ():
            left = sum(asked is not None and not asked(name, each) for each in at_rest)
            self.at_rest_left_out[opening.input] += left

    @property
    def openings(self) -> Sequence[Opening]:
        """The openings in order of arrival, without those that ``left_out`` counts."""
        return self.log.kept

    @property
    def left_out(self) -> Mapping[int, Mapping[Reason | None, int]]:
        """How many openings are only counted, by input and reason (None: valid)."""
        return self.log.left_out

    @property
    def index_passes(self) -> Sequence[IndexPass]:
        """The latest index passes."""
        return list(self._passes.kept)

    def asked(self) -> Asked:
        """Which openings at rest were asked for."""
        turned_us = [each.t_us for each in self.log.kept if each.direction]
        turned_us += [passed.t_us for passed in self._passes.kept]
        return partial(asked_for, self.annotations, sorted(turned_us))

    def turns_since(self, which: int) -> int:
        """Turns forward by the index since the last opening of an input; none while a switch is
        checked, as the leads are then on."""
        if self.annotations.proving_switch:
            return 0
        return self._passes.net(math.inf) - self._net_at.get(which, 0)

    def was_read(self, unit: str) -> bool:
        """Whether any reading of ``unit`` has been valid."""
        return bool(self._read_us[unit])

    def phase_of(self, unit: str, t_us: float = math.inf) -> Phase:
        """The phase of a reading of ``unit``, now or at ``t_us``."""
        return self.annotations.phase_at(unit, t_us, self._read_us[unit])

    def _restarted(self, restart: Restart) -> None:
        heard = self._finder.latest is not None or bool(self.openings)
        fault = restart.cause & POWER_CAUSES or restart.t_us - self.start_us > AS_PORT_OPENS_US
        if heard and fault:
            self.restarts += 1
        began_us = self.began_us
        last_us = self.openings[-1].t_us if self.openings else -math.inf
        if len(began_us) > 1 and last_us < began_us[-2]:  # nothing to tell them apart by
            began_us.pop()
        began_us.append(restart.t_us)
        self._lose_stroke(restart.t_us)

    def _lose_stroke(self, t_us: float) -> None:
        """Turns may be uncounted: firing TDC has to be entered again, and the index place resolved
        again, if there are several."""
        self.places.lost(t_us)
        self._undo.clear()  # from before the restart
        self._results.forget()
        self._turns_from_us = t_us
        if self._stroke.now is not None:
            self._stroke.set(t_us, None)
            self.stroke_lost, self.stroke_entries = True, 0

    # -- what the person did ------------------------------------------------------------------

    def _noted(self, note: Note) -> None:
        """Take a note. One that makes no sense is counted as a line error, nothing more."""
        self.notes += 1
        self.gauge.take(note, self.places.life)
        act = self.annotations.acts.get(note.name) or self._acts.get(note.name)
        if act is None:
            return
        self._results.forget()
        if note.name == rig_statistics.NOTE and self.annotations.proving_switch:
            net = self._passes.net(note.t_us)
            self._net_at.update((unit.input, net) for unit in self.profile.units)
        try:
            act(note.t_us, note.value)
        except (KeyError, TypeError, ValueError, InputError) as why:
            self.line_errors["note"] += 1
            self.last_error = f"a note of the kind {note.name!r} makes no sense: {why}"

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
        said = FiringTdcEntry(float(str(value["crank_deg"])), int(str(value["cylinder"])))
        restore = self._as_it_is()
        if not self.places.known:
            self.places.state(said.crank_deg, said.cylinder, self.reference)
        said.on(self.profile, self.reference)  # raises if there is no such cylinder or TDC
        # Earlier readings of this life of the rig are on the same count of turns.
        since = t_us if self.stroke_lost else self._turns_from_us
        self._stroke.set(since, said)
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
        self.tdcs.came(self.reference, t_us)
        self._undo.append(("use", restore))

    def _note_stop_in(self, t_us: float, value: dict[str, object]) -> None:
        cylinder = int(str(value.get("cylinder", 1)))
        plug_hole_offset_deg(self.profile.engine, cylinder)  # raises before it is touched
        purposes: dict[object, StopPurpose] = {"check": "check", "more": "more"}
        self.stop = StopTouches(t_us, cylinder, purposes.get(value.get("purpose"), "reference"))

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
        as_master = EarlierRule.LINK_ROD_AS_MASTER in self.rules
        if EarlierRule.STOP_PASSED in self.rules:
            done = replace(done, passed=None)
        try:
            found = replace(
                done.reference(self.profile, as_master=as_master),
                made_utc=str(value.get("utc", "")),
                capture=str(value.get("capture", "")),
            )
            if done.purpose != "reference" and self.reference is not None:
                if not self.places.known:
                    self.places.found(found)
                here = self.places.now(self.reference) or self.reference
                move = moved(here, found)
                more = done.purpose == "more" and not move.has_moved
                self.stop_result = move
                found = same_frame(found, self.reference, self.profile.encoder)
                if more:
                    found = self._with_more_touches(found)
                    self.reference = self.stop_result = found
                else:
                    self.checks.append(move)
            else:
                self.places.found(found)
                self.reference = self.stop_result = found
            self.tdcs.came(found, t_us, touched=True)
        except InputError as why:
            self.stop_result = why
            if self.reference is not None and self.places.touched(done, self.reference):
                self.stop_result = StopEnd.ONE_SIDE

    def _with_more_touches(self, found: TdcReference) -> TdcReference:
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
                as_master=EarlierRule.LINK_ROD_AS_MASTER in self.rules,
            )
            found = replace(both, made_utc=found.made_utc, capture=found.capture)
        return min(used, found, key=lambda each: each.uncertainty.U_deg)

    # -- the crank and the rig, now -----------------------------------------------------------

    @property
    def settings(self) -> Settings:
        """How the rig is mounted, and when an opening is a reading."""
        return self._finder.settings

    @property
    def state_widths(self) -> StateWidths:
        """Shares of the encoder's four quadrature states, as measured so far."""
        return self._finder.widths

    @property
    def is_receiving(self) -> bool:
        """Whether a position has come since the rig started."""
        return self._finder.latest is not None

    @property
    def is_anchored(self) -> bool:
        """Whether the index was passed since the rig started."""
        return self._finder.track.anchor is not None

    @property
    def angles_lost(self) -> Rejection | None:
        """Why angles are not valid until the next index pass; None while they are."""
        return self._finder.track.lost

    @property
    def illegal(self) -> int:
        """How often the encoder jumped."""
        return self._finder.losses.illegal

    @property
    def index_places(self) -> int:
        """Number of places at which the index may be now; 1 once it is known."""
        return 1 if self.places.known else self.places.many

    def now(self) -> Now | None:
        """The crank at the newest position; None before the first."""
        return self._finder.now()

    def crank_deg(self) -> float | None:
        """Continuous crank angle now, degrees: the middle of the count; None if not known."""
        if self._finder.latest is None or self._finder.track.lost:
            return None
        return self._finder.track.crank_deg(float(self._finder.latest["count"]) + 0.5)

    def contact_open(self, contact: int) -> bool | None:
        """Whether the contacts on an input are open now; None before the first position."""
        return self._finder.contact_open(contact)

    def setting_of(self, unit: str) -> str:
        """Name of the present setting of ``unit``."""
        return self.annotations.of[unit].setting.now

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
        return stop is not None and not self.is_anchored and stop.went_to_and_fro(self._finder)

    def stop_turned_deg(self) -> float:
        """How much of the circle the crank has covered with the piston stop in, degrees; else 0."""
        return 0.0 if self.stop is None else self.stop.turned_deg(self.settings)

    def short_way(self) -> ShortWay | None:
        """Where the crank was held at the stop after too short a movement; else None."""
        return None if self.stop is None else self.stop.short_way(self._finder)

    # -- results ------------------------------------------------------------------------------

    def doubts(self, *, over: bool = False) -> list[Diagnostic]:
        """What looks wrong so far, the worst first: lines, counts, contact inputs. Once the
        recording is ``over``, also that no rig was heard in it."""
        heard = self._finder.latest is not None or bool(self.openings or self.restarts)
        return diagnose(self, heard=heard or not over)

    @property
    def validity(self) -> Validity:
        """How long the reference in use is valid, by all touches."""
        return self.tdcs.validity(self.reference)

    def why_no_reference(self, t_us: float = math.inf) -> Rejection:
        """Why there is no TDC at ``t_us``."""
        why = self.validity.why_not((self.tdcs.number, t_us)) or self.places.why_not
        return NO_TDC if self.reference is None else why

    def first_doubt(self) -> Diagnostic | None:
        """The first bad doubt; None when there is none."""
        return next((doubt for doubt in self.doubts() if doubt.bad), None)

    def t_us(self, reading: Reading) -> float:
        """The rig's time at which a reading of this session was taken."""
        return reading.t_s * 1e6 + self.start_us

    def stroke_at(self, t_us: float) -> FiringTdc | None:
        """The firing TDC in effect at ``t_us``; see ``stroke``."""
        said, reference = self._stroke.at(t_us), self.reference_at(t_us)
        if EarlierRule.STROKE_BEFORE_RESTART in self.rules:
            said = self._stroke.first if self._stroke.began(t_us) == -math.inf else said
        return said.on(self.profile, reference) if said and reference else None

    @property
    def stroke(self) -> FiringTdc | None:
        """The firing TDC in effect now, counted from the reference as valid now."""
        said, here = self._stroke.now, self.here
        return said.on(self.profile, here) if said and here else None

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

    def readings(self) -> list[Reading]:
        """Every forward opening of the units, assigned by the present reference."""
        return self._results.now().readings

    def assessments(self) -> list[Assessment]:
        """Per unit, setting, cylinder and phase; empty without a reference."""
        return self._results.now().assessments

    def comparisons(self) -> list[Comparison]:
        """Units compared; empty without a reference."""
        return self._results.now().comparisons

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

    def lags(self) -> list[ImpulseLag]:
        """The lag of each impulse coupling that shows in the readings."""
        return self._results.now().lags

    def restarted_at(self) -> set[int]:
        """Indices in ``readings()`` at which the rig restarted."""
        return self._results.begins(self.readings())


def signal_settings(profile: Profile, rules: Collection[EarlierRule] = ()) -> Settings:
    """The settings of the signal room for ``profile``.

    The approach is never less than twice the largest measured backlash. Unequal quadrature states
    are corrected where the worst boundary is further off than the half-width entered for the
    encoder's graduation, which would cover it; without that entry, wherever they are surely
    unequal. ``rules`` as for ``Session``.
    """
    units = () if EarlierRule.EARTHED_READ in rules else profile.units
    encoder = profile.encoder
    play = max((unit.backlash_deg or 0.0 for unit in profile.units), default=0.0)
    return Settings(
        counts_per_turn=encoder.counts_per_turn,
        direction=encoder.direction,
        index_level=encoder.index_level,
        encoder_turns_per_crank_turn=float(encoder.turns_per_crank_turn),
        open_levels={unit.input: unit.open_level for unit in profile.units},
        most_closed_deg={unit.input: most_closed_deg(unit, profile) for unit in units},
        closed_end_us=profile.contacts.closed_end_ms * 1e3,
        longest_dropout_us=profile.contacts.longest_dropout_ms * 1e3,
        least_open_us=profile.contacts.least_open_ms * 1e3,
        approach_deg=max(profile.run_up.needed_deg, 2.0 * play),
        forgiven_deg=profile.run_up.forgiven_deg,
        widths_worth_counts=encoder.graduation_error_deg * encoder.counts_per_turn / 360.0,
    )
