"""Openings that the reader found, held against the truth of a simulation."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from rig.signal.events import Opening
from rig.signal.follow import Follower
from rig.signal.settings import Settings
from rig.wire.records import Batch

NEAR_S = 0.05
"""An opening found this near in time to a true one is that one; its error shows in full."""
DOUBTFUL_S = 0.01
"""Contacts that were open or closed for less are no opening by every reading of the word."""


class TrueOpening(NamedTuple):
    """First parting, crank going forward. Any zero of ``crank_deg``, the same for a whole run."""

    input: int
    t_s: float
    crank_deg: float
    closed_s: float  # before it; inf when not known
    open_s: float  # after it; inf when not known


class Miss(NamedTuple):
    """One opening with its error, in units of ``q / sqrt(12)``."""

    units: float
    late_us: float  # time found minus true time
    input: int
    t_s: float
    run: str


@dataclass(slots=True)
class Score:
    """Errors over many runs, in units of ``q / sqrt(12)`` with ``q`` = 360 degrees / counts."""

    name: str
    errors: list[Miss] = field(default_factory=list)
    missed: list[Miss] = field(default_factory=list)
    invented: list[Miss] = field(default_factory=list)

    def add(
        self,
        run: str,
        found: Iterable[Opening],
        truth: Iterable[TrueOpening],
        counts_per_turn: int,
    ) -> None:
        """Hold one run's openings against its truth."""
        mine = [o for o in found if o.direction >= 0]
        true = list(truth)
        near = sorted(
            (abs(o.t_us * 1e-6 - t.t_s), i, k)
            for i, o in enumerate(mine)
            for k, t in enumerate(true)
            if o.input == t.input and abs(o.t_us * 1e-6 - t.t_s) < NEAR_S
        )
        pair: dict[int, int] = {}  # found: true, the nearest first
        for _, i, k in near:
            if i not in pair and k not in pair.values():
                pair[i] = k
        doubtful = {k for k, t in enumerate(true) if min(t.closed_s, t.open_s) < DOUBTFUL_S}
        beside = {i for _, i, k in near if k in doubtful}
        self.missed += [
            Miss(math.nan, math.nan, t.input, t.t_s, run)
            for k, t in enumerate(true)
            if k not in pair.values() and k not in doubtful
        ]
        self.invented += [
            Miss(math.nan, math.nan, o.input, o.t_us * 1e-6, run)
            for i, o in enumerate(mine)
            if i not in pair and i not in beside
        ]
        pairs = [(mine[i], true[k]) for i, k in pair.items() if k not in doubtful]
        self._add_errors(run, pairs, counts_per_turn)

    def _add_errors(
        self, run: str, pairs: Sequence[tuple[Opening, TrueOpening]], counts: int
    ) -> None:
        unit_deg = 360.0 / counts / math.sqrt(12.0)
        off = [o.crank_deg - true.crank_deg for o, true in pairs if o.crank_deg is not None]
        turns = round(sorted(off)[len(off) // 2] / 360.0) if off else 0
        for o, true in pairs:
            if o.crank_deg is None:
                self.missed.append(Miss(math.nan, math.nan, true.input, true.t_s, run))
                continue
            error = o.crank_deg - true.crank_deg - 360.0 * turns
            late_us = o.t_us - true.t_s * 1e6
            self.errors.append(Miss(error / unit_deg, late_us, o.input, true.t_s, run))

    @property
    def rms(self) -> float:
        return math.sqrt(sum(e.units**2 for e in self.errors) / len(self.errors))

    @property
    def bias(self) -> float:
        return sum(e.units for e in self.errors) / len(self.errors)

    @property
    def worst(self) -> float:
        return max((e.units for e in self.errors), key=abs)

    @property
    def wrong_edge(self) -> int:
        """Openings whose instant is not that of the true first parting."""
        return sum(abs(e.late_us) > 2.5 for e in self.errors)

    @property
    def placing_rms(self) -> float:
        """RMS over the openings whose instant is right: the error of placing alone."""
        right = [e.units for e in self.errors if abs(e.late_us) <= 2.5]
        return math.sqrt(sum(u**2 for u in right) / len(right)) if right else math.nan

    def row(self) -> str:
        """A line of the table."""
        return (
            f"{self.name:<34} {len(self.errors):>5} {len(self.missed):>6} {len(self.invented):>8}"
            f" {self.rms:>7.4f} {self.bias:>+8.4f} {self.worst:>+8.3f} {self.wrong_edge:>5}"
            f" {self.placing_rms:>7.4f}"
        )


HEAD = (
    f"{'scenario':<34} {'n':>5} {'missed':>6} {'invented':>8} {'rms':>7} {'bias':>8} {'worst':>8}"
    f" {'edge':>5} {'placing':>7}"
)


def openings_of(batches: Iterable[Batch], settings: Settings) -> list[Opening]:
    """The whole way from records to openings."""
    follower = Follower(settings)
    events = [event for batch in batches for event in follower.take(batch)]
    events += follower.finish()
    return [event for event in events if isinstance(event, Opening)]
