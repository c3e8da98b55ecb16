"""A set of contacts: lobes that open them, bounce, drop-outs, gathered drop-outs, spikes.

The level on the wire is the true state of the contacts, inverted during each *flaw* (a bounce, a
drop-out or a spike is an interval of time). Flaws are drawn from streams of their own, one after
another in time, so that the same seed gives the same flaws however the time is divided.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rig.virtual.motion import Curve, Floats, Ints

BEFORE_S = 20e-6
"""A flaw ends at least this long before the contacts open or close, so that truth stays true."""


@dataclass(frozen=True, slots=True)
class Bounces:
    """Bounce: up to ``most`` bounces; their lengths and the times between them, milliseconds.

    A bounce is a return to the former state. Lengths are spread evenly on a logarithmic scale.
    """

    most: int = 8
    bounce_ms: tuple[float, float] = (0.02, 0.4)
    between_ms: tuple[float, float] = (0.02, 0.3)


@dataclass(frozen=True, slots=True)
class Noise:
    """What is not clean about a set of contacts and its lead. Rates are per second."""

    opening: Bounces = Bounces()
    closing: Bounces = Bounces(5)
    dropouts: float = 0.0  # of the closed contacts
    dropout_ms: tuple[float, float] = (0.02, 0.4)
    crowd: float = 0.0  # drop-outs just before the contacts open, where the pressure fades
    crowd_deg: float = 0.4  # how long before, in crank degrees
    spikes: float = 0.0
    spike_us: tuple[float, float] = (1.0, 5.0)


NOISES = {
    "clean": Noise(Bounces(0), Bounces(0)),
    "usual": Noise(dropouts=0.2, spikes=0.05),
    "dirty": Noise(dropouts=3.0, spikes=5.0),
    "crowded": Noise(dropouts=1.0, crowd=150.0),
    "gaps": Noise(opening=Bounces(8, (0.02, 3.0), (0.02, 0.5))),
    "worst": Noise(Bounces(8, (0.02, 3.0), (0.02, 0.5)), dropouts=3.0, crowd=150.0, spikes=5.0),
}
"""Sorts of contacts by name."""

NEARS, OPENS, CLOSES = range(3)
"""Levels of a lobe, in order of angle: modulo 3 of a level's number."""


@dataclass(frozen=True, slots=True)
class Lobes:
    """Where the contacts open and close, in crank-equivalent degrees of the rotor.

    ``opens_deg`` within one ``period_deg`` in increasing order, lobe 0 first; ``open_deg`` is how
    long each keeps them open. ``scatter_deg`` is the standard deviation of an opening from one turn
    of the rotor to the next (the same each time the same place is passed).
    """

    opens_deg: tuple[float, ...]
    open_deg: tuple[float, ...]
    period_deg: float
    scatter_deg: float = 0.0
    seed: int = 0

    def levels(self, low: float, high: float, near_deg: float = 0.0) -> tuple[Floats, int]:
        """Increasing levels (near, opens, closes of each lobe) and the number of the first."""
        n = len(self.opens_deg)
        first = int(np.floor((low - self.opens_deg[0]) / self.period_deg)) - 1
        last = int(np.ceil((high - self.opens_deg[0]) / self.period_deg)) + 1
        number = np.arange(first * n, last * n)
        turns, lobe = np.divmod(number, n)
        opens = np.asarray(self.opens_deg)[lobe] + turns * self.period_deg
        closes = opens + np.asarray(self.open_deg)[lobe]
        if self.scatter_deg:
            table = np.random.default_rng(self.seed).standard_normal(4096) * self.scatter_deg
            opens = opens + table[number % 4096]
        return np.stack([opens - near_deg, opens, closes], axis=1).reshape(-1), 3 * first * n


@dataclass(frozen=True, slots=True)
class Changes:
    """Changes of the true state, without flaws."""

    t_s: Floats
    is_open: NDArray[np.bool_]  # state after
    lobe: Ints
    step: Ints  # +1: the rotor went forward
    tag: Ints  # what moved the rotor, see ``rig.virtual.drive``


