"""How the crank moves: approach, standstill, held by hand or not, and the state at each edge.

``Approach`` measures how far the crank has come in the normal direction since it last went back.
Drives have backlash, so an opening is valid only once the backlash is taken up. A trembling hand
steps back all the time: a backward movement up to ``forgiven`` is ignored once the crank passes its
furthest point; a larger one restarts the approach. The start of a recording counts as a reversal.

``Stall`` is a crank that gains no ground: turned slowly, it gains a count within moments; held, it
moves to and fro below its furthest point. Contacts that open while the crank is held were opened by
something other than turning.

``Mark`` keeps the state at an edge until its transition is decided. ``CrankDisplay`` gives the
present state of the crank, for display and never for a reading.
"""

from __future__ import annotations

import math
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.signal.events import Now, Reason, Rejection, Settings
from rig.signal.interpolate import Offsets
from rig.signal.track import Track
from rig.wire.records import EDGE, POSITION, Edge


class Movement(NamedTuple):
    """Times of n positions, (n,), and approach and stall (``Stall.along``) before the first and
    after each, (n + 1,)."""

    t_us: NDArray[np.float64]
    start: NDArray[np.float64]
    furthest: NDArray[np.float64]
    stalled_us: NDArray[np.float64]
    stalled_low: NDArray[np.float64]


SILENCE_US = 250_000.0
"""Positions come ten times a second. In less than this no hand goes back through the backlash and
forward again (common practice, no source)."""

SLACK_COUNTS = 2
"""An edge and a position at the same time may differ by a count or two."""


