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
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from rig.base.angles import modulo
from rig.signal.events import Closing, Event, Finding, IndexPass, Opening, Settings
from rig.signal.interpolate import LEAST_STRETCHES, StateWidths
from rig.signal.openings import OpeningFinder, replay
from rig.signal.track import TOLERANCE_COUNTS, IndexCheck
from rig.wire.records import INDEX_INPUT, Batch, Health, Identity, Note, Restart

NOTE = "rig-check"
BEGIN, TURN, OFF, ON = "begin", "turn", "switch off", "switch on"
BY_HAND, DONE = "by hand", "done"
STEPS = (BEGIN, TURN, OFF, ON, BY_HAND, DONE)
"""Steps of a check: its beginning, before which no fault counts; turn on in the normal direction; a
turn with a unit's switch at OFF, one at ON; a unit's contacts opened by hand with the crank held;
the end of the last step."""

BROKEN_OFF = "broken_off"

APART_DEG = 5.0
"""Openings nearer than this, in crank degrees, are one place passed again by a hand that went
back."""

SAME_COUNT_DEG = 0.5

MOST_EDGES = 20_000
MOST_LIVES = 1_000
"""Edges kept of an input until they are assigned, and half of the stretches kept at most of a rig
that keeps restarting."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """What happened after one of the person's notes (before the first, ``step`` is empty).

    ``turned_deg`` is new ground gained turning forward, crank degrees. ``opened`` lists the input
    of each opening on it; openings on ground already covered (a hand that went back, an impulse
    coupling passed again) are left out. ``moved`` are inputs that changed while the crank stood
    still. ``done``: the person completed the step. ``resumed``: it continues the stretch before
    after a restart of the rig.
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
    """One contact input. ``turned_deg`` and ``opened_at_us`` are of the longest stretch of turning.

    ``tries`` says how often that was begun; only the last counts. ``opened_before``: openings
    before those whose times are kept.
    """

    input: int
    turned_deg: float
    opened_at_us: tuple[float, ...]
    closings: int
    changes_at_rest: int
    wavering: LevelRuns
    tries: int = 1
    opened_before: int = 0


