"""What rejects an opening after it was found: what is known of it by now.

An ``OpeningFinder`` decides an opening within moments, by what came before. All that may come
later is here:

* notes: a switch was tried that may have opened the contacts, or the person rejected the opening;
* the index: it shows that counts were lost, or that those entered are wrong;
* the states of a coarse encoder: until they are measured no opening is a reading, and then each
  is placed again.

What is known of TDC or of other readings rejects a reading, not its opening:
``rig.session.results``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from rig.base.earlier_rules import EarlierRule, Rules
from rig.session.annotations import Annotations
from rig.signal.events import Closing, Event, IndexPass, Opening, Reason, Rejection
from rig.signal.interpolate import SLOWEST_COUNTS_S
from rig.signal.openings import OpeningFinder
from rig.signal.track import IndexCheck
from rig.wire.records import Batch


class Hindsight:
    """What is known by now about the openings of ``finder``, and by the ``annotations``, if any."""

    def __init__(
        self,
        finder: OpeningFinder,
        annotations: Annotations | None = None,
        rules: Rules = (),
    ) -> None:
        self._finder, self._annotations, self._rules = finder, annotations, rules
        trusting = EarlierRule.INDEX_TRUSTED in rules
        self.index = IndexCheck(finder.settings, trusting=trusting)

    def take(self, batch: Batch, events: Sequence[Event]) -> bool:
        """A batch and the events that it decided. Returns whether earlier openings may be, or no
        longer be, readings now."""
        index, changed = self.index, bool(len(batch.widths) and self._finder.states_matter)
        for event in events:
            if isinstance(event, IndexPass):
                wrong = index.counts_wrong
                index.take(event)
                changed |= bool(index.off_passes) or event.anchored or wrong != index.counts_wrong
        return changed

    def noted(self, opening: Opening) -> Opening:
        """The opening, rejected where a switch that was tried may have opened its contacts."""
        notes = self._annotations
        if opening.rejection or notes is None or EarlierRule.EARTHED_READ in self._rules:
            return opening
        if not notes.was_off(opening.input, opening.t_us - opening.closed_us, opening.t_us):
            return opening
        return replace(opening, rejection=Rejection(Reason.EARTHED))

    def placed(self, opening: Opening) -> Opening:
        """The opening by the encoder's states as measured by now; rejected while they matter and
        are not known well enough."""
        placing = opening.placing
        unmeasured = EarlierRule.STATES_NOT_MEASURED in self._rules
        if placing is None or opening.crank_deg is None or unmeasured:
            return opening
        if not self._finder.states_known:
            slowest_deg_s = SLOWEST_COUNTS_S * self._finder.settings.count_deg
            why = Rejection(Reason.STATES_NOT_MEASURED, (slowest_deg_s,))
            return replace(opening, rejection=opening.rejection or why)
        offsets, _ = self._finder.widths.measured
        return replace(opening, crank_deg=opening.crank_deg + placing.moved_deg(offsets))

    def why_not(self, t_us: float, *, held: bool = False) -> Rejection | None:
        """Why a note or the index rejects an opening at ``t_us``; None if neither does. ``held``:
        the unit was moved with the crank held, which passes no index."""
        noted = self._annotations.rejected(t_us) if self._annotations is not None else None
        return noted or self.index.why_not(t_us) or (None if held else self.index.unconfirmed(t_us))

    def now(self, opening: Opening) -> Opening:
        """The opening with all that is known by now."""
        opening = self.placed(opening)
        return replace(opening, rejection=opening.rejection or self.why_not(opening.t_us))

    def all_now(self, events: Iterable[Event]) -> list[Event]:
        """The events with all that is known by now; closings whose angle is not valid are left
        out."""
        return [
            self.now(event) if isinstance(event, Opening) else event
            for event in events
            if not (isinstance(event, Closing) and self.why_not(event.t_us))
        ]
