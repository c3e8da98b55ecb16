"""From a driving shaft to its follower: backlash, the magnet's pull, the impulse coupling.

All angles are *crank-equivalent*: degrees of the follower divided by its ratio to the crank. Driven
forward the follower is where the crank is; driven back it is ``backlash_deg`` ahead.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.base.angles import modulo
from rig.virtual.motion import HI, LO, START, TAG, Y_HI, Y_LO, Curve, Floats, join, still

DRIVEN, RIDING, PULLED, SNAPPED, ADJUSTED = range(5)
"""Marks of a follower's pieces: driven by the crank, carried by the magnet at the front of the
backlash, leaping through the backlash, tripping in the impulse coupling, moved by hand."""


@dataclass(frozen=True, slots=True)
class Pull:
    """The magnet of a rotor: from ``from_deg`` on, for ``over_deg``, it pulls the rotor forward.

    ``from_deg`` are rotor places in one ``period_deg``, one a lobe.
    """

    from_deg: tuple[float, ...]
    over_deg: float
    period_deg: float
    leap_s: float = 0.015


@dataclass(frozen=True, slots=True)
class Impulse:
    """An impulse coupling: catches the rotor at ``catch_deg``, trips ``wind_deg`` later.

    After a trip it catches the same place again only when the rotor has been turned back beyond it
    by more than ``rearm_deg``: from a smaller distance it can be passed gently.
    """

    catch_deg: tuple[float, ...]
    wind_deg: float
    period_deg: float
    rearm_deg: float = 20.0
    leap_s: float = 0.008


@dataclass(slots=True)
class Shaft:
    """A shaft that follows; its place is kept between movements."""

    at: float
    backlash_deg: float = 0.0
    pull: Pull | None = None
    impulse: Impulse | None = None
    held_at: float | None = None
    tripped_at: float | None = None
    busy_until_s: float = -np.inf
    dragged: bool = False  # a light drag keeps the magnet from pulling it

    @property
    def held(self) -> bool:
        """Whether the coupling holds it back now."""
        return self.held_at is not None

    def body_moved(self, earlier_deg: float) -> None:
        """The unit's body is moved, and with it the places where its coupling catches and its
        magnet pulls, and a rotor held by the coupling."""
        if self.pull is not None:
            places = tuple(place - earlier_deg for place in self.pull.from_deg)
            self.pull = replace(self.pull, from_deg=places)
        if self.impulse is not None:
            places = tuple(place - earlier_deg for place in self.impulse.catch_deg)
            self.impulse = replace(self.impulse, catch_deg=places)
        if self.held_at is not None:
            self.at -= earlier_deg
            self.held_at -= earlier_deg
        if self.tripped_at is not None:
            self.tripped_at -= earlier_deg

    def follow(self, driver: Curve) -> Curve:
        """The follower's curve while the driver moves along its own."""
        if self.backlash_deg == 0.0 and self.pull is None and self.impulse is None:
            self.at = driver.last
            return driver
        begin_s = float(driver.table[0, START] + driver.table[0, LO])
        legs = [still(begin_s, begin_s, self.at)]
        for first, last, way in _runs(driver):
            run = _Run(driver, first, last, way)
            if run.end_s > self.busy_until_s:
                legs += self._forward(run) if way > 0 else self._backward(run)
        return join(*legs)

    def _forward(self, run: _Run) -> list[Curve]:
        legs: list[Curve] = []
        now_s = max(run.begin_s, self.busy_until_s)
        while now_s < run.end_s:
            if self.held_at is not None:
                assert self.impulse is not None
                trip = self.held_at + self.impulse.wind_deg
                if run.end < trip:
                    break
                now_s = run.time_at(trip)
                self.tripped_at, self.held_at = self.held_at, None
                legs.append(self._leap(run, now_s, self.impulse.leap_s, tag=SNAPPED))
                now_s = self.busy_until_s
                continue
            zone_end = self._zone_end()
            offset = 0.0 if zone_end is None else self.backlash_deg
            if zone_end is not None and run.value(now_s) + offset > self.at + 1e-9:
                assert self.pull is not None
                leap_s = self.pull.leap_s
                legs.append(
                    self._leap(run, now_s, leap_s, tag=PULLED, offset=offset, most=zone_end)
                )
                now_s = self.busy_until_s
                continue
            if run.end + offset <= self.at:
                break
            catch = self._next_catch()
            stop = min(catch, zone_end if zone_end is not None else self._next_zone())
            target = min(stop, run.end + offset)
            begin_s = max(now_s, run.time_at(self.at - offset))
            now_s = run.end_s if target < stop else max(run.time_at(target - offset), begin_s)
            tag = DRIVEN if zone_end is None else RIDING
            legs += run.leg(begin_s, now_s, at=self.at, to=target, offset=offset, tag=tag)
            self.at = target
            if target < stop:
                break
            if target == catch:
                self.held_at = catch
        return legs

    def _backward(self, run: _Run) -> list[Curve]:
        if run.end + self.backlash_deg >= self.at:
            return []
        begin_s = max(run.begin_s, self.busy_until_s, run.time_at(self.at - self.backlash_deg))
        target = run.end + self.backlash_deg
        play = self.backlash_deg
        legs = run.leg(begin_s, run.end_s, at=self.at, to=target, offset=play, tag=DRIVEN)
        self.at, self.held_at = target, None
        if (
            self.impulse is not None
            and self.tripped_at is not None
            and self.at < self.tripped_at - self.impulse.rearm_deg
        ):
            self.tripped_at = None
        return legs

    def _leap(
        self,
        run: _Run,
        from_s: float,
        lasting_s: float,
        *,
        tag: int,
        offset: float = 0.0,
        most: float = np.inf,
    ) -> Curve:
        """The rotor accelerates evenly until the drive in front of it stops it."""
        landing = run.driver.values(np.array([from_s + lasting_s]))[0] + offset
        to = max(min(float(landing), most), self.at)
        grow = (to - self.at) / lasting_s**2
        row = [from_s, self.at, 0.0, grow, 0.0, 0.0, lasting_s, self.at, to, float(tag)]
        self.at, self.busy_until_s = to, from_s + lasting_s
        return Curve(np.array([row]))

    def _zone_end(self) -> float | None:
        """Where the present pull of the magnet ends; None outside."""
        if self.pull is None or self.backlash_deg == 0.0 or self.dragged:
            return None
        pull = self.pull
        for start in pull.from_deg:
            into = modulo(self.at - start, pull.period_deg)
            if pull.period_deg - into < 1e-9:  # at its beginning, except for rounding
                into = 0.0
            if into < pull.over_deg - 1e-9:
                return self.at + pull.over_deg - into
        return None

    def _next_zone(self) -> float:
        if self.pull is None or self.backlash_deg == 0.0 or self.dragged:
            return np.inf
        return min(_next(self.at, start, self.pull.period_deg) for start in self.pull.from_deg)

    def _next_catch(self) -> float:
        if self.impulse is None:
            return np.inf
        period = self.impulse.period_deg
        nexts = [_next(self.at, place, period) for place in self.impulse.catch_deg]
        tripped = self.tripped_at if self.tripped_at is not None else np.inf
        return min(at + period if abs(at - tripped) < 1e-6 else at for at in nexts)


