"""Debouncing: the one definition of *opening*, and the machine that finds it.

**Opening.** The instant at which the contacts first part in the passage that ends with them
staying open.

A *passage* begins when contacts that were closed part. Within it they may bounce as often as they
like: the passage is as long as it is. It ends in one of two ways.

* The contacts are open without a pause for ``least_open_us`` (default 3 ms): they stay open. The
  passage was an opening, and its instant is that of the first parting.
* The contacts are closed without a pause for ``closed_end_us`` (default 2 ms): they did not stay
  open. What parted was a spike, a drop-out of dirty contacts, or a *short opening* when an open
  run was longer than ``longest_dropout_us`` (default 1 ms), which is reported and is no opening.

Closing is the same with open and closed exchanged, so bounces of a closing contact are part of the
closing and never an opening.

**A drop-out just before.** A spike or a drop-out may fall less than ``closed_end_us`` before the
true parting and would be taken for it. So an early open run, no longer than
``longest_dropout_us``, is weighed: is it, with the closed gap after it, of the chatter, or a noise
event that has nothing to do with the parting? What both look like is learnt from the input itself
(``chatter_law``). The likelier of the two wins; before anything is learnt the law has so long a
tail that all runs of the passage are kept.

**Chatter with long gaps.** By the same weighing a passage that came to nothing is joined to the
opening that follows it within ``LOOK_BACK`` times ``closed_end_us``, when chatter with gaps as long
as this input's makes that the likelier.

Assumptions: chatter gaps of one input are alike from one passage to the next; noise does not know
when the contacts part. Where drop-outs crowd together as the contacts are about to part, no rule
can tell them from chatter, and the first of them is given.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from rig.signal.chatter_law import SHORT_US, ChatterLaw
from rig.signal.events import Finding
from rig.signal.settings import Settings

Mark = TypeVar("Mark")
"""Whatever the caller wants to find again at an edge: the state of the crank at that instant."""

LOOK_BACK = 2.0
"""How far back a passage that came to nothing may be joined, in closed runs that end one."""


class Rest(Enum):
    """Where the contacts last came to rest."""

    UNKNOWN = "unknown"
    OPEN = "open"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Passage(Generic[Mark]):
    """One passage that is over. ``to`` is where the contacts came to rest after it.

    ``mark`` and ``t_us`` belong to the first edge that counts. ``runs`` is how many times the
    contacts left their rest, ``dropped_us`` holds the instants of early runs taken for noise.
    """

    to: Rest
    t_us: float
    mark: Mark
    runs: int
    last_us: float
    rest_us: float  # how long the contacts had rested before, in microseconds
    dropped: tuple[float, ...] = ()
    longest_us: float = 0.0  # longest run away from the rest, for a passage that came to nothing
    broken: bool = False  # edges were left out by the rig and may have held the end of it


@dataclass(slots=True)
class _Run(Generic[Mark]):
    """A run away from the rest: it began at ``t_us`` and ended at ``end_us`` (None: goes on)."""

    t_us: float
    mark: Mark
    end_us: float | None = None


class Debouncer(Generic[Mark]):
    """The contacts of one input. ``edge`` and ``until`` return the passages that are decided.

    Decisions depend on the edges and their times alone, not on when ``until`` is called, as long
    as it is told no time beyond an edge that is still to come.
    """

    def __init__(self, settings: Settings, open_level: int = 1) -> None:
        self._s = settings
        self.open_level = open_level  # level of the input when the contacts are open
        self.rest = Rest.UNKNOWN
        self.level_open: bool | None = None
        self.due_us = math.inf  # when silence decides the passage
        self._rest_since = self._learnt_to = math.nan
        self._runs: list[_Run[Mark]] = []
        self._earlier: list[_Run[Mark]] = []  # runs that came to nothing a moment ago
        self._last_us = math.nan
        self._broken = False
        self.law = ChatterLaw()

    def begin(self, is_open: bool, t_us: float) -> None:
        """The level at the start of a recording, or after edges were lost."""
        self.rest = Rest.OPEN if is_open else Rest.CLOSED
        self.level_open = is_open
        self._rest_since = self._learnt_to = self._last_us = t_us
        self.due_us = math.inf
        self._runs = []
        self._earlier = []
        self._broken = False

    def edge(self, is_open: bool, t_us: float, mark: Mark) -> list[Passage[Mark]]:
        """The contacts changed. A repeated level is no edge."""
        if self.rest is Rest.UNKNOWN:
            self.begin(not is_open, t_us)
        decided = self.until(t_us) if t_us >= self.due_us else []
        if is_open == self.level_open:
            return decided
        self.level_open = is_open
        runs = self._runs
        if is_open is (self.rest is Rest.CLOSED):
            runs.append(_Run(t_us, mark))
        elif runs:
            runs[-1].end_us = t_us
        self._last_us = t_us
        if runs:
            self.due_us = t_us + (self._s.least_open_us if is_open else self._s.closed_end_us)
        return decided

    def until(self, t_us: float) -> list[Passage[Mark]]:
        """No edge comes before ``t_us``: what does that decide?"""
        if t_us < self.due_us:
            return []
        passage = self._settled() if self._leaving else self._came_to_nothing()
        self.due_us = math.inf
        return [passage]

    def cut(self, longest_low_us: float, longest_high_us: float, open_level: int) -> None:
        """The rig left edges out of a burst. Unbroken as long as no run was long enough to rest."""
        closed = longest_high_us if open_level == 0 else longest_low_us
        opened = longest_low_us if open_level == 0 else longest_high_us
        if closed >= self._s.closed_end_us or opened >= self._s.least_open_us:
            self._broken = True

    def pending(self) -> _Run[Mark] | None:
        """The first run of a passage that is not decided, for the end of a recording."""
        return self._runs[0] if self._runs else None

    @property
    def _leaving(self) -> bool:
        """The contacts are away from where they rested."""
        return self.level_open is (self.rest is Rest.CLOSED)

    def _settled(self) -> Passage[Mark]:
        """The contacts stay where they went: the passage is an opening or a closing."""
        runs = self._runs
        to = Rest.OPEN if self.rest is Rest.CLOSED else Rest.CLOSED
        dropped: list[_Run[Mark]] = []
        if to is Rest.OPEN:
            earlier = self._linked()
            # The runs in question say nothing yet of how much noise there is.
            self.law.unlearn_noise(_lengths(earlier))
            first = self._first_of_chatter(earlier + runs)
            dropped = runs[: max(first - len(earlier), 0)]
            noise, runs = (earlier + runs)[:first], (earlier + runs)[first:]
            self.law.learn_chatter(_gaps_between(runs), _lengths(runs[:-1]))
            self._learn_noise(noise, runs[0].t_us)
        passage = Passage(
            to,
            runs[0].t_us,
            runs[0].mark,
            len(runs),
            runs[-1].t_us,
            runs[0].t_us - self._rest_since,
            tuple(run.t_us for run in dropped),
            broken=self._broken,
        )
        self.rest = to
        self._rest_since = self._learnt_to = runs[-1].t_us
        self._runs = []
        self._earlier = []
        self._broken = False
        return passage

    def _came_to_nothing(self) -> Passage[Mark]:
        runs = self._runs
        longest = max((run.end_us or run.t_us) - run.t_us for run in runs)
        passage = Passage(
            self.rest,
            runs[0].t_us,
            runs[0].mark,
            len(runs),
            runs[-1].t_us,
            runs[0].t_us - self._rest_since,
            longest_us=longest,
            broken=self._broken,
        )
        if self.rest is Rest.CLOSED:
            self._learn_noise(runs, self._last_us)
            self._earlier = self._linked() + runs
        self._runs = []
        self._broken = False
        return passage

    def _learn_noise(self, runs: list[_Run[Mark]], until_us: float) -> None:
        self.law.learn_noise(_lengths(runs), max(until_us - self._learnt_to, 0.0))
        self._learnt_to = until_us

    def _linked(self) -> list[_Run[Mark]]:
        """The runs that came to nothing, if this passage began soon enough after them."""
        earlier = self._earlier
        limit_us = LOOK_BACK * self._s.closed_end_us
        if earlier and self._runs[0].t_us - (earlier[-1].end_us or 0.0) <= limit_us:
            return earlier
        return []

    def _first_of_chatter(self, runs: list[_Run[Mark]]) -> int:
        """Index of the first run that belongs to the parting; a run longer than a drop-out does."""
        lengths = _lengths(runs[:-1])
        may = next(
            (i for i, us in enumerate(lengths) if us > self._s.longest_dropout_us), len(lengths)
        )
        return self.law.split(_gaps_between(runs)[:may], lengths[:may]) if may else 0


def came_to_nothing(passage: Passage[Mark], which: int, settings: Settings) -> Finding:
    """The finding that a passage on input ``which`` is that did not come to rest elsewhere."""
    if passage.to is Rest.OPEN:
        kind = "touch while open"
    elif passage.longest_us > settings.longest_dropout_us:
        kind = "short opening"
    else:
        kind = "spike" if passage.longest_us <= SHORT_US else "drop-out"
    return Finding(passage.t_us, kind, which, f"{passage.longest_us:.0f} us, {passage.runs} times")


def _lengths(runs: Sequence[_Run[Mark]]) -> list[float]:
    """How long each run lasted, microseconds; inf for one that goes on."""
    return [(math.inf if run.end_us is None else run.end_us) - run.t_us for run in runs]


def _gaps_between(runs: Sequence[_Run[Mark]]) -> NDArray[np.float64]:
    """Closed gaps between runs, microseconds, shape (runs - 1,)."""
    return np.array(
        [
            after.t_us - (before.end_us if before.end_us is not None else after.t_us)
            for before, after in itertools.pairwise(runs)
        ],
        np.float64,
    )
