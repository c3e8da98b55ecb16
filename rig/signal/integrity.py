"""Where edges or counts may be missing, and the watermark up to which records are complete.

``ReorderBuffer`` holds records until nothing earlier can still come and gives them in order of rig
time. ``IntegrityMonitor`` keeps the stretches of time in which the rig or the line reported a loss.
An opening inside a loss, that nobody saw, is listed but is not valid.
"""

from __future__ import annotations

import heapq
import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.signal.events import Opening, Reason, Rejection
from rig.wire.records import EDGE, WIDTH, Batch, Cut, Edge, Health, LineError


class ReorderBuffer:
    """Edges and what the rig or the line said (``words``) in order of time, of the same time the
    rig's totals first, then of arrival; widths as they come."""

    def __init__(self) -> None:
        self._edges = np.empty(0, EDGE)
        self._widths = np.empty(0, WIDTH)
        self._words: list[tuple[float, int, int, Word]] = []  # a heap
        self._troubles: set[tuple[float, str]] = set()  # time and kind of those that wait
        self._latest_word_us = -math.inf
        self._arrivals = 0

    def add(self, batch: Batch, told: Sequence[Grown | Uncovered] = ()) -> None:
        """What has come, and what its totals tell."""
        if len(batch.edges):
            self._edges = _in_order(_joined(self._edges, batch.edges))
        if len(batch.widths):
            self._widths = _joined(self._widths, batch.widths)
        words: list[Word] = [*told]
        for other in batch.others:
            if isinstance(other, LineError):  # the same again says nothing new of that time
                if (other.t_us, other.kind) in self._troubles:
                    continue
                self._troubles.add((other.t_us, other.kind))
            if isinstance(other, Cut | LineError):
                words.append(other)
        for word in words:
            self._arrivals += 1
            totals_first = 0 if isinstance(word, Grown | Uncovered) else 1
            heapq.heappush(self._words, (word.t_us, totals_first, self._arrivals, word))
            self._latest_word_us = max(self._latest_word_us, word.t_us)

    def word_before(self, t_us: float) -> Word | None:
        """Take the first word before ``t_us``; None when there is none."""
        if self._words and self._words[0][0] < t_us:
            word = heapq.heappop(self._words)[-1]
            if isinstance(word, LineError):
                self._troubles.discard((word.t_us, word.kind))
            return word
        return None

    def edges_before(self, t_us: float) -> NDArray[np.void]:
        """Take the edges before ``t_us``, dtype ``EDGE``, shape (n,)."""
        ready = int(self._edges["t_us"].searchsorted(t_us))
        edges, self._edges = self._edges[:ready], self._edges[ready:]
        return edges

    def widths_before(self, t_us: float) -> NDArray[np.void]:
        """Take the widths before ``t_us``, dtype ``WIDTH``, shape (n,)."""
        ready = int(np.maximum.accumulate(self._widths["t_us"]).searchsorted(t_us))
        widths, self._widths = self._widths[:ready], self._widths[ready:]
        return widths

    @property
    def last_us(self) -> float:
        """Time of the latest edge or word; minus infinity when there is none."""
        return max(
            float(self._edges["t_us"][-1]) if len(self._edges) else -math.inf,
            self._latest_word_us if self._words else -math.inf,
        )


def _joined(waiting: NDArray[np.void], come: NDArray[np.void]) -> NDArray[np.void]:
    return np.concatenate((waiting, come), dtype=come.dtype) if len(waiting) else come


def _in_order(rows: NDArray[np.void]) -> NDArray[np.void]:
    t_us = rows["t_us"]
    if np.all(t_us[1:] >= t_us[:-1]):
        return rows
    return rows[np.argsort(t_us, kind="stable")]


LINE_LOSSES = frozenset(
    {"gap", "interrupted", "checksum", "garbage", "long-line", "half-line", "field"}
)
"""Trouble after which an edge may be missing."""

_COUNT_LOSSES = {"encoder": Reason.ENCODER_JUMPED, "interrupted": Reason.LINE_CUT}
"""Trouble after which the encoder's count is no longer sure until the index has passed."""


@dataclass(frozen=True, slots=True)
class Grown:
    """The rig's totals at ``to_us``, and whether they grew since the record before.

    ``t_us`` is when this is to be known."""

    t_us: float
    to_us: float
    illegal: int
    lost_edges: int
    jumped: bool = False
    unseen: bool = False


@dataclass(frozen=True, slots=True)
class Uncovered:
    """No totals came in time for what lies from ``t_us`` up to ``to_us``."""

    t_us: float
    to_us: float