class CrankMotion:
    """Keeps positions until they are due, then updates the approach from them."""

    def __init__(self, settings: Settings) -> None:
        self.approach = Approach(settings.forgiven_deg / settings.count_deg)
        self._stall = Stall()
        self._direction = settings.direction
        self._last = math.nan, math.nan  # time and place of the last position processed
        self._rows, self._t_us, self._walked = np.empty(0, POSITION), np.empty(0), 0

    def add(self, positions: NDArray[np.void]) -> None:
        """Newer positions, dtype ``POSITION``, shape (n,)."""
        left = self._rows[self._walked :]
        rows = np.concatenate((left, positions), dtype=POSITION) if len(left) else positions
        self._rows, self._t_us, self._walked = rows, np.ascontiguousarray(rows["t_us"]), 0

    def waiting_before(self, t_us: float) -> NDArray[np.void]:
        """The positions before ``t_us`` that were not processed yet."""
        ready = int(self._t_us[self._walked :].searchsorted(t_us))
        return self._rows[self._walked : self._walked + ready]

    def impossible(self, t_us: Floats, counts: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of n edges in order of time, (n,), have a count that the crank did not reach
        between the position before and the one after; false where there is none after."""
        nth = self._t_us.searchsorted(t_us)
        wrong = np.zeros(len(t_us), np.bool_)
        known = nth[nth < len(self._rows)]
        after, before = self._rows[known], self._rows["count"][known - 1].astype(np.float64)
        before[known == 0] = self._last[1] * self._direction - 0.5
        low, high = np.minimum(before, after["low"]), np.maximum(before, after["high"])
        at = counts[: len(known)]
        wrong[: len(known)] = (at < low - SLACK_COUNTS) | (at > high + SLACK_COUNTS)
        return wrong

    def to(self, before_us: float) -> Movement:
        """Process the positions before ``before_us``, if any."""
        rows = self.waiting_before(before_us)
        t_us = self._t_us[self._walked : self._walked + len(rows)]
        self._walked += len(rows)
        # Places in counts that increase in the normal direction.
        low, high, now = rows["low"] + 0.5, rows["high"] + 0.5, rows["count"] + 0.5
        if self._direction < 0:
            low, high, now = -high, -low, -now
        pieces: list[tuple[Floats, Floats]] = []  # each but the first without what was before it
        at = 0
        for upto in [*self._after_silence(t_us, low, high, now), len(rows)]:
            if pieces:
                self.approach.start = None
            along = self.approach.moved_along(low[at:upto], high[at:upto], now[at:upto])
            pieces.append((along[0][bool(pieces) :], along[1][bool(pieces) :]))
            at = upto
        start, furthest = (np.concatenate(each) for each in zip(*pieces, strict=True))
        return Movement(t_us, start, furthest, *self._stall.along(t_us, low, furthest[1:]))

    def _after_silence(self, t_us: Floats, low: Floats, high: Floats, now: Floats) -> list[int]:
        """Which positions come long after the one before, and do not say how the crank went on from
        there: records are missing, and what the crank did meanwhile is not known."""
        if not len(t_us):
            return []
        before_us, before = (
            np.concatenate(([last], each[:-1]))
            for last, each in zip(self._last, (t_us, now), strict=True)
        )
        self._last = float(t_us[-1]), float(now[-1])
        unseen = (t_us - before_us > SILENCE_US) & ((before < low) | (before > high))
        found: list[int] = np.flatnonzero(unseen).tolist()
        return found


_FEW = 12  # fewer records than this are faster one by one than vectorised


class Approach:
    """State of the approach, in counts that increase in the normal direction.

    A count means its middle: the crank was within half a count of it.
    """

    __slots__ = ("_forgiven", "furthest", "start")

    def __init__(self, forgiven: float) -> None:
        self._forgiven = forgiven
        self.start: float | None = None
        self.furthest = 0.0

    def moved(self, low: float, high: float, now: float) -> None:
        """The crank is at ``now`` and was between ``low`` and ``high`` since the last call.

        A movement back is measured from the earlier furthest point, and from ``high`` to ``now``.
        """
        if self.start is None:
            self.start, self.furthest = now, now
            return
        if low < self.start or self.furthest - low > self._forgiven:
            self.start, self.furthest = low, now
            return
        self.furthest = max(self.furthest, high)
        if self.furthest - now > self._forgiven:
            self.start, self.furthest = now, now

    def moved_along(self, low: Floats, high: Floats, now: Floats) -> tuple[Floats, Floats]:
        """The same as ``moved`` for each of n records in turn, shapes (n,).

        Returns ``start`` (NaN: none yet) and ``furthest`` before the first and after each of them,
        shapes (n + 1,).
        """
        starts, furthests = np.empty(len(now) + 1), np.empty(len(now) + 1)
        starts[0], furthests[0] = math.nan if self.start is None else self.start, self.furthest
        at, size = 0, len(now)
        while at < len(now):
            upto = min(at + size, len(now))
            reached = self._onward(low[at:upto], high[at:upto], now[at:upto])
            if reached is not None:
                starts[at + 1 : upto + 1], furthests[at + 1 : upto + 1] = self.start, reached
                size *= 4
            else:
                size = _FEW
                upto = min(at + size, len(now))
                for i in range(at, upto):
                    self.moved(float(low[i]), float(high[i]), float(now[i]))
                    starts[i + 1], furthests[i + 1] = self.start, self.furthest
            at = upto
        return starts, furthests

    def _onward(self, low: Floats, high: Floats, now: Floats) -> Floats | None:
        """The furthest point after each record; None if an approach restarts in one of them."""
        if self.start is None or len(now) < _FEW:
            return None
        reached = np.maximum.accumulate(np.concatenate(([self.furthest], high)))
        if (
            low.min() < self.start
            or (reached[:-1] - low).max() > self._forgiven
            or (reached[1:] - now).max() > self._forgiven
        ):
            return None
        self.furthest = float(reached[-1])
        return reached[1:]

    def measured(self, at: float) -> tuple[float, bool]:
        """Approach at place ``at`` in counts, and whether ``at`` is past the furthest point."""
        start = at if self.start is None else self.start
        return max(at - start, 0.0), at >= self.furthest - 0.5


Floats = NDArray[np.float64]


class Stall:
    """Last new ground of the crank, and the lowest place since. Counts increase forward."""

    __slots__ = ("_furthest", "_lowest", "_since_us")

    def __init__(self) -> None:
        self._since_us, self._lowest, self._furthest = math.inf, 0.0, math.nan

    def along(self, t_us: Floats, low: Floats, furthest: Floats) -> tuple[Floats, Floats]:
        """Time of the last new ground (inf before any position) and the lowest place since, before
        the first of n positions and after each of them, shapes (n + 1,).

        ``t_us`` and ``low`` of the positions, shapes (n,), and the approach's ``furthest`` point
        after each of them, shape (n,).
        """
        gained = np.diff(furthest, prepend=self._furthest) != 0.0
        stretch = np.concatenate(([0], np.cumsum(gained)))
        since = np.concatenate(([self._since_us], t_us[gained]))[stretch]
        # One running minimum for all: shift each stretch below everything before it.
        lowest = np.concatenate(([self._lowest], low))
        below = stretch * (lowest.max() - lowest.min() + 1.0)
        lowest = np.minimum.accumulate(lowest - below) + below
        self._since_us, self._lowest = float(since[-1]), float(lowest[-1])
        self._furthest = float(furthest[-1]) if len(furthest) else self._furthest
        return since, lowest


HELD_US = 1e6
"""A crank without new ground for this long is held. At less than one fine count in that time it
would turn by less than a sixth of a degree a second (common practice, no source)."""

HELD_DEG = 0.5  # a held crank trembles by less than this (common practice, no source)


def why_held(closed_us: float) -> Reason:
    """Why an opening with the crank held is not valid. ``closed_us``: how long the contacts had
    been closed. Nobody moves a unit to and fro within a second (common practice, no source).
    """
    return Reason.CRANK_STILL if closed_us >= HELD_US else Reason.JUST_CLOSED


def is_held(mark: Mark, direction: int, count_deg: float) -> bool:
    """Whether the crank was held at a mark, though it was not still: it gained no ground for a
    second, moved little in that time, and the next encoder edge is not onto new ground.

    ``direction`` is +1 where the encoder counts up going forward.
    """
    edge, furthest = mark.edge, mark.approach_furthest
    here = (edge.at_count + 0.5) * direction
    if not edge.t_us - mark.stalled_us >= HELD_US or here > furthest:
        return False
    if (furthest - min(mark.stalled_low, here)) * count_deg >= HELD_DEG:
        return False
    for t_us, at, step in zip(edge.around_t_us, edge.around_at, edge.around_step, strict=True):
        if step and t_us > edge.t_us:
            return not (step == direction and (at + 0.5 * step) * direction > furthest)
    return True


# An edge with: start of the approach, in counts increasing forward (NaN before any position), and
# its furthest point; last new ground, and the lowest place since; offsets of the encoder's
# boundaries, see ``StateWidths``.
_STATE = ("approach_start", "approach_furthest", "stalled_us", "stalled_low")
MARK = np.dtype([*EDGE.descr, *((name, "f8") for name in _STATE), ("offsets", "f8", (4,))])


class Mark(NamedTuple):
    """One row of ``MARK`` in plain numbers."""

    edge: Edge
    approach_start: float
    approach_furthest: float
    stalled_us: float
    stalled_low: float
    offsets: Offsets


def marked(
    edges: NDArray[np.void],
    movement: Movement,
    widths_us: NDArray[np.float64],
    offsets: NDArray[np.float64],
) -> NDArray[np.void]:
    """Marks for edges (dtype ``EDGE``, shape (n,)). ``movement`` are the positions processed with
    them; ``widths_us``, shape (m,), are the times of width records, ``offsets`` those before the
    first and after each of them, shape (m + 1, 4). At equal times, an edge comes first.
    """
    marks = np.empty(len(edges), MARK)
    for name in EDGE.names or ():
        marks[name] = edges[name]
    t_us = edges["t_us"]
    at = movement.t_us.searchsorted(t_us)
    for name, column in zip(_STATE, movement[1:], strict=True):
        marks[name] = column[at]
    marks["offsets"] = offsets[widths_us.searchsorted(t_us)]
    return marks


def mark_of(row: np.void) -> Mark:
    """A row of ``MARK`` in plain numbers."""
    values: Any = row.item()
    *edge, start, furthest, stalled_us, stalled_low, offsets = values
    around = (column.tolist() for column in edge[4:])
    return Mark(
        Edge(*edge[:4], *around), start, furthest, stalled_us, stalled_low, tuple(offsets.tolist())
    )


SPEED_OVER_US = 150_000.0
"""Time over which the displayed speed is averaged: below that, it flickers with the counts."""

STILL_DEG_S = 0.5


class CrankDisplay:
    """Keeps the last few positions."""

    def __init__(self) -> None:
        self._recent: NDArray[np.void] = np.empty(0, POSITION)

    def take(self, positions: NDArray[np.void]) -> None:
        """Newer positions, dtype ``POSITION``, shape (n,)."""
        recent = np.concatenate((self._recent, positions[-64:]), dtype=POSITION)
        since = recent["t_us"][-1] - SPEED_OVER_US
        first = max(int(np.searchsorted(recent["t_us"], since)) - 1, 0)
        self._recent = recent[first:]

    def now(self, latest: np.void, track: Track, approach: Approach, settings: Settings) -> Now:
        """The crank at ``latest``."""
        at = int(latest["count"]) + 0.5
        signed = at * settings.direction
        first = self._recent[0]
        passed_us = float(latest["t_us"] - first["t_us"])
        moved = (int(latest["count"]) - int(first["count"])) * settings.direction
        speed = moved * settings.count_deg / passed_us * 1e6 if passed_us > 0 else 0.0
        direction: Literal[1, 0, -1] = 0 if abs(speed) < STILL_DEG_S else 1 if speed > 0 else -1
        run, passed = approach.measured(signed)
        run_deg = run * settings.count_deg
        angle = None if track.lost else track.crank_deg(at)
        short = Rejection(Reason.SHORT_APPROACH, (run_deg, settings.approach_deg))
        reasons = (
            (direction < 0, Rejection(Reason.BACKWARDS)),
            (angle is None, track.lost or Rejection(Reason.NO_INDEX)),
            (not passed, Rejection(Reason.TURNED_BACK)),
            (run_deg < settings.approach_deg, short),
        )
        why = next((each for holds, each in reasons if holds), None)
        return Now(float(latest["t_us"]), angle, direction, speed, run_deg, why)
