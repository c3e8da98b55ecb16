"""The crank's angle from the encoder's count: anchored at the index, continuous over turns.

The index pulse marks one place a turn. Its leading edge is the edge met going forward; passed
backwards, that same place is where the pulse ends. The first pass is the anchor: angle 0 or, going
forward, one whole turn, so that no angle is below zero. At every later pass the count is held
against the anchor. Once counts are known to be lost (the encoder jumped) angles do not hold until
the next pass, which becomes the anchor. When a pass is off without any known loss, either the
pulse or the count is wrong: nothing counts until two passes in succession agree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.counted import many
from rig.signal.events import IndexPass
from rig.signal.settings import Settings

TOLERANCE_COUNTS = 1.5
"""An index may come this far from where it is expected: its edge and a count's are not one."""


@dataclass(slots=True)
class Track:
    """Angle reference of one life of the rig. Places are in counts, as ``Place.at`` has them.

    ``lost`` says why angles do not hold, empty while they do. ``turns`` are whole turns of the
    encoder before this life of the rig; they are added to all angles.
    """

    settings: Settings
    turns: float = 0.0
    anchor: float | None = None
    lost: str = ""
    agreed: int = 0  # passes that agreed with the anchor since it was set
    between_passes: float | None = None  # counts between the last two passes the same way
    _before: tuple[float, int] | None = None
    _doubted: float | None = None  # a pass that disagreed, waiting for the next

    def crank_deg(self, at: float) -> float | None:
        """Continuous crank angle in degrees of place ``at``; None without an anchor."""
        if self.anchor is None:
            return None
        s = self.settings
        turn = s.direction * (at - self.anchor) / s.counts_per_turn + self.turns
        return 360.0 * turn / s.encoder_turns_per_crank_turn

    def counts_lost(self, why: str) -> None:
        """Counts are known to be lost: angles do not hold until the index has passed."""
        self.lost = why

    def passed(self, at: float, t_us: float, direction: int) -> IndexPass:
        """The leading edge of the index was met at place ``at``."""
        if self._before and self._before[1] == direction and abs(at - self._before[0]) > 1:
            self.between_passes = abs(at - self._before[0])
        self._before = (at, direction)
        if self.anchor is None:
            # Before it the crank was within the turn that ends, or begins, here.
            self.turns += 1.0 if direction > 0 else 0.0
            return self._anchor(at, t_us, direction, 0.0)
        per_turn = self.settings.counts_per_turn
        off = math.remainder(at - self.anchor, per_turn)
        if abs(off) <= TOLERANCE_COUNTS:
            self.agreed += 1
            self._doubted = None
            self.lost = ""
            return self._pass(at, t_us, direction, off, anchored=False)
        if self.lost and self._doubted is None:
            return self._anchor(at - self._whole_turns(at), t_us, direction, off, at)
        if self._doubted is not None:
            again = math.remainder(at - self._doubted, per_turn)
            if abs(again) <= TOLERANCE_COUNTS and abs(at - self._doubted) > TOLERANCE_COUNTS:
                self._doubted = None
                return self._anchor(at - self._whole_turns(at), t_us, direction, off, at)
        self._doubted = at
        moved = (
            f"{many(round(abs(off)), 'count')} from where {many(per_turn, 'count')} "
            f"a turn would have it"
        )
        self.lost = f"the index came {moved}: wait until it passes twice more"
        return self._pass(at, t_us, direction, off, anchored=False)

    def _whole_turns(self, at: float) -> float:
        assert self.anchor is not None
        per_turn = self.settings.counts_per_turn
        return per_turn * round((at - self.anchor) / per_turn)

    def _anchor(
        self, anchor: float, t_us: float, direction: int, off: float, at: float | None = None
    ) -> IndexPass:
        self.anchor = anchor
        self.lost = ""
        self.agreed = 0
        return self._pass(anchor if at is None else at, t_us, direction, off, anchored=True)

    def _pass(
        self, at: float, t_us: float, direction: int, off: float, *, anchored: bool
    ) -> IndexPass:
        angle = self.crank_deg(at)
        assert angle is not None
        return IndexPass(t_us, direction, angle, off, anchored)
