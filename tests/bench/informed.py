"""What could be reached: a reader that is told by which laws chatter and noise were drawn.

It weighs each place at which the runs of a passage may be split into noise and chatter by the
likelihood of all their lengths, and takes the likeliest. No reader that has to learn the laws
from the recording itself can be expected to do better.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from openings_score import TrueOpening

from rig.wire.records import Batch

BACK_US = 40_000.0
OPEN_US = 3000.0
LEAST = 1e-12
"""No length is held to be impossible: a spike may fall into the chatter."""

Density = Callable[[float], float]
"""Probability a microsecond of a length in microseconds."""


@dataclass(frozen=True, slots=True)
class Law:
    """Laws of one scenario. ``noise``: events a microsecond of a length, at a distance before the
    parting (both microseconds); ``more``: probability that one more bounce follows."""

    chatter_open: Density
    chatter_closed: Density
    noise: Callable[[float, float], float]
    more: float


def even_log(low: float, high: float) -> Density:
    """Even on a logarithmic scale."""
    return lambda us: 1.0 / (us * math.log(high / low)) if low - 2 <= us <= high + 2 else 0.0


def falling(mean: float, least: float = 0.0) -> Density:
    """Exponential beyond ``least``."""
    return lambda us: math.exp(-max(us - least, 0.0) / mean) / mean


def even(low: float, high: float) -> Density:
    """Even between two lengths."""
    return lambda us: 1.0 / (high - low) if low - 2 <= us <= high + 2 else 0.0


def edges_by_input(batches: Iterable[Batch]) -> dict[int, tuple[NDArray[np.float64], list[int]]]:
    """Times (microseconds) and levels of all edges of each input."""
    rows = np.concatenate([batch.edges for batch in batches])
    found = {}
    for which in np.unique(rows["input"]).tolist():
        own = rows[rows["input"] == which]
        found[which] = (own["t_us"].copy(), own["level"].tolist())
    return found


def late_us(
    edges: dict[int, tuple[NDArray[np.float64], list[int]]],
    truth: Sequence[TrueOpening],
    law: Law,
) -> list[float]:
    """Time chosen minus true time, microseconds, for each true opening."""
    late = []
    for true in truth:
        t_us, level = edges[true.input]
        true_us = true.t_s * 1e6
        runs = _passage(t_us, level, true_us)
        late.append(runs[_likeliest(runs, law)][0] - true_us)
    return late


def _passage(t_us: NDArray[np.float64], level: list[int], true_us: float) -> list[list[float]]:
    """Open runs [begin, end] that may belong to the parting; the last is the one that stays."""
    at = int(np.searchsorted(t_us, true_us - BACK_US))
    runs: list[list[float]] = []
    for k in range(at, len(t_us)):
        begin = float(t_us[k])
        end = float(t_us[k + 1]) if k + 1 < len(t_us) else math.inf
        if level[k] != 1 or (end - begin >= OPEN_US and end < true_us):
            if level[k] == 1:
                runs.clear()  # still the opening before
            continue
        runs.append([begin, end])
        if end - begin >= OPEN_US and end > true_us:
            break
    return runs


def _likeliest(runs: list[list[float]], law: Law) -> int:
    best, best_log = 0, -math.inf
    for first in range(len(runs)):
        parting = runs[first][0]
        total = (len(runs) - 1 - first) * math.log(law.more) + math.log(1.0 - law.more)
        for begin, end in runs[:first]:
            total += math.log(law.noise(end - begin, parting - begin) + LEAST)
        for k in range(first, len(runs) - 1):
            total += math.log(law.chatter_open(runs[k][1] - runs[k][0]) + LEAST)
            total += math.log(law.chatter_closed(runs[k + 1][0] - runs[k][1]) + LEAST)
        if total > best_log:
            best, best_log = first, total
    return best
