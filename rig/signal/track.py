"""The crank's angle from the encoder's count: anchored at the index, continuous over turns.

The index pulse marks one place a turn. Its leading edge is the edge met going forward; going
backwards, the pulse ends at that place. The first pass is the anchor: angle 0 or, going forward,
one whole turn, so that no angle is below zero. Every later pass is compared with the anchor. After
counts are known to be lost (the encoder jumped), angles are not valid until the next pass, which
becomes the anchor. When a pass is off without a known loss, either the pulse or the count is
wrong: nothing is valid until two passes in succession agree.

Lost counts show only at the next pass, so openings since the pass before are then rejected
afterwards; so are those before the first pass, while the next contradicts it. Once counts were lost
in a recording, an opening is valid only between two passes that agree. When the index keeps
coming after another number of counts than entered, the entered counts per turn are wrong, and all
angles with them. An index edge is used once it is certain not to belong to a spike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median_low

import numpy as np
from numpy.typing import NDArray

from rig.base.angles import wrap
from rig.signal.events import IndexPass, Reason, Rejection, Settings

TOLERANCE_COUNTS = 1.5
"""The index edge may be this far from its count: the two edges are not the same."""


@dataclass(slots=True)
class Track:
    """Angle reference since the rig started. Places are in counts, as in ``Interpolated.at``.

    ``lost`` says why angles are not valid until the next index pass; None while they are.
    ``turns`` are whole turns of the encoder before the rig restarted; they are added to all angles.
    """

    settings: Settings
    turns: float = 0.0
    anchor: float | None = None
    lost: Rejection | None = None
    _doubted: float | None = None  # a pass that disagreed, until the next

    def crank_deg(self, at: float) -> float | None:
        """Continuous crank angle in degrees of place ``at``; None without an anchor."""
        if self.anchor is None:
            return None
        s = self.settings
        turn = s.direction * (at - self.anchor) / s.counts_per_turn + self.turns
        return 360.0 * turn / s.encoder_turns_per_crank_turn

    def passed(self, at: float, t_us: float, direction: int) -> IndexPass:
        """The leading edge of the index was met at place ``at``."""
        if self.anchor is None:
            # Before it the crank was within the turn that ends, or begins, here.
            self.turns += 1.0 if direction > 0 else 0.0
            return self._anchor(at, t_us, direction, 0.0)
        per_turn = self.settings.counts_per_turn
        off = wrap(at - self.anchor, per_turn)
        if abs(off) <= TOLERANCE_COUNTS:
            self._doubted = None
            self.lost = None
            return self._pass(at, t_us, direction, off, anchored=False)
        if self.lost and self._doubted is None:
            return self._anchor(at - self._whole_turns(at), t_us, direction, off, at)
        if self._doubted is not None:
            again = wrap(at - self._doubted, per_turn)
            if abs(again) <= TOLERANCE_COUNTS and abs(at - self._doubted) > TOLERANCE_COUNTS:
                self._doubted = None
                return self._anchor(at - self._whole_turns(at), t_us, direction, off, at)
        self._doubted = at
        self.lost = Rejection(Reason.INDEX_OFF, (round(abs(off)), per_turn))
        return self._pass(at, t_us, direction, off, anchored=False)

    def _whole_turns(self, at: float) -> float:
        assert self.anchor is not None
        per_turn = self.settings.counts_per_turn
        return per_turn * round((at - self.anchor) / per_turn)

    def _anchor(
        self, anchor: float, t_us: float, direction: int, off: float, at: float | None = None
    ) -> IndexPass:
        self.anchor = anchor
        self.lost = None
        return self._pass(anchor if at is None else at, t_us, direction, off, anchored=True)

    def _pass(
        self, at: float, t_us: float, direction: int, off: float, *, anchored: bool
    ) -> IndexPass:
        angle = self.crank_deg(at)
        assert angle is not None
        return IndexPass(t_us, direction, angle, off, anchored, at)


MOST_TURNS = 8
MOST_DOUBTS = 1_000  # stretches in doubt that are kept one by one
ALIKE = 0.01  # turns are alike when their counts differ by less than this fraction

Stretch = tuple[float, float, Rejection]  # after, up to, why
UNCONFIRMED = Rejection(Reason.COUNTS_UNCONFIRMED)


class IndexCheck:
    """Takes every index pass in turn.

    ``trusting``: one pass alone is believed, whatever was lost elsewhere; the rule of earlier
    versions of the program.
    """

    def __init__(self, settings: Settings, *, trusting: bool = False) -> None:
        self._settings, self._trusting = settings, trusting
        self._before: IndexPass | None = None
        self._sound_us = float("-inf")  # the last index pass at the expected count
        self._doubts: list[Stretch] = []
        self._moved: list[Stretch] = []  # up to a pass at another count, which became the anchor
        self.moved_us = float("-inf")  # the last of these passes: earlier counts are void
        self._unconfirmed: list[Stretch] = []  # between passes of which the later says nothing
        self._placed_us = float("-inf")  # since when angles are by the present anchor
        self._agreed = False  # another pass agrees with it
        # Angles up to the first pass are counted back from it. It may be a stray pulse.
        self._first_us = float("-inf")
        self._first_agreed = False  # another pass agrees with it, or it was given up
        self.first_off: Rejection | None = None  # another contradicts it, and none agrees
        self.off_passes = 0  # how often the index came at another count than expected
        self.turns: list[float] = []  # counts from each of the last passes to the next

    def take(self, passed: IndexPass) -> float | None:
        """The index was passed. Returns the counts of the turn that ends here, if one does."""
        before, self._before = self._before, passed
        agrees = abs(passed.off_counts) <= TOLERANCE_COUNTS
        off = Rejection(Reason.COUNTS_LOST, (round(abs(passed.off_counts)),))
        if before is None:
            self._first_us = passed.t_us
        elif agrees and not self._first_agreed:
            self.first_off = None
        self._first_agreed |= before is not None and (agrees or passed.anchored)
        if passed.anchored:
            since_us = before.t_us if before else float("-inf")
            _keep(self._unconfirmed, (since_us, passed.t_us, UNCONFIRMED))
            if not agrees and not self._agreed and not self._trusting:
                _keep(self._doubts, (self._placed_us, passed.t_us, off))
            self._placed_us = since_us
            if not agrees:
                _keep(self._moved, (self._sound_us, passed.t_us, off))
                self.moved_us = passed.t_us
        self._agreed = not passed.anchored and (self._agreed or agrees)
        if passed.anchored or agrees:
            self._sound_us = passed.t_us
        else:
            self.off_passes += 1
            _keep(self._doubts, (self._sound_us, passed.t_us, off))
            if not self._first_agreed:
                self.first_off = off
        # Counts up to a pass that became the anchor are unrelated to those before.
        alike = before is not None and before.direction == passed.direction
        if before is not None and alike and not passed.anchored:
            turn = abs(passed.crank_deg - before.crank_deg) / self._settings.count_deg
            if turn > TOLERANCE_COUNTS:
                self.turns = [*self.turns, turn][-MOST_TURNS:]
                return turn
        return None

    @property
    def counts_wrong(self) -> bool:
        """Whether most turns have the same number of counts, but not the one entered.

        An index that was missed, or came twice, now and then does not cause this.
        """
        if not self.turns:
            return False
        usual = self.usual_counts
        alike = sum(abs(turn - usual) < ALIKE * usual for turn in self.turns)
        stated = self._settings.counts_per_turn
        return 2 * alike > len(self.turns) and abs(usual - stated) > ALIKE * stated

    @property
    def usual_counts(self) -> float:
        """Median of the counts of the last turns; NaN before there are any."""
        return median_low(self.turns) if self.turns else float("nan")

    def why_not(self, t_us: float) -> Rejection | None:
        """Why an angle at ``t_us`` is not valid, as known now; None when it is."""
        if self.counts_wrong:
            stated = self._settings.counts_per_turn
            return Rejection(Reason.COUNTS_WRONG, (round(self.usual_counts), stated))
        if t_us <= self._first_us and self.first_off is not None:
            return self.first_off
        return _why(self._doubts, t_us)

    def lost(self, t_us: float) -> Rejection | None:
        """Whether the index then showed that counts were lost, in silence or not, since it last
        came where expected before ``t_us``; None if not."""
        return None if self._trusting else _why(self._doubts, t_us) or _why(self._moved, t_us)

    def unconfirmed(self, t_us: float) -> Rejection | None:
        """Where the index showed that counts are lost, or it has noise: whether no pass confirms an
        angle at ``t_us``, as known now; None when one does."""
        if self._trusting or not self.off_passes or self._before is None:
            return None
        return UNCONFIRMED if t_us > self._before.t_us else _why(self._unconfirmed, t_us)


def _keep(stretches: list[Stretch], another: Stretch) -> None:
    stretches.append(another)
    if len(stretches) > 2 * MOST_DOUBTS:  # what lies between is then in doubt as well
        (low, _, why), (_, high, _) = stretches[0], stretches[MOST_DOUBTS - 1]
        stretches[:MOST_DOUBTS] = [(low, high, why)]


def _why(stretches: list[Stretch], t_us: float) -> Rejection | None:
    return next((why for low, high, why in stretches if low < t_us <= high), None)


INDEX_LEAST_US = 20.0
"""A shorter index pulse is noise: at 20,000 counts a second a count lasts 50 us."""


class IndexInput:
    """Takes the edges in order of time, as rows of dtype ``MARK``."""

    def __init__(self) -> None:
        self._edge: np.void | None = None
        self.due_us = math.inf  # when silence confirms the last edge
        self._cut = False

    def cut(self) -> None:
        """The rig left edges out of a burst. The edge that ends it may be noise as well."""
        self._edge, self.due_us = None, math.inf
        self._cut = True

    def edges(self, marks: NDArray[np.void]) -> list[tuple[float, np.void | None]]:
        """When each edge became sure, and the edge; None where a pulse ended that was too short."""
        decided: list[tuple[float, np.void | None]] = []
        for mark in marks:
            t_us = float(mark["t_us"])
            decided += self.until(t_us)
            if self._cut:
                self._cut = False
            elif self._edge is None:
                self._edge, self.due_us = mark, t_us + INDEX_LEAST_US
            else:
                self._edge, self.due_us = None, math.inf
                decided.append((t_us, None))
        return decided

    def until(self, t_us: float) -> list[tuple[float, np.void | None]]:
        """No edge comes before ``t_us``: what is sure then?"""
        if t_us < self.due_us:
            return []
        decided = [(self.due_us, self._edge)]
        self._edge, self.due_us = None, math.inf
        return decided
