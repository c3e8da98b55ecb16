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
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from rig.signal.events import Reason
from rig.wire.records import EDGE, WIDTH, Batch, Cut, Health, LineError


class ReorderBuffer:
    """Edges and incidents in order of rig time (at equal times totals first, then in order of
    arrival); width records in order of arrival."""

    def __init__(self) -> None:
        self._edges = np.empty(0, EDGE)
        self._widths = np.empty(0, WIDTH)
        self._incidents: list[tuple[float, int, int, Incident]] = []  # a heap
        self._line_errors: set[tuple[float, str]] = set()  # time and kind of those that wait
        self._latest_incident_us = -math.inf
        self._arrivals = 0

    def add(self, batch: Batch, from_totals: Sequence[Grown | Uncovered] = ()) -> None:
        """New records, and ``from_totals``: what their totals mean."""
        if len(batch.edges):
            edges = _joined(self._edges, batch.edges)
            if np.any(edges["t_us"][1:] < edges["t_us"][:-1]):
                edges = edges[np.argsort(edges["t_us"], kind="stable")]
            self._edges = edges
        if len(batch.widths):
            self._widths = _joined(self._widths, batch.widths)
        incidents: list[Incident] = [*from_totals]
        for other in batch.others:
            if isinstance(other, LineError):  # a repetition says nothing new about that time
                if (other.t_us, other.kind) in self._line_errors:
                    continue
                self._line_errors.add((other.t_us, other.kind))
            if isinstance(other, Cut | LineError):
                incidents.append(other)
        for incident in incidents:
            self.put(incident)

    def put(self, incident: Incident) -> None:
        """Another incident."""
        self._arrivals += 1
        totals_first = 0 if isinstance(incident, Grown | Uncovered) else 1
        heapq.heappush(self._incidents, (incident.t_us, totals_first, self._arrivals, incident))
        self._latest_incident_us = max(self._latest_incident_us, incident.t_us)

    def incident_before(self, t_us: float) -> Incident | None:
        """Take the first incident before ``t_us``; None when there is none."""
        if self._incidents and self._incidents[0][0] < t_us:
            incident = heapq.heappop(self._incidents)[-1]
            if isinstance(incident, LineError):
                self._line_errors.discard((incident.t_us, incident.kind))
            return incident
        return None

    def waiting_before(self, t_us: float) -> NDArray[np.void]:
        """The edges before ``t_us``, dtype ``EDGE``, shape (n,); they go on waiting."""
        return self._edges[: int(self._edges["t_us"].searchsorted(t_us))]

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
        """Time of the latest edge or incident; minus infinity when there is none."""
        return max(
            float(self._edges["t_us"][-1]) if len(self._edges) else -math.inf,
            self._latest_incident_us if self._incidents else -math.inf,
        )


def _joined(waiting: NDArray[np.void], new: NDArray[np.void]) -> NDArray[np.void]:
    return np.concatenate((waiting, new), dtype=new.dtype) if len(waiting) else new


LINE_LOSSES = frozenset(
    {"gap", "interrupted", "checksum", "garbage", "long-line", "half-line", "field"}
)
"""Line errors after which an edge may be missing."""

_COUNT_LOSSES = {"encoder": Reason.ENCODER_JUMPED, "interrupted": Reason.LINE_CUT}
"""Line errors after which the encoder's count is in doubt until the index has passed."""


@dataclass(frozen=True, slots=True)
class Grown:
    """The rig's totals at ``to_us``, and whether they grew since the record before. Takes effect at
    ``t_us``."""

    t_us: float
    to_us: float
    illegal: int
    lost_edges: int
    jumped: bool = False
    unseen: bool = False


@dataclass(frozen=True, slots=True)
class Uncovered:
    """No totals came in time for the stretch from ``t_us`` to ``to_us``."""

    t_us: float
    to_us: float


@dataclass(frozen=True, slots=True)
class WrongCount:
    """An edge whose count the positions around it do not allow."""

    t_us: float
    input: int


Incident = Cut | LineError | Grown | Uncovered | WrongCount  # what puts edges or counts in doubt
MOST_WAITING = 500
LATE = 50
"""Positions that wait for the rig's totals, ten seconds at the usual rate: a health record is due
every second. It may come up to ``LATE`` positions behind its place in time."""


