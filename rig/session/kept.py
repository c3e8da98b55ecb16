"""What a session keeps one by one, however long it lasts: openings and index passes.

A job has some hundred openings in all. A loose lead, a noisy input or an index with noise gives as
many an hour as the line can carry. So only a limited number of each is kept, the rest is counted,
and ``Diagnostic`` reports it wherever results are shown. What is left out depends on the order of
the openings alone, not on how the stream was cut.
"""

from __future__ import annotations

from collections import Counter, defaultdict, deque
from collections.abc import Sequence

from rig.signal.events import IndexPass, Opening, Reason

# Valid openings kept of an input: over an hour's turning at 30 turns a minute with four lobes,
# without a pause (common practice, no source: a job has a few hundred). The first half is kept, as
# it may be as found, and the latest, as they may be as left.
MOST_VALID = 10_000
MOST_OTHERS = 1_000  # rejected openings kept of an input: the latest
MOST_PASSES = 2_000


class OpeningLog:
    """The openings of all inputs, in order of arrival."""

    def __init__(self) -> None:
        self.kept: list[Opening] = []
        self.n: Counter[int] = Counter()  # of each input, kept or not
        self.left_out: dict[int, Counter[Reason | None]] = {}  # of an input, None: valid ones
        self._of: defaultdict[int, list[Opening]] = defaultdict(list)
        self._valid: Counter[int] = Counter()

    def of(self, which: int) -> Sequence[Opening]:
        """The openings of an input that are kept."""
        return self._of.get(which, ())

    def add(self, opening: Opening) -> tuple[list[bool], list[Opening]] | None:
        """Add an opening. If others are left out for it: which of ``kept`` with the new one remain,
        and those that do not."""
        which = opening.input
        self.kept.append(opening)
        self._of[which].append(opening)
        self.n[which] += 1
        self._valid[which] += opening.valid
        others = len(self._of[which]) - self._valid[which]
        if self._valid[which] > MOST_VALID:
            own = [o for o in self._of[which] if o.valid]
            leave = own[MOST_VALID // 2 : MOST_VALID * 3 // 4]
        elif others > MOST_OTHERS:
            own = [o for o in self._of[which] if not o.valid]
            leave = own[: MOST_OTHERS // 2]
        else:
            return None
        return self._leave(which, leave)

    def _leave(self, which: int, leave: list[Opening]) -> tuple[list[bool], list[Opening]]:
        gone = {id(each) for each in leave}
        stays = [id(each) not in gone for each in self.kept]
        self.kept = [each for each, stayed in zip(self.kept, stays, strict=True) if stayed]
        self._of[which] = [each for each in self._of[which] if id(each) not in gone]
        left = self.left_out.setdefault(which, Counter())
        for each in leave:
            self._valid[which] -= each.valid
            left[each.rejection.reason if each.rejection else None] += 1
        return stays, leave


class PassLog:
    """The latest index passes, and the whole turns by all of them."""

    def __init__(self) -> None:
        self.kept: deque[IndexPass] = deque(maxlen=MOST_PASSES)
        self.n = 0
        self._net = 0

    def add(self, passed: IndexPass) -> None:
        """Add a pass."""
        self.kept.append(passed)
        self.n += 1
        self._net += passed.direction

    def net(self, t_us: float) -> int:
        """Passes forward less passes back up to ``t_us``, after which at most ``MOST_PASSES`` have
        come."""
        net = self._net
        for passed in reversed(self.kept):
            if passed.t_us <= t_us:
                break
            net -= passed.direction
        return net