def _next(at: float, place: float, period: float) -> float:
    """The first ``place`` (modulo ``period``) beyond ``at``."""
    turns = np.floor((at - place) / period + 1e-12) + 1.0
    return float(place + turns * period)


@dataclass(frozen=True, slots=True)
class _Run:
    """Successive pieces of the driver that all go one way."""

    driver: Curve
    first: int
    last: int
    way: int

    @property
    def begin_s(self) -> float:
        row = self.driver.table[self.first]
        return float(row[START] + row[LO])

    @property
    def end_s(self) -> float:
        row = self.driver.table[self.last]
        return float(row[START] + row[HI])

    @property
    def end(self) -> float:
        return float(self.driver.table[self.last, Y_HI])

    def value(self, t_s: float) -> float:
        return float(self.driver.values(np.array([t_s]))[0])

    def time_at(self, level: float) -> float:
        """When the driver is at ``level``; the start of the run if it was before."""
        rows = self.driver.table[self.first : self.last + 1]
        ends: Floats = rows[:, Y_HI] * self.way
        k = min(int(np.searchsorted(ends, level * self.way, side="left")), len(rows) - 1)
        row = rows[k]
        if (level - row[Y_LO]) * self.way <= 0.0:
            return float(row[START] + row[LO])
        if level == row[Y_HI]:
            return float(row[START] + row[HI])
        # Upwards, so that the level counts as passed within the piece.
        one = Curve(np.array([row])).passed(np.array([level]))
        return float(one.t_s[0]) if len(one) else float(row[START] + row[HI])

    def leg(
        self, begin_s: float, end_s: float, *, at: float, to: float, offset: float, tag: int
    ) -> list[Curve]:
        """The follower from ``at`` to ``to``, parallel to the driver."""
        rows = self.driver.table[self.first : self.last + 1]
        starts = rows[:, START] + rows[:, LO]
        a = max(int(np.searchsorted(starts, begin_s, side="right")) - 1, 0)
        b = max(int(np.searchsorted(starts, end_s, side="left")) - 1, a)
        table = Curve(rows[a : b + 1]).shifted(offset).table
        table[0, LO], table[0, Y_LO] = max(begin_s - table[0, START], table[0, LO]), at
        table[-1, HI], table[-1, Y_HI] = min(end_s - table[-1, START], table[-1, HI]), to
        table[:, TAG] = tag
        return [Curve(table)]


def _runs(curve: Curve) -> list[tuple[int, int, int]]:
    """First and last piece and direction of each stretch that goes one way."""
    way = np.sign(curve.table[:, Y_HI] - curve.table[:, Y_LO]).astype(int)
    moving = np.flatnonzero(way)
    if not len(moving):
        return []
    turns = np.flatnonzero(np.diff(way[moving])) + 1
    firsts = moving[np.concatenate([[0], turns])]
    lasts = moving[np.concatenate([turns - 1, [len(moving) - 1]])]
    return [(int(a), int(b), int(way[a])) for a, b in zip(firsts, lasts, strict=True)]