class Covered:
    """Up to when the rig's totals are known; no reading is sure beyond that.

    Some rigs send totals in each position record. Others send them in health records alone, so
    everything waits for the next of those, for at most ``MOST_WAITING`` positions: what is older
    is not covered.
    """

    def __init__(self) -> None:
        self.to_us = -math.inf
        self.given_up_us = -math.inf  # nothing before this waits any more
        self._waiting_us = np.empty(0)  # positions without totals since ``to_us``
        self._row: tuple[float, int, int] | None = None  # the last totals, with their time
        self._in_positions = False

    @property
    def sure_us(self) -> float:
        """Nothing before this waits any more."""
        return max(self.to_us, self.given_up_us)

    def take(self, batch: Batch) -> list[Grown | Uncovered]:
        """Where the totals of the batch grew, and stretches that are not covered.

        Growth takes effect at the earlier record, as everything between the two is in doubt, and
        for the count at the later one too."""
        with_totals = batch.positions["lost_edges"] >= 0
        silent_us = batch.positions["t_us"][~with_totals]
        if len(silent_us):
            self._waiting_us = np.concatenate((self._waiting_us, silent_us))
        known: list[Grown | Uncovered] = []
        covered_us = self.to_us
        if with_totals.any():
            self._in_positions = True
            known += self._positions(batch.positions[with_totals])
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
        """Totals have come, the first since ``before_us``; they do not cover what is too many
        positions back."""
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
        # Its first totals include anything since the rig started.
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
"""Losses kept one by one. An opening is decided long before there are as many, except after
bounce without end."""


class IntegrityMonitor:
    """Where edges may be missing. ``looking``: in a loss, until the true levels are seen."""

    def __init__(self) -> None:
        self._over: list[tuple[float, float, Reason]] = []  # finished losses in order: from, to
        self._since_us = math.inf  # the current loss
        self._at_least_us = math.inf
        self._why = Reason.LINES_LOST
        self._jumped_us = -math.inf
        self.looking = False
        self.illegal = 0

    def line_error(self, error: LineError) -> Reason | None:
        """Note a line error; returns a reason when it puts the encoder's count in doubt."""
        if error.kind in LINE_LOSSES:
            # A position of the same time came before the error.
            self.doubt(error.t_us, math.nextafter(error.t_us, math.inf), Reason.LINES_LOST)
        return _COUNT_LOSSES.get(error.kind)

    def grown(self, grown: Grown) -> Reason | None:
        """Note that totals grew; returns a reason when that puts the count in doubt."""
        self.illegal = grown.illegal
        if grown.jumped:
            self._jumped_us = max(self._jumped_us, grown.to_us)
        if grown.unseen and grown.t_us < grown.to_us:
            self.doubt(grown.t_us, grown.to_us, Reason.UNSEEN)
        return Reason.ENCODER_JUMPED if grown.jumped else None

    def doubt(self, from_us: float, to_us: float, why: Reason) -> None:
        """Edges may be missing from ``from_us``, at least until ``to_us``."""
        if self.looking:
            self._since_us = min(self._since_us, from_us)
            self._at_least_us = max(self._at_least_us, to_us)
            return
        self._since_us, self._at_least_us, self._why = from_us, to_us, why
        self.looking = True

    def why(self, from_us: float, to_us: float) -> Reason | None:
        """Why an edge may be missing between these times; None when none is."""
        nth = bisect_left(self._over, from_us, key=itemgetter(1))
        if nth < len(self._over) and self._over[nth][0] <= to_us:
            return self._over[nth][2]
        return self._why if self.looking and self._since_us <= to_us else None

    def jumping(self, t_us: float) -> bool:
        """Whether the encoder may have jumped just before ``t_us``; an index pass within the same
        stretch does not decide it."""
        return t_us <= self._jumped_us

    def over(self, rows: NDArray[np.void]) -> np.void | None:
        """The first position, dtype ``POSITION``, before which no edge is outstanding: it ends the
        loss. None if there is none.
        """
        t_us = rows["t_us"]
        sound = np.flatnonzero((t_us >= self._at_least_us) & (rows["done_us"] >= t_us))
        if not len(sound):
            return None
        first: np.void = rows[sound[0]]
        for nth in range(len(self._over) - 1, -1, -1):  # keep both ends in order
            from_us, to_us, why = self._over[nth]
            if from_us <= self._since_us:
                break
            self._over[nth] = (self._since_us, to_us, why)
        self._over.append((self._since_us, float(first["t_us"]), self._why))
        if len(self._over) > 2 * MOST_STRETCHES:
            # One stretch of the older half; what lies between is then in doubt as well.
            older = self._over[:MOST_STRETCHES]
            to_us = max(map(itemgetter(1), older))
            self._over[:MOST_STRETCHES] = [(older[0][0], to_us, older[0][2])]
        self.looking = False
        return first
