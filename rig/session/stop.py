"""The touches of one time that the positive stop was in."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from rig.engine.firing import geometry_of
from rig.engine.profile import Profile
from rig.engine.reference import Reference, from_stop
from rig.signal.touches import Touch


@dataclass(slots=True)
class StopTouches:
    """The touches of one time that the stop was in. Angles: degrees after the index, [0, 360)."""

    t_us: float
    cylinder: int
    purpose: Literal["reference", "check"]
    touches: list[Touch] = field(default_factory=list)
    crank_deg: list[float] = field(default_factory=list)

    def side(self, side: int) -> tuple[float, ...]:
        """Angles of the steady touches reached forward (+1) or backwards (-1)."""
        return tuple(
            angle % 360.0
            for touch, angle in zip(self.touches, self.crank_deg, strict=True)
            if touch.side == side and touch.steady
        )

    def reference(self, profile: Profile) -> Reference:
        """Top dead centre from these touches. Raises InputError when they do not give one."""
        encoder = profile.encoder
        return from_stop(
            self.side(1),
            self.side(-1),
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