@dataclass(frozen=True, slots=True)
class RigStatistics:
    """The whole. Counts are the encoder's; an empty or None field was not seen.

    Of each repeated figure the last ``MOST_FIGURES`` are kept, with the least and the greatest of
    all; ``passes_before`` index passes came before those kept. ``counts_between`` lie between
    successive index passes, ``net_counts`` between the first and last positions as the rig counts,
    ``illegal_at_deg`` is in the encoder's own turn.
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
    widths_taken_out: bool  # whether they are corrected, at the end
    inputs: tuple[InputSeen, ...]
    stretches: tuple[Stretch, ...]
    passes_before: int = 0


MOST_FIGURES = 2_000


class Figures:
    """The last figures of one kind, with the least and the greatest of all."""

    def __init__(self) -> None:
        self._last: deque[float] = deque(maxlen=MOST_FIGURES)
        self._least, self._greatest = math.inf, -math.inf
        self.n = 0

    def add(self, *figures: float) -> None:
        """Add figures."""
        for figure in figures:
            self._last.append(figure)
            self._least, self._greatest = min(self._least, figure), max(self._greatest, figure)
            self.n += 1

    def kept(self) -> tuple[float, ...]:
        """Those kept, in order; the least and the greatest first if they are older."""
        last = tuple(self._last)
        if self.n == len(last):
            return last
        return (*(each for each in (self._least, self._greatest) if each not in last), *last)


@dataclass(slots=True)
class _Open:
    """A stretch in progress."""

    step: str
    unit: str
    from_us: float
    start: float | None = None  # place in crank degrees, increasing forward
    high: float = 0.0
    last: dict[int, float] = field(default_factory=dict)  # input: place of its last opening
    opened_us: dict[int, deque[float]] = field(default_factory=dict)
    opened: Counter[int] = field(default_factory=Counter)
    closings: Counter[int] = field(default_factory=Counter)
    moved: Counter[int] = field(default_factory=Counter)
    done: bool = False
    resumed: bool = False

    @property
    def turned_deg(self) -> float:
        return 0.0 if self.start is None else self.high - self.start


class StatisticsCollector:
    """Takes batches with their events; then ``result``."""

    def __init__(self, settings: Settings) -> None:
        self._s = settings
        self._check = IndexCheck(settings)
        self._standstill = StandstillFinder(settings)
        self._levels = LevelRunCollector(settings)
        self._stretches = [_Open("", "", -np.inf)]
        self._passed: IndexPass | None = None
        self._between, self._off = Figures(), Figures()
        self._identity: Identity | None = None
        self._health: Health | None = None
        self._before = np.zeros(3, np.int64)  # totals (``_totals``) before the last restart
        self._index_at: dict[float, int] = {}  # edges of the index: time, count
        self._passes: deque[tuple[float, int | None]] = deque(maxlen=MOST_FIGURES)  # time, count
        self._jumps: deque[tuple[float, float]] = deque(maxlen=MOST_FIGURES)  # illegal: time, count
        self._jumped_at: deque[float] = deque(maxlen=MOST_FIGURES)  # degrees, once known
        self._restarts_us: deque[float] = deque(maxlen=MOST_FIGURES)
        self._angle_less_place = 0.0
        self._latest: tuple[float, int] | None = None
        self._first_count: int | None = None
        self._net = 0
        self._heard = False

    # -- input --------------------------------------------------------------------------------

    def take(self, batch: Batch, events: Sequence[Event]) -> None:
        """A batch and its events."""
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
                if step == BEGIN:
                    self._forget_faults()
                self._stretches[-1].done = step == DONE and not other.value.get(BROKEN_OFF, False)
                self._stretches.append(_Open(step, unit, other.t_us))
        self.events(events)
        for old in list(islice(self._index_at, max(len(self._index_at) - MOST_EDGES, 0))):
            del self._index_at[old]

    def events(self, events: Sequence[Event]) -> None:
        """Further events, such as those of the recording's end."""
        for event in events:
            if isinstance(event, IndexPass):
                self._pass(event)
            elif isinstance(event, Opening):
                self._opening(event)
            elif isinstance(event, Closing):
                self._closing(event)
            elif isinstance(event, Finding):
                self._levels.found(event)
        self._levels.measure()

    def _positions(self, batch: Batch) -> None:
        rows = batch.positions
        if not len(rows):
            return
        self._heard = True
        self._standstill.take(rows)
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

    def _forget_faults(self) -> None:
        """A check begins: what went wrong before was perhaps put right. What was tried stays."""
        self._before = -self._totals
        self._check = IndexCheck(self._s)
        self._standstill = StandstillFinder(self._s)
        self._levels = LevelRunCollector(self._s)
        self._between, self._off, self._passed = Figures(), Figures(), None
        self._jumps.clear()
        self._jumped_at.clear()
        self._first_count, self._net = None, 0

    @property
    def _totals(self) -> NDArray[np.int64]:
        """Illegal transitions, lost edges and lost lines since the rig's last restart."""
        of = self._health
        return np.array([of.illegal, of.lost_edges, of.lost_lines] if of else [0, 0, 0])

    @property
    def _moved(self) -> int:
        """Counts from the first position since then to the latest."""
        if self._latest is None or self._first_count is None:
            return 0
        return self._latest[1] - self._first_count

    def _restarted(self, t_us: float) -> None:
        """The rig restarted: its counts and totals have nothing to do with the old ones."""
        self._before = self._before + self._totals
        self._net += self._moved
        self._health = self._latest = self._first_count = self._passed = None
        self._restarts_us.append(t_us)
        self._standstill.interrupted()
        now = self._stretches[-1]
        if now.start is not None:
            self._stretches.append(_Open(now.step, now.unit, t_us, resumed=True))
        if len(self._stretches) > 2 * MOST_LIVES:
            # Of many restarts, drop those in which the crank was turned least.
            older = [each for each in self._stretches[:-1] if each.resumed]
            least = sorted(older, key=lambda each: each.turned_deg)[:MOST_LIVES]
            gone = set(map(id, least))
            self._stretches = [each for each in self._stretches if id(each) not in gone]

    # -- events -------------------------------------------------------------------------------

    def _pass(self, passed: IndexPass) -> None:
        self._check.take(passed)
        while self._jumps and self._jumps[0][0] < passed.t_us:  # no earlier pass will come
            self._jumped_at.extend(self._degrees(*self._jumps.popleft()))
        count = self._index_at.get(passed.t_us)
        self._passes.append((passed.t_us, count))
        if count is not None:
            self._angle_less_place = (
                passed.crank_deg - self._s.direction * count * self._s.count_deg
            )
        before, self._passed = self._passed, passed
        if before is None:
            return
        self._off.add(passed.off_counts)
        if before.direction == passed.direction and not passed.anchored:
            counts = abs(passed.crank_deg - before.crank_deg) / self._s.count_deg
            if counts > TOLERANCE_COUNTS:
                self._between.add(counts)

    def _at(self, t_us: float) -> _Open:
        nth = bisect.bisect_right(self._stretches, t_us, key=lambda each: each.from_us)
        return self._stretches[max(nth - 1, 0)]

    def _opening(self, opening: Opening) -> None:
        self._levels.opened(opening)
        which, stretch = opening.input, self._at(opening.t_us)
        if opening.direction == 0:
            stretch.moved[which] += 1
        if opening.direction <= 0:
            return
        if opening.crank_deg is not None and stretch.start is not None:
            place = opening.crank_deg - self._angle_less_place
            if place < stretch.start - SAME_COUNT_DEG or (
                place < stretch.last.get(which, -np.inf) + APART_DEG
            ):
                return
            stretch.last[which] = place
        stretch.opened_us.setdefault(which, deque(maxlen=MOST_FIGURES)).append(opening.t_us)
        stretch.opened[which] += 1

    def _closing(self, closing: Closing) -> None:
        self._levels.closed(closing)
        stretch = self._at(closing.t_us)
        if closing.direction >= 0:
            (stretch.closings if closing.direction else stretch.moved)[closing.input] += 1

    # -- result -------------------------------------------------------------------------------

    @property
    def stretch(self) -> Stretch:
        """What has happened since the last of the person's notes."""
        return _closed(self._stretches[-1])

    @property
    def step(self) -> Stretch:
        """What has happened in the present step of the check, through all lives of the rig."""
        *before, found = [_closed(each) for each in self._stretches]
        while found.resumed and before:
            earlier = before.pop()
            found = replace(
                found,
                turned_deg=earlier.turned_deg + found.turned_deg,
                opened=(*earlier.opened, *found.opened),
                moved=(*earlier.moved, *found.moved),
                resumed=earlier.resumed,
            )
        return found

    def result(self, state_widths: StateWidths) -> RigStatistics:
        """All that was seen; ``state_widths`` are those of the ``OpeningFinder``."""
        net = self._net + self._moved
        widths, errors = state_widths.shares
        known = state_widths.n >= LEAST_STRETCHES
        illegal, lost_edges, lost_lines = (self._before + self._totals).tolist()
        between, off, passes = self._between.kept(), self._off.kept(), self._off.n
        if self._check.counts_wrong:  # not the same as an index that moves about
            middle = float(np.median(between))
            off, passes = tuple(counts - middle for counts in between), self._between.n
        return RigStatistics(
            heard=self._heard,
            counts_between=between,
            net_counts=float(net) if abs(net) >= self._s.counts_per_turn else None,
            identity_counts=self._identity.counts_per_turn if self._identity else None,
            illegal=illegal,
            illegal_at_deg=self._illegal_at_deg(),
            lost_edges=lost_edges,
            lost_lines=lost_lines,
            index_off_counts=off,
            still_counts=self._standstill.least_counts,
            widths=tuple(float(w) for w in widths) if known else (),
            width_errors=tuple(float(e) for e in errors) if known else (),
            widths_taken_out=any(state_widths.offsets),
            inputs=self._inputs(),
            stretches=tuple(_closed(each) for each in self._stretches),
            passes_before=max(passes - len(off), 0),
        )

    def _illegal_at_deg(self) -> tuple[float, ...]:
        """Degrees of the encoder after the last index pass since the rig started."""
        return (*self._jumped_at, *(at for jump in self._jumps for at in self._degrees(*jump)))

    def _degrees(self, t_us: float, count: float) -> Iterator[float]:
        """The encoder's angle at an illegal transition; nothing if not known."""
        index_us, index = next(
            (each for each in reversed(self._passes) if each[0] <= t_us), (-np.inf, None)
        )
        since_us = max((each for each in self._restarts_us if each <= t_us), default=-np.inf)
        if index is not None and index_us >= since_us:
            turn = self._s.direction * (count - index) / self._s.counts_per_turn
            yield modulo(turn * 360.0)

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
                closings=longest.closings[which],
                changes_at_rest=sum(each.moved[which] for each in common),
                wavering=wavering.get(which, LevelRuns()),
                tries=max(1, sum(n <= since for n in tries)),
                opened_before=longest.opened[which] - len(longest.opened_us.get(which, ())),
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
    """The statistics of a whole recording."""
    finder, collector = OpeningFinder(settings), StatisticsCollector(settings)
    for batch, events in replay(finder, batches):
        collector.take(batch, events)
    return collector.result(finder.widths)


