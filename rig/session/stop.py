"""The touches of one time that the positive stop was in."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rig.engine.dead_centre.holds import is_touched
from rig.engine.dead_centre.index_places import around_deg, index_places
from rig.engine.dead_centre.reference import Reference, from_stop
from rig.engine.firing import geometry_of, stop_trouble
from rig.engine.profile import Engine, Profile
from rig.signal.follow import Follower
from rig.signal.touches import ShortWay, Touch, find_short_way, find_touches


@dataclass(slots=True)
class StopTouches:
    """The touches of one time that the stop was in. Angles: degrees after the index, [0, 360)."""

    t_us: float
    cylinder: int
    purpose: Literal["reference", "check"]
    touches: list[Touch] = field(default_factory=list)
    crank_deg: list[float] = field(default_factory=list)
    trail: list[NDArray[np.void]] = field(default_factory=list)  # positions in this life of the rig

    def so_far(self, follower: Follower) -> StopTouches:
        """With those of the trail, as far as they have been left again."""
        found = replace(self, touches=list(self.touches), crank_deg=list(self.crank_deg), trail=[])
        if self.trail:
            self.trail = [np.concatenate(self.trail)]
            for touch in find_touches(self.trail[0], follower.settings):
                angle = follower.track.crank_deg(touch.at)
                if angle is not None:
                    found.touches.append(touch)
                    found.crank_deg.append(angle)
        return found

    def short_way(self, follower: Follower) -> ShortWay | None:
        """Where the crank was held last as at the stop, when it was come to over too short a way
        to be told from a rest in the open; None when a touch of that side was made since."""
        if not self.trail:
            return None
        self.trail = [np.concatenate(self.trail)]
        short = find_short_way(self.trail[0], follower.settings)
        made = find_touches(self.trail[0], follower.settings)
        if short is None or any(t.side == short.side and t.t_us > short.t_us for t in made):
            return None
        return short

    def restarted(self, follower: Follower, profile: Profile) -> None:
        """The rig restarts: counts of the old life mean nothing in the new one. Nor do its angles
        where the index comes at several places of the crank."""
        whole = self.so_far(follower)
        one_place = index_places(profile.encoder) == 1
        self.touches = whole.touches if one_place else []
        self.crank_deg = whole.crank_deg if one_place else []
        self.trail = []

    def side(self, side: int) -> tuple[float, ...]:
        """Angles of the steady touches reached forward (+1) or backwards (-1)."""
        return tuple(
            angle % 360.0
            for touch, angle in zip(self.touches, self.crank_deg, strict=True)
            if touch.side == side and touch.steady
        )

    def _on_disc(self, side: int, profile: Profile) -> tuple[float, ...]:
        """As ``side``, over as many turns as it takes to tell each touch's place on the disc of a
        geared encoder."""
        steady = [
            angle
            for touch, angle in zip(self.touches, self.crank_deg, strict=True)
            if touch.side == side and touch.steady
        ]
        return tuple(around_deg(angle, profile.encoder) for angle in steady)

    def reference(self, profile: Profile) -> Reference:
        """Top dead centre from these touches. Raises InputError when they do not give one."""
        encoder = profile.encoder
        found = from_stop(
            self._on_disc(1, profile),
            self._on_disc(-1, profile),
            counts_per_turn=encoder.counts_per_turn,
            geometry=geometry_of(profile.engine, self.cylinder),
            cylinder=self.cylinder,
            graduation_error_deg=encoder.graduation_error_deg,
            run_out_deg=encoder.run_out_deg,
            turns_per_crank_turn=encoder.turns_per_crank_turn,
            play_deg=encoder.play_deg,
            play_error_deg=encoder.play_error_deg,
            turned_at=encoder.turned_at,
        )
        wrong = stop_trouble(profile.engine, self.cylinder)
        return replace(found, warnings=(wrong, *found.warnings)) if wrong else found


def stop_misleads(engine: Engine, stop: StopTouches | None, used: Reference | None) -> str:
    """Why the piston stop that is in, or that the reference was found by, misleads; empty when it
    does not."""
    if stop is not None:
        return stop_trouble(engine, stop.cylinder)
    return stop_trouble(engine, used.cylinder) if used is not None and is_touched(used) else ""
