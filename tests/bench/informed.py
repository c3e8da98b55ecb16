"""What could be reached: a reader that is told by which laws bounce and noise were drawn.

It weighs each place at which the runs of a transition may be split into noise and bounce by the
likelihood of all their lengths, and takes the likeliest. No reader that has to learn the laws
from the recording itself can be expected to do better. (To place the instant is left out: that is
the column ``placing`` of the table.)
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from openings_score import TrueOpening
from own_pins import Pins

from rig.virtual.contacts import Noise
from rig.wire.records import Batch

BACK_US = 40_000.0
OPEN_US = 3000.0
LEAST = 1e-12
"""No length is held to be impossible."""

Density = Callable[[float], float]
"""Probability a microsecond of a length in microseconds."""
Run = tuple[float, float]
"""The contacts were open from, to; microseconds."""


@dataclass(frozen=True, slots=True)
class Law:
    """Laws of one scenario. ``noise``: events a microsecond of a length, at a distance before the
    opening (both microseconds); ``more``: probability that one more bounce follows."""

    chatter_open: Density
    chatter_closed: Density
    noise: Callable[[float, float], float]
    more: float


def law_of_virtual(noise: Noise, speed_deg_s: float) -> Law:
    """The laws by which ``rig.virtual.contacts`` draws."""
    dropout, spike = _even_log(noise.dropout_ms, 1e3), _even_log(noise.spike_us, 1.0)
    crowded_us = 1e6 * noise.crowd_deg / speed_deg_s

    def flaw(us: float, before_us: float) -> float:
        rate = noise.dropouts + (noise.crowd if before_us < crowded_us else 0.0)
        return 1e-6 * (rate * dropout(us) + noise.spikes * spike(us))

    opening = noise.opening
    return _law(
        _even_log(opening.between_ms, 1e3),
        _even_log(opening.bounce_ms, 1e3),
        flaw,
        spike,
        noise.spikes,
        0.5 * opening.most,
    )


def law_of_own(pins: Pins) -> Law:
    """The laws by which ``own_pins`` draws."""
    dropout, spike = _even_log(pins.dropout_us, 1.0), _even_log(pins.spike_us, 1.0)

    def flaw(us: float, before_us: float) -> float:
        crowd = pins.crowd * math.exp(-before_us / pins.crowd_us) / pins.crowd_us
        return (1e-6 * pins.dropouts + crowd) * dropout(us) + 1e-6 * pins.spikes * spike(us)

    longest = pins.longest_gap_us
    gap = _even(20.0, longest) if longest else _falling(pins.bounce_closed_us)
    return _law(_falling(pins.bounce_open_us), gap, flaw, spike, pins.spikes, pins.bounces)


def _law(
    opened: Density,
    closed: Density,
    flaw: Callable[[float, float], float],
    spike: Density,
    spikes: float,
    bounces: float,
) -> Law:
    """Bounce in which a spike may cut an open run in two."""
    cut = spikes * OPEN_US * 1e-6 / 10.0 + 1e-6
    whole = _even(0.0, OPEN_US)
    return Law(
        lambda us: (1.0 - cut) * opened(us) + cut * whole(us),
        lambda us: (1.0 - cut) * closed(us) + cut * spike(us),
        flaw,
        bounces / (bounces + 1.0),
    )


def _even_log(ends: tuple[float, float], scale: float) -> Density:
    """Even on a logarithmic scale."""
    low, high = ends[0] * scale, ends[1] * scale
    return lambda us: 1.0 / (us * math.log(high / low)) if low - 2 <= us <= high + 2 else 0.0


def _falling(mean: float) -> Density:
    """Exponential beyond 2 us."""
    return lambda us: math.exp(-max(us - 2.0, 0.0) / mean) / mean


def _even(low: float, high: float) -> Density:
    return lambda us: 1.0 / (high - low) if low - 2 <= us <= high + 2 else 0.0


def late_us(batches: Iterable[Batch], truth: Sequence[TrueOpening], law: Law) -> list[float]:
    """Time chosen minus true time, microseconds, for each true opening."""
    rows = np.concatenate([batch.edges for batch in batches])
    late = []
    for true in truth:
        own = rows[rows["input"] == true.input]
        true_us = true.t_s * 1e6
        runs = _passage(own["t_us"], own["level"], true_us)
        late.append(runs[_likeliest(runs, law)][0] - true_us)
    return late


def _passage(t_us: NDArray[np.float64], level: NDArray[np.int8], true_us: float) -> list[Run]:
    """Open runs that may belong to the opening; the last is the one that stays."""
    runs: list[Run] = []
    for k in range(int(np.searchsorted(t_us, true_us - BACK_US)), len(t_us)):
        if level[k] != 1:
            continue
        begin = float(t_us[k])
        end = float(t_us[k + 1]) if k + 1 < len(t_us) else math.inf
        if end - begin >= OPEN_US and end < true_us:
            runs.clear()  # still the opening before
            continue
        runs.append((begin, end))
        if end - begin >= OPEN_US:
            break
    return runs


def _likeliest(runs: list[Run], law: Law) -> int:
    best, best_log = 0, -math.inf
    for first in range(len(runs)):
        opening = runs[first][0]
        total = (len(runs) - 1 - first) * math.log(law.more)
        for begin, end in runs[:first]:
            total += math.log(law.noise(end - begin, opening - begin) + LEAST)
        for k in range(first, len(runs) - 1):
            total += math.log(law.chatter_open(runs[k][1] - runs[k][0]) + LEAST)
            total += math.log(law.chatter_closed(runs[k + 1][0] - runs[k][1]) + LEAST)
        if total > best_log:
            best, best_log = first, total
    return best
