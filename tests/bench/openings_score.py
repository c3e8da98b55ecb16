"""Openings that the reader found, held against the truth of a simulation."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from rig.signal.events import Opening, Reason, Rejection, Settings
from rig.signal.openings import SURE_DEG, OpeningFinder
from rig.wire.records import Batch
from rig.words.diagnostics import reason_words

NEAR_S = 0.05
"""An opening found this near in time to a true one is that one; its error shows in full."""
DOUBTFUL_S = 0.01
"""Contacts that were open or closed for less are no opening by every reading of the word."""
RIGHT_US = 2.5
"""An instant this near to the true one is that of the true edge: time stamps are whole."""


class TrueOpening(NamedTuple):
    """First opening, crank going forward. Any zero of ``crank_deg``, the same for a whole run."""

    input: int
    t_s: float
    crank_deg: float
    closed_s: float  # before it; inf when not known
    open_s: float  # after it; inf when not known

    @property
    def doubtful(self) -> bool:
        return min(self.closed_s, self.open_s) < DOUBTFUL_S


class Error(NamedTuple):
    """One opening with its error, in units of ``q / sqrt(12)``; NaN when missed or invented."""

    units: float
    late_us: float  # time found minus true time
    input: int
    t_s: float
    run: str
    valid: bool = False
    why: str = ""


def unit_deg(counts_per_turn: int) -> float:
    """Error of an ideal reader that rounds to a count: ``q / sqrt(12)``, crank degrees."""
    return 360.0 / counts_per_turn / math.sqrt(12.0)


def rms(values: Sequence[float]) -> float:
    """Root mean square; NaN of nothing."""
    return math.sqrt(sum(v * v for v in values) / len(values)) if values else math.nan


@dataclass(slots=True)
class Score:
    """Errors over many runs, in units of ``q / sqrt(12)`` with ``q`` = 360 degrees / counts."""

    name: str
    way: str
    aim: float
    errors: list[Error] = field(default_factory=list)
    missed: list[Error] = field(default_factory=list)
    invented: list[Error] = field(default_factory=list)
    reach: list[float] = field(default_factory=list)  # errors of a reader that knows the noise
    wrong: int = 0  # readings further off than ``SURE_DEG``
    given_up: int = 0  # openings nearer than that which are no reading, as they may be noise

    def add(
        self,
        run: str,
        found: Iterable[Opening],
        truth: Iterable[TrueOpening],
        counts_per_turn: int,
        from_s: float = 0.0,
    ) -> None:
        """Hold one run's openings against its truth, leaving out those before ``from_s``."""
        mine = [o for o in found if o.direction >= 0 and o.t_us * 1e-6 >= from_s]
        true = [t for t in truth if t.t_s >= from_s]
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
        beside = {i for _, i, k in near if true[k].doubtful}
        self.missed += [
            Error(math.nan, math.nan, t.input, t.t_s, run)
            for k, t in enumerate(true)
            if k not in pair.values() and not t.doubtful
        ]
        self.invented += [
            Error(math.nan, math.nan, o.input, o.t_us * 1e-6, run)
            for i, o in enumerate(mine)
            if i not in pair and i not in beside
        ]
        pairs = [(mine[i], true[k]) for i, k in pair.items() if not true[k].doubtful]
        self._add_errors(run, pairs, counts_per_turn)

    def _add_errors(
        self, run: str, pairs: Sequence[tuple[Opening, TrueOpening]], counts: int
    ) -> None:
        off = [o.crank_deg - true.crank_deg for o, true in pairs if o.crank_deg is not None]
        turns = round(sorted(off)[len(off) // 2] / 360.0) if off else 0
        for o, true in pairs:
            if o.crank_deg is None:
                self.missed.append(Error(math.nan, math.nan, true.input, true.t_s, run))
                continue
            error = o.crank_deg - true.crank_deg - 360.0 * turns
            late_us = o.t_us - true.t_s * 1e6
            units = error / unit_deg(counts)
            self.errors.append(
                Error(units, late_us, o.input, true.t_s, run, o.valid, reason_words(o.rejection))
            )
            self.wrong += o.valid and abs(error) > SURE_DEG
            unsure = o.rejection == Rejection(Reason.NOISE_OR_BOUNCE)
            self.given_up += unsure and abs(error) <= SURE_DEG

    @property
    def rms(self) -> float:
        return rms([e.units for e in self.errors])

    @property
    def reach_rms(self) -> float:
        return rms(self.reach)

    def row(self) -> str:
        """A line of the table."""
        units = [e.units for e in self.errors]
        right = [e.units for e in self.errors if abs(e.late_us) <= RIGHT_US]
        reach = f"{self.reach_rms:>7.4f}" if self.reach else f"{'':>7}"
        return (
            f"{self.name:<38} {self.way:<5} {len(units):>5} {len(self.missed):>6}"
            f" {len(self.invented):>8} {self.rms:>7.4f} {sum(units) / len(units):>+8.4f}"
            f" {max(units, key=abs):>+8.3f} {len(units) - len(right):>5} {rms(right):>7.4f}"
            f" {self.aim:>6g} {reach} {self.wrong:>5} {self.given_up:>8}"
        )

    def hold(self, *, none_wrong: bool = True) -> None:
        """Assert what is aimed at; the text names the worst openings. ``none_wrong``: no reading is
        further off than ``SURE_DEG``, and no more than one opening in thirty is given up for it."""
        worst = "\n".join(map(str, sorted(self.errors, key=lambda e: -abs(e.units))[:5]))
        assert len(self.errors) >= 200, "too few openings to judge by"
        assert not self.missed, f"{self.name}: missed {self.missed[:3]}"
        assert not self.invented, f"{self.name}: invented {self.invented[:3]}"
        if none_wrong:
            assert not self.wrong, f"{self.name}: {self.wrong} readings are wrong\n{worst}"
            assert self.given_up <= len(self.errors) / 30, f"{self.name}: {self.given_up} given up"
        assert self.rms <= self.aim, f"{self.name}: {self.rms:.4f} above {self.aim}\n{worst}"


HEAD = (
    f"{'scenario':<38} {'way':<5} {'n':>5} {'missed':>6} {'invented':>8} {'rms':>7} {'bias':>8}"
    f" {'worst':>8} {'edge':>5} {'placing':>7} {'aim':>6} {'reach':>7} {'wrong':>5} {'given up':>8}"
)
"""``edge``: openings whose instant is another edge's; ``placing``: RMS of all others; ``reach``:
RMS of a reader that was told the laws of the noise; ``wrong``: readings more than 0.1 degrees off;
``given up``: openings within that which are no reading, as they may have parted elsewhere."""


def openings_of(batches: Iterable[Batch], settings: Settings) -> list[Opening]:
    """The whole way from records to openings."""
    follower = OpeningFinder(settings)
    events = [event for batch in batches for event in follower.take(batch)]
    events += follower.finish()
    return [event for event in events if isinstance(event, Opening)]
