"""Which place of the crank an index pulse stands for, where the encoder is geared to the crank.

An encoder that makes p/q turns (lowest terms) for one of the crank shows its index at p places of
the crank, 360/p degrees apart. With p = 1 a reference is good in every session. With p above 1 a
restart or another session may begin at any of the places: the reference is then known only up to a
multiple of 360/p degrees, until a touch of the piston stop, or the entry that a cylinder stands at
TDC, settles the place (see ``rig.engine.gear_train``).
"""

from __future__ import annotations

import bisect
import math
from dataclasses import replace

from rig.base.angles import modulo, wrap
from rig.base.errors import InputError
from rig.engine.gear_train import index_places, places_apart_deg
from rig.engine.geometry import plug_hole_offset_deg
from rig.engine.profile import Encoder, Engine, Profile
from rig.signal.events import Reason, Rejection
from rig.tdc.piston_stop import StopTouches
from rig.tdc.reference import Method, TdcReference

CLEAR = 0.4
"""Part of the spacing within which a rough statement settles the place: half is the border."""


def placed(reference: TdcReference, near_deg: float, encoder: Encoder) -> TdcReference:
    """The reference counted from another place of the index: the one that brings it nearest
    ``near_deg``, crank degrees after that place.

    The touches move by whole turns of the encoder, so that each keeps its place on its disc.
    Source: definition.
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


def stated_place(
    crank_deg: float, cylinder: int, reference: TdcReference, engine: Engine, encoder: Encoder
) -> float:
    """Dead centre of the reference's cylinder, degrees after the index in [0, 360), from the word
    that ``cylinder`` stands at its top now, roughly, at ``crank_deg``.

    Raises InputError when that lies half-way between two places, and for a cylinder whose dead
    centre does not follow from what is stated.
    """
    own = plug_hole_offset_deg(engine, cylinder)
    near = crank_deg - own + plug_hole_offset_deg(engine, reference.cylinder)
    found = placed(reference, near, encoder).tdc_deg
    off = abs(wrap(near - found))
    apart = places_apart_deg(encoder)
    if off > CLEAR * apart:
        raise InputError(
            f"the crank stands {off:.0f}° from one place where dead centre can be and"
            f" {apart - off:.0f} from the next: bring the piston nearer to its top, and state it"
        )
    return found


def same_frame(one: TdcReference, other: TdcReference, encoder: Encoder) -> TdcReference:
    """``one`` counted from the place of the index that ``other`` is counted from, taking both for
    the same dead centre; as it is where they are of different cylinders."""
    if index_places(encoder) == 1 or one.cylinder != other.cylinder:
        return one
    return placed(one, other.tdc_deg, encoder)


ONE_SIDE = (
    "touched from one side: that settles at which place the index stands, and does not check top"
    " dead centre"
)


class IndexResolver:
    """Roughly where cylinder 1's dead centre lies after the index, in each life of the rig."""

    def __init__(self, profile: Profile) -> None:
        self._engine, self._encoder = profile.engine, profile.encoder
        self._starts = [-math.inf]
        self._near: list[float | None] = [None]
        self.many = index_places(profile.encoder)
        self.why_not = Rejection(Reason.INDEX_PLACE, (self.many, places_apart_deg(profile.encoder)))

    @property
    def known(self) -> bool:
        """Whether the index stands for one place of the crank now."""
        return self.many == 1 or self._near[-1] is not None

    @property
    def was_lost(self) -> bool:
        """Whether it was known once, and is not now."""
        return not self.known and any(near is not None for near in self._near)

    @property
    def life(self) -> int:
        """Number of the present life of the rig, from 0."""
        return len(self._starts) - 1

    @property
    def place(self) -> float | None:
        """Roughly where TDC lies in this life of the rig, degrees after the index; or None."""
        return self._near[-1]

    @place.setter
    def place(self, near_deg: float | None) -> None:
        self._near[-1] = near_deg

    def lost(self, t_us: float) -> None:
        """From here on the index may stand for any of its places: a new life."""
        self._starts.append(max(t_us, self._starts[-1]))
        self._near.append(None)

    def found(self, reference: TdcReference, life: int = -1) -> None:
        """Dead centre was found in a life of the rig: this is where it lies, all through it."""
        own = plug_hole_offset_deg(self._engine, reference.cylinder)
        self._near[life] = modulo(reference.tdc_deg - own)

    def state(self, crank_deg: float, cylinder: int, reference: TdcReference) -> None:
        """``cylinder`` stands at its top now, roughly. Raises InputError as ``stated_place``."""
        near = stated_place(crank_deg, cylinder, reference, self._engine, self._encoder)
        own = plug_hole_offset_deg(self._engine, reference.cylinder)
        self._near[-1] = modulo(near - own)

    def touched(self, stop: StopTouches, reference: TdcReference) -> bool:
        """Whether a stop touched from one side alone settles the place, as it then does.

        It has to be the stop that the reference was found by, as deep as then: roughly.
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
        """The reference as it holds at ``t_us``; None where the place is not known."""
        life = max(bisect.bisect_left(self._starts, t_us) - 1, 0)
        return self._placed(reference, self._near[life])

    def now(self, reference: TdcReference | None) -> TdcReference | None:
        """The reference as it holds now; None where the place is not known."""
        return self._placed(reference, self._near[-1])

    def _placed(self, reference: TdcReference | None, near: float | None) -> TdcReference | None:
        if reference is None or self.many == 1:
            return reference
        if near is None:
            return None
        own = plug_hole_offset_deg(self._engine, reference.cylinder)
        return placed(reference, near + own, self._encoder)
