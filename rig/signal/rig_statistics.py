"""What a recording shows of the rig itself: index, losses, standstill, and the contact inputs.

``StatisticsCollector`` runs beside an ``OpeningFinder``: batches go in with the events they gave,
in pieces of any size. It judges nothing. The person may divide a recording into *steps* with
annotations named ``NOTE`` and the value ``{"step": ..., "unit": ...}`` (see ``STEPS``); a step that
was abandoned ends with ``BROKEN_OFF`` true.

In a transition that ended open, the closed runs are bounces; open runs of a failed transition are
drop-outs. The runs for which contacts really stayed closed or open are kept beside them.
"""

from __future__ import annotations

import bisect
import math
from array import array
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rig.base.angles import modulo
from rig.signal.events import Closing, Event, Finding, IndexPass, Opening, Settings
from rig.signal.interpolate import LEAST_STRETCHES, StateWidths
from rig.signal.openings import OpeningFinder, replay
from rig.signal.track import TOLERANCE_COUNTS, IndexCheck
from rig.wire.records import INDEX_INPUT, Batch, Health, Identity, Note, Restart

NOTE = "rig-check"
TURN, OFF, ON, BY_HAND, DONE = "turn", "switch off", "switch on", "by hand", "done"
STEPS = (TURN, OFF, ON, BY_HAND, DONE)


"""Steps of a check: turn on in the normal direction; a turn with the switch of a unit at OFF, one
at ON; the contacts of a unit opened by hand, the crank held; and the end of the last step."""


BROKEN_OFF = "broken_off"

APART_DEG = 5.0


"""Openings nearer than this in crank degrees are one place passed again: a hand that goes back."""


SAME_COUNT_DEG = 0.5


@dataclass(frozen=True, slots=True)
class Stretch:
    """What happened after one of the person's notes (or before any: ``step`` is empty).

    ``turned_deg`` is new ground gained turning forward, crank degrees. ``opened`` are the inputs
    that opened on it, one entry an opening: what opens on ground that was covered before (a hand
    that went back, an impulse coupling passed a second time) is left out. ``moved`` are those that
    changed while the crank stood. ``done``: the person ended it as done, and did not break it off.
    ``resumed``: it goes on with the stretch before, in a new life of the rig.
    """

    step: str
    unit: str
    turned_deg: float
    opened: tuple[int, ...]
    moved: tuple[int, ...]
    done: bool = False
    resumed: bool = False


@dataclass(frozen=True, slots=True)
class InputSeen:
    """One contact input. ``turned_deg`` and ``opened_at_us`` are of the longest common stretch.

    ``tries`` says how often turning on was done; what lies before the last time is left out.
    """

    input: int
    turned_deg: float
    opened_at_us: tuple[float, ...]
    closings: int
    changes_at_rest: int
    wavering: Wavering
    tries: int = 1


@dataclass(frozen=True, slots=True)
class RigStatistics:
    """The whole. Counts are the encoder's; an empty or None field was not seen.

    ``counts_between`` lie between one index pass and the next, ``net_counts`` from the first
    position to the last as the rig counts, ``illegal_at_deg`` in the encoder's own turn.
    """

    heard: bool
    counts_between: tuple[float, ...]
    net_counts: float | None
    identity_counts: int | None
    illegal: int
    illegal_at_deg: tuple[float, ...]
    lost_edges: int
    lost_lines: int
    index_off_counts: tuple[float, ...]
    still_counts: int | None
    widths: tuple[float, ...]
    width_errors: tuple[float, ...]
    widths_taken_out: bool  # of the places, at the end
    inputs: tuple[InputSeen, ...]
    stretches: tuple[Stretch, ...]


@dataclass(slots=True)
class _Open:
    """A stretch that is being taken."""

    step: str
    unit: str
    from_us: float
    start: float | None = None  # place in crank degrees, growing forward
    high: float = 0.0
    last: dict[int, float] = field(default_factory=dict)  # input: place of its last opening
    opened_us: dict[int, list[float]] = field(default_factory=dict)
    closings: dict[int, int] = field(default_factory=dict)
    moved: dict[int, int] = field(default_factory=dict)
    done: bool = False
    resumed: bool = False

    @property
    def turned_deg(self) -> float:
        return 0.0 if self.start is None else self.high - self.start


