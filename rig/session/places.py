"""At which of its places on the crank the index stood, from one life of the rig to the next.

Of no account where the index is one place. Where an encoder is geared so that it comes at several,
a reference found before a restart, or in another session, is not to be used until the place is
settled: by the stop, or by the word that a cylinder stands at its top (see
``rig.engine.dead_centre.index_places``).
"""

from __future__ import annotations

import bisect
import math

from rig.engine.dead_centre.index_places import (
    CLEAR,
    index_places,
    placed,
    places_apart_deg,
    stated_place,
    which_place,
)
from rig.engine.dead_centre.reference import Reference
from rig.engine.firing import plug_hole_offset_deg, wrap_btdc, wrap_cycle
from rig.engine.profile import Profile
from rig.session.stop import StopTouches

ONE_SIDE = (
    "touched from one side: that settles at which place the index stands, and does not check top"
    " dead centre"
)


class IndexPlaces:
    """Roughly where cylinder 1's dead centre lies after the index, in each life of the rig."""

    def __init__(self, profile: Profile) -> None:
        self._engine, self._encoder = profile.engine, profile.encoder
        self._starts = [-math.inf]
        self._near: list[float | None] = [None]
        self.many = index_places(profile.encoder)
        self.why = which_place(profile.encoder)

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

    def lost(self, t_us: float) -> None:
        """From here on the index may stand for any of its places: a new life."""
        self._starts.append(max(t_us, self._starts[-1]))
        self._near.append(None)

    def found(self, reference: Reference, life: int = -1) -> None:
        """Dead centre was found in a life of the rig: this is where it lies, all through it."""
        own = plug_hole_offset_deg(self._engine, reference.cylinder)
        self._near[life] = wrap_cycle(reference.tdc_deg - own, 360.0)

    def state(self, crank_deg: float, cylinder: int, reference: Reference) -> None:
        """``cylinder`` stands at its top now, roughly. Raises InputError as ``stated_place``."""
        near = stated_place(crank_deg, cylinder, reference, self._engine, self._encoder)
        own = plug_hole_offset_deg(self._engine, reference.cylinder)
        self._near[-1] = wrap_cycle(near - own, 360.0)

    def touched(self, stop: StopTouches, reference: Reference) -> bool:
        """Whether a stop touched from one side alone settles the place, as it then does.

        It has to be the stop that the reference was found by, as deep as then: roughly.
        """
        if self.known or reference.method != "stop" or stop.cylinder != reference.cylinder:
            return False
        for side, before in ((1, reference.forward_deg), (-1, reference.backward_deg)):
            now = stop.side(side)
            if not (now and before):
                continue
            moved_deg = wrap_btdc(now[0] - before[0])
            found = placed(reference, reference.tdc_deg + moved_deg, self._encoder)
            off_deg = abs(wrap_btdc(reference.tdc_deg + moved_deg - found.tdc_deg))
            if off_deg <= CLEAR * places_apart_deg(self._encoder):
                self.found(found)
                return True
        return False

    def at(self, t_us: float, reference: Reference | None) -> Reference | None:
        """The reference as it holds at ``t_us``; None where the place is not known."""
        life = max(bisect.bisect_left(self._starts, t_us) - 1, 0)
        return self._placed(reference, self._near[life])

    def now(self, reference: Reference | None) -> Reference | None:
        """The reference as it holds now; None where the place is not known."""
        return self._placed(reference, self._near[-1])

    def _placed(self, reference: Reference | None, near: float | None) -> Reference | None:
        if reference is None or self.many == 1:
            return reference
        if near is None:
            return None
        own = plug_hole_offset_deg(self._engine, reference.cylinder)
        return placed(reference, near + own, self._encoder)