Word = Cut | LineError | Grown | Uncovered
"""What the rig or the line said of what may be missing."""

MOST_WAITING = 500
LATE = 50
"""So many positions wait for the rig's totals, ten seconds at the usual rate: a health record is
due every second. It may stand up to ``LATE`` positions behind its place in time."""


class Covered:
    """Up to when the rig's totals are known: no reading is sure before.

    A rig that tells them in each position record covers what that record covers. One that tells
    them in health records alone makes everything wait for the next of those. What does not come
    before ``MOST_WAITING`` more positions is not waited for: it is not covered.
    """

    def __init__(self) -> None:
        self.to_us = -math.inf
        self.given_up_us = -math.inf  # up to here nothing is waited for
        self._waiting_us = np.empty(0)  # positions that tell no totals, since ``to_us``
        self._row: tuple[float, int, int] | None = None  # the last that were told
        self._in_positions = False

    @property
    def sure_us(self) -> float:
        """Up to here all is known that is waited for."""
        return max(self.to_us, self.given_up_us)

    def take(self, batch: Batch) -> list[Grown | Uncovered]:
        """Where the totals of the batch grew, and what none covers.

        Growth is known from the earlier record on, so that all that lies between the two is in
        doubt; and for the count up to the later one."""
        telling = batch.positions["lost_edges"] >= 0
        silent_us = batch.positions["t_us"][~telling]
        if len(silent_us):
            self._waiting_us = np.concatenate((self._waiting_us, silent_us))
        known: list[Grown | Uncovered] = []
        covered_us = self.to_us
        if telling.any():
            self._in_positions = True
            known += self._positions(batch.positions[telling])
            known += self._reached(covered_us)
        elif not self._in_positions:
            for other in batch.others:
                if isinstance(other, Health):
                    covered_us = self.to_us
                    known += self._health(other)
                    known += self._reached(covered_us)
        if len(self._waiting_us) > MOST_WAITING + LATE:
            known += self._give_up(self.to_us, float(self._waiting_us[-(MOST_WAITING + LATE) - 1]))
            self._waiting_us = self._waiting_us[-(MOST_WAITING + LATE) :]
        return known

    def _reached(self, before_us: float) -> list[Uncovered]:
        """Totals have come, those before at ``before_us``: what lies too many positions back is not
        covered by them."""
        n = int(self._waiting_us.searchsorted(self.to_us, "right"))
        passed_us, self._waiting_us = self._waiting_us[:n], self._waiting_us[n:]
        if n <= MOST_WAITING:
            return []
        return self._give_up(before_us, float(passed_us[-MOST_WAITING - 1]))

    def _give_up(self, from_us: float, to_us: float) -> list[Uncovered]:
        from_us = max(from_us, self.given_up_us)
        self.given_up_us = max(self.given_up_us, to_us)
        return [Uncovered(from_us, to_us)] if from_us < to_us else []

    def _health(self, health: Health) -> list[Grown]:
        # Whatever is in its first totals may have happened since the rig was heard first.
        from_us, illegal, lost = self._row or (0.0, 0, 0)
        totals = health.illegal, health.lost_edges
        self._row = (health.t_us, *totals)
        self.to_us = max(self.to_us, health.t_us)
        grew = totals[0] != illegal, totals[1] != lost
        times = (from_us, health.t_us) if any(grew) else ()
        return [Grown(when_us, health.t_us, *totals, *grew) for when_us in times]

    def _positions(self, rows: NDArray[np.void]) -> list[Grown]:
        known: list[Grown] = []
        columns = [rows["t_us"], rows["illegal"], rows["lost_edges"]]
        if self._row is None:
            first_us = float(columns[0][0])
            known = [Grown(first_us, first_us, int(columns[1][0]), int(columns[2][0]))]
        else:
            pairs = zip(self._row, columns, strict=True)
            columns = [np.concatenate(([before], column)) for before, column in pairs]
        t_us, illegal, lost = columns
        self._row = float(t_us[-1]), int(illegal[-1]), int(lost[-1])
        self.to_us = max(self.to_us, self._row[0])
        jumped, unseen = np.diff(illegal) != 0, np.diff(lost) != 0
        for at in np.flatnonzero(jumped | unseen).tolist():
            from_us, to_us = float(t_us[at]), float(t_us[at + 1])
            totals = int(illegal[at + 1]), int(lost[at + 1])
            grew = bool(jumped[at]), bool(unseen[at])
            known += [Grown(when_us, to_us, *totals, *grew) for when_us in (from_us, to_us)]
        return known


MOST_STRETCHES = 10_000
"""So many losses are kept one by one. No opening is decided so long after it began, but after
chatter without end."""