class StatisticsCollector:
    """Takes batches with their events; ``result`` when no more come."""

    def __init__(self, settings: Settings) -> None:
        self._s = settings
        self._check = IndexCheck(settings)
        self._standing = Standing(settings)
        self._levels = Levels(settings)
        self._stretches = [_Open("", "", -np.inf)]
        self._passed: IndexPass | None = None
        self._between: list[float] = []
        self._off: list[float] = []
        self._identity: Identity | None = None
        self._health: Health | None = None
        self._totals = [0, 0, 0]  # illegal, lost edges, lost lines of the lives that are over
        self._index_at: dict[float, int] = {}  # edges of the index: time, count
        self._passes_us: list[float] = []
        self._jumps: list[tuple[float, float]] = []  # illegal transitions: time, count
        self._restarts_us: list[float] = []
        self._angle_less_place = 0.0
        self._latest: tuple[float, int] | None = None
        self._first_count: int | None = None
        self._net = 0
        self._heard = False

    # -- in -----------------------------------------------------------------------------------

    def take(self, batch: Batch, events: Sequence[Event]) -> None:
        """A batch, and what the follower made of it."""
        for other in batch.others:
            if isinstance(other, Restart):
                self._restarted(other.t_us)
        self._positions(batch)
        self._levels.take(batch.edges)
        for edge in batch.edges[batch.edges["input"] == INDEX_INPUT]:
            self._index_at[float(edge["t_us"])] = int(edge["count"])
        for other in batch.others:
            if isinstance(other, Identity):
                self._identity = other
            elif isinstance(other, Health):
                self._take_health(other, batch)
            elif isinstance(other, Note) and other.name == NOTE:
                step, unit = str(other.value.get("step", "")), str(other.value.get("unit", ""))
                self._stretches[-1].done = step == DONE and not other.value.get(BROKEN_OFF, False)
                self._stretches.append(_Open(step, unit, other.t_us))
        self.events(events)

    def events(self, events: Sequence[Event]) -> None:
        """Further events, as those with which the follower ends."""
        for event in events:
            if isinstance(event, IndexPass):
                self._pass(event)
            elif isinstance(event, Opening):
                self._opening(event)
            elif isinstance(event, Closing):
                self._closing(event)
            elif isinstance(event, Finding):
                self._levels.found(event)

    def _positions(self, batch: Batch) -> None:
        rows = batch.positions
        if not len(rows):
            return
        self._heard = True
        self._standing.take(rows)
        count_deg, way = self._s.count_deg, self._s.direction
        first, last = int(rows["count"][0]), int(rows["count"][-1])
        if self._first_count is None:
            self._first_count = first
        self._latest = (float(rows["t_us"][-1]), last)
        now = self._stretches[-1]
        furthest = float(rows["high"].max() if way > 0 else rows["low"].min())
        if now.start is None:
            now.start = now.high = way * first * count_deg
        now.high = max(now.high, way * furthest * count_deg)

    def _take_health(self, health: Health, batch: Batch) -> None:
        before, self._health = self._health, health
        if health.illegal > (before.illegal if before else 0):
            at = self._count_at(health.t_us, batch)
            if at is not None:
                self._jumps.append((health.t_us, at))

    def _count_at(self, t_us: float, batch: Batch) -> float | None:
        rows = batch.positions
        if len(rows):
            return float(np.interp(t_us, rows["t_us"], rows["count"]))
        return None if self._latest is None else float(self._latest[1])

    def _restarted(self, t_us: float) -> None:
        """A new life of the rig: its counts and totals have nothing to do with the old ones."""
        if self._health is not None:
            for i, n in enumerate(
                (self._health.illegal, self._health.lost_edges, self._health.lost_lines)
            ):
                self._totals[i] += n
        if self._latest is not None and self._first_count is not None:
            self._net += self._latest[1] - self._first_count
        self._health = self._latest = self._first_count = self._passed = None
        self._restarts_us.append(t_us)
        self._standing.interrupted()
        now = self._stretches[-1]
        if now.start is not None:
            self._stretches.append(_Open(now.step, now.unit, t_us, resumed=True))

    # -- events -------------------------------------------------------------------------------

    def _pass(self, passed: IndexPass) -> None:
        self._check.take(passed)
        self._passes_us.append(passed.t_us)
        count = self._index_at.get(passed.t_us)
        if count is not None:
            self._angle_less_place = (
                passed.crank_deg - self._s.direction * count * self._s.count_deg
            )
        before, self._passed = self._passed, passed
        if before is None:
            return
        self._off.append(passed.off_counts)
        if before.direction == passed.direction and not passed.anchored:
            counts = abs(passed.crank_deg - before.crank_deg) / self._s.count_deg
            if counts > TOLERANCE_COUNTS:
                self._between.append(counts)

    def _at(self, t_us: float) -> _Open:
        starts = [each.from_us for each in self._stretches]
        return self._stretches[max(bisect.bisect_right(starts, t_us) - 1, 0)]

    def _opening(self, opening: Opening) -> None:
        self._levels.opened(opening)
        which, stretch = opening.input, self._at(opening.t_us)
        if opening.direction == 0:
            stretch.moved[which] = stretch.moved.get(which, 0) + 1
        if opening.direction <= 0:
            return
        if opening.crank_deg is not None and stretch.start is not None:
            place = opening.crank_deg - self._angle_less_place
            if place < stretch.start - SAME_COUNT_DEG or (
                place < stretch.last.get(which, -np.inf) + APART_DEG
            ):
                return
            stretch.last[which] = place
        stretch.opened_us.setdefault(which, []).append(opening.t_us)

    def _closing(self, closing: Closing) -> None:
        self._levels.closed(closing)
        counts = self._at(closing.t_us)
        held = counts.moved if closing.direction == 0 else counts.closings
        if closing.direction >= 0:
            held[closing.input] = held.get(closing.input, 0) + 1

    # -- out ----------------------------------------------------------------------------------

    @property
    def stretch(self) -> Stretch:
        """What has happened since the last of the person's notes."""
        return _closed(self._stretches[-1])

    def result(self, state_widths: StateWidths) -> RigStatistics:
        """All that was seen; ``state_widths`` are those of the player whose events were taken."""
        net = self._net
        if self._latest is not None and self._first_count is not None:
            net += self._latest[1] - self._first_count
        widths, errors = state_widths.shares
        known = state_widths.n >= LEAST_STRETCHES
        health = self._health
        totals = (health.illegal, health.lost_edges, health.lost_lines) if health else (0, 0, 0)
        illegal, lost_edges, lost_lines = (a + b for a, b in zip(self._totals, totals, strict=True))
        off = self._off
        if self._check.counts_wrong:  # told apart from an index that moves about
            middle = float(np.median(self._between))
            off = [counts - middle for counts in self._between]
        return RigStatistics(
            heard=self._heard,
            counts_between=tuple(self._between),
            net_counts=float(net) if abs(net) >= self._s.counts_per_turn else None,
            identity_counts=self._identity.counts_per_turn if self._identity else None,
            illegal=illegal,
            illegal_at_deg=self._illegal_at_deg(),
            lost_edges=lost_edges,
            lost_lines=lost_lines,
            index_off_counts=tuple(off),
            still_counts=self._standing.least_counts,
            widths=tuple(float(w) for w in widths) if known else (),
            width_errors=tuple(float(e) for e in errors) if known else (),
            widths_taken_out=any(state_widths.offsets),
            inputs=self._inputs(),
            stretches=tuple(_closed(each) for each in self._stretches),
        )

    def _illegal_at_deg(self) -> tuple[float, ...]:
        """Degrees of the encoder after the last index passed in the same life of the rig."""
        found = []
        for t_us, count in self._jumps:
            passed = bisect.bisect_right(self._passes_us, t_us)
            began = bisect.bisect_right(self._restarts_us, t_us)
            since_us = self._restarts_us[began - 1] if began else -np.inf
            if not passed or self._passes_us[passed - 1] < since_us:
                continue
            index = self._index_at.get(self._passes_us[passed - 1])
            if index is not None:
                turn = self._s.direction * (count - index) / self._s.counts_per_turn
                found.append(modulo(turn * 360.0))
        return tuple(found)

    def _inputs(self) -> tuple[InputSeen, ...]:
        turns = [n for n, each in enumerate(self._stretches) if each.step == TURN]
        tries = [n for n in turns if not self._stretches[n].resumed]
        done = [n for n in turns if self._stretches[n].done]
        since = max((n for n in tries if n <= done[-1]), default=0) if done else 0
        common = [e for e in self._stretches[since:] if e.step in ("", TURN, DONE)]
        longest = max(common, key=lambda each: each.turned_deg)
        wavering = self._levels.result()
        has = self._identity.contacts if self._identity else 0
        return tuple(
            InputSeen(
                input=which,
                turned_deg=longest.turned_deg,
                opened_at_us=tuple(longest.opened_us.get(which, ())),
                closings=longest.closings.get(which, 0),
                changes_at_rest=sum(each.moved.get(which, 0) for each in common),
                wavering=wavering.get(which, Wavering()),
                tries=max(1, sum(n <= since for n in tries)),
            )
            for which in sorted(wavering.keys() | set(range(1, has + 1)))
        )


