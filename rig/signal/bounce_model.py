"""What is noise and what is bounce, learnt from one contact input.

The open and closed runs of a transition are split into noise, first, and bounce, after it. How
likely a split is depends on unknowns: the distribution of the gaps between bounces, the number of
bounces, the rate of the noise, and whether noise gathers just before the opening. Each combination
has a weight. A split is judged by all of them, and each transition updates the weights by Bayes'
rule, summed over the splits: an ambiguous transition teaches a little of each, so an error cannot
reinforce itself.

The rate of the noise is learnt from the time for which contacts stayed closed between transitions.

The gaps differ from one set of contacts to the next, in mean and in whether they have a longest
length. Each distribution in the table is an exponential cut off at a bound: the one of largest
entropy with that mean and bound (E. T. Jaynes, Phys. Rev. 106, 620 (1957), from memory). Without a
bound it is the plain exponential; with a near bound it is nearly uniform.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PRIOR_EVENTS = 0.5
PRIOR_CLOSED_US = 1e6
SHORT_US = 20.0  # open runs up to this length are short
PRIOR_SHORT_NOISE = (1.0, 2.0)
PRIOR_SHORT_BOUNCE = (0.5, 4.0)
"""Short runs and all runs, assumed before any is seen (common practice, no source)."""

PRIOR_BOUNCES = (4.0, 1.0)
"""Bounces and openings, assumed before any is seen (common practice, no source)."""

SHORT_GAP_US = 100.0  # if no gap is longer than this, all runs are bounce
CLEARLY = 100.0
OF_LATE = 10
"""Splits are not weighed when bounce is this many times likelier than noise, by weights that are at
most ``OF_LATE`` transitions old."""

MOST = 32
"""At most this many runs of a transition can be noise, and at most this many earlier noise events
are considered."""

PRIOR_CROWD = 1e-3  # prior probability that noise gathers before an opening
NEAR_US = 100_000.0  # noise events further before an opening than this do not count as gathered
_EVENTS, _FROM_US = np.meshgrid([0.3, 1.0, 3.0], [3_000.0, 10_000.0, 30_000.0])
_CROWDS, _SPREADS_US = np.append(0.0, _EVENTS), np.append(1.0, _FROM_US)
"""Models of gathered noise: extra noise events before each opening, and their mean (exponential)
distance from it. The first model has none."""

GLITCH_US = 200.0  # no coupled glitch is longer than this (common practice, no source)
GLITCH_DENSITY, MORE_GLITCHES = 1e-3 / 5.0, 0.1 / 5.0
"""Density per microsecond of a coupled glitch just after an edge of another input: after one edge
in a thousand, within 5 us; once there was one, after one in ten (common practice, no source). The
doubt about a split is the mean of the doubts with and without such glitches."""

_PRIOR_CROWDS = np.append(1.0 - PRIOR_CROWD, np.full(_EVENTS.size, PRIOR_CROWD / _EVENTS.size))
WARY = 20.0
"""The risk of a split is judged as if gathered noise were this many times likelier."""

_WARY = np.append(1.0, np.full(_EVENTS.size, WARY))
LEAST = 1e-300
KEPT = 10_000
AT_ONCE = 1_000  # gaps kept, and gaps weighed at once: this bounds the memory


class BounceModel:
    """Learns from transitions, and distinguishes noise from bounce."""

    def __init__(self) -> None:
        self._events = PRIOR_EVENTS
        self._closed_us = PRIOR_CLOSED_US
        self._noise_short, self._noise_all = PRIOR_SHORT_NOISE
        self._bounce_short, self._bounce_all = PRIOR_SHORT_BOUNCE
        self._bounces, self._openings = PRIOR_BOUNCES
        self.doubts = [1.0]  # the last ``shares``, by who expects noise to gather
        self._sure_gaps_us: list[float] = []
        self._sure_crowd: Floats = np.zeros(len(_CROWDS))  # logarithms
        self._set_weights(np.outer(prior(), _PRIOR_CROWDS))  # laws x crowds

    @property
    def crowd(self) -> float:
        """Extra noise events before each opening, as learnt so far."""
        return float(self._weighed().sum(axis=0) @ _CROWDS)

    def learn_noise(self, runs_us: Sequence[float], closed_us: float) -> None:
        """Open runs of failed transitions, after ``closed_us`` more of closed contacts."""
        self._events += len(runs_us)
        self._closed_us += closed_us
        self._noise_short += _short(runs_us)
        self._noise_all += len(runs_us)

    def unlearn_noise(self, runs_us: Sequence[float]) -> None:
        """Take back open runs that may belong to the next opening."""
        self._events -= len(runs_us)
        self._noise_short -= _short(runs_us)
        self._noise_all -= len(runs_us)

    def shares(
        self,
        starts_us: Sequence[float],
        runs_us: Sequence[float],
        gaps_us: Sequence[float],
        may: int,
        before_us: Sequence[float] = (),
        beside: Sequence[bool] = (),
    ) -> list[float]:
        """Probabilities that the first 0, 1, ... runs of an opening's transition are noise; they
        add up to one. Updates the model.

        ``runs_us`` and the gap after each, n; ``starts_us`` of the runs and of the final one, which
        goes on, n + 1. At most ``may`` runs are noise. ``before_us``: instants of earlier noise.
        ``beside``: whether each run began with an edge of another input (default: none did).
        """
        glitch = [each and us <= GLITCH_US for each, us in zip(beside, runs_us[:may], strict=False)]
        clear = self._clear(runs_us[:may], gaps_us[:may], alone=not before_us and not any(glitch))
        doubtful = 0 if clear else min(may, MOST)
        begun = starts_us[: doubtful + 1], runs_us[:doubtful], before_us
        noise = self._noise(*begun, glitch)
        self._sure_gaps_us += gaps_us[doubtful:]
        self.doubts = [1.0]
        if clear:
            self._sure += 1
            self._sure_crowd = self._sure_crowd + noise[0]
            splits = [1.0]
            if len(self._sure_gaps_us) > KEPT:
                self._set_weights(self._weighed())
        else:
            bounce = self._bounce(runs_us[:doubtful], gaps_us[:doubtful])
            plain = self._doubts(self._noise(*begun), bounce) if any(glitch) else None
            splits = self._weigh(noise, bounce)
            if plain is not None:
                self.doubts = [sum(pair) / 2.0 for pair in zip(self.doubts, plain, strict=True)]
        self._learn_bounces(runs_us, splits)
        return splits

    def _weigh(self, noise: Floats, bounce: Floats) -> list[float]:
        """Probability of each split, n + 1 of them, from the log-likelihoods of its noise,
        (n + 1, crowds), and its bounces, (n + 1, laws). Updates the weights of laws and crowds."""
        weights = self._weighed()
        noise, bounce, most = _scaled(noise, bounce)
        each = (weights.T @ bounce) * noise  # crowds x splits
        self._set_weights(_shares(weights * ((bounce * np.exp(most - most.max())) @ noise.T)))
        self.doubts = _normed(np.log(_WARY @ each) + most)
        return _normed(np.log(each.sum(axis=0)) + most)

    def _doubts(self, noise: Floats, bounce: Floats) -> list[float]:
        """As ``doubts``, of likelihoods as ``_weigh`` takes them; updates nothing."""
        noise, bounce, most = _scaled(noise, bounce)
        return _normed(np.log(_WARY @ ((self._weighed().T @ bounce) * noise)) + most)

    def _noise(
        self,
        starts_us: Sequence[float],
        runs_us: Sequence[float],
        before_us: Sequence[float],
        glitch: Sequence[bool] = (),
    ) -> Floats:
        """Log-likelihood as noise of the runs before each split, (n + 1, crowds)."""
        if not runs_us and not before_us:
            return -_CROWDS[None]
        events = np.array([*before_us, *starts_us[:-1]])
        ahead_us = np.maximum(np.array(starts_us)[:, None] - events, 0.0)[:, :, None]
        crowd = _CROWDS / _SPREADS_US * np.exp(-ahead_us / _SPREADS_US)
        rate = self._events / self._closed_us + crowd
        if any(glitch):
            coupled = np.array([*(False for _ in before_us), *glitch[: len(runs_us)]])
            density = np.where(coupled.cumsum() > 1, MORE_GLITCHES, GLITCH_DENSITY)
            rate = rate + (coupled * density)[:, None]
        log_rate = np.log(rate)
        ahead = np.tri(len(starts_us), len(events), len(before_us) - 1)
        log_rate = (log_rate * ahead[:, :, None]).sum(axis=1)
        of_runs = _log_share(runs_us, self._noise_short / self._noise_all)
        return np.asarray(log_rate - _CROWDS + _before(of_runs[:, None]))

    def _bounce(self, runs_us: Sequence[float], gaps_us: Sequence[float]) -> Floats:
        """Log-likelihood as bounce of the runs after each split, (n + 1, laws)."""
        of_runs = _log_share(runs_us, self._bounce_short / self._bounce_all)
        of_runs += math.log(self._more)
        each = log_density(gaps_us) + of_runs[:, None]
        return _before(each[::-1])[::-1]

    def _clear(self, runs_us: Sequence[float], gaps_us: Sequence[float], alone: bool) -> bool:
        """Whether all runs are clearly bounce, by the longest gap and what was learnt of late;
        ``alone``: no noise came just before."""
        longest_us = max(gaps_us, default=0.0)
        if longest_us <= SHORT_GAP_US:
            return True
        nth = bisect_left(STEPS_US, longest_us)
        beyond = nth == len(STEPS_US)
        if beyond or self._sure >= OF_LATE or not alone or min(runs_us) <= SHORT_US:
            return False
        rate = self._events / self._closed_us + self._crowd_rate
        noise = rate * (1.0 - self._noise_short / self._noise_all)
        bounce = self._more * (1.0 - self._bounce_short / self._bounce_all)
        return bounce * self._least_density[nth] > CLEARLY * noise

    def _set_weights(self, weights: Floats) -> None:
        """Set the weights and clear the evidence that is now part of them."""
        self._weights = weights
        self._sure = 0
        self._sure_gaps_us = []
        self._sure_crowd = np.zeros(len(_CROWDS))
        self._least_density = least_density(weights.sum(axis=1))
        self._crowd_rate = float(weights.sum(axis=0) @ (_CROWDS / _SPREADS_US))

    @property
    def _more(self) -> float:
        """Probability that one more bounce follows."""
        return self._bounces / (self._bounces + self._openings)

    def _weighed(self) -> Floats:
        """The weights, updated with the evidence collected since; they add up to one."""
        log_sure = np.zeros(len(MEANS_US))
        for low in range(0, len(self._sure_gaps_us), AT_ONCE):
            log_sure += log_density(self._sure_gaps_us[low : low + AT_ONCE]).sum(axis=0)
        crowd = np.exp(self._sure_crowd - self._sure_crowd.max())
        return _shares(self._weights * np.outer(np.exp(log_sure - log_sure.max()), crowd))

    def _learn_bounces(self, runs_us: Sequence[float], splits: Sequence[float]) -> None:
        """Count the open runs of one opening as bounces, by the probability of each split."""
        begun = list(accumulate(splits))[: len(runs_us)]
        begun += [1.0] * (len(runs_us) - len(begun))
        self._openings += 1.0
        self._bounces += sum(begun)
        self._bounce_all += sum(begun)
        self._bounce_short += sum(
            share for share, run_us in zip(begun, runs_us, strict=True) if run_us <= SHORT_US
        )


def _shares(weights: Floats) -> Floats:
    """Normalised weights, none of them zero: no distribution is ever ruled out."""
    return np.asarray(np.maximum(weights / weights.sum(), LEAST))


def _scaled(noise: Floats, bounce: Floats) -> tuple[Floats, Floats, Floats]:
    """Likelihoods, (models, splits), from their logarithms, (splits, models); and the logarithm of
    what each split was divided by."""
    most_noise, most_bounce = noise.max(axis=1), bounce.max(axis=1)
    scaled = np.exp(noise.T - most_noise), np.exp(bounce.T - most_bounce)
    return *scaled, most_noise + most_bounce


def _normed(logs: Floats) -> list[float]:
    """Probabilities from their logarithms up to a constant."""
    likely = np.exp(logs - logs.max())
    shares: list[float] = (likely / likely.sum()).tolist()
    return shares


def _before(each: Floats) -> Floats:
    """Sums of the first 0, 1, ... n rows, (n + 1, ...)."""
    return np.concatenate([np.zeros((1, each.shape[1])), np.cumsum(each, axis=0)])


def _log_share(runs_us: Sequence[float], share: float) -> Floats:
    """Log-probability that each run is as short, or as long, as it is."""
    short = np.array(runs_us, np.float64) <= SHORT_US
    return np.where(short, math.log(share), math.log(1.0 - share))


def _short(runs_us: Sequence[float]) -> int:
    return sum(run <= SHORT_US for run in runs_us)


USUAL_GAP_US = 100.0
USUAL_FACTOR = 2.5
"""Mean gap, and a factor either way, assumed before any is seen (common practice, no source)."""

STRAY = 1e-5 / 4000.0
"""Density per microsecond of gaps that follow no distribution: one in 100,000, even up to 4 ms."""

_SCALES_US, _BOUNDS = (
    table.ravel()
    for table in np.meshgrid(np.geomspace(20.0, 4000.0, 24), [1.0, 2.0, 3.0, 4.5, 1000.0])
)
"""The last bound, in scales, means no bound."""

_BOUNDS_US = _SCALES_US * _BOUNDS
_MASS = -np.expm1(-_BOUNDS)

MEANS_US: Floats = _SCALES_US - _BOUNDS_US * np.exp(-_BOUNDS) / _MASS
"""Mean of each distribution, microseconds; shape (laws,)."""


def prior() -> Floats:
    """Weight of each distribution before any gap is seen, (laws,)."""
    off = np.log(MEANS_US / USUAL_GAP_US) / math.log(USUAL_FACTOR)
    weights = np.exp(-0.5 * off**2)
    return np.asarray(weights / weights.sum())


def log_density(gaps_us: Sequence[float]) -> Floats:
    """Log-density per microsecond of n gaps under each distribution; (n, laws)."""
    gaps = np.array(gaps_us, np.float64)[:, None]
    density = np.where(gaps < _BOUNDS_US, np.exp(-gaps / _SCALES_US) / (_SCALES_US * _MASS), 0.0)
    return np.asarray(np.log(density + STRAY))


STEPS_US = np.geomspace(125.0, 4000.0, 16).tolist()
_AT_STEPS = np.exp(log_density(STEPS_US))


def least_density(weights: Floats) -> list[float]:
    """Density per microsecond of a gap by distributions with these weights, (laws,): the least up
    to each of ``STEPS_US``."""
    least: list[float] = np.minimum.accumulate(_AT_STEPS @ weights).tolist()
    return least
