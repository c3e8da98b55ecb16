"""The definition of *opening*, and the state machine that debounces a contact input.

**Opening.** The instant at which the contacts first open in the transition that ends with them
staying open.

A *transition* begins when closed contacts open. They may bounce any number of times in it, for any
length of time. It ends in one of two ways:

* The contacts are open without interruption for ``least_open_us`` (default 3 ms): they stay open.
  The transition was an opening; its instant is the first time they opened in it.
* The contacts are closed without interruption for ``closed_end_us`` (default 2 ms): the transition
  has failed. It was a spike, a drop-out of dirty contacts, or a *short opening* when an open run
  was longer than ``longest_dropout_us`` (default 1 ms), which is reported and is not an opening.

Closing is the same with open and closed exchanged: bounces of a closing contact are part of the
closing, never an opening.

**A drop-out just before.** A spike or drop-out less than ``closed_end_us`` before the true opening
could be mistaken for it. An early open run of at most ``longest_dropout_us`` is therefore weighed:
it belongs to the bounce, together with the closed gap after it, or it is noise. Both are learnt
from the input itself (``BounceModel``), and the likelier one wins. Before anything is learnt, most
runs of a transition are kept.

**A glitch from the input beside.** When other contacts open or close, a lead may carry that over to
this input for some microseconds. An open run that begins with an edge of another input may be such
a glitch; so is the run that a coupled pair of units shows at each opening, a degree before its own.

**Bounce with long gaps.** A failed transition is merged into the next opening, within ``LOOK_BACK``
times ``closed_end_us``, when the learnt bounce gaps make that more likely.

**Cut bursts.** The rig may leave out edges of a burst and report how many, the first, the last, and
the longest run at each level. While none of these runs was long enough to be a rest, silence
decides nothing from the first edge of the cut until the edge that ends it. A transition that began
before the cut keeps its first opening. One that began inside it, or may have, is ``broken``: it is
listed and is not valid.

Assumptions: the bounce gaps of one input are alike from one transition to the next; noise comes at
an even rate, or gathers just before the contacts open. Drop-outs that gather are taken for bounce,
and the first of them is reported, until long gaps have shown themselves before all others.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.base.rounding import many
from rig.signal.bounce_model import MOST, NEAR_US, SHORT_US, BounceModel
from rig.signal.events import Finding, Settings
from rig.wire.records import Cut

Floats = NDArray[np.float64]

LOOK_BACK = 2.0  # how far back a failed transition can be merged, in units of ``closed_end_us``
COUPLED_US = 5.0
"""A coupled glitch follows its cause at once; the rig times edges within 3.4 us
(``firmware_notes/limits.md``)."""

MOST_EDGES = 9_999
MOST_JOINED = 1_000
"""Edges kept of a transition (an odd number), and failed transitions kept before it; further edges
are only counted."""


class Rest(Enum):
    """Where the contacts last came to rest."""

    UNKNOWN = "unknown"
    OPEN = "open"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Transition:
    """A finished transition. ``to`` is where the contacts came to rest.

    ``mark`` and ``t_us`` belong to its first edge that counts. ``runs`` is how many times the
    contacts left their rest; ``dropped`` has instant and length of early runs taken for noise.
    """

    to: Rest
    decided_us: float  # when it was long enough ago to decide
    t_us: float
    mark: np.void
    runs: int
    last_us: float
    rest_us: float  # how long the contacts had been at rest before
    dropped: tuple[tuple[float, float], ...] = ()
    longest_us: float | None = None  # longest run away from rest, if it failed
    bounce_us: float = 0.0  # longest time back at rest, if it did not
    broken: bool = False  # its first or last edge may be among edges that the rig left out
    from_us: float = math.nan  # the first edge considered
    rivals: tuple[tuple[float, float], ...] = ()  # other possible instants with their probability

    def unsure(self, beyond_us: float) -> float:
        """Probability that the contacts opened more than ``beyond_us`` away from ``t_us``, by the
        learnt noise and bounce."""
        return sum(share for at, share in self.rivals if abs(at - self.t_us) > beyond_us)


class _Edges(NamedTuple):
    """Times and marks of one transition's edges, alternately away from rest and back to it.

    A *run* lasts from an edge away to the edge back; the last one may still go on. Plain numbers:
    a transition has a handful of edges. ``beside``: whether another input changed just then.
    """

    t_us: list[float]
    marks: NDArray[np.void]
    beside: list[bool]

    def lengths(self) -> list[float]:
        """Length of each completed run."""
        return [end - start for start, end in zip(self.t_us[::2], self.t_us[1::2], strict=False)]

    def gaps(self) -> list[float]:
        """From the end of each run to the next one."""
        return [after - end for end, after in zip(self.t_us[1::2], self.t_us[2::2], strict=False)]


_NONE = _Edges([], np.empty(0, np.void), [])


class _Cut(NamedTuple):
    """Edges that the rig left out: the first, how many, and the longest closed and open run beside
    and among them, in microseconds."""

    first_us: float
    edges: int
    closed_us: float
    opened_us: float


def _joined(pieces: list[_Edges]) -> _Edges:
    """Pieces in succession as one."""
    some = [piece for piece in pieces if piece.t_us]
    if len(some) == 1:
        return some[0]
    marks = [piece.marks for piece in some]
    t_us = [t for piece in some for t in piece.t_us]
    beside = [each for piece in some for each in piece.beside]
    return _Edges(t_us, np.concatenate(marks, dtype=marks[0].dtype), beside)


class Debouncer:
    """The contacts of one input. ``edges`` and ``until`` return the transitions they decide.

    Each edge has a *mark*: what the caller wants to find again at a transition's first edge. The
    decisions depend on the edges and their times alone, not on how the calls divide them, as long
    as no edge comes before a time that was passed to ``until``.
    """

    def __init__(self, settings: Settings, open_level: int = 1) -> None:
        self._s = settings
        self.open_level = open_level  # level of the input when the contacts are open
        self.rest = Rest.UNKNOWN
        self.level_open: bool | None = None
        self._rest_since = self._learnt_to = self._last_us = math.nan
        self._fresh()
        self._earlier: deque[_Edges] = deque(maxlen=MOST_JOINED)  # recent failed transitions
        self._nothing_us: deque[float] = deque(maxlen=MOST)  # starts of runs that failed longer ago
        self._doubtful_us = -math.inf  # until then a transition may have begun in an earlier cut
        self.bounce_model = BounceModel()

    def begin(self, is_open: bool, t_us: float) -> None:
        """The level at the start of a recording, or after edges were lost."""
        self.rest = Rest.OPEN if is_open else Rest.CLOSED
        self.level_open = is_open
        self._rest_since = self._learnt_to = self._last_us = t_us
        self._earlier.clear()
        self._nothing_us.clear()
        self._fresh()

    def _fresh(self) -> None:
        """No transition is in progress."""
        self.due_us = math.inf  # when silence decides the transition
        self._now = _NONE  # edges of the current transition
        self._broken = False
        self._cut: _Cut | None = None  # a cut that has not ended yet
        self._after_cut: int | None = None  # edges of the transition from its first cut on
        self._first_cut = False  # the last edge of ``_now`` is one that was left out
        self._uncounted_us = 0.0  # longest closed run in a cut, or after it

    @property
    def in_cut(self) -> bool:
        """Whether a cut has not ended yet: the level is not known."""
        return self._cut is not None

    def edges(
        self,
        t_us: Floats,
        is_open: NDArray[np.bool_],
        marks: NDArray[np.void],
        beside: NDArray[np.bool_] | None = None,
    ) -> list[Transition]:
        """The contacts changed, shapes (n,). Repeated levels are ignored. Times increase: an edge
        that the rig sends too late gets the time of the one before. ``beside``: whether another
        input changed just then (default: none did)."""
        if beside is None:
            beside = np.zeros(len(t_us), np.bool_)
        if self.rest is Rest.UNKNOWN and len(t_us):
            self.begin(not is_open[0], float(t_us[0]))
        t_us = np.maximum.accumulate(np.fmax(t_us, self._last_us))
        if self._cut is not None:
            decided = self._cut_ends(self._cut, float(t_us[0]), bool(is_open[0]), marks[:1])
            return decided + self.edges(t_us[1:], is_open[1:], marks[1:], beside[1:])
        changed = is_open != np.concatenate(([self.level_open is True], is_open[:-1]))
        if not changed.all():
            t_us, is_open, marks = t_us[changed], is_open[changed], marks[changed]
            beside = beside[changed]
        if not len(t_us):
            return []
        decided = self.until(float(t_us[0]))
        due_us = t_us + np.where(is_open, self._s.least_open_us, self._s.closed_end_us)
        ends = (np.flatnonzero(due_us[:-1] <= t_us[1:]) + 1).tolist()
        times, dues, levels = t_us.tolist(), due_us.tolist(), is_open.tolist()
        besides = beside.tolist()
        low = 0
        for high in [*ends, len(times)]:
            if low:
                decided.append(self._decided())
            if self._after_cut is None:
                piece = _Edges(times[low:high], marks[low:high], besides[low:high])
                self._now = _joined([self._now, piece]) if self._now.t_us else piece
                if (more := len(self._now.t_us) - MOST_EDGES) > 0:
                    now, kept = self._now, slice(MOST_EDGES)
                    self._now = _Edges(now.t_us[kept], now.marks[kept], now.beside[kept])
                    self._after_cut = more
            else:
                self._after_cut += high - low
                before = pairwise([self._last_us, *times[low:high]])
                closed_us = [
                    t - b for (b, t), opens in zip(before, levels[low:high], strict=True) if opens
                ]
                self._uncounted_us = max([self._uncounted_us, *closed_us])
            self.level_open, self.due_us = levels[high - 1], dues[high - 1]
            self._last_us = times[high - 1]
            low = high
        return decided

    def until(self, t_us: float) -> list[Transition]:
        """No edge comes before ``t_us``: the transition that this decides, if any."""
        return [self._decided()] if t_us >= self.due_us else []

    def cut(
        self, first_us: float, edges: int, longest_low_us: float, longest_high_us: float
    ) -> list[Transition]:
        """The rig left out ``edges`` edges of a burst, the first at ``first_us``; see ``Cut``."""
        decided = self.until(first_us)
        runs_us = longest_low_us, longest_high_us
        closed_us, opened_us = runs_us if self.open_level == 1 else runs_us[::-1]
        if self._cut is not None:
            first_us, edges = self._cut.first_us, edges + self._cut.edges
            closed_us = max(closed_us, self._cut.closed_us)
            opened_us = max(opened_us, self._cut.opened_us)
        if self.rest is not Rest.UNKNOWN:
            self._cut = _Cut(max(first_us, self._last_us), edges, closed_us, opened_us)
            self.due_us = math.inf
        return decided

    def _cut_ends(
        self, cut: _Cut, t_us: float, is_open: bool, mark: NDArray[np.void]
    ) -> list[Transition]:
        """The first edge after a cut."""
        self._cut = None
        decided = []
        closed = cut.closed_us >= self._s.closed_end_us
        opened = cut.opened_us >= self._s.least_open_us
        returned, left = (closed, opened) if self.rest is Rest.CLOSED else (opened, closed)
        # Without a transition in progress, the longest run includes the rest before the cut.
        self._broken |= returned or not self._now.t_us
        if not self._broken:
            self._uncounted_us = max(self._uncounted_us, cut.closed_us)
        fresh = _Edges(
            [t_us], mark, [False]
        )  # its beginning, somewhere in the cut, is unknown: use the end
        if self._broken:
            self._now, self._after_cut, self._first_cut = fresh, 0, True
        elif self._after_cut is None:
            self._after_cut = 0
            if len(self._now.t_us) % 2 == 0:  # at rest: the cut begins with an edge away from it
                self._now = _joined([self._now, _Edges([cut.first_us], mark, [False])])
                self._first_cut = True
        assert self._after_cut is not None
        self._after_cut += cut.edges
        self._last_us = t_us
        if left:  # they came to rest within the cut; what followed is unknown
            self.level_open, self.due_us = self.rest is Rest.CLOSED, t_us
            decided.append(self._decided())
            self._now, self._after_cut = fresh, cut.edges
            self._broken = self._first_cut = True
        self.level_open = is_open
        self.due_us = t_us + (self._s.least_open_us if is_open else self._s.closed_end_us)
        return decided

    def _decided(self) -> Transition:
        leaving = self.level_open is (self.rest is Rest.CLOSED)
        transition = self._stayed() if leaving else self._failed()
        self._fresh()
        return transition

    def _stayed(self) -> Transition:
        """The contacts stay where they went: an opening or a closing."""
        edges, first = self._now, 0
        broken = self._broken or edges.t_us[0] <= self._doubtful_us
        to = Rest.OPEN if self.rest is Rest.CLOSED else Rest.CLOSED
        dropped: list[tuple[float, float]] = []
        rivals: list[tuple[float, float]] = []
        if to is Rest.OPEN:
            edges, shares = self._merged(edges)
            first = shares.index(max(shares))
            noise = zip(edges.t_us[: 2 * first : 2], edges.lengths(), strict=False)
            dropped = [run for run in noise if run[0] >= self._now.t_us[0]]
            rivals = list(zip(edges.t_us[::2], self.bounce_model.doubts, strict=False))
            del rivals[first]
        t_us, last_us = edges.t_us[2 * first], self._last_us
        if self._first_cut and 2 * first == len(edges.t_us) - 1:
            broken = True  # its first edge was left out
        transition = Transition(
            to,
            self.due_us,
            t_us,
            edges.marks[2 * first],
            (len(edges.t_us) + (self._after_cut or 0)) // 2 + 1 - first,
            last_us,
            t_us - self._rest_since,
            tuple(dropped),
            bounce_us=max([*edges.gaps()[first:], self._uncounted_us]),
            broken=broken,
            from_us=edges.t_us[0],
            rivals=tuple(rivals),
        )
        self.rest = to
        self._rest_since = self._learnt_to = last_us
        self._earlier.clear()
        self._nothing_us.clear()
        self._doubtful_us = -math.inf
        return transition

    def _merged(self, edges: _Edges) -> tuple[_Edges, list[float]]:
        """The edges, with those of earlier transitions merged into them, and the probabilities
        that the first 0, 1, ... runs are noise."""
        linked = self._linked()
        if linked:
            earlier = _joined([*linked])
            # The runs in question are no evidence of noise yet.
            self.bounce_model.unlearn_noise(earlier.lengths())
            edges = _joined([earlier, edges])
        runs_us, gaps_us = edges.lengths(), edges.gaps()
        # A run longer than a drop-out belongs to the opening, and so do all after it.
        most_us = self._s.longest_dropout_us
        may = next((nth for nth, us in enumerate(runs_us) if us > most_us), len(runs_us))
        starts_us = edges.t_us[::2]
        before_us = [t for t in self._nothing_us if 0.0 < starts_us[0] - t < NEAR_US]
        # Where both inputs show one signal, even the final run begins beside the other's.
        beside = [] if edges.beside[-1] else edges.beside[::2]
        shares = self.bounce_model.shares(starts_us, runs_us, gaps_us, may, before_us, beside)
        first = shares.index(max(shares))
        self._learn_noise(runs_us[:first], edges.t_us[2 * first])
        return edges, shares

    def _failed(self) -> Transition:
        edges = self._now
        runs_us = edges.lengths()
        transition = Transition(
            self.rest,
            self.due_us,
            edges.t_us[0],
            edges.marks[0],
            (len(edges.t_us) + (self._after_cut or 0)) // 2,
            self._last_us,
            edges.t_us[0] - self._rest_since,
            longest_us=max(runs_us, default=0.0),
            broken=self._broken,
            from_us=edges.t_us[0],
        )
        if self.rest is Rest.CLOSED:
            self._learn_noise(runs_us, self._last_us)
            self._nothing_us.extend(edges.t_us[::2])
            if self._after_cut is None:
                self._linked().append(edges)
            else:  # whether it belongs to an opening that follows soon cannot be weighed
                self._earlier.clear()
                self._doubtful_us = self._last_us + LOOK_BACK * self._s.closed_end_us
        return transition

    def _learn_noise(self, runs_us: list[float], until_us: float) -> None:
        self.bounce_model.learn_noise(runs_us, max(until_us - self._learnt_to, 0.0))
        self._learnt_to = until_us

    def _linked(self) -> deque[_Edges]:
        """The edges of failed transitions, if this one began soon enough after them."""
        limit_us = LOOK_BACK * self._s.closed_end_us
        if self._earlier and self._now.t_us[0] - self._earlier[-1].t_us[-1] > limit_us:
            self._earlier.clear()
        return self._earlier


def failed_finding(transition: Transition, which: int, settings: Settings) -> Finding:
    """The finding that a failed transition on input ``which`` is."""
    longest_us = transition.longest_us or 0.0
    if transition.to is Rest.OPEN:
        kind = "touch while open"
    elif longest_us > settings.longest_dropout_us:
        kind = "short opening"
    else:
        kind = "spike" if longest_us <= SHORT_US else "drop-out"
    detail = f"{longest_us:.0f} us, {many(transition.runs, 'time')}"
    open_us = longest_us if transition.to is Rest.CLOSED else 0.0
    return Finding(transition.t_us, kind, which, detail, open_us)


_FIRST_BIT = 4
_USUAL = 2  # every rig has at least this many contact inputs; others appear with their first record


class Inputs:
    """Contact inputs, numbered from 1."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._debouncers: dict[int, Debouncer] = {}
        self._changed_us: dict[int, float] = {}  # input: its last edge

    def __bool__(self) -> bool:
        return bool(self._debouncers)

    def __getitem__(self, which: int) -> Debouncer:
        found = self._debouncers.get(which)
        if found is None:
            found = Debouncer(self._settings, self.open_level(which))
            self._debouncers[which] = found
        return found

    def open_level(self, which: int) -> int:
        """Level of input ``which`` when its contacts are open."""
        return self._settings.open_levels.get(which, 1)

    def is_open(self, which: int, row: np.void) -> bool:
        """Whether the contacts are open by a ``POSITION`` record."""
        return (int(row["levels"]) >> (_FIRST_BIT + which - 1) & 1) == self.open_level(which)

    def begin(self, positions: NDArray[np.void]) -> None:
        """Levels at the start of a recording, from the first of the ``positions``, if any."""
        if not len(positions):
            return
        row = positions[0]
        most = max(_USUAL, int(row["levels"]).bit_length() - _FIRST_BIT)
        for which in range(1, most + 1):
            self[which].begin(self.is_open(which, row), float(row["t_us"]))

    def edges(self, marks: NDArray[np.void]) -> list[tuple[int, Transition]]:
        """Edges of any contact inputs, as rows of dtype ``MARK`` in order of time. Returns the
        transitions that they decide, each with its input.
        """
        decided = []
        before_us = dict(self._changed_us)
        for which in np.unique(marks["input"]).tolist():
            mine = marks["input"] == which
            own, contact = marks[mine], self[which]
            t_us, is_open = own["t_us"], own["level"] == contact.open_level
            earlier_us = max([-math.inf, *(t for it, t in before_us.items() if it != which)])
            others_us = np.concatenate(([earlier_us], marks["t_us"][~mine]))
            after_us = t_us - others_us[others_us.searchsorted(t_us, "right") - 1]
            beside = (after_us <= COUPLED_US) & (not self._settings.glitches_count)
            self._changed_us[which] = float(t_us[-1])
            decided += [(which, done) for done in contact.edges(t_us, is_open, own, beside)]
        return decided

    def until(self, t_us: float) -> list[tuple[int, Transition]]:
        """No edge comes before ``t_us``: the transitions that this decides, each with its input."""
        return [
            (which, transition)
            for which, debouncer in self._debouncers.items()
            for transition in debouncer.until(t_us)
        ]

    def cut(self, cut: Cut) -> list[tuple[int, Transition]]:
        """Edges of a contact input were left out. Returns the transitions that silence before the
        first of them decides."""
        contact = self[cut.input]
        runs_us = cut.longest_low_us, cut.longest_high_us
        return [(cut.input, p) for p in contact.cut(cut.first_us, cut.edges, *runs_us)]

    def resync(self, row: np.void) -> list[tuple[Finding, bool]]:
        """After a loss: take the levels from a record with nothing outstanding. Returns a finding
        for each input whose level changed, and whether its contacts opened."""
        changed = []
        t_us = float(row["t_us"])
        for which, debouncer in self._debouncers.items():
            is_open = self.is_open(which, row)
            if debouncer.in_cut or debouncer.level_open is not is_open:
                opened = is_open and debouncer.rest is Rest.CLOSED
                debouncer.begin(is_open, t_us)
                text = "the contacts changed while edges were lost"
                changed.append((Finding(t_us, "edges lost", which, text), opened))
        return changed
