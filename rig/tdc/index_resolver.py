"""Which place of the crank an index pulse is, where the encoder is geared to the crank.

An encoder that makes p/q turns (lowest terms) for one of the crank shows its index at p places of
the crank, 360/p degrees apart. With p = 1 a reference is valid in every session. With p above 1 a
restart or another session may begin at any of the places: the reference is then known only up to a
multiple of 360/p degrees, until a touch of the piston stop, or the entry that a cylinder is at TDC,
resolves the place (see ``rig.engine.gear_train``).
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass, replace
from itertools import pairwise

from rig.base.angles import modulo, wrap
from rig.base.errors import InputError
from rig.engine.gear_train import index_places, places_apart_deg
from rig.engine.geometry import plug_hole_offset_deg
from rig.engine.profile import Encoder, Engine, Profile
from rig.signal.events import Reason, Rejection
from rig.tdc.piston_stop import StopTouches
from rig.tdc.reference import Method, TdcReference

# Fraction of the spacing within which a rough entry resolves the place: half is the border.
CLEAR = 0.4


def placed(reference: TdcReference, near_deg: float, encoder: Encoder) -> TdcReference:
    """The reference counted from the place of the index that brings it nearest ``near_deg``, crank
    degrees after that place.

    The touches move by whole turns of the encoder, so each keeps its place on the disc. Source:
    definition.
    """
    many = index_places(encoder)
    step = round(wrap(near_deg - reference.tdc_deg) / places_apart_deg(encoder)) % many
    if step == 0:
        return reference
    ratio = encoder.turns_per_crank_turn
    encoder_turns = step * pow(ratio.denominator, -1, many) % many
    by_deg = 360.0 * float(encoder_turns / ratio)
    return replace(
        reference,
        tdc_deg=modulo(reference.tdc_deg + step * places_apart_deg(encoder)),
        forward_deg=tuple(each + by_deg for each in reference.forward_deg),
        backward_deg=tuple(each + by_deg for each in reference.backward_deg),
    )


def entered_place(
    crank_deg: float, cylinder: int, reference: TdcReference, engine: Engine, encoder: Encoder
) -> float:
    """TDC of the reference's cylinder, degrees after the index in [0, 360), from the entry that
    ``cylinder`` is roughly at TDC now, at ``crank_deg``.

    Raises InputError when that is half-way between two places, and for a cylinder whose TDC is not
    known.
    """
    own = plug_hole_offset_deg(engine, cylinder)
    near = crank_deg - own + plug_hole_offset_deg(engine, reference.cylinder)
    found = placed(reference, near, encoder).tdc_deg
    off = abs(wrap(near - found))
    apart = places_apart_deg(encoder)
    if off > CLEAR * apart:
        raise InputError(
            f"the crank is {off:.0f}° from one possible TDC and {apart - off:.0f}° from the next:"
            " bring the piston nearer to TDC, and enter it again"
        )
    return found


def same_frame(one: TdcReference, other: TdcReference, encoder: Encoder) -> TdcReference:
    """``one`` counted from the same place of the index as ``other``, assuming both are the same
    TDC; unchanged if they are of different cylinders."""
    if index_places(encoder) == 1 or one.cylinder != other.cylinder:
        return one
    return placed(one, other.tdc_deg, encoder)


MOST_LIVES = 1_000
"""How many lives of a rig that keeps restarting are kept one by one."""


@dataclass(slots=True)
class Life:
    """From one restart of the rig to the next. ``place``: roughly where cylinder 1's TDC is,
    degrees after the index; None while that is not known."""

    number: int
    start_us: float
    place: float | None = None


class IndexResolver:
    """Roughly where cylinder 1's TDC is after the index, in each life of the rig."""

    def __init__(self, profile: Profile) -> None:
        self._engine, self._encoder = profile.engine, profile.encoder
        self.lives = [Life(0, -math.inf)]
        self.many = index_places(profile.encoder)
        self.why_not = Rejection(Reason.INDEX_PLACE, (self.many, places_apart_deg(profile.encoder)))

    @property
    def known(self) -> bool:
        """Whether the index is a known place of the crank now."""
        return self.many == 1 or self.place is not None

    @property
    def was_lost(self) -> bool:
        """Whether it was known once, and is not now."""
        return not self.known and any(each.place is not None for each in self.lives)

    @property
    def life(self) -> int:
        """Number of the rig's present life, from 0."""
        return self.lives[-1].number

    @property
    def place(self) -> float | None:
        """Roughly where TDC lies in this life of the rig, degrees after the index; or None."""
        return self.lives[-1].place

    @place.setter
    def place(self, near_deg: float | None) -> None:
        self.lives[-1].place = near_deg

    def lost(self, t_us: float) -> None:
        """The rig restarted: the index may be any of its places.

        Of too many lives, one whose place is not known joins the one before, if that is alike.
        """
        lives = self.lives
        lives.append(Life(self.life + 1, max(t_us, lives[-1].start_us)))
        if len(lives) > MOST_LIVES:
            pairs = enumerate(pairwise(lives[:-1]), 1)
            del lives[next((nth for nth, (a, b) in pairs if a.place is b.place is None), 0)]

    def found(self, reference: TdcReference, life: int | None = None) -> None:
        """TDC was found in a life of the rig, the present one by default; it is valid all through
        it."""
        own = plug_hole_offset_deg(self._engine, reference.cylinder)
        for each in self.lives:
            if each.number == (self.life if life is None else life):
                each.place = modulo(reference.tdc_deg - own)

    def state(self, crank_deg: float, cylinder: int, reference: TdcReference) -> None:
        """``cylinder`` is roughly at TDC now. Raises InputError as ``entered_place``."""
        near = entered_place(crank_deg, cylinder, reference, self._engine, self._encoder)
        own = plug_hole_offset_deg(self._engine, reference.cylinder)
        self.place = modulo(near - own)

    def touched(self, stop: StopTouches, reference: TdcReference) -> bool:
        """Whether a piston stop touched from one side alone resolves the place; if so, it does.

        It has to be the stop by which the reference was found, at about the same depth.
        """
        if self.known or reference.method is not Method.STOP or stop.cylinder != reference.cylinder:
            return False
        for side, before in ((1, reference.forward_deg), (-1, reference.backward_deg)):
            now = stop.side(side)
            if not (now and before):
                continue
            moved_deg = wrap(now[0] - before[0])
            found = placed(reference, reference.tdc_deg + moved_deg, self._encoder)
            off_deg = abs(wrap(reference.tdc_deg + moved_deg - found.tdc_deg))
            if off_deg <= CLEAR * places_apart_deg(self._encoder):
                self.found(found)
                return True
        return False

    def at(self, t_us: float, reference: TdcReference | None) -> TdcReference | None:
        """The reference as valid at ``t_us``; None if the place is not known."""
        nth = bisect.bisect_left(self.lives, t_us, key=lambda life: life.start_us)
        return self._placed(reference, self.lives[max(nth - 1, 0)].place)

    def now(self, reference: TdcReference | None) -> TdcReference | None:
        """The reference as valid now; None if the place is not known."""
        return self._placed(reference, self.place)

    def _placed(self, reference: TdcReference | None, near: float | None) -> TdcReference | None:
        if reference is None or self.many == 1:
            return reference
        if near is None:
            return None
        own = plug_hole_offset_deg(self._engine, reference.cylinder)
        return placed(reference, near + own, self._encoder)
