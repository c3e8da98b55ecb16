"""Touches of the piston stop, found from the movement of the crank.

With the piston stop in, the crank goes forwards until it is blocked, then backwards until it is
blocked on the other side. A touch is where the crank was held against the stop: it moved there,
stayed, and went back by at least ``LEAST_WAY_DEG``. Its place is the median of the crank's place
while it was within ``NEAR_DEG`` of the furthest point, so a rebound or a hard push counts only for
the time it lasted.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rig.base.angles import modulo, wrap
from rig.signal.events import Settings

# From stop to stop the crank turns through hundreds of degrees; a hand trembles by one or two.
LEAST_WAY_DEG = 20.0
TREMBLE_DEG = 2.0
NEAR_DEG = 1.0
LEAST_HOLD_S = 0.25  # a touch left sooner was a reversal in the open, or a knock
# Middle half of the places while held; a wider one is not steady (common practice, no source). With
# a coarse encoder a hand on the edge of a count is still steady.
UNSTEADY_DEG = 0.2
UNSTEADY_COUNTS = 1.5


@dataclass(frozen=True, slots=True)
class Touch:
    """One touch. ``at`` is its place in counts (at the middle of a count)."""

    t_us: float
    side: Literal[1, -1]  # +1: reached turning in the normal direction, before the blocked arc
    at: float
    held_s: float
    steady: bool  # held long enough, at one place
    crank_deg: float = math.nan  # continuous, degrees after the index, once that is known

    def was_held_at(self, t_us: float) -> bool:
        """Whether it is the touch that was held at ``t_us``."""
        return abs(self.t_us - t_us) <= (self.held_s + LEAST_HOLD_S) * 1e6


@dataclass(frozen=True, slots=True)
class ShortWay:
    """A place where the crank was held and left as at a piston stop, after too short a movement."""

    t_us: float
    side: Literal[1, -1]
    way_deg: float


STEADY_DEG = 0.3  # a touch this far from the others is reported (common practice, no source)
LEAST_AGREEING = 2  # steady holds at one place: surely at the stop


@dataclass(frozen=True, slots=True)
class Passed:
    """The crank went on by ``by_deg`` past the place where it was held ``n`` times as at the stop:
    the stop was forced, moved, or taken out unnoticed."""

    side: Literal[1, -1]
    n: int
    by_deg: float


# Touches of one piston stop are closer than this (common practice, no source). A rest further from
# the furthest place of all was in the open.
OPEN_DEG = 5.0


@dataclass(frozen=True, slots=True)
class Hold:
    """The crank is held at the furthest point of a movement of ``way_deg``, as at a piston stop."""

    touch: Touch
    way_deg: float

    @property
    def is_touch(self) -> bool:
        """Whether it will be a touch once the crank has gone well back."""
        return self.way_deg >= LEAST_WAY_DEG and self.touch.steady


class Movement:
    """Where the crank was, by ``positions`` (dtype ``POSITION``, shape (n,), in order of time)."""

    def __init__(self, positions: NDArray[np.void], settings: Settings) -> None:
        self._count_deg, self._way = settings.count_deg, settings.direction
        self._positions, self._t_us = positions, positions["t_us"]
        self._place = (positions["count"] + 0.5) * self._way
        self.passed: Passed | None = None  # known by ``touches``

    def _reach(self, side: int) -> NDArray[np.float64]:
        """How far it went to a side, between one position and the next, too."""
        far = "high" if side * self._way > 0 else "low"
        return np.asarray((self._positions[far] + 0.5) * (side * self._way), np.float64)

    def touches(self) -> list[Touch]:
        """Touches that the crank has left again; for a present one see ``hold``.

        A place that the crank went past later is not a touch, nor is one well before a touch:
        nothing goes past a piston stop. See ``passed`` where several were passed.
        """
        if len(self._place) < 3:
            return []
        least = LEAST_WAY_DEG / self._count_deg
        touches: list[Touch] = []
        for side in (1, -1):
            reach, furthest = self._reach(side), -math.inf
            past: list[tuple[Touch, float]] = []
            for peak in _apart(peaks(reach, least), reach, least):
                beyond = max(float(reach[peak:].max()), furthest) - reach[peak]
                if beyond <= OPEN_DEG / self._count_deg:
                    touches.append(self._touch(peak, side))
                    if touches[-1].steady:
                        furthest = max(furthest, float(reach[peak]))
                else:
                    past.append((self._touch(peak, side), beyond))
            kept = sum(each.side == side and each.steady for each in touches)
            self.passed = self.passed or self._passed(past, kept)
        return sorted(touches, key=lambda touch: touch.t_us)

    def _passed(self, past: list[tuple[Touch, float]], kept: int) -> Passed | None:
        """What was passed at one place more often than the ``kept`` touches."""
        past = [each for each in past if each[0].steady]
        middle = statistics.median(touch.at for touch, _ in past) if past else math.nan
        near = STEADY_DEG / self._count_deg
        same = [each for each in past if abs(each[0].at - middle) <= near]
        if len(same) < LEAST_AGREEING or len(same) <= kept:
            return None
        return Passed(same[0][0].side, len(same), max(by for _, by in same) * self._count_deg)

    def short_way(self) -> ShortWay | None:
        """The last place that is no touch only because the movement was too short.

        It may be a hand that rested in the open, so it is reported and not used.
        """
        if len(self._place) < 3:
            return None
        found = []
        for side in (1, -1):
            reach = self._reach(side)
            for peak in peaks(reach, TREMBLE_DEG / self._count_deg):
                rise, fall = (
                    (reach[peak] - _least_until_higher(way)) * self._count_deg
                    for way in (reach[peak::-1], reach[peak:])
                )
                if rise < LEAST_WAY_DEG <= fall:
                    touch = self._touch(peak, side)
                    if touch.held_s >= LEAST_HOLD_S:
                        found.append(ShortWay(touch.t_us, touch.side, rise))
        return max(found, key=lambda short: short.t_us, default=None)

    def hold(self, touches: Sequence[Touch] = ()) -> Hold | None:
        """Where the crank is held now, for ``LEAST_HOLD_S`` or more; None while it turns, and where
        one of the ``touches`` was well past the place."""
        place, count_deg = self._place, self._count_deg
        away = np.flatnonzero(np.abs(place - place[-1:]) > NEAR_DEG / count_deg)
        if not len(away) or self._t_us[-1] - self._t_us[away[-1]] < LEAST_HOLD_S * 1e6:
            return None
        first = int(away[-1]) + 1
        side = 1 if place[first - 1] < place[-1] else -1
        reach = place * side
        beyond = np.flatnonzero(reach[:first] > reach[first:].max() + TREMBLE_DEG / count_deg)
        since = int(beyond[-1]) + 1 if len(beyond) else 0
        way_deg = float(reach[first:].max() - reach[since:first].min()) * count_deg
        if way_deg < TREMBLE_DEG:
            return None
        peak = first + int(reach[first:].argmax())
        touched = (t.at * self._way * side for t in touches if t.side == side and t.steady)
        if max(touched, default=-math.inf) - reach[peak] > OPEN_DEG / count_deg:
            return None
        return Hold(self._touch(peak, side), way_deg)

    def _touch(self, peak: int, side: int) -> Touch:
        place, t_us, count_deg = self._place, self._t_us, self._count_deg
        away = np.abs(place - place[peak]) > NEAR_DEG / count_deg
        before, after = np.flatnonzero(away[:peak]), np.flatnonzero(away[peak:])
        first = int(before[-1]) + 1 if len(before) else 0
        last = peak + int(after[0]) if len(after) else len(place) - 1
        where, weight = place[peak : peak + 1], np.ones(1)
        if last > first:  # each place lasts until the next record
            where, weight = place[first:last], np.diff(t_us[first : last + 1])
        order = np.argsort(where, kind="stable")
        share = np.cumsum(weight[order]) / weight.sum()
        low, middle, high = where[order][np.searchsorted(share, (0.25, 0.5, 0.75))].tolist()
        held_s, unrest_deg = float(weight.sum()) / 1e6, (high - low) * count_deg
        steady = unrest_deg <= max(UNSTEADY_DEG, UNSTEADY_COUNTS * count_deg)
        return Touch(
            float(t_us[peak]),
            1 if side > 0 else -1,
            middle * self._way,
            held_s,
            held_s >= LEAST_HOLD_S and steady,
        )


def at_the_stop(touches: list[Touch]) -> list[Touch]:
    """Those at the piston stop, of touches on counts that do not belong together.

    Nothing goes past the stop: the longest way from a touch turning back to one turning forward is
    all the way, and a rest within it was in the open. The others are returned in their order.
    """
    steady = [each for each in touches if each.steady]
    sides = ([each.crank_deg for each in steady if each.side == side] for side in (1, -1))
    longest = max(product(*sides), key=lambda pair: modulo(pair[0] - pair[1]), default=None)
    if longest is None:
        return touches
    at = {1: longest[0], -1: longest[1]}
    return [each for each in touches if abs(wrap(each.crank_deg - at[each.side])) <= OPEN_DEG]


def peaks(reach: NDArray[np.float64], least: float) -> list[int]:
    """Indices of the peaks that are ``least`` above all that lies between them and a higher place
    or an end, on both sides; the middle of a level one.

    As ``scipy.signal.find_peaks`` with a ``prominence``, but without importing it: that takes
    longer than most commands, and than a screen may wait.
    """
    ends = np.append(np.flatnonzero(np.diff(reach)), len(reach) - 1)  # of stretches of one height
    middles = (np.append(0, ends[:-1] + 1) + ends) // 2
    heights = reach[ends]
    rises = np.diff(heights) > 0.0
    tops = np.flatnonzero(rises[:-1] & ~rises[1:]) + 1
    if not len(tops):
        return []
    low, *valleys = np.minimum.reduceat(heights, np.append(0, tops)).tolist()
    found: list[int] = []
    highest, at = -math.inf, [0]  # since the last peak, and where
    for top, height, valley in zip(
        middles[tops].tolist(), heights[tops].tolist(), valleys, strict=True
    ):
        if height > highest:
            highest, at = height, [top]
        elif height == highest:
            at.append(top)
        if highest - valley < least:
            low = min(low, valley)
            continue
        if highest - low >= least:
            found += at
        low, highest = valley, -math.inf
    return found


def _least_until_higher(way: NDArray[np.float64]) -> float:
    """The lowest of a way, up to where it gets higher than its first place."""
    higher = np.flatnonzero(way > way[0])
    return float(way[: higher[0] if len(higher) else None].min())


def _apart(peaks: list[int], reach: NDArray[np.float64], least: float) -> list[int]:
    """One peak for each meeting with the stop: a hand that sways against it makes many of one
    height, and they are one touch until the crank has gone back by ``least``."""
    kept: list[int] = []
    for peak in peaks:
        if kept and reach[kept[-1] : peak].min() > max(reach[kept[-1]], reach[peak]) - least:
            kept[-1] = max(kept[-1], peak, key=lambda at: float(reach[at]))
        else:
            kept.append(peak)
    return kept
