"""What a recording shows of the rig itself: index, losses, rest, and how the contact inputs behave.

A ``Survey`` walks beside a ``Follower``: the batches go in with the events that they decided, in
pieces of any size. It judges nothing. The person may part the recording into *stretches* with
notes named ``NOTE``, whose value is ``{"step": ..., "unit": ...}``; see ``STEPS``. The end of a
step that was broken off has ``BROKEN_OFF`` true beside.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from rig.signal.events import Closing, Event, Finding, IndexPass, Opening
from rig.signal.follow import Follower
from rig.signal.index_check import IndexCheck
from rig.signal.settings import Settings
from rig.signal.standing import Standing
from rig.signal.track import TOLERANCE_COUNTS
from rig.signal.wavering import Levels, Wavering
from rig.signal.widths import LEAST_STRETCHES
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
class Surveyed:
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


class Survey:
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

    def result(self, follower: Follower) -> Surveyed:
        """All that was seen; ``follower`` is the one whose events were taken, ended."""
        net = self._net
        if self._latest is not None and self._first_count is not None:
            net += self._latest[1] - self._first_count
        widths, errors = follower.widths.shares
        known = follower.widths.n >= LEAST_STRETCHES
        health = self._health
        totals = (health.illegal, health.lost_edges, health.lost_lines) if health else (0, 0, 0)
        illegal, lost_edges, lost_lines = (a + b for a, b in zip(self._totals, totals, strict=True))
        off = self._off
        if self._check.counts_wrong:  # told apart from an index that moves about
            middle = float(np.median(self._between))
            off = [counts - middle for counts in self._between]
        return Surveyed(
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
            widths_taken_out=any(follower.widths.offsets),
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
                found.append(turn * 360.0 % 360.0)
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


def surveyed(batches: Iterable[Batch], settings: Settings) -> Surveyed:
    """A whole recording walked through."""
    follower, survey = Follower(settings), Survey(settings)
    for batch in batches:
        survey.take(batch, follower.take(batch))
    survey.events(follower.finish())
    return survey.result(follower)
