"""Readings in separate groups: a unit that moved, a drive that slips. They have no mean.

The readings of each lobe are assumed to scatter normally about a mean of their own, all with the
same SD. An F test compares a way to split them with that: what it takes off the squared deviations,
per extra group, over what it leaves. The best of all ways to split is tested, so its tail
probability is multiplied by their number (Bonferroni). That bounds the rate of false alarms without
a table: at most ``FALSE_ALARM`` for a unit in one setting and phase, however many readings it has.
The ratio of the squares between and within two groups is that of Engelman and Hartigan, Percentage
points of a test for clusters, JASA 64 (1969), from memory.

Two kinds of split are tried: one move in time, which shifts all lobes alike, and groups by value,
as left by a drive that slips to and fro. A difference below ``LEAST_DEG``, or explained by the
errors entered for encoder and drive, is scatter and stays in the SD.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from rig.base.angles import wrap
from rig.engine.gear_train import disc_places
from rig.engine.profile import Encoder

FALSE_ALARM = 0.001  # largest fraction of steady units whose readings are reported to be in groups
# Groups nearer than this stay in the SD: a degree disc and a lamp show no less (common practice, no
# source).
LEAST_DEG = 0.5
# A gap this wide splits even two readings: with an SD of 0.75 degrees two readings lie this far
# apart three times in a million (normal; that no sound drive has a larger SD is common practice, no
# source).
GROSS_DEG = 5.0
MOST_BREAKS = 12  # how many of the widest gaps within lobes are tried
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Split:
    """Readings split into groups; ``labels`` numbers the group of each, from 0.

    ``in_turn``: each group follows the one before in time, as when a unit moved. ``broken`` are the
    lobes whose own readings are in several groups; ``whole``: more than one is, or the unit moved.
    """

    labels: tuple[int, ...]
    lobes: tuple[int, ...]
    in_turn: bool
    whole: bool
    broken: frozenset[int]

    def spoils(self, lobe: int) -> bool:
        """Whether a lobe has no mean: its own readings are in groups, or the whole unit moved."""
        return self.whole or lobe in self.broken


def explained_deg(encoder: Encoder, backlash_deg: float | None) -> float:
    """How far apart the entered errors allow readings of one lobe to be, crank degrees.

    A count, the backlash of the unit's drive and, where a geared encoder reads a lobe at several
    places of its disc, its own errors there. Source: definition of each.
    """
    ratio = float(encoder.turns_per_crank_turn)
    found = encoder.count_deg + (backlash_deg or 0.0)
    if disc_places(encoder) > 1:
        found += 2.0 * (encoder.graduation_error_deg + encoder.run_out_deg) / ratio
    return found


def split_into_groups(
    btdc_deg: Sequence[float], lobes: Sequence[int], explained: float
) -> Split | None:
    """The groups of readings, in order of time; None when there is only one.

    ``lobes`` has the lobe of each, from 0; ``explained`` is ``explained_deg``. Source: see the
    module.
    """
    lobe, angles = np.asarray(lobes, np.int64), np.asarray(btdc_deg, np.float64)
    _, first, of = np.unique(lobe, return_index=True, return_inverse=True)
    deg = wrap(angles - angles[first[of]])  # from the first reading of the same lobe
    least = max(LEAST_DEG, explained)
    gross = _by_value(deg, lobe, max(GROSS_DEG, explained), None)
    if gross is not None:
        return _numbered(gross, lobe, moved=False)
    moved = _in_time(deg, lobe, least)
    found = [] if moved is None else [(*moved, True)]
    breaks = sorted((gap for gap, _ in _gaps(deg, lobe) if gap >= least), reverse=True)
    tries = breaks[:MOST_BREAKS]
    for n, gap in enumerate(tries, 1):
        labels = _by_value(deg, lobe, gap, n)
        if labels is not None:
            shares = FALSE_ALARM / 2.0 / MOST_BREAKS
            found.append((_log_chance(deg, lobe, labels, n) - math.log(shares), labels, False))
    best = min(found, key=lambda each: each[0], default=None)
    return None if best is None or best[0] > 0.0 else _numbered(best[1], lobe, moved=best[2])


def _gaps(deg: Floats, lobe: NDArray[np.int64]) -> list[tuple[float, int]]:
    """Every gap between neighbours in value on one lobe, with the index of the upper one."""
    order = np.lexsort((deg, lobe))
    same = lobe[order][1:] == lobe[order][:-1]
    gaps = np.diff(deg[order])
    return [(float(gaps[i]), int(order[i + 1])) for i in np.flatnonzero(same)]


def _by_value(
    deg: Floats, lobe: NDArray[np.int64], gap: float, breaks: int | None
) -> NDArray[np.int64] | None:
    """Groups split at every gap of at least ``gap``, numbered upwards on each lobe.

    None if that does not give ``breaks`` gaps, or any.
    """
    above = {place for width, place in _gaps(deg, lobe) if width >= gap}
    if not above or (breaks is not None and len(above) != breaks):
        return None
    labels = np.zeros(len(deg), np.int64)
    for own in np.unique(lobe):
        at = np.flatnonzero(lobe == own)
        number = 0
        for place in at[np.argsort(deg[at], kind="stable")]:
            number += int(place) in above
            labels[place] = number
    return labels


def _in_time(
    deg: Floats, lobe: NDArray[np.int64], least: float
) -> tuple[float, NDArray[np.int64]] | None:
    """The best single move in time: the log of its probability over its share, and the groups."""
    n, lobes = len(deg), len(np.unique(lobe))
    nu = n - lobes - 1
    if nu < 1:
        return None
    own = np.equal.outer(np.unique(lobe), lobe).astype(np.float64)  # (lobes, readings)
    count = own.sum(axis=1)
    rest = deg - (own.T @ ((own @ deg) / count))
    squares = float(rest @ rest)
    # After reading k: how many of each lobe follow, and the sum of their deviations.
    later = own[:, ::-1].cumsum(axis=1)[:, ::-1][:, 1:]
    weight = (later - later**2 / count[:, None]).sum(axis=0)
    pull = rest[::-1].cumsum()[::-1][1:]
    usable = weight > 1e-9
    if not usable.any():
        return None
    taken = np.where(usable, pull**2 / np.where(usable, weight, 1.0), -1.0)
    k = int(np.argmax(taken))
    if abs(pull[k] / weight[k]) < least:
        return None
    left = max(squares - float(taken[k]), 0.0)
    chance = _log_tail(float(taken[k]), left, 1, nu) + math.log(n - 1)
    return chance - math.log(FALSE_ALARM / 2.0), (np.arange(n) > k).astype(np.int64)


def _log_chance(
    deg: Floats, lobe: NDArray[np.int64], labels: NDArray[np.int64], breaks: int
) -> float:
    """Log of the bound on the probability of such a split by value; 0 without evidence."""
    sizes = np.bincount(lobe)
    nu = len(deg) - len(sizes) - breaks
    if nu < 1:
        return 0.0
    together = _squares(deg, lobe)
    apart = _squares(deg, lobe * (breaks + 1) + labels)
    ways = _ways(tuple(sorted(sizes.tolist())), breaks)
    return _log_tail(together - apart, apart, breaks, nu) + math.log(ways)


def _squares(deg: Floats, of: NDArray[np.int64]) -> float:
    """Squared deviations from the mean of each group, added up."""
    _, place = np.unique(of, return_inverse=True)
    means = np.bincount(place, deg) / np.bincount(place)
    return float(((deg - means[place]) ** 2).sum())


def _log_tail(taken: float, left: float, more: int, nu: int) -> float:
    """Log of an upper bound on P(F >= (taken/more)/(left/nu)), F with ``more`` and ``nu``.

    That is the incomplete beta function I_x(nu/2, more/2) at x = left/(left + taken), bounded by
    its leading term, so that nothing underflows (NIST DLMF 8.17, from memory).
    """
    from scipy.special import betaln

    if left <= 0.0:
        return -math.inf if taken > 0.0 else 0.0
    x, a, b = left / (left + taken), nu / 2.0, more / 2.0
    if taken <= 0.0:
        return 0.0
    lead = a * math.log(x) - math.log(a) - float(betaln(a, b))
    if b < 1.0:
        lead += (b - 1.0) * math.log1p(-x)
    return min(lead, 0.0)


@cache
def _ways(sizes: tuple[int, ...], breaks: int) -> int:
    """Ways to split lobes with these numbers of readings, with ``breaks`` more groups than lobes.

    Source: Stirling numbers of the second kind, multiplied over the lobes.
    """
    total = [1] + [0] * breaks
    for n in sizes:
        own = [_stirling(n, 1 + more) for more in range(breaks + 1)]
        total = [
            sum(total[i] * own[more - i] for i in range(more + 1)) for more in range(breaks + 1)
        ]
    return total[breaks]


@cache
def _stirling(n: int, k: int) -> int:
    """Ways to split n things into k groups: sum of (-1)^j C(k, j) (k - j)^n / k!."""
    if k > n:
        return 0
    whole: int = sum((-1) ** j * math.comb(k, j) * (k - j) ** n for j in range(k))
    return whole // math.factorial(k)


def _numbered(labels: NDArray[np.int64], lobe: NDArray[np.int64], *, moved: bool) -> Split:
    """Numbered in order of time if each group follows another, else by value."""
    runs = labels[np.flatnonzero(np.diff(labels, prepend=labels[0] - 1))]
    in_turn = len(runs) == len(np.unique(labels))
    if in_turn:
        labels = np.argsort(runs)[np.searchsorted(np.sort(runs), labels)]
    broken = frozenset(
        int(own) for own in np.unique(lobe) if len(np.unique(labels[lobe == own])) > 1
    )
    whole = moved or len(broken) > 1
    return Split(tuple(labels.tolist()), tuple(lobe.tolist()), in_turn, whole, broken)
