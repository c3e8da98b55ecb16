"""Records in, events out: the same code live and after the fact.

Batches may have any size. Records are sorted by rig time and processed up to the watermark: the
time up to which the rig has reported every edge, and whether any was lost. So the events do not
depend on how the stream was cut.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from operator import itemgetter
from typing import Protocol

import numpy as np

from rig.signal.contacts import LOOK_BACK, Inputs, Rest, Transition, failed_finding
from rig.signal.crank_motion import (
    CrankDisplay,
    CrankMotion,
    Mark,
    is_held,
    mark_of,
    marked,
    why_held,
)
from rig.signal.events import (
    JUST_BEFORE,
    Closing,
    Event,
    Finding,
    Now,
    Opening,
    Reason,
    ReferenceLost,
    Rejection,
    Settings,
)
from rig.signal.integrity import (
    Covered,
    Grown,
    Incident,
    IntegrityMonitor,
    ReorderBuffer,
    Uncovered,
    WrongCount,
)
from rig.signal.interpolate import (
    EVEN,
    Interpolated,
    Offsets,
    Placing,
    StateWidths,
    interpolate,
    without_glitch,
)
from rig.signal.track import INDEX_LEAST_US, IndexInput, Track
from rig.wire.records import INDEX_INPUT, Batch, Cut, Edge, Restart

SAME_PLACE_COUNTS = 1.0
"""Contacts that closed going forward do not open within a count of that place: no lobe is so
narrow. A trembling hand turned round there, within the count, where direction is hard to see."""

SURE_DEG = 0.1
MOST_UNSURE = 0.01
"""An opening is not a reading when the probability that it lies further than ``SURE_DEG`` crank
degrees from its place is more than this; nor when the crank turned round in its count, and half of
that is more than ``SURE_DEG``."""

MOST_UNEQUAL = 0.5
"""Unequal states move an opening by no more counts than this (common practice, no source). Where
that is more than ``SURE_DEG``, or than what the settings accept, they are measured first."""

STATES_KNOWN = 0.25
"""They are known when the standard error of each is below this share of ``SURE_DEG``."""

UNMEASURED = 2.0
"""A count may be this much wider than the mean one while they are not."""

MOST_UNPLACED = 2_000
"""Openings that wait for the index; beyond this, the oldest is listed without an angle."""


class Player(Protocol):
    """What a recording can be played through: an ``OpeningFinder`` or a ``Session``."""

    def take(self, batch: Batch) -> list[Event]:
        """Events that ``batch`` decides, in order of decision."""

    def finish(self) -> list[Event]:
        """Events that are decided by the end of the recording."""


def replay(player: Player, batches: Iterable[Batch]) -> Iterator[tuple[Batch, list[Event]]]:
    """Play a recording to its end: each batch with the events that it decided.

    The last pair is an empty batch with the events that the end decided.
    """
    for batch in batches:
        yield batch, player.take(batch)
    yield Batch(), player.finish()


class OpeningFinder:
    """Finds openings, closings and index passes in the records of a rig."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.widths = StateWidths(settings.widths_worth_counts)
        worth_deg = max(SURE_DEG, settings.widths_worth_counts * settings.count_deg)
        self.states_matter = settings.count_deg * MOST_UNEQUAL > worth_deg
        self._events: list[Event] = []  # decided and not given yet
        self._begin(turns=0.0)

    @property
    def states_known(self) -> bool:
        """Whether the encoder's states are measured well enough by now, or need not be."""
        _, error = self.widths.measured
        return not self.states_matter or error * self.settings.count_deg <= STATES_KNOWN * SURE_DEG

    @property
    def count_width(self) -> float:
        """Width by which a place within a count is uncertain, in mean counts: a place anywhere is
        in a state of width w with a probability of w / 4, and its variance there is w^2 / 12."""
        if not self.states_matter:
            return 1.0
        widths, _ = self.widths.shares
        return float(np.mean(widths**3)) ** 0.5 if self.states_known else UNMEASURED

    def middle_deg(self, at: float) -> float | None:
        """Crank angle of the middle of the count of ``at``, by the encoder's states as measured by
        now where they matter; None without an anchor."""
        if not (self.states_matter and self.states_known) or self._anchor_edge is None:
            return self.track.crank_deg(math.floor(at) + 0.5)
        offsets, _ = self.widths.measured
        held = Edge(0.0, INDEX_INPUT, 0, math.floor(at), [math.nan] * 4, [0] * 4, [0] * 4)
        moved = interpolate(self._anchor_edge, offsets).at - self._anchor_shift
        moved -= self.track.anchor or 0.0
        return self.track.crank_deg(interpolate(held, offsets).at - moved)

    def _begin(self, turns: float) -> None:
        """A rig starts, ``turns`` whole turns of the encoder after the first."""
        s = self.settings
        self.latest: np.void | None = None  # newest position record, for display
        self._display = CrankDisplay()
        self.track = Track(s, turns)
        self.motion = CrankMotion(s)
        self.inputs = Inputs(s)
        self.index = IndexInput()
        self._anchor_edge: Edge | None = None
        self._anchor_offsets: Offsets = EVEN
        self._anchor_shift = 0.0
        self._unplaced: deque[tuple[Opening, Edge]] = deque()  # openings that wait for the index
        self._closed_at: dict[int, tuple[float, float]] = {}  # input: place, time
        self._opened_at: dict[int, tuple[float, float]] = {}
        self._closed_from: dict[int, float] = {}  # input: place since which they are surely closed
        self.waiting = ReorderBuffer()
        self.losses = IntegrityMonitor()
        self._covered = Covered()
        self._done_us = self._sure_us = -math.inf

    # -- input --------------------------------------------------------------------------------

    def take(self, batch: Batch) -> list[Event]:
        """Events that ``batch`` decides, in order of decision."""
        for other in batch.others:
            if isinstance(other, Restart):
                self._restart(other)
        self.waiting.add(batch, self._covered.take(batch))
        if len(batch.positions):
            self.latest = batch.positions[-1]
            self._display.take(batch.positions)
            self.motion.add(batch.positions)
            self._done_us = max(self._done_us, float(batch.positions["done_us"].max()))
        sure_us = min(self._done_us, self._covered.sure_us)
        if sure_us > self._sure_us:
            self._sure_us = sure_us
            self._work(sure_us)
        return self._given()

    def finish(self) -> list[Event]:
        """The recording has ended: process what waits, and list openings still without an index."""
        self._work_last(Reason.INDEX_NEVER_MET)
        return self._given()

    def _given(self) -> list[Event]:
        events, self._events = self._events, []
        return events

    def _work_last(self, unplaced: Reason) -> None:
        """Process everything that came. Silence after it decides nothing: more may have followed.
        What lies beyond the rig's last totals is in doubt. ``unplaced``: why the index of openings
        did not come."""
        last_us = max(self._done_us, math.nextafter(self.waiting.last_us, math.inf))
        doubt_us = math.nextafter(self._covered.sure_us, math.inf)
        if last_us > doubt_us:
            self._work(doubt_us)
            self.losses.doubt(doubt_us, math.inf, Reason.NOT_COVERED)
        self._work(max(self._sure_us, last_us))
        for opening, _ in self._unplaced:
            why = opening.rejection or Rejection(unplaced)
            self._events.append(replace(opening, rejection=why))
        self._unplaced.clear()

    # -- processing, in order of time -------------------------------------------------------------

    def _work(self, sure_us: float) -> None:
        """Process everything before ``sure_us``."""
        edges = self.waiting.waiting_before(sure_us)
        if len(edges):
            for edge in edges[self.motion.impossible(edges["t_us"], edges["count"])]:
                self.waiting.put(WrongCount(float(edge["t_us"]), int(edge["input"])))
        reached_us = math.nan
        while (incident := self.waiting.incident_before(sure_us)) is not None:
            if incident.t_us != reached_us:
                self._up_to(incident.t_us)
                reached_us = incident.t_us
            self._handle(incident)
        self._up_to(sure_us)

    def _handle(self, incident: Incident) -> None:
        if isinstance(incident, Cut):
            if incident.input == INDEX_INPUT:
                self.index.cut()
            else:
                self._decide(self.inputs.cut(incident))
        elif isinstance(incident, WrongCount):
            us, which = incident.t_us, incident.input
            self.losses.doubt(us, math.nextafter(us, math.inf), Reason.WRONG_COUNT)
            text = "an edge's count contradicts the positions around it"
            self._events.append(Finding(us, "wrong count", which, text))
        elif isinstance(incident, Uncovered):
            self.losses.doubt(incident.t_us, incident.to_us, Reason.NOT_COVERED)
        elif isinstance(incident, Grown):
            self._count_lost(self.losses.grown(incident), incident.t_us)
        else:
            self._count_lost(self.losses.line_error(incident), incident.t_us)

    def _up_to(self, before_us: float) -> None:
        """Process what is before ``before_us``; after a loss, stop where the levels are known."""
        if self.losses.looking:
            row = self.losses.over(self.motion.waiting_before(before_us))
            if row is not None:
                self._through(math.nextafter(float(row["t_us"]), math.inf))
                self._closed_from = dict.fromkeys(self._closed_from, float(row["count"]))
                for finding, opened in self.inputs.resync(row):
                    self._events.append(finding)
                    if opened:
                        self._opened_unseen(finding.input, row)
        self._through(before_us)

    def _through(self, before_us: float) -> None:
        """Process the records before ``before_us``, and what silence until then decides.

        At the same instant, decisions come first, then edges, then positions and widths.
        """
        edges = self.waiting.edges_before(before_us)
        contacts = edges["input"] != INDEX_INPUT
        if not self.inputs:
            first_us = min([before_us, *edges["t_us"][contacts][:1].tolist()])
            first = self.motion.waiting_before(first_us)[:1]
            self.inputs.begin(first)
            self._closed_from = {
                which: float(row["count"])
                for row in first
                for which in self.settings.most_closed_deg
            }
        movement = self.motion.to(before_us)
        widths = self.waiting.widths_before(before_us)
        offsets = self.widths.take(widths)
        transitions: list[tuple[int, Transition]] = []
        pulses: list[tuple[float, np.void | None]] = []
        if len(edges):
            marks = marked(edges, movement, widths["t_us"], offsets)
            transitions = self.inputs.edges(marks[contacts])
            pulses = self.index.edges(marks[~contacts])
        transitions += self.inputs.until(before_us)
        pulses += self.index.until(before_us)
        self._decide(transitions, pulses)

    def _decide(
        self,
        transitions: list[tuple[int, Transition]],
        pulses: Sequence[tuple[float, np.void | None]] = (),
    ) -> None:
        """Transitions and index pulses that are decided, in order of their decision."""
        decided = [
            *((transition.decided_us, which, transition) for which, transition in transitions),
            *((t_us, INDEX_INPUT, mark) for t_us, mark in pulses),
        ]
        for t_us, which, what in sorted(decided, key=itemgetter(0, 1)):
            if isinstance(what, Transition):
                self._transition(which, what)
            elif what is not None:
                mark, clear = self._mark(what)
                if clear:
                    self._index(mark)
            else:
                text = "a pulse too short for the index"
                self._events.append(Finding(t_us, "index spike", INDEX_INPUT, text))

    def _mark(self, row: np.void) -> tuple[Mark, bool]:
        """A mark without encoder glitches, and whether that was possible."""
        mark = mark_of(row)
        if self.settings.glitches_count:
            return mark, True
        edge = without_glitch(mark.edge)
        return (mark, False) if edge is None else (mark._replace(edge=edge), True)

    # -- findings -------------------------------------------------------------------------------

    def _transition(self, which: int, transition: Transition) -> None:
        if transition.longest_us is not None:
            self._events.append(failed_finding(transition, which, self.settings))
            if transition.broken or transition.longest_us > self.settings.longest_dropout_us:
                self._closed_from[which] = float(transition.mark["count"])
            return
        mark, clear = self._mark(transition.mark)
        where = interpolate(mark.edge, mark.offsets)
        direction = where.step * self.settings.direction
        if transition.to is Rest.CLOSED:
            since = self._opened_at.get(which)
            angle, open_deg = self._angle(where.at, mark.offsets), self._moved_deg(since, where.at)
            open_us = transition.t_us - since[1] if since else math.nan
            self._events.append(
                Closing(which, transition.t_us, angle, direction, open_us, open_deg)
            )
            # Closed going backwards, they do not show how long the lobe keeps them closed.
            self._closed_at[which] = (where.at if direction > 0 else math.nan, transition.t_us)
            self._closed_from[which] = where.at
            return
        self._events += [
            Finding(t_us, JUST_BEFORE, which, "taken for noise, not for the opening", open_us)
            for t_us, open_us in transition.dropped
        ]
        opening = self._opening(which, transition, mark, where)
        if not clear:  # nothing around it shows which way the crank went
            why = opening.rejection
            if why is None or why.reason is Reason.BACKWARDS:
                why = Rejection(Reason.ENCODER_JUMPED)
            opening = replace(opening, direction=1, rejection=why)
        self._opened_at[which] = (where.at, transition.t_us)
        self._place(replace(opening, placing=self._placing(mark.edge, mark.offsets)), mark.edge)

    def _place(self, opening: Opening, edge: Edge) -> None:
        """List an opening, or have it wait for the index."""
        if self.track.anchor is not None:
            self._events.append(opening)
            return
        self._unplaced.append((opening, edge))
        if len(self._unplaced) > MOST_UNPLACED:
            first, _ = self._unplaced.popleft()
            late = first.rejection or Rejection(Reason.NO_INDEX)
            self._events.append(replace(first, rejection=late))

    def _opened_unseen(self, which: int, row: np.void) -> None:
        """The contacts opened while edges were lost: list the opening at this ``POSITION`` record,
        not valid."""
        t_us, count = float(row["t_us"]), int(row["count"])
        came, goes = count - int(row["low"]), int(row["high"]) - count
        self._opened_at.pop(which, None)
        self._closed_at.pop(which, None)
        opening = Opening(
            input=which,
            t_us=t_us,
            crank_deg=self._angle(count + 0.5, self._anchor_offsets),
            direction=((came > goes) - (came < goes)) * self.settings.direction,
            speed_deg_s=math.nan,
            approach_deg=math.nan,
            rejection=Rejection(self.losses.why(t_us, t_us) or Reason.UNSEEN),
            times_opened=1,
            transition_us=math.nan,
            closed_us=math.nan,
            closed_deg=math.nan,
        )
        level = self.inputs.open_level(which)
        self._place(opening, Edge(t_us, which, level, count, [math.nan] * 4, [0] * 4, [0] * 4))

    def _opening(
        self, which: int, transition: Transition, mark: Mark, where: Interpolated
    ) -> Opening:
        s = self.settings
        direction = where.step * s.direction
        since = self._closed_at.get(which)
        turned = where.doubt * s.count_deg > SURE_DEG
        if where.doubt and direction < 0:  # perhaps they opened before the crank turned round
            direction, turned = 1, True
        if since and direction > 0 and abs(where.at - since[0]) < SAME_PLACE_COUNTS:
            direction = -1  # they closed here going forward: the crank went back
        approach_deg = 0.0
        passed = True
        if not math.isnan(mark.approach_start):
            at = where.at * s.direction
            approach_deg = max(at - mark.approach_start, 0.0) * s.count_deg
            passed = at >= mark.approach_furthest - 0.5 and not turned
        if is_held(mark, s.direction, s.count_deg):
            direction = 0
        speed_deg_us = abs(where.speed) * s.count_deg
        unsure = transition.unsure(SURE_DEG / speed_deg_us) if speed_deg_us else 0.0
        closed_deg = self._moved_deg((self._closed_from.get(which, math.nan), 0.0), where.at)
        most_deg = s.most_closed_deg.get(which, math.inf)
        # An edge lost shortly before matters too.
        lost = self.losses.why(
            transition.from_us - LOOK_BACK * s.closed_end_us, transition.decided_us
        )
        reasons: tuple[tuple[bool, Rejection | None], ...] = (
            (direction < 0, Rejection(Reason.BACKWARDS)),
            (lost is not None, Rejection(lost or Reason.UNSEEN)),
            (transition.broken, Rejection(Reason.BOUNCES_CUT)),
            (self.losses.jumping(transition.t_us), Rejection(Reason.ENCODER_JUMPED)),
            (self.track.lost is not None, self.track.lost),
            (direction == 0, Rejection(why_held(transition.rest_us))),
            (
                approach_deg < s.approach_deg,
                Rejection(Reason.SHORT_APPROACH, (approach_deg, s.approach_deg)),
            ),
            (not passed, Rejection(Reason.TURNED_BACK)),
            (unsure > MOST_UNSURE, Rejection(Reason.NOISE_OR_BOUNCE)),
            (closed_deg > most_deg, Rejection(Reason.EARTHED, (closed_deg, most_deg))),
        )
        return Opening(
            input=which,
            t_us=transition.t_us,
            crank_deg=self._angle(where.at, mark.offsets),
            direction=direction,
            speed_deg_s=where.speed * s.direction * s.count_deg * 1e6,
            approach_deg=approach_deg,
            rejection=next((why for holds, why in reasons if holds), None),
            times_opened=transition.runs,
            transition_us=transition.last_us - transition.t_us,
            closed_us=transition.rest_us,
            closed_deg=self._moved_deg(since, where.at),
            bounce_us=transition.bounce_us,
        )

    def _index(self, mark: Mark) -> None:
        edge, offsets = mark.edge, mark.offsets
        where = interpolate(edge, offsets)
        direction = where.step * self.settings.direction
        if self.losses.why(edge.t_us, edge.t_us + INDEX_LEAST_US):
            return  # it may be a spike whose end was lost
        active = edge.level == self.settings.index_level
        # Forward, the leading edge is where the pulse begins; backwards, where it ends.
        if direction == 0 or active != (direction > 0):
            return
        self._refresh_anchor(offsets)
        passed = self.track.passed(where.at, edge.t_us, direction)
        self._events.append(passed)
        if passed.anchored:
            self._anchor_edge, self._anchor_offsets = edge, offsets
            self._anchor_shift = where.at - (self.track.anchor or 0.0)
            # The openings that waited are placed with the state widths as known by now.
            for opening, its_edge in self._unplaced:
                angle = self._angle(interpolate(its_edge, offsets).at, offsets)
                placing = self._placing(its_edge, offsets)
                self._events.append(replace(opening, crank_deg=angle, placing=placing))
            self._unplaced.clear()
        elif self.track.lost:
            self._events.append(ReferenceLost(passed.t_us, self.track.lost))

    # -- for display ----------------------------------------------------------------------------

    def now(self) -> Now | None:
        """The crank at the newest position; None before the first."""
        if self.latest is None:
            return None
        return self._display.now(self.latest, self.track, self.motion.approach, self.settings)

    def contact_open(self, which: int) -> bool | None:
        """Whether a contact input is open at the newest position; None before the first."""
        return None if self.latest is None else self.inputs.is_open(which, self.latest)

    # -- angles ---------------------------------------------------------------------------------

    def _refresh_anchor(self, offsets: Offsets) -> None:
        """Place the anchor with the same state widths as the event."""
        if self._anchor_edge is not None and offsets != self._anchor_offsets:
            at = interpolate(self._anchor_edge, offsets).at
            self.track.anchor = at - self._anchor_shift
            self._anchor_offsets = offsets

    def _angle(self, at: float, offsets: Offsets) -> float | None:
        self._refresh_anchor(offsets)
        return self.track.crank_deg(at)

    def _placing(self, edge: Edge, offsets: Offsets) -> Placing | None:
        if not self.states_matter or self._anchor_edge is None:
            return None
        count_deg = self.settings.direction * self.settings.count_deg
        return Placing(edge, self._anchor_edge, offsets, count_deg)

    def _moved_deg(self, since: tuple[float, float] | None, at: float) -> float:
        if since is None:
            return math.nan
        return (at - since[0]) * self.settings.direction * self.settings.count_deg

    # -- losses, restarts -------------------------------------------------------------------------

    def _count_lost(self, reason: Reason | None, t_us: float) -> None:
        """With a reason: angles are not valid until the index has passed."""
        if reason is None:
            return
        why = Rejection(reason)
        if self.track.lost != why:
            self._events.append(ReferenceLost(t_us, why))
        self.track.lost = why
        self._unplaced = deque(
            (replace(opening, rejection=opening.rejection or why), edge)
            for opening, edge in self._unplaced
        )

    def _restart(self, restart: Restart) -> None:
        """The rig restarted. List what is certain of the old life, then begin afresh."""
        self._work_last(Reason.RESTARTED_BEFORE_INDEX)
        turns = self.track.turns
        if self.latest is not None and self.track.anchor is not None:
            angle = self.track.crank_deg(float(self.latest["count"])) or 0.0
            turns = float(math.ceil(angle * self.settings.encoder_turns_per_crank_turn / 360.0))
            self._events.append(ReferenceLost(restart.t_us, Rejection(Reason.RESTARTED)))
        self.widths.restart()
        self._begin(turns)
