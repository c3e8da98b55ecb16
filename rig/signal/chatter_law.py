"""What is noise and what is chatter, as learnt from one contact input.

Chatter gaps are taken as exponential with a mean that is learnt from the input's own passages (a
gamma prior on the rate, so that the predictive law is Lomax); noise as events of a constant rate,
learnt from the time that the contacts were closed between passages. How many of the open runs are
short ones is learnt of both, since spikes are short and the runs of a chatter seldom are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

PRIOR_GAPS = 4.0
PRIOR_GAP_US = 100.0
"""Before any is seen, chatter gaps count as four of 100 us (common practice, no source)."""
PRIOR_EVENTS = 0.5
PRIOR_CLOSED_US = 1e6
SHORT_US = 20.0
"""An open run up to this long is a short one."""
PRIOR_SHORT_NOISE = (1.0, 2.0)
PRIOR_SHORT_CHATTER = (0.5, 4.0)
"""Short runs among all, before any is seen (common practice, no source)."""


class ChatterLaw:
    """Learns, and tells the likelier of noise and chatter."""

    def __init__(self) -> None:
        self._gaps = PRIOR_GAPS
        self._gap_sum_us = PRIOR_GAPS * PRIOR_GAP_US
        self._events = PRIOR_EVENTS
        self._closed_us = PRIOR_CLOSED_US
        self._noise_short, self._noise_all = PRIOR_SHORT_NOISE
        self._chatter_short, self._chatter_all = PRIOR_SHORT_CHATTER

    @property
    def noise_rate(self) -> float:
        """Spikes and drop-outs while closed, per second, as learnt so far."""
        return 1e6 * self._events / self._closed_us

    @property
    def gap_us(self) -> float:
        """Mean closed gap of the chatter, microseconds, as learnt so far."""
        return self._gap_sum_us / self._gaps

    def learn_chatter(self, gaps_us: Sequence[float], runs_us: Sequence[float]) -> None:
        """Closed gaps and open runs of a passage that was an opening, its last run left out."""
        self._gaps += len(gaps_us)
        self._gap_sum_us += sum(gaps_us)
        self._chatter_short += _short(runs_us)
        self._chatter_all += len(runs_us)

    def learn_noise(self, runs_us: Sequence[float], closed_us: float) -> None:
        """Open runs that came to nothing within ``closed_us`` more of closed contacts."""
        self._events += len(runs_us)
        self._closed_us += closed_us
        self._noise_short += _short(runs_us)
        self._noise_all += len(runs_us)

    def unlearn_noise(self, runs_us: Sequence[float]) -> None:
        """Take back open runs that are in question again."""
        self._events -= len(runs_us)
        self._noise_short -= _short(runs_us)
        self._noise_all -= len(runs_us)

    def split(self, gaps_us: Sequence[float], runs_us: Sequence[float]) -> int:
        """How many of the early runs are noise: the likeliest split, weighed by each run and the
        gap after it, n each. 0 to n. Gaps that are all short are of the chatter.
        """
        if max(gaps_us, default=0.0) <= PRIOR_GAP_US:
            return 0
        from scipy.special import xlog1py

        # Lomax: density (n / sum) (1 + gap / sum)^-(n + 1) for n gaps learnt with that sum.
        n, total_us = self._gaps, self._gap_sum_us
        chatter = math.log(n / total_us) - xlog1py(n + 1.0, np.array(gaps_us) / total_us)
        noise = math.log(self._events / self._closed_us)
        of_noise = self._noise_short / self._noise_all
        of_chatter = self._chatter_short / self._chatter_all
        short = np.array(runs_us) <= SHORT_US
        length = np.where(
            short, math.log(of_noise / of_chatter), math.log((1 - of_noise) / (1 - of_chatter))
        )
        favour = np.concatenate(([0.0], np.cumsum(noise - chatter + length)))
        return int(np.argmax(favour))


def _short(runs_us: Sequence[float]) -> int:
    return sum(run <= SHORT_US for run in runs_us)
