"""What the index says, when it comes, of the counts since it last came.

Counts that were lost show only at the next index pass. What was read since the pass before is then
in doubt, although it was taken to count when it was read. And when the index comes again and again
after another number of counts than stated, the stated counts of a turn are wrong and all angles
with them.
"""

from __future__ import annotations

from statistics import median_low

from rig.counted import many
from rig.signal.events import IndexPass
from rig.signal.settings import Settings
from rig.signal.track import TOLERANCE_COUNTS

MOST_TURNS = 8
ALIKE = 0.01
"""Turns are alike when their counts differ by less than this part."""


class IndexCheck:
    """Takes every index pass in turn."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._before: IndexPass | None = None
        self._sound_us = float("-inf")  # when the index last came where it was expected
        self._doubts: list[tuple[float, float, str]] = []
        self.turns: list[float] = []  # counts from each of the last passes to the next

    def take(self, passed: IndexPass) -> None:
        """The index was passed."""
        before, self._before = self._before, passed
        if passed.anchored or abs(passed.off_counts) <= TOLERANCE_COUNTS:
            self._sound_us = passed.t_us
        else:
            off = (
                f"the index then came {many(round(abs(passed.off_counts)), 'count')} "
                f"off: counts were lost"
            )
            self._doubts.append((self._sound_us, passed.t_us, off))
        # Counts up to a pass that became the anchor have nothing to do with those before.
        alike = before is not None and before.direction == passed.direction
        if before is not None and alike and not passed.anchored:
            turn = abs(passed.crank_deg - before.crank_deg) / self._settings.count_deg
            if turn > TOLERANCE_COUNTS:
                self.turns = [*self.turns, turn][-MOST_TURNS:]

    @property
    def off_passes(self) -> int:
        """How often the index came at another count than expected."""
        return len(self._doubts)

    @property
    def counts_wrong(self) -> bool:
        """Most turns have the same number of counts, which is not the stated one.

        An index that was missed now and then, or came twice, is not taken for that.
        """
        if not self.turns:
            return False
        usual = self.usual_counts
        alike = sum(abs(turn - usual) < ALIKE * usual for turn in self.turns)
        stated = self._settings.counts_per_turn
        return 2 * alike > len(self.turns) and abs(usual - stated) > ALIKE * stated

    @property
    def usual_counts(self) -> float:
        """Counts of the last turns, the middle figure; not a number before there are any."""
        return median_low(self.turns) if self.turns else float("nan")

    def why_not(self, t_us: float) -> str:
        """Why an angle at ``t_us`` does not hold, as is known now; empty when it does."""
        if self.counts_wrong:
            stated = self._settings.counts_per_turn
            return (
                f"{many(round(self.usual_counts), 'count')} lie from index to index, "
                f"{stated} are stated"
            )
        return next((why for low, high, why in self._doubts if low < t_us <= high), "")
