"""What a recording shows of the rig itself: index, losses, standstill, and the contact inputs.

``StatisticsCollector`` runs beside an ``OpeningFinder``: batches go in with the events they gave,
in pieces of any size. It judges nothing. The person may divide a recording into *steps* with
annotations named ``NOTE`` and the value ``{"step": ..., "unit": ...}`` (see ``STEPS``); a step that
was abandoned ends with ``BROKEN_OFF`` true.
"""

from __future__ import annotations

import bisect
import math
from collections import defaultdict, deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from rig.base.angles import modulo
from rig.signal.events import Closing, Event, Finding, IndexPass, Opening, Settings
from rig.signal.interpolate import LEAST_STRETCHES, StateWidths
from rig.signal.openings import OpeningFinder, replay
from rig.signal.track import IndexCheck
from rig.wire.records import INDEX_INPUT, Batch, Health, Identity, LineError, Note, Restart

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

MOST_LIVES = 1_000  # half of the stretches kept at most of a rig that keeps restarting
MOST_FIGURES = 2_000  # kept of each kind


@dataclass(frozen=True, slots=True)
class Stretch:
    """What happened after one of the person's notes (before the first, ``step`` is empty).

    ``turned_deg`` is new ground gained turning forward, crank degrees. ``opened`` lists the input
    of each opening on it; openings on ground already covered (a hand that went back, an impulse
    coupling passed again) are left out. ``moved`` are inputs that changed while the crank stood
    still. ``done``: the person completed the step. A restart of the rig does not divide it.
    """

    step: str
    unit: str
    turned_deg: float
    opened: tuple[int, ...]
    moved: tuple[int, ...]
    done: bool = False


@dataclass(slots=True)
class LevelRuns:
    """Of one input, microseconds: the longest bounce and drop-out, and the shortest times for which
    its contacts really stayed closed and open with the crank turning."""

    bounce_us: float = 0.0
    dropout_us: float = 0.0
    closed_us: float = math.inf
    open_us: float = math.inf


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
    runs: LevelRuns
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
    gaps: int  # places where lines are missing, by their running numbers
    index_off_counts: tuple[float, ...]
    still_counts: int | None
    widths: tuple[float, ...]
    width_errors: tuple[float, ...]
    widths_taken_out: bool  # whether they are corrected, at the end
    inputs: tuple[InputSeen, ...]
    stretches: tuple[Stretch, ...]
    passes_before: int = 0


class _Figures:
    """The last figures of one kind, with the least and the greatest of all."""

    def __init__(self) -> None:
        self._last: deque[float] = deque(maxlen=MOST_FIGURES)
        self._least, self._greatest = math.inf, -math.inf
        self.n = 0

    def add(self, figure: float) -> None:
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
class _Contact:
    """One input in a stretch."""

    opened_us: deque[float] = field(default_factory=lambda: deque(maxlen=MOST_FIGURES))
    opened: int = 0
    closings: int = 0
    moved: int = 0
    last: float = -math.inf  # place of its last opening


@dataclass(slots=True)
class _Open:
    """A stretch, in one life of the rig. Places are crank degrees that increase forward."""

    step: str
    unit: str
    from_us: float
    start: float = math.nan
    high: float = math.nan
    contacts: defaultdict[int, _Contact] = field(default_factory=lambda: defaultdict(_Contact))
    done: bool = False
    resumed: bool = False  # after a restart of the rig

    @property
    def turned_deg(self) -> float:
        return 0.0 if math.isnan(self.start) else self.high - self.start


