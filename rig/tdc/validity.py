"""How long a TDC reference is valid: until a later touch shows TDC elsewhere.

When a later touch differs from the reference by more than its uncertainty allows, the encoder or
its coupling has moved, and nobody knows when. Openings between the last touch that agrees and the
first that does not are then not assessed. A later touch that agrees again shows that the one in
between was wrong. Source: ``reference.moved`` (JCGM 100:2008, 5.2).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from rig.engine.profile import Encoder
from rig.signal.events import Reason, Rejection
from rig.tdc.index_resolver import same_frame
from rig.tdc.reference import Move, TdcReference, is_touched, moved

# A point in time: number of the recording in order of time, and the rig's time in it, us.
At = tuple[float, float]
ALWAYS, NEVER = (-math.inf, -math.inf), (math.inf, math.inf)


@dataclass(frozen=True, slots=True)
class Touched:
    """TDC as touched, and when."""

    at: At
    reference: TdcReference


@dataclass(frozen=True, slots=True)
class Validity:
    """Since when and until when a reference is valid, ends included; the touches ``before`` and
    ``after`` that limit it, if any, and the touches that show it."""

    since: At = ALWAYS
    until: At = NEVER
    before: Move | None = None
    after: Move | None = None
    against: tuple[TdcReference, ...] = ()
    lost: Rejection | None = None  # it is never valid: counts were lost while it was found

    def at(self, at: At) -> bool:
        """Whether it is valid at ``at``."""
        return self.lost is None and self.since <= at <= self.until

    def why_not(self, at: At) -> Rejection | None:
        """Why it is not valid at ``at``; None where it is."""
        if self.lost is not None or self.at(at):
            return self.lost
        shown = self.before if at < self.since else self.after
        by = () if shown is None else (shown.shift_deg, shown.uncertainty.U_deg)
        return Rejection(Reason.TDC_MOVED, by)


def validity(used: TdcReference, at: At, touched: Sequence[Touched], encoder: Encoder) -> Validity:
    """How long ``used``, found or selected at ``at``, is valid by touches at other times.

    Only touches of its cylinder count. One set by hand, or by a mark, is valid before that too. Two
    methods within one recording are two results for one place, between which the person selects,
    and do not show a move.
    """
    since, until = at, at
    earlier: list[tuple[Touched, Move]] = []
    later: list[tuple[Touched, Move]] = []
    for each in sorted(touched, key=lambda each: each.at):
        found = same_frame(each.reference, used, encoder)
        if found.cylinder != used.cylinder or not is_touched(found) or found == used:
            continue
        if is_touched(used) and found.way != used.way and found.capture == used.capture:
            continue
        move = moved(used, found)
        if move.has_moved:
            (later if each.at > at else earlier).append((each, move))
        else:
            since, until = min(since, each.at), max(until, each.at)
    before = [(each, move) for each, move in earlier if each.at < since and is_touched(used)]
    after = [(each, move) for each, move in later if each.at > until]
    return Validity(
        since if before else ALWAYS,
        until if after else NEVER,
        before[-1][1] if before else None,
        after[0][1] if after else None,
        tuple(each.reference for each, _ in (*before[-1:], *after[:1])),
    )


@dataclass(frozen=True, slots=True)
class KnownTdc:
    """A TDC that a recording has from ``t_us`` on: ``touched`` there, or ``claimed``, that is,
    brought along in a note. ``found_us``: when it was touched, or read at the gauge."""

    reference: TdcReference
    t_us: float
    touched: bool
    claimed: bool
    found_us: tuple[float, ...] = ()


class Tdcs:
    """Every TDC that was used in a recording, or found as a check, in order.

    ``number`` is that of the recording in order of time, if there are several; ``limited`` is how
    long the one in use is valid, if other recordings show it. ``lost_at`` says whether counts were
    lost at a time, as known by now.
    """

    def __init__(self, encoder: Encoder, lost_at: Callable[[float], Rejection | None]) -> None:
        self._encoder, self._lost_at = encoder, lost_at
        self.known: list[KnownTdc] = []
        self._validity: tuple[TdcReference, Validity] | None = None
        self.number = 0.0
        self.limited: Validity | None = None

    def came(
        self,
        reference: TdcReference,
        t_us: float,
        *,
        touched: bool = False,
        claimed: bool = False,
        found_us: Iterable[float] = (),
    ) -> None:
        """Another TDC is known from ``t_us`` on, or a known one is used again."""
        claimed |= any(each.claimed and each.reference is reference for each in self.known)
        self.known.append(KnownTdc(reference, t_us, touched, claimed, tuple(found_us)))
        self.forget()

    def cut(self, n: int) -> None:
        """Undo all but the first ``n``."""
        del self.known[n:]
        self.forget()

    def forget(self) -> None:
        """What limits the one in use may be something else now."""
        self._validity = None

    def found_us(self, reference: TdcReference) -> Iterator[float]:
        """When a TDC was touched in this recording, or read at the gauge."""
        return (us for each in self.known if each.reference == reference for us in each.found_us)

    def lost(self, reference: TdcReference) -> Rejection | None:
        """Why what a TDC was found from is not valid, as known by now; None if it is, or if it was
        not found in this recording."""
        return next(filter(None, map(self._lost_at, self.found_us(reference))), None)

    def renew(
        self, renewed: Callable[[KnownTdc], TdcReference], used: TdcReference | None
    ) -> TdcReference | None:
        """Replace each reference by what its recording gives now. Returns the one for ``used``."""
        by_id: dict[int, TdcReference] = {}
        for each in self.known:
            if id(each.reference) not in by_id:
                by_id[id(each.reference)] = renewed(each)
        self.known = [replace(each, reference=by_id[id(each.reference)]) for each in self.known]
        self.forget()
        return by_id.get(id(used), used)

    @property
    def references(self) -> list[TdcReference]:
        """All of them."""
        return [each.reference for each in self.known]

    def touches(self) -> list[Touched]:
        """Every TDC touched in this recording, and when."""
        touched = (each for each in self.known if each.touched)
        return [Touched((self.number, each.t_us), each.reference) for each in touched]

    def when(self, reference: TdcReference) -> At | None:
        """When a TDC was found here, or brought along; None if it is from elsewhere."""
        own = (each.t_us for each in self.known if each.reference == reference)
        t_us = next(own, None)
        return None if t_us is None else (self.number, t_us)

    def validity(self, used: TdcReference | None) -> Validity:
        """How long the reference in use is valid, by all touches."""
        if self.limited is not None or used is None:
            return self.limited or Validity()
        if self._validity is None or self._validity[0] is not used:
            at = self.when(used) or (self.number, -math.inf)
            found = validity(used, at, self.touches(), self._encoder)
            self._validity = used, replace(found, lost=self.lost(used))
        return self._validity[1]
