"""The encoder: where its boundaries and its index lie, as the crank sees them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from rig.virtual.curve import Curve, Floats, Ints


@dataclass(frozen=True, slots=True)
class EncoderTruth:
    """The encoder and its mounting. Angles of a harmonic are degrees of the encoder's shaft.

    The leading edge of the index, met going forward, lies at 0.
    """

    counts: int
    direction: Literal[1, -1] = 1  # +1: counts up in the engine's normal direction
    ratio: float = 1.0  # turns of the encoder a crank turn
    state_counts: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    """How far boundary 0, 1, 2, 3 (modulo 4) lies after its even place, in counts."""
    line_counts: float = 0.0  # standard deviation of each boundary's own error, in counts
    harmonics: tuple[tuple[int, float, float], ...] = ()  # (times a turn, amplitude, phase)
    index_after_counts: float = 0.0  # leading edge of the index after the boundary beside it
    index_counts: float = 1.0  # length of the pulse
    index_level: Literal[0, 1] = 1  # level while active
    index_at_deg: tuple[float, ...] = (0.0,)  # one good index; () none; two: one too many
    seed: int = 0  # of the boundaries' own errors


@dataclass(frozen=True)
class Encoder:
    """Levels of the crank angle at which the encoder changes."""

    truth: EncoderTruth

    @cached_property
    def _turn(self) -> Floats:
        """Encoder angle of each boundary of one turn, shape (counts,)."""
        truth = self.truth
        number = np.arange(truth.counts)
        own = np.random.default_rng(truth.seed).standard_normal(truth.counts) * truth.line_counts
        # Own errors must not make two boundaries change places.
        off = np.asarray(truth.state_counts)[number % 4] + np.clip(own, -0.2, 0.2)
        shown = (number + off) * 360.0 / truth.counts
        angle = shown.copy()
        for _ in range(6):  # the slope of the error is a few hundredths at most
            angle = shown - self._mount_error(angle)
        return np.asarray(angle - self._index_edge(angle, 0.0))

    def _index_edge(self, turn: Floats, after: float) -> float:
        """Encoder angle of the index's leading edge, and ``after`` counts beyond it."""
        here, there = turn[0], turn[1] if self.truth.direction > 0 else turn[-1] - 360.0
        counts = self.truth.index_after_counts + after
        # From the nearer boundary, so that an edge on a boundary is that boundary to the last bit.
        if counts < 0.5:
            return float(here + counts * (there - here))
        return float(there + (counts - 1.0) * (there - here))

    def _mount_error(self, angle_deg: Floats) -> Floats:
        error = np.zeros_like(angle_deg)
        for times, amplitude_deg, phase_deg in self.truth.harmonics:
            error += amplitude_deg * np.sin(np.radians(times * angle_deg + phase_deg))
        return error

    def _crank(self, encoder_deg: Floats) -> Floats:
        return encoder_deg / (self.truth.ratio * self.truth.direction)

    def boundaries(self, low: float, high: float) -> tuple[Floats, Ints]:
        """Crank angles of the boundaries from ``low`` to ``high``, growing, and their numbers."""
        per_deg = self.truth.ratio * self.truth.direction * self.truth.counts / 360.0
        ends = sorted((low * per_deg, high * per_deg))
        off = 2.0 * sum(abs(amplitude) for _, amplitude, _ in self.truth.harmonics)
        spare = 8 + int(off * self.truth.counts / 360.0)
        number = np.arange(int(np.floor(ends[0])) - spare, int(np.ceil(ends[1])) + spare + 1)
        turns, place = np.divmod(number, self.truth.counts)
        level = self._crank(self._turn[place] + 360.0 * turns)
        return (level, number) if self.truth.direction > 0 else (level[::-1], number[::-1])

    def index_edges(self, low: float, high: float) -> tuple[Floats, Ints]:
        """Crank angles of the index's edges, growing, and 1 for those that lead going up."""
        truth = self.truth
        edges = [self._index_edge(self._turn, after) for after in (0.0, truth.index_counts)]
        pair = np.asarray(truth.index_at_deg)[:, None] + np.array(edges)
        turns = sorted((low * truth.ratio / 360.0, high * truth.ratio / 360.0))
        number = np.arange(int(np.floor(turns[0])) - 1, int(np.ceil(turns[1])) + 2)
        level = self._crank(pair[None] + 360.0 * truth.direction * number[:, None, None])
        level = np.sort(level.reshape(-1))
        return level, 1 - np.arange(len(level)) % 2

    def count_at(self, crank_deg: float) -> int:
        """Number of the last boundary passed: its value modulo 4 is the quadrature state."""
        level, number = self.boundaries(crank_deg, crank_deg)
        below = int(np.searchsorted(level, crank_deg, side="right"))
        return int(number[below - 1]) if self.truth.direction > 0 else int(number[below - 1]) - 1

    def shown(self, crank_deg: Floats) -> Floats:
        """What the encoder shows, in crank degrees, read finely between its boundaries.

        As far from ``crank_deg`` as graduation and mounting are wrong there; right at the index.
        """
        edges = np.append(self._turn, self._turn[0] + 360.0)
        turns, angle = np.divmod(
            crank_deg * self.truth.ratio * self.truth.direction - edges[0], 360.0
        )
        number = np.interp(angle + edges[0], edges, np.arange(len(edges)))
        at_index = np.interp(-edges[0], edges - edges[0], np.arange(len(edges)), period=360.0)
        graduation = number * 360.0 / self.truth.counts + 360.0 * turns
        offset = at_index * 360.0 / self.truth.counts
        return self._crank(graduation - (offset if offset < 180.0 else offset - 360.0))

    def moved(self, curve: Curve) -> tuple[Floats, Ints, Ints]:
        """Times of all boundary crossings, steps of the count, counts after them."""
        level, number = self.boundaries(*curve.span)
        passed = curve.passed(level)
        step = passed.step.astype(np.int64) * self.truth.direction
        count = np.where(step > 0, number[passed.level], number[passed.level] - 1)
        return passed.t_s, step, count

    def index_moved(self, curve: Curve) -> tuple[Floats, Ints, Floats]:
        """Times of the index's edges, 1 where it is active after, crank angle of a leading edge.

        The angle is NaN at the other edge of the pulse.
        """
        if not self.truth.index_at_deg:
            return np.empty(0), np.empty(0, np.int64), np.empty(0)
        level, leads = self.index_edges(*curve.span)
        passed = curve.passed(level)
        lead = leads[passed.level]
        active = np.where(passed.step > 0, lead, 1 - lead)
        return passed.t_s, active, np.where(lead == 1, level[passed.level], np.nan)

    def index_active(self, crank_deg: float) -> bool:
        if not self.truth.index_at_deg:
            return False
        level, leads = self.index_edges(crank_deg, crank_deg)
        return bool(leads[int(np.searchsorted(level, crank_deg, side="right")) - 1])
