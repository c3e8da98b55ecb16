"""The person's word that a cylinder fires here."""

from __future__ import annotations

from dataclasses import dataclass

from rig.engine.dead_centre.reference import Reference
from rig.engine.profile import Profile
from rig.timing.tie import StrokeStatement, state_stroke


@dataclass(frozen=True, slots=True)
class FiresHere:
    """``cylinder`` fires at the dead centre nearest to ``crank_deg``.

    Kept as it was said: a reference found anew a little to the other side of the index would give
    the turns of the crank other numbers.
    """

    crank_deg: float
    cylinder: int

    def on(self, profile: Profile, reference: Reference | None) -> StrokeStatement | None:
        """The statement, counted from a reference. Raises InputError as ``state_stroke``."""
        if reference is None:
            return None
        return state_stroke(self.crank_deg, self.cylinder, profile, reference)