def _closed(each: _Open) -> Stretch:
    opened = (which for which, times in each.opened_us.items() for _ in times)
    moved = tuple(sorted(each.moved))
    return Stretch(
        each.step, each.unit, each.turned_deg, tuple(sorted(opened)), moved, each.done, each.resumed
    )


def statistics_of(batches: Iterable[Batch], settings: Settings) -> RigStatistics:
    """A whole recording walked through."""
    finder, collector = OpeningFinder(settings), StatisticsCollector(settings)
    for batch, events in replay(finder, batches):
        collector.take(batch, events)
    return collector.result(finder.widths)


PIECE_US = 500_000.0
PIECES = 4


"""Stood for two seconds: this many pieces in succession."""


STANDS_DEG = 1.0


"""A crank that stands wanders by no more than this, and not on and on (common practice, no
source: a hand on it trembles by as much)."""


_Piece = tuple[int, int, int, int, int]  # number, lowest, highest, first, last


class Standing:
    """Finds the quietest two seconds. ``least_counts`` is None while the crank never stood."""

    def __init__(self, settings: Settings) -> None:
        self._most = max(STANDS_DEG / settings.count_deg, 2.0)
        self._pieces: deque[_Piece] = deque(maxlen=PIECES)
        self.least_counts: int | None = None

    def interrupted(self) -> None:
        """The counts begin anew."""
        self._pieces.clear()

    def take(self, positions: NDArray[np.void]) -> None:
        """Newer positions, dtype ``POSITION``, shape (n,)."""
        numbers = np.floor(positions["t_us"] / PIECE_US).astype(np.int64)
        starts = np.flatnonzero(np.diff(numbers, prepend=numbers[0] - 1))
        low = np.minimum.reduceat(positions["low"], starts)
        high = np.maximum.reduceat(positions["high"], starts)
        first = positions["count"][starts]
        last = positions["count"][np.append(starts[1:], len(numbers)) - 1]
        columns = (each.tolist() for each in (numbers[starts], low, high, first, last))
        for piece in zip(*columns, strict=True):
            self._add(piece)

    def _add(self, piece: _Piece) -> None:
        pieces = self._pieces
        if pieces and pieces[-1][0] == piece[0]:  # the same half second, cut by the stream
            _, low, high, first, _ = pieces.pop()
            piece = (piece[0], min(low, piece[1]), max(high, piece[2]), first, piece[4])
        else:
            self._judge()
            if pieces and piece[0] != pieces[-1][0] + 1:
                pieces.clear()
        pieces.append(piece)

    def _judge(self) -> None:
        """Four whole pieces: did the crank stand?"""
        pieces = self._pieces
        if len(pieces) < PIECES:
            return
        if abs(pieces[-1][4] - pieces[0][3]) > 1:
            return
        counts = max(p[2] for p in pieces) - min(p[1] for p in pieces)
        if counts <= self._most:
            least = self.least_counts
            self.least_counts = counts if least is None else min(least, counts)