PIECE_US = 500_000.0
PIECES = 4  # a standstill of two seconds is this many pieces in succession
STANDS_DEG = 1.0
"""A crank that stands still moves by no more than this, and not steadily (common practice, no
source: a hand on it trembles by as much)."""

_Piece = tuple[int, int, int, int, int]  # number, lowest, highest, first, last


class StandstillFinder:
    """Finds the quietest two seconds. ``least_counts`` is None if the crank never stood still."""

    def __init__(self, settings: Settings) -> None:
        self._most = max(STANDS_DEG / settings.count_deg, 2.0)
        self._pieces: deque[_Piece] = deque(maxlen=PIECES)
        self.least_counts: int | None = None

    def interrupted(self) -> None:
        """The counts restart."""
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
        if pieces and pieces[-1][0] == piece[0]:  # the same half second in two batches
            _, low, high, first, _ = pieces.pop()
            piece = (piece[0], min(low, piece[1]), max(high, piece[2]), first, piece[4])
        else:
            self._judge()
            if pieces and piece[0] != pieces[-1][0] + 1:
                pieces.clear()
        pieces.append(piece)

    def _judge(self) -> None:
        """Four whole pieces: did the crank stand still?"""
        pieces = self._pieces
        if len(pieces) < PIECES:
            return
        if abs(pieces[-1][4] - pieces[0][3]) > 1:
            return
        counts = max(p[2] for p in pieces) - min(p[1] for p in pieces)
        if counts <= self._most:
            least = self.least_counts
            self.least_counts = counts if least is None else min(least, counts)


