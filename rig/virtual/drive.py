"""From a driving shaft to its follower: backlash, the magnet's pull, the impulse coupling.

All angles are *crank-equivalent*: degrees of the follower divided by its ratio to the crank. Driven
forward the follower is where the crank is; driven back it is ``backlash_deg`` ahead.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from rig.virtual.motion import TAG, Y_HI, Y_LO, Curve, join, still

DRIVEN, RIDING, PULLED, SNAPPED, ADJUSTED = range(5)
"""Marks of a follower's pieces: driven by the crank, carried by the magnet at the front of the
backlash, leaping through the backlash, tripping in the impulse coupling, moved by hand."""

PULL_S, TRIP_S = 0.015, 0.008  # how long the rotor leaps


@dataclass(frozen=True, slots=True)
class Magnet:
    """A magnet that pulls the rotor through the backlash, from ``before_deg`` of crank before the
    contacts open until ``after_deg`` after."""

    before_deg: float = 0.5
    after_deg: float = 15.0


@dataclass(frozen=True, slots=True)
class Coupling:
    """An impulse coupling: the contacts open ``lag_deg`` of crank later than in the running state;
    the rotor is caught ``catch_deg`` of crank before the running opening.

    After a trip it catches the same place again only when the rotor has been turned back beyond
    it by more than ``rearm_deg``: from a smaller distance it can be passed gently.
    """

    lag_deg: float = 26.0
    catch_deg: float = 9.0
    rearm_deg: float = 20.0


@dataclass(slots=True)
class Shaft:
    """A shaft that follows; its place is kept between movements.

    ``opens_deg``: where a rotor opens its contacts, one a lobe, in one ``period_deg``.
    """

    at: float
    backlash_deg: float = 0.0
    opens_deg: tuple[float, ...] = ()
    period_deg: float = 360.0
    magnet: Magnet | None = None
    coupling: Coupling | None = None
    held_at: float | None = None  # by the coupling
    tripped_at: float = np.inf
    busy_until_s: float = -np.inf  # it leaps
    dragged: bool = False  # a light drag keeps the magnet from pulling it

    def body_moved(self, earlier_deg: float) -> None:
        """The unit's body is moved, and with it the places where its coupling catches and its
        magnet pulls, and a rotor held by the coupling."""
        self.opens_deg = tuple(place - earlier_deg for place in self.opens_deg)
        self.tripped_at -= earlier_deg
        if self.held_at is not None:
            self.at -= earlier_deg
            self.held_at -= earlier_deg

    def follow(self, driver: Curve) -> Curve:
        """The follower's curve while the driver moves along its own."""
        if self.backlash_deg == 0.0 and self.magnet is None and self.coupling is None:
            self.at = driver.last
            return driver
        legs = [still(driver.begin_s, driver.begin_s, self.at)]
        for run in driver.runs():
            if run.end_s > self.busy_until_s:
                legs += self._forward(run, driver) if run.last > run.first else self._back(run)
        return join(*legs)

    def _forward(self, run: Curve, driver: Curve) -> Iterator[Curve]:
        now_s = max(run.begin_s, self.busy_until_s)
        while now_s < run.end_s:
            if self.coupling is not None and self.held_at is not None:
                trip = self.held_at + self.coupling.lag_deg + self.coupling.catch_deg
                if run.last < trip:
                    return
                self.tripped_at, self.held_at = self.held_at, None
                yield self._leap(driver, run.when(trip), TRIP_S, SNAPPED)
                now_s = self.busy_until_s
                continue
            begins, ends = self._pull()
            pulled = begins <= self.at + 1e-9
            ahead = self.backlash_deg if pulled else 0.0
            if pulled and driver.values(np.array([now_s]))[0] + ahead > self.at + 1e-9:
                yield self._leap(driver, now_s, PULL_S, PULLED, ahead, ends)
                now_s = self.busy_until_s
                continue
            if run.last + ahead <= self.at:
                return
            catch = self._next_catch()
            stop = min(catch, ends if pulled else begins)
            to = min(stop, run.last + ahead)
            begin_s = max(now_s, run.when(self.at - ahead))
            now_s = run.end_s if to < stop else max(run.when(to - ahead), begin_s)
            yield self._leg(run, begin_s, now_s, to, ahead, RIDING if pulled else DRIVEN)
            if to == catch:
                self.held_at = catch

    def _back(self, run: Curve) -> Iterator[Curve]:
        to = run.last + self.backlash_deg
        if to >= self.at:
            return
        begin_s = max(self.busy_until_s, run.when(self.at - self.backlash_deg))
        yield self._leg(run, begin_s, run.end_s, to, self.backlash_deg, DRIVEN)
        self.held_at = None
        if self.coupling is not None and to < self.tripped_at - self.coupling.rearm_deg:
            self.tripped_at = np.inf

    def _leg(
        self, run: Curve, begin_s: float, end_s: float, to: float, ahead: float, tag: int
    ) -> Curve:
        """On to ``to``, ``ahead`` of the driver all the way."""
        leg = run.part(begin_s, end_s).shifted(ahead)
        leg.table[0, Y_LO], leg.table[-1, Y_HI] = self.at, to
        leg.table[:, TAG] = tag
        self.at = to
        return leg

    def _leap(
        self,
        driver: Curve,
        from_s: float,
        lasting_s: float,
        tag: int,
        ahead: float = 0.0,
        most: float = np.inf,
    ) -> Curve:
        """The rotor accelerates evenly until the drive in front stops it: from the drive's own
        speed where the magnet pulls, else from rest."""
        end = float(driver.values(np.array([from_s + lasting_s]))[0])
        to = max(min(end + ahead, most), end, self.at)
        speed = 0.0
        if tag == PULLED:
            speed = max(float(driver.slopes(np.array([from_s]))[0]), 0.0)
            speed = min(speed, 2.0 * (to - self.at) / lasting_s)  # never back
        grow = ((to - self.at) / lasting_s - speed) / lasting_s
        row = [from_s, self.at, speed, grow, 0.0, 0.0, lasting_s, self.at, to, float(tag)]
        self.at, self.busy_until_s = to, from_s + lasting_s
        return Curve(np.array([row]))

    def _pull(self) -> tuple[float, float]:
        """Where the magnet's pull that is on, or comes next, begins and ends."""
        if self.magnet is None or self.backlash_deg == 0.0 or self.dragged:
            return np.inf, np.inf
        over = self.magnet.before_deg + self.magnet.after_deg
        begins = min(
            _next(self.at - over + 1e-9, opens - self.magnet.before_deg, self.period_deg)
            for opens in self.opens_deg
        )
        return begins, begins + over

    def _next_catch(self) -> float:
        if self.coupling is None:
            return np.inf
        places = [opens - self.coupling.catch_deg for opens in self.opens_deg]
        nexts = [_next(self.at, place, self.period_deg) for place in places]
        passed = self.tripped_at
        return min(at + self.period_deg if abs(at - passed) < 1e-6 else at for at in nexts)


def _next(at: float, place: float, period: float) -> float:
    """The first ``place`` (modulo ``period``) beyond ``at``."""
    turns = np.floor((at - place) / period + 1e-12) + 1.0
    return float(place + turns * period)