PARTED = ("spike", "drop-out", "short opening")
JUST_BEFORE = "drop-out just before"


@dataclass(frozen=True, slots=True)
class Wavering:
    """Microseconds. ``closed_us`` and ``open_us``: how long the contacts stayed so, each time."""

    chatter_us: tuple[float, ...] = ()
    dropouts_us: tuple[float, ...] = ()
    closed_us: tuple[float, ...] = ()
    open_us: tuple[float, ...] = ()


@dataclass(slots=True)
class _Input:
    times: array[float] = field(default_factory=lambda: array("d"))
    levels: bytearray = field(default_factory=bytearray)
    passages: list[tuple[float, float]] = field(default_factory=list)  # from, to
    parted: list[tuple[float, bool]] = field(default_factory=list)  # from, alone
    closed_us: list[float] = field(default_factory=list)
    open_us: list[float] = field(default_factory=list)


class Levels:
    """Keeps the edges of every contact input, and what was made of them."""

    def __init__(self, settings: Settings) -> None:
        self._s = settings
        self._inputs: dict[int, _Input] = {}

    def _of(self, which: int) -> _Input:
        return self._inputs.setdefault(which, _Input())

    def take(self, edges: NDArray[np.void]) -> None:
        """Edges as they came, dtype ``EDGE``, shape (n,)."""
        for which in np.unique(edges["input"]).tolist():
            if which == INDEX_INPUT:
                continue
            rows = edges[edges["input"] == which]
            own = self._of(which)
            own.times.frombytes(np.ascontiguousarray(rows["t_us"], np.float64).tobytes())
            own.levels += rows["level"].astype(np.uint8).tobytes()

    def opened(self, opening: Opening) -> None:
        """An opening was decided."""
        own = self._of(opening.input)
        own.passages.append((opening.t_us, opening.t_us + opening.passage_us))
        # How long it had been closed is known where it was seen to close, the crank turning.
        if opening.direction and not math.isnan(opening.closed_deg):
            own.closed_us.append(opening.closed_us)

    def closed(self, closing: Closing) -> None:
        """A closing was decided."""
        if closing.direction and not math.isnan(closing.open_us):
            self._of(closing.input).open_us.append(closing.open_us)

    def found(self, finding: Finding) -> None:
        """Contacts parted and it came to nothing, or so it was judged."""
        if finding.kind in PARTED:
            self._of(finding.input).parted.append((finding.t_us, False))
        elif finding.kind == JUST_BEFORE:
            self._of(finding.input).parted.append((finding.t_us, True))

    def result(self) -> dict[int, Wavering]:
        """For each input of which an edge was heard."""
        return {which: self._measured(which, own) for which, own in self._inputs.items()}

    def _measured(self, which: int, own: _Input) -> Wavering:
        times = np.frombuffer(own.times, np.float64) if own.times else np.empty(0)
        is_open = np.frombuffer(own.levels, np.uint8) == self._s.open_levels.get(which, 1)
        order = np.argsort(times, kind="stable")
        times, is_open = times[order], is_open[order]
        changed = np.ones(len(times), bool)
        changed[1:] = is_open[1:] != is_open[:-1]
        times, is_open = times[changed], is_open[changed]
        chatter: list[float] = []
        for from_us, to_us in own.passages:
            first, last = np.searchsorted(times, (from_us, to_us + 0.5))
            runs = times[first:last]
            opens = is_open[first:last]
            if len(runs) > 2 and opens[0]:
                chatter += (runs[2::2] - runs[1::2][: len(runs[2::2])]).tolist()
        dropouts: list[float] = []
        for from_us, alone in own.parted:
            dropouts += self._runs(times, is_open, from_us, alone)
        return Wavering(tuple(chatter), tuple(dropouts), tuple(own.closed_us), tuple(own.open_us))

    def _runs(
        self, times: NDArray[np.float64], is_open: NDArray[np.bool_], from_us: float, alone: bool
    ) -> list[float]:
        """Open runs from ``from_us`` on, as long as the closed gaps between them end nothing."""
        i = int(np.searchsorted(times, from_us))
        found: list[float] = []
        while i + 1 < len(times) and is_open[i]:
            found.append(float(times[i + 1] - times[i]))
            gap_us = times[i + 2] - times[i + 1] if i + 2 < len(times) else math.inf
            if alone or gap_us >= self._s.closed_end_us:
                break
            i += 2
        return found