class ContactSet:
    """The contacts of one unit, the rotor at rest at ``at``; the state is kept between
    movements."""

    def __init__(self, lobes: Lobes, noise: Noise, seed: int, at: float) -> None:
        self.lobes, self.noise = lobes, noise
        levels, number = lobes.levels(at, at)
        last = number + int(np.searchsorted(levels, at, side="right")) - 1
        self.is_open = self.shown_open = last % 3 == OPENS  # the latter with flaws
        self._done_s = 0.0
        self._changes_s = np.empty(0)  # still to be shown
        self._flaws = np.empty((0, 2))  # not over yet: from, to
        streams = [np.random.default_rng(each) for each in np.random.SeedSequence(seed).spawn(4)]
        self._bounce_dice, self._arrivals = streams[0], [Arrivals(each) for each in streams[1:]]

    def follow(self, rotor: Curve, until_s: float) -> tuple[Changes, Floats, NDArray[np.bool_]]:
        """True changes while the rotor moves; times and states of the wire up to ``until_s``."""
        levels, number = self.lobes.levels(*rotor.span, self.noise.crowd_deg)
        passed = rotor.passed(levels)
        which = number + passed.level
        ends = which % 3 != NEARS
        changes = Changes(
            passed.t_s[ends],
            ((which % 3 == OPENS) == (passed.step > 0))[ends],
            (which // 3 % len(self.lobes.opens_deg))[ends],
            passed.step[ends].astype(np.int64),
            passed.tag[ends],
        )
        if len(changes.t_s):
            self.is_open = bool(changes.is_open[-1])

        def zone(t_s: Floats) -> Ints:
            """The kind of level that the rotor passed last."""
            last = np.searchsorted(levels, rotor.values(t_s), side="right")
            return np.asarray((number + last - 1) % 3)

        self._flaws = self._flawed(changes, zone, until_s)
        self._changes_s = np.concatenate([self._changes_s, changes.t_s])
        toggles = np.sort(np.concatenate([self._changes_s, self._flaws.reshape(-1)]))
        toggles = toggles[(toggles > self._done_s) & (toggles <= until_s)]
        shown = self.shown_open ^ (np.arange(len(toggles)) % 2 == 0)
        self._changes_s = self._changes_s[self._changes_s > until_s]
        self._flaws = self._flaws[self._flaws[:, 1] > until_s]
        self.shown_open = bool(shown[-1]) if len(shown) else self.shown_open
        self._done_s = until_s
        return changes, toggles, shown

    def finger(self, from_s: float, to_s: float) -> None:
        """Somebody opens the closed contacts by hand (an interval of inverted state)."""
        self._flaws = np.concatenate([self._flaws, [[from_s, to_s]]])

    def _flawed(self, changes: Changes, zone: Callable[[Floats], Ints], until_s: float) -> Floats:
        """All flaws up to ``until_s``, each ended before the next true change."""
        noise = self.noise
        dropout_s = np.array(noise.dropout_ms) * 1e-3
        dropouts, crowd, spikes = (
            arrivals.until(self._done_s, until_s, rate, size_s)
            for arrivals, rate, size_s in zip(
                self._arrivals,
                (noise.dropouts, noise.crowd, noise.spikes),
                (dropout_s, dropout_s, np.array(noise.spike_us) * 1e-6),
                strict=True,
            )
        )
        dropouts = dropouts[zone(dropouts[:, 0]) != OPENS]
        crowd = crowd[zone(crowd[:, 0]) == NEARS]
        flaws = np.concatenate([self._flaws, self._bounces(changes), dropouts, crowd, spikes])
        coming = np.concatenate([self._changes_s, changes.t_s])
        begun = np.maximum(flaws[:, 0], self._done_s)  # only the rest of an old one can be cut
        limit = np.append(coming, np.inf)[np.searchsorted(coming, begun, side="right")] - BEFORE_S
        ends = np.minimum(flaws[:, 1], np.maximum(limit, begun))
        keep = ends - flaws[:, 0] > 1e-6
        keep[: len(self._flaws)] = True
        return np.asarray(np.stack([flaws[:, 0], ends], axis=1)[keep])

    def _bounces(self, changes: Changes) -> Floats:
        """Intervals of the former state after each change, shape (n, 2)."""
        parts = [np.empty((0, 2))]
        most = max(self.noise.opening.most, self.noise.closing.most)
        dice = self._bounce_dice.random((len(changes.t_s), 2 * most + 1))
        for row, t_s, opened in zip(dice, changes.t_s, changes.is_open, strict=True):
            bounces = self.noise.opening if opened else self.noise.closing
            n = int(row[0] * (bounces.most + 1))
            between = _between(row[1 : 1 + n], np.array(bounces.between_ms) * 1e-3)
            lasting = _between(row[1 + most : 1 + most + n], np.array(bounces.bounce_ms) * 1e-3)
            begins = t_s + np.cumsum(between) + np.cumsum(lasting) - lasting
            parts.append(np.stack([begins, begins + lasting], axis=1))
        return np.concatenate(parts)


@dataclass(slots=True)
class Arrivals:
    """Flaws that come by chance (a Poisson stream): from, to."""

    rng: np.random.Generator
    ready: Floats = field(default_factory=lambda: np.empty((0, 2)))  # time in units of the rate
    at: float = 0.0  # how much of the stream has been used, in expected flaws

    def until(self, from_s: float, until_s: float, rate: float, size_s: Floats) -> Floats:
        """The flaws of this stretch of time, shape (n, 2)."""
        if rate <= 0.0:
            return np.empty((0, 2))
        upto = self.at + (until_s - from_s) * rate
        while not len(self.ready) or self.ready[-1, 0] <= upto:
            last = float(self.ready[-1, 0]) if len(self.ready) else self.at
            dice = self.rng.random((64, 2))
            more = np.stack([last - np.cumsum(np.log1p(-dice[:, 0])), dice[:, 1]], axis=1)
            self.ready = np.concatenate([self.ready, more])
        use = self.ready[:, 0] <= upto
        begins = from_s + (self.ready[use, 0] - self.at) / rate
        lasting = _between(self.ready[use, 1], size_s)
        self.ready, self.at = self.ready[~use], upto
        return np.stack([begins, begins + lasting], axis=1)


def _between(dice: Floats, ends: Floats) -> Floats:
    """From [0, 1) to lengths between two ends, evenly on a logarithmic scale."""
    return np.asarray(ends[0] * (ends[1] / ends[0]) ** dice)