class IntegrityMonitor:
    """Where edges may be missing. ``looking`` is true until the true levels were seen again."""

    def __init__(self) -> None:
        self._from_us: list[float] = []  # stretches that are over, in order of time
        self._to_us: list[float] = []
        self._whys: list[Reason] = []
        self._since_us = math.inf  # the one that is not
        self._at_least_us = math.inf
        self._why = Reason.LINES_LOST
        self._jumped_us = -math.inf
        self.looking = False
        self.illegal = 0

    def trouble(self, trouble: LineError) -> Reason | None:
        """Take note of trouble; says so when the encoder's count is no longer sure."""
        if trouble.kind in LINE_LOSSES:
            # The position of that time came before the trouble.
            self.doubt(trouble.t_us, math.nextafter(trouble.t_us, math.inf), Reason.LINES_LOST)
        return _COUNT_LOSSES.get(trouble.kind)

    def grown(self, grown: Grown) -> Reason | None:
        """Take note of totals that grew; says so when the count is no longer sure."""
        self.illegal = grown.illegal
        if grown.jumped:
            self._jumped_us = max(self._jumped_us, grown.to_us)
        if grown.unseen and grown.t_us < grown.to_us:
            self.doubt(grown.t_us, grown.to_us, Reason.UNSEEN)
        return Reason.ENCODER_JUMPED if grown.jumped else None

    def doubt(self, from_us: float, to_us: float, why: Reason) -> None:
        """Edges may be missing from ``from_us`` at least to ``to_us``."""
        if self.looking:
            self._since_us = min(self._since_us, from_us)
            self._at_least_us = max(self._at_least_us, to_us)
            return
        self._since_us, self._at_least_us, self._why = from_us, to_us, why
        self.looking = True

    def why(self, from_us: float, to_us: float) -> Reason | None:
        """Why an edge may be missing between these times; None when none is."""
        nth = bisect_left(self._to_us, from_us)
        if nth < len(self._to_us) and self._from_us[nth] <= to_us:
            return self._whys[nth]
        return self._why if self.looking and self._since_us <= to_us else None

    def jumping(self, t_us: float) -> bool:
        """Whether the encoder may have jumped just before ``t_us``, whatever the index said since
        the stretch began in which it did."""
        return t_us <= self._jumped_us

    def over(self, rows: NDArray[np.void]) -> np.void | None:
        """The first position, dtype ``POSITION``, before which no edge is outstanding: with it the
        loss is over. None while there is none.
        """
        t_us = rows["t_us"]
        sound = np.flatnonzero((t_us >= self._at_least_us) & (rows["done_us"] >= t_us))
        if not len(sound):
            return None
        first: np.void = rows[sound[0]]
        for nth in range(len(self._from_us) - 1, -1, -1):  # keeps them in order of both ends
            if self._from_us[nth] <= self._since_us:
                break
            self._from_us[nth] = self._since_us
        self._from_us.append(self._since_us)
        self._to_us.append(float(first["t_us"]))
        self._whys.append(self._why)
        if len(self._whys) > 2 * MOST_STRETCHES:
            self._join_oldest()
        self.looking = False
        return first

    def _join_oldest(self) -> None:
        """The older half becomes one stretch: what lies between is in doubt as well."""
        self._to_us[:MOST_STRETCHES] = [max(self._to_us[:MOST_STRETCHES])]
        del self._from_us[1:MOST_STRETCHES], self._whys[1:MOST_STRETCHES]


def edge_at(row: np.void, which: int, level: int) -> tuple[Edge, int]:
    """The edge as if it had come at a ``POSITION`` record, and the crank's step there: +1 when the
    count was growing, -1 when shrinking, 0 when neither is known."""
    count = int(row["count"])
    came, goes = count - int(row["low"]), int(row["high"]) - count
    around: tuple[list[float], list[int], list[int]] = ([math.nan] * 4, [0] * 4, [0] * 4)
    edge = Edge(float(row["t_us"]), which, level, count, *around)
    return edge, (came > goes) - (came < goes)


def opened_unseen(edge: Edge, direction: int, losses: IntegrityMonitor) -> Opening:
    """The opening, for the list: it is no reading, and its angle is still to be filled in."""
    lost = losses.why(edge.t_us, edge.t_us)
    return Opening(
        input=edge.input,
        t_us=edge.t_us,
        crank_deg=None,
        direction=direction,
        speed_deg_s=math.nan,
        run_up_deg=math.nan,
        rejection=Rejection(lost or Reason.UNSEEN),
        partings=1,
        passage_us=math.nan,
        closed_us=math.nan,
        closed_deg=math.nan,
    )