FAILED = ("spike", "drop-out", "short opening")
JUST_BEFORE = "drop-out just before"


@dataclass(frozen=True, slots=True)
class LevelRuns:
    """Microseconds. ``closed_us`` and ``open_us``: each time the contacts stayed closed, open."""

    chatter_us: tuple[float, ...] = ()
    dropouts_us: tuple[float, ...] = ()
    closed_us: tuple[float, ...] = ()
    open_us: tuple[float, ...] = ()


LOOK_BACK_US = 1e6
"""Bounce is measured over the last second of a transition, so edges are kept for as long."""


@dataclass(slots=True)
class _Input:
    edges: NDArray[np.float64] = field(default_factory=lambda: np.empty((2, 0)))  # times, levels
    transitions: list[tuple[float, float]] = field(default_factory=list)  # from, to: to be measured
    failed: list[tuple[float, bool]] = field(default_factory=list)  # from, alone: to be measured
    chatter_us: Figures = field(default_factory=Figures)
    dropouts_us: Figures = field(default_factory=Figures)
    closed_us: Figures = field(default_factory=Figures)
    open_us: Figures = field(default_factory=Figures)

    def forget(self, before_us: float) -> None:
        """Drop edges before a time, except the last of them, and the oldest above the limit."""
        n = self.edges.shape[1]
        late = np.flatnonzero(self.edges[0] >= before_us)
        first = int(late[0]) if len(late) else n
        self.edges = self.edges[:, max(first - 1, n - MOST_EDGES, 0) :].copy()


