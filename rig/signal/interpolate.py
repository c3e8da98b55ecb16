"""Where an event lies between the encoder edges around it, and how wide the quadrature states are.

The position of the crank is exact at the instants of encoder edges. Between two of them it is taken
from the polynomial through the two edges before and the two after, which follows a steady speed, an
acceleration, and a hand that reverses within a count. With fewer edges the polynomial has a lower
degree. The result never leaves the count in which the event happened.

A spark may reach the encoder's lines at the very instant at which contacts open. Such glitches are
taken out first (``without_glitch``).

A light encoder's A and B are seldom a quarter of a line apart; one state may be half as wide again
as its neighbour. While the crank turns, the time spent in a state is its width over the speed. The
speed is removed by comparing states within short stretches of one movement: from count c1 to count
c2 the completed visits are known exactly, so each state's mean visit is compared with the stretch's
own mean. Assumption: over some hundred stretches, accelerations fall on all four states alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.wire.records import WIDTH, Edge

STOPS_WITHIN = 1.0 + math.sqrt(2.0)
GENTLEST = 6.0 - 4.0 * math.sqrt(2.0)
"""A crank that slows down steadily and reaches no further boundary has stopped after at most
``STOPS_WITHIN`` times the time between the last two. Derivation: when each spacing takes off the
share d of the speed, the way left is (1 - d/2)^2 / 2d of a count. That is a whole count at d =
``GENTLEST``, where it takes 1 + sqrt 2; for a greater d it takes less."""

STILL_US = 250_000.0
"""The rig waits this long for the next encoder edge; if none comes, the crank stands still."""

INSTANT_US = 1e-10
"""Times nearer than this are equal: the finest step of a recording is ten times as long."""


GLITCH_US = 50.0
"""A step of the encoder and the same step back within this time are electrical: a crank that
turned round there would have gone less than a millionth of a degree beyond the boundary, even in a
hand that trembles (0.5 degrees at 8 Hz: 1300 degrees/s^2)."""


@dataclass(frozen=True, slots=True)
class Interpolated:
    """A place in counts (boundary k is at k, with offsets for unequal states), and the movement.

    ``step`` is +1 where the count was growing, -1 shrinking, 0 where the crank stood still.
    ``speed`` is in counts a microsecond. ``doubt`` is half the width of the count, in counts, where
    the crank turned round in it: then neither place nor ``step`` is more than likely.
    """

    at: float
    step: int
    speed: float
    doubt: float = 0.0


def interpolate(edge: Edge, offsets: Sequence[float] = (0.0,) * 4) -> Interpolated:
    """Place an edge. ``offsets``: see ``StateWidths.offsets``."""
    t0 = edge.t_us
    count = edge.at_count
    floor, ceiling = count + offsets[count % 4], count + 1 + offsets[(count + 1) % 4]
    if ceiling < floor:  # a state measured as having no width
        floor = ceiling = (floor + ceiling) / 2
    before: list[Known] = []
    after: list[Known] = []
    for t, boundary, step in zip(edge.around_t_us, edge.around_at, edge.around_step, strict=True):
        if step:
            known = (t - t0, boundary + offsets[boundary % 4], step)
            (before if t - t0 < INSTANT_US else after).append(known)
    if not after:
        return _before_only(before, floor, ceiling)
    if not before:
        t, at, step = after[0]
        speed = _speed(after) or step / STILL_US
        return Interpolated(min(max(at - speed * t, floor), ceiling), step, speed)
    return _between(before, after, floor, ceiling)


def without_glitch(edge: Edge) -> Edge | None:
    """The edge without encoder glitches around it, such as those of the spark that contacts make;
    None where another step in the midst of one is left.

    Where glitches hide both encoder edges that follow, the next is where it would come at the speed
    of the two before.
    """
    if not any(a * b < 0 for a, b in pairwise(edge.around_step)):
        return edge
    columns = zip(edge.around_t_us, edge.around_at, edge.around_step, strict=True)
    known = [each for each in columns if each[2]]
    before = sum(t - edge.t_us < INSTANT_US for t, _, _ in known)
    after, count, nth = len(known) - before, edge.at_count, 1
    glitches: list[tuple[float, int]] = []
    while 0 < nth < len(known):
        (t0, at, step), (t1, same, back) = known[nth - 1 : nth + 1]
        if step + back or at != same or t1 - t0 >= GLITCH_US:
            nth += 1
            continue
        if nth == before:  # the event was in the glitch
            count -= step
        first, second = nth <= before, nth < before
        before, after = before - first - second, after - (not first) - (not second)
        del known[nth - 1 : nth + 1]
        nth = max(nth - 1, 1)
        glitches.append((t0, at))
    if not glitches:
        return edge
    if any(abs(t - g) < GLITCH_US and at != of for t, at, _ in known for g, of in glitches):
        return None
    if not after and before == 2 and known[0][2] == known[1][2]:
        (t0, _, _), (t1, at, step) = known
        known.append((max(2.0 * t1 - t0, edge.t_us + GLITCH_US), at + step, step))
        after = 1
    none = (math.nan, 0, 0)
    known = [none] * (2 - before) + known + [none] * (2 - after)
    t_us, places, steps = (list(column) for column in zip(*known, strict=True))
    return edge._replace(at_count=count, around_t_us=t_us, around_at=places, around_step=steps)


class Placing(NamedTuple):
    """From what an angle was found: the edge, that of the index, and the boundaries' ``offsets``.
    ``count_deg``: crank degrees of a count, negative where the encoder counts down going forward.
    """

    edge: Edge
    index_edge: Edge
    offsets: Sequence[float]
    count_deg: float

    def moved_deg(self, offsets: Sequence[float]) -> float:
        """How far the angle moves with other offsets, crank degrees."""
        now, before = (
            interpolate(self.edge, each).at - interpolate(self.index_edge, each).at
            for each in (offsets, self.offsets)
        )
        return (now - before) * self.count_deg


Known = tuple[float, float, int]


def _between(before: list[Known], after: list[Known], floor: float, ceiling: float) -> Interpolated:
    at, speed = _polynomial(before + after)
    low = min(max(at, floor), ceiling)
    step = before[-1][2]
    if step == after[0][2]:
        if low != at or speed * step <= 0:  # the curve left the count; a straight line does not
            (t1, a1, _), (t2, a2, _) = before[-1], after[0]
            speed = (a2 - a1) / (t2 - t1)
            low = min(max(a1 - speed * t1, floor), ceiling)
        return Interpolated(low, step, speed)
    return Interpolated(low, (speed > 0) - (speed < 0), speed, (ceiling - floor) / 2)


def _before_only(before: list[Known], floor: float, ceiling: float) -> Interpolated:
    """No edge followed: the crank crept on, was coming to rest, or stood. It was within the count,
    and more than ``STILL_US`` from the next boundary. One that comes to rest is placed halfway to
    where the gentlest slow-down would have it."""
    if not before or -before[-1][0] > _stopped_us(before):
        return Interpolated((floor + ceiling) / 2, 0, 0.0)
    age, at, step = -before[-1][0], before[-1][1], before[-1][2]
    share, speed = age / (age + STILL_US), 1.0 / (age + STILL_US)
    if len(before) == 2 and before[0][2] == step and at != before[0][1]:
        spacing_us = before[1][0] - before[0][0]
        if INSTANT_US < spacing_us < STILL_US:
            spacings = age / spacing_us
            share = ((1.0 - GENTLEST / 2.0) * spacings - GENTLEST / 2.0 * spacings**2) / 2.0
            speed = (1.0 - GENTLEST / 2.0 - GENTLEST * spacings) / (2.0 * spacing_us)
    far = ceiling if step > 0 else floor
    where = min(max(at + share * (far - at), floor), ceiling)
    return Interpolated(where, step, (far - at) * speed)


def _stopped_us(before: list[Known]) -> float:
    """The longest time after the last of these edges for which the crank can have moved."""
    if len(before) < 2:
        return STILL_US
    return min(STOPS_WITHIN * (before[-1][0] - before[-2][0]), STILL_US)


def _polynomial(points: list[Known]) -> tuple[float, float]:
    """Value and slope at time 0 of the polynomial through ``points`` (Neville's scheme). Of edges
    at the same instant, the last is used."""
    times: list[float] = []
    value: list[float] = []
    for t, at, _ in points:
        if times and t - times[-1] < INSTANT_US:
            value[-1] = at
        else:
            times.append(t)
            value.append(at)
    slope = [0.0] * len(times)
    for width in range(1, len(times)):
        at, rise = value[0], slope[0]
        for i in range(len(times) - width):
            left, right = times[i], times[i + width]
            span = left - right
            next_at, next_rise = value[i + 1], slope[i + 1]
            slope[i] = (at - next_at - right * rise + left * next_rise) / span
            value[i] = (-right * at + left * next_at) / span
            at, rise = next_at, next_rise
    return value[0], slope[0]


def _speed(points: list[Known]) -> float:
    if len(points) < 2:
        return math.nan if not points else 0.0
    (t1, a1, _), (t2, a2, _) = points[0], points[1]
    return (a2 - a1) / (t2 - t1) if t2 - t1 > INSTANT_US else 0.0


SLOWEST_COUNTS_S = 1e6 / 65_536
"""Visits to a state that last longer do not count for its width, see ``WIDTH``."""

LEAST_COUNTS = 40
"""Counts in a stretch: ten whole lines, so a change of speed affects all states alike."""

MOST_COUNTS = 4000
LEAST_STRETCHES = 8
SURE = 4.0
"""A state's width is corrected once it differs from a quarter line by this many standard errors."""

Floats = NDArray[np.float64]
Offsets = tuple[float, float, float, float]
EVEN: Offsets = (0.0, 0.0, 0.0, 0.0)

_NONE = np.empty(0, WIDTH)


class StateWidths:
    """Boundary offsets of the four states, as measured so far.

    *Offsets* (4 floats, in counts) say how far boundary k is above its place with equal states, by
    k % 4, up to a common constant. They are zero until a correction is certain, and while no
    boundary is more than ``worth`` counts from the mean of the four.
    """

    def __init__(self, worth: float = 0.0) -> None:
        self.n = 0
        self._worth = worth
        self._current = np.zeros((1, 4))  # offsets
        self._sums = np.zeros(9)  # weight, weighted shares of the states, weighted squares of them
        self._last = _NONE  # the record at which the current stretch began
        self._measured: tuple[Offsets, float] | None = None  # none yet from these sums

    def restart(self) -> None:
        """The rig's totals restart; what was measured of the encoder stays."""
        self._last = _NONE

    @property
    def offsets(self) -> Offsets:
        """Four floats, in counts: see the class."""
        first, second, third, fourth = self._current[0].tolist()
        return first, second, third, fourth

    @property
    def measured(self) -> tuple[Offsets, float]:
        """The offsets as measured, sure or not, and the largest standard error of a width, both in
        counts; none of the four, and infinity, before enough is measured."""
        if self._measured is None:
            self._measured = EVEN, math.inf
            if self.n >= LEAST_STRETCHES:
                widths, errors = self.shares
                first, second, third = np.cumsum(widths[:3] - 1.0).tolist()
                self._measured = (0.0, first, second, third), float(errors.max())
        return self._measured

    @property
    def shares(self) -> tuple[Floats, Floats]:
        """Widths of states 0..3 in counts (mean 1) and their standard errors, shapes (4,)."""
        if self.n < 2:
            return np.ones(4), np.full(4, math.inf)
        mean, variance = _mean_and_variance(np.array([self.n]), self._sums[None])
        return mean[0], np.sqrt(variance[0])

    def take(self, rows: NDArray[np.void]) -> Floats:
        """The next width records, dtype ``WIDTH``, shape (n,). Returns the offsets before the
        first and after each of them, shape (n + 1, 4).
        """
        if not len(rows):
            return self._current
        known = np.concatenate((self._last, rows), dtype=WIDTH)
        nth = len(self._last) - 1 + np.arange(len(rows) + 1)
        begins, ends, last = _stretches(known["count"].tolist(), known["breaks"].tolist())
        self._last = known[last : last + 1].copy()
        if not ends:
            return self._current[np.zeros_like(nth)]
        begin, end = np.array(begins), np.array(ends)
        steps, sound = _measured(known["count"], known["dwell_us"], begin, end)
        sums = np.cumsum(np.concatenate((self._sums[None], steps)), axis=0)
        n = self.n + np.arange(len(sums))
        offsets = self._offsets(n, sums)
        self.n, self._sums, self._current = int(n[-1]), sums[-1], offsets[-1:]
        self._measured = None
        return offsets[end[sound].searchsorted(nth, "right")]

    def _offsets(self, n: NDArray[np.int64], sums: Floats) -> Floats:
        """Offsets after ``n`` stretches with these ``sums``, shapes (k,), (k, 9) and (k, 4)."""
        offsets = np.zeros((len(n), 4))
        enough = n >= LEAST_STRETCHES
        n, sums = n[enough], sums[enough]
        mean, variance = _mean_and_variance(n, sums)
        sure = (mean - 1.0) ** 2 > SURE**2 * np.maximum(variance, 1e-12)
        # State s lies between boundary s and boundary s + 1.
        found = np.zeros((len(n), 4))
        for state in range(3):
            found[:, state + 1] = found[:, state] + mean[:, state] - 1.0
        off = np.abs(found - found.mean(axis=1, keepdims=True))
        pays = np.any(sure, axis=1) & (off.max(axis=1) > self._worth)
        offsets[enough] = np.where(pays[:, None], found, 0.0)
        return offsets


def _mean_and_variance(n: NDArray[np.int64], sums: Floats) -> tuple[Floats, Floats]:
    """Mean widths of the states after ``n`` stretches with these ``sums``, and the variance of each
    mean, shapes (k,), (k, 9) and (k, 4)."""
    mean = sums[:, 1:5] / sums[:, :1]
    return mean, np.maximum(sums[:, 5:] / sums[:, :1] - mean * mean, 0.0) / (n - 1)[:, None]


def _stretches(counts: list[int], breaks: list[int]) -> tuple[list[int], list[int], int]:
    """The records at which each stretch begins and ends, and where the next one begins."""
    begins: list[int] = []
    ends: list[int] = []
    last, count_then, breaks_then = 0, counts[0], breaks[0]
    for at, (count, broke) in enumerate(zip(counts, breaks, strict=True)):
        moved = abs(count - count_then)
        if broke == breaks_then:
            if moved < LEAST_COUNTS:
                continue
            if moved <= MOST_COUNTS:
                begins.append(last)
                ends.append(at)
        last, count_then, breaks_then = at, count, broke
    return begins, ends, last


def _measured(
    counts: NDArray[np.int64], dwell_us: Floats, begin: NDArray[np.int64], end: NDArray[np.int64]
) -> tuple[Floats, NDArray[np.bool_]]:
    """What each usable stretch adds to the sums, (usable, 9), and which are usable, (n,)."""
    before, after = counts[begin], counts[end]
    moved = np.abs(after - before)
    first = np.where(after > before, before, after + 1)[:, None]
    more = ((np.arange(4) - first) & 3) < (moved & 3)[:, None]  # visits beyond whole lines
    visit = (dwell_us[end] - dwell_us[begin]) / ((moved >> 2)[:, None] + more)
    sound = np.all(visit > 0, axis=1)
    if not sound.all():
        visit, moved = visit[sound], moved[sound]
    a, b, c, d = visit.T
    share = visit * (4.0 / (a + b + c + d))[:, None]
    weighted = share * moved[:, None]
    return np.concatenate((moved[:, None], weighted, weighted * share), axis=1), sound