class StatisticsCollector:
    """Takes batches with their events; then ``result``."""

    def __init__(self, settings: Settings) -> None:
        self._s = settings
        self._stretches = [_Open("", "", -math.inf)]
        self._identity: Identity | None = None
        self._health: Health | None = None
        self._latest: tuple[float, int] | None = None  # time, count
        self._before = np.zeros(3, np.int64)  # totals (``_totals``) before the last restart
        # Index passes with their place in counts, and restarts, which have none.
        self._passes: deque[tuple[float, float]] = deque(maxlen=MOST_FIGURES)
        self._angle_less_place = 0.0
        self._heard = False
        self._forget_faults()

    def _forget_faults(self) -> None:
        """A check begins: what went wrong before was perhaps put right. What was tried stays."""
        self._before = -self._totals
        self._gaps = 0
        self._check = IndexCheck(self._s)
        self._standstill = StandstillFinder(self._s)
        self._runs: defaultdict[int, LevelRuns] = defaultdict(LevelRuns)
        self._between, self._off, self._met_index = _Figures(), _Figures(), False
        self._jumps: deque[tuple[float, float]] = deque(maxlen=MOST_FIGURES)  # illegal: time, count
        self._jumped_at: deque[float] = deque(maxlen=MOST_FIGURES)  # degrees, once known
        self._first_count: int | None = None
        self._net = 0

    # -- input --------------------------------------------------------------------------------

    def take(self, batch: Batch, events: Sequence[Event]) -> None:
        """A batch and its events."""
        for other in batch.others:
            if isinstance(other, Restart):
                self._restarted(other.t_us)
        if len(batch.positions):
            self._positions(batch.positions)
        for which in np.unique(batch.edges["input"]).tolist():
            if which != INDEX_INPUT:
                self._runs[which]  # it has been heard
        for other in batch.others:
            if isinstance(other, Identity):
                self._identity = other
            elif isinstance(other, Health):
                self._take_health(other, batch.positions)
            elif isinstance(other, LineError) and other.kind == "gap":
                self._gaps += other.times
            elif isinstance(other, Note) and other.name == NOTE:
                step, unit = str(other.value.get("step", "")), str(other.value.get("unit", ""))
                if step == BEGIN:
                    self._forget_faults()
                self._stretches[-1].done = step == DONE and not other.value.get(BROKEN_OFF, False)
                self._stretches.append(_Open(step, unit, other.t_us))
        self.events(events)

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
                runs = self._runs[event.input]
                runs.dropout_us = max(runs.dropout_us, event.open_us)

    def _positions(self, rows: NDArray[np.void]) -> None:
        self._heard = True
        self._standstill.take(rows)
        count_deg, way = self._s.count_deg, self._s.direction
        first, last = int(rows["count"][0]), int(rows["count"][-1])
        if self._first_count is None:
            self._first_count = first
        self._latest = (float(rows["t_us"][-1]), last)
        now = self._stretches[-1]
        furthest = float(rows["high"].max() if way > 0 else rows["low"].min())
        if math.isnan(now.start):
            now.start = now.high = way * first * count_deg
        now.high = max(now.high, way * furthest * count_deg)

    def _take_health(self, health: Health, rows: NDArray[np.void]) -> None:
        before, self._health = self._health, health
        if health.illegal > (before.illegal if before else 0):
            if len(rows):
                at = float(np.interp(health.t_us, rows["t_us"], rows["count"]))
                self._jumps.append((health.t_us, at))
            elif self._latest is not None:
                self._jumps.append((health.t_us, float(self._latest[1])))

    @property
    def _totals(self) -> NDArray[np.int64]:
        """Illegal transitions, lost edges and lost lines since the rig's last restart."""
        of = self._health
        return np.array([of.illegal, of.lost_edges, of.lost_lines] if of else [0, 0, 0], np.int64)

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
        self._health = self._latest = self._first_count = None
        self._met_index = False
        self._passes.append((t_us, math.nan))
        self._standstill.interrupted()
        now = self._stretches[-1]
        if not math.isnan(now.start):
            self._stretches.append(_Open(now.step, now.unit, t_us, resumed=True))
        if len(self._stretches) > 2 * MOST_LIVES:
            # Of many restarts, drop those in which the crank was turned least.
            older = [each for each in self._stretches[:-1] if each.resumed]
            least = sorted(older, key=lambda each: each.turned_deg)[:MOST_LIVES]
            gone = set(map(id, least))
            self._stretches = [each for each in self._stretches if id(each) not in gone]

    # -- events -------------------------------------------------------------------------------

    def _pass(self, passed: IndexPass) -> None:
        while self._jumps and self._jumps[0][0] < passed.t_us:  # no earlier pass will come
            self._jumped_at.extend(self._degrees(*self._jumps.popleft()))
        self._passes.append((passed.t_us, passed.at_count))
        place = self._s.direction * passed.at_count * self._s.count_deg
        self._angle_less_place = passed.crank_deg - place
        counts = self._check.take(passed)
        if self._met_index:
            self._off.add(passed.off_counts)
            if counts is not None:
                self._between.add(counts)
        self._met_index = True

    def _at(self, t_us: float) -> _Open:
        nth = bisect.bisect_right(self._stretches, t_us, key=lambda each: each.from_us)
        return self._stretches[max(nth - 1, 0)]

    def _opening(self, opening: Opening) -> None:
        runs = self._runs[opening.input]
        runs.bounce_us = max(runs.bounce_us, opening.bounce_us)
        # The time for which it was closed counts if it was seen to close with the crank turning.
        if opening.direction and not math.isnan(opening.closed_deg):
            runs.closed_us = min(runs.closed_us, opening.closed_us)
        stretch = self._at(opening.t_us)
        contact = stretch.contacts[opening.input]
        if opening.direction == 0:
            contact.moved += 1
        if opening.direction <= 0:
            return
        if opening.crank_deg is not None and not math.isnan(stretch.start):
            place = opening.crank_deg - self._angle_less_place
            if place < max(stretch.start - SAME_COUNT_DEG, contact.last + APART_DEG):
                return
            contact.last = place
        contact.opened_us.append(opening.t_us)
        contact.opened += 1

    def _closing(self, closing: Closing) -> None:
        contact = self._at(closing.t_us).contacts[closing.input]
        if closing.direction and not math.isnan(closing.open_us):
            runs = self._runs[closing.input]
            runs.open_us = min(runs.open_us, closing.open_us)
        if closing.direction > 0:
            contact.closings += 1
        elif closing.direction == 0:
            contact.moved += 1

    # -- result -------------------------------------------------------------------------------

    @property
    def step(self) -> Stretch:
        """What has happened in the present step of the check."""
        return self._closed()[-1]

    def _closed(self) -> list[Stretch]:
        found: list[Stretch] = []
        for each in self._stretches:
            own = sorted(each.contacts.items())
            opened = tuple(which for which, contact in own for _ in contact.opened_us)
            moved = tuple(which for which, contact in own if contact.moved)
            turned_deg = each.turned_deg
            if each.resumed:
                before = found.pop()
                turned_deg += before.turned_deg
                opened, moved = before.opened + opened, before.moved + moved
            found.append(Stretch(each.step, each.unit, turned_deg, opened, moved, each.done))
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
        waiting = (at for jump in self._jumps for at in self._degrees(*jump))
        return RigStatistics(
            heard=self._heard,
            counts_between=between,
            net_counts=float(net) if abs(net) >= self._s.counts_per_turn else None,
            identity_counts=self._identity.counts_per_turn if self._identity else None,
            illegal=illegal,
            illegal_at_deg=(*self._jumped_at, *waiting),
            lost_edges=lost_edges,
            lost_lines=lost_lines,
            gaps=self._gaps,
            index_off_counts=off,
            still_counts=self._standstill.least_counts,
            widths=tuple(widths.tolist()) if known else (),
            width_errors=tuple(errors.tolist()) if known else (),
            widths_taken_out=any(state_widths.offsets),
            inputs=self._inputs(),
            stretches=tuple(self._closed()),
            passes_before=max(passes - len(off), 0),
        )

    def _degrees(self, t_us: float, count: float) -> Iterator[float]:
        """The encoder's angle after the last index pass at an illegal transition; nothing if the
        index was not passed since the rig started."""
        before = (each for each in self._passes if each[0] <= t_us)
        _, index = max(before, key=itemgetter(0), default=(0.0, math.nan))
        if not math.isnan(index):
            turn = self._s.direction * (count - index) / self._s.counts_per_turn
            yield modulo(turn * 360.0)

    def _inputs(self) -> tuple[InputSeen, ...]:
        turns = [n for n, each in enumerate(self._stretches) if each.step == TURN]
        tries = [n for n in turns if not self._stretches[n].resumed]
        done = [n for n in turns if self._stretches[n].done]
        since = max((n for n in tries if n <= done[-1]), default=0) if done else 0
        common = [e for e in self._stretches[since:] if e.step in ("", TURN, DONE)]
        longest = max(common, key=lambda each: each.turned_deg)
        has = self._identity.contacts if self._identity else 0
        found = []
        for which in sorted({*self._runs, *range(1, has + 1)} - {INDEX_INPUT}):
            contact = longest.contacts.get(which, _Contact())
            found.append(
                InputSeen(
                    input=which,
                    turned_deg=longest.turned_deg,
                    opened_at_us=tuple(contact.opened_us),
                    closings=contact.closings,
                    changes_at_rest=sum(e.contacts[which].moved for e in common),
                    runs=replace(self._runs[which]),
                    tries=max(1, sum(n <= since for n in tries)),
                    opened_before=contact.opened - len(contact.opened_us),
                )
            )
        return tuple(found)


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