class LevelRunCollector:
    """Keeps the edges of every contact input until their transitions are decided."""

    def __init__(self, settings: Settings) -> None:
        self._s = settings
        self._inputs: dict[int, _Input] = {}

    def _of(self, which: int) -> _Input:
        return self._inputs.setdefault(which, _Input())

    def take(self, edges: NDArray[np.void]) -> None:
        """Edges as they came, dtype ``EDGE``, shape (n,)."""
        for which in np.unique(edges["input"]).tolist():
            if which != INDEX_INPUT:
                rows = edges[edges["input"] == which]
                more = np.stack((rows["t_us"], rows["level"]))
                own = self._of(which)
                own.edges = np.concatenate((own.edges, more), axis=1)

    def opened(self, opening: Opening) -> None:
        """An opening was decided."""
        own = self._of(opening.input)
        own.transitions.append((opening.t_us, opening.t_us + opening.transition_us))
        # The time for which it was closed counts if it was seen to close with the crank turning.
        if opening.direction and not math.isnan(opening.closed_deg):
            own.closed_us.add(opening.closed_us)

    def closed(self, closing: Closing) -> None:
        """A closing was decided."""
        if closing.direction and not math.isnan(closing.open_us):
            self._of(closing.input).open_us.add(closing.open_us)

    def found(self, finding: Finding) -> None:
        """A failed transition, or noise just before an opening."""
        if finding.kind in FAILED:
            self._of(finding.input).failed.append((finding.t_us, False))
        elif finding.kind == JUST_BEFORE:
            self._of(finding.input).failed.append((finding.t_us, True))

    def measure(self) -> None:
        """All edges of the decided transitions have come: measure them."""
        for which, own in self._inputs.items():
            decided_us = [to_us for _, to_us in own.transitions] + [
                from_us for from_us, _ in own.failed
            ]
            if decided_us:
                self._measure(which, own)
                own.forget(max(decided_us) - LOOK_BACK_US)
            elif own.edges.shape[1] > 2 * MOST_EDGES:
                own.forget(-math.inf)

    def result(self) -> dict[int, LevelRuns]:
        """For each input with an edge."""
        self.measure()
        return {
            which: LevelRuns(
                *(of.kept() for of in (own.chatter_us, own.dropouts_us, own.closed_us, own.open_us))
            )
            for which, own in self._inputs.items()
        }

    def _measure(self, which: int, own: _Input) -> None:
        times, levels = own.edges[:, np.argsort(own.edges[0], kind="stable")]
        is_open = levels == self._s.open_levels.get(which, 1)
        changed = np.ones(len(times), bool)
        changed[1:] = is_open[1:] != is_open[:-1]
        times, is_open = times[changed], is_open[changed]
        for from_us, to_us in own.transitions:
            window = max(from_us, to_us - LOOK_BACK_US), to_us + 0.5
            first, last = np.searchsorted(times, window)
            if first < last and not is_open[first]:
                first += 1
            runs = times[first:last]
            own.chatter_us.add(*(runs[2::2] - runs[1::2][: len(runs[2::2])]).tolist())
        for from_us, alone in own.failed:
            own.dropouts_us.add(*self._runs(times, is_open, from_us, alone))
        own.transitions, own.failed = [], []

    def _runs(
        self, times: NDArray[np.float64], is_open: NDArray[np.bool_], from_us: float, alone: bool
    ) -> list[float]:
        """Open runs from ``from_us`` on, up to a closed gap that ends the transition."""
        i = int(np.searchsorted(times, from_us))
        found: list[float] = []
        while i + 1 < len(times) and is_open[i]:
            found.append(float(times[i + 1] - times[i]))
            gap_us = times[i + 2] - times[i + 1] if i + 2 < len(times) else math.inf
            if alone or gap_us >= self._s.closed_end_us:
                break
            i += 2
        return found