class StandstillFinder:
    """Finds the quietest two seconds. ``least_counts`` is None if the crank never stood still."""

    def __init__(self, settings: Settings) -> None:
        self._most = max(STANDS_DEG / settings.count_deg, 2.0)
        # Number of each piece, lowest, highest, first and last count.
        self._pieces: deque[tuple[int, int, int, int, int]] = deque(maxlen=PIECES)
        self.least_counts: int | None = None

    def interrupted(self) -> None:
        """The counts restart."""
        self._pieces.clear()

    def take(self, positions: NDArray[np.void]) -> None:
        """Newer positions, dtype ``POSITION``, shape (n,)."""
        numbers = np.floor(positions["t_us"] / PIECE_US).astype(np.int64)
        starts = np.flatnonzero(np.diff(numbers, prepend=numbers[0] - 1))
        lows = np.minimum.reduceat(positions["low"], starts)
        highs = np.maximum.reduceat(positions["high"], starts)
        firsts = positions["count"][starts]
        lasts = positions["count"][np.append(starts[1:], len(numbers)) - 1]
        columns = (each.tolist() for each in (numbers[starts], lows, highs, firsts, lasts))
        pieces = self._pieces
        for piece in zip(*columns, strict=True):
            if pieces and pieces[-1][0] == piece[0]:  # the same half second in two batches
                number, low, high, first, _ = pieces.pop()
                low, high = min(low, piece[1]), max(high, piece[2])
                pieces.append((number, low, high, first, piece[4]))
            else:
                self._judge()
                if pieces and piece[0] != pieces[-1][0] + 1:
                    pieces.clear()
                pieces.append(piece)

    def _judge(self) -> None:
        """Four whole pieces: did the crank stand still?"""
        if len(self._pieces) == PIECES:
            _, lows, highs, firsts, lasts = zip(*self._pieces, strict=True)
            counts = max(highs) - min(lows)
            if abs(lasts[-1] - firsts[0]) <= 1 and counts <= self._most:
                least = self.least_counts
                self.least_counts = counts if least is None else min(least, counts)
