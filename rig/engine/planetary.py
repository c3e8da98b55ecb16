"""Planetary stages: how sun, ring and carrier turn, and when the same teeth meet. Exact fractions.

In a planetary stage (sun - carrier) x sun's teeth = -(ring - carrier) x ring's teeth, speeds of
turning (R. Willis, Principles of Mechanism, 1841, from memory). With one member held the two others
turn as a pair of gears with the sun's teeth, the ring's, or for the carrier both together. The same
numbers hold for its positions: with sun and ring standing, planets fit at sun + ring places of the
carrier.
"""

from __future__ import annotations

import math
from fractions import Fraction

from rig.base.errors import InputError
from rig.engine.profile import Planetary


def stage_mistakes(stage: Planetary) -> list[tuple[str, str]]:
    """What cannot be in a planetary stage. Source: the planets fill the gap between sun and ring;
    a gear with corrected teeth may have one or two more or fewer."""
    found = []
    if stage.held == stage.driver_turns:
        found.append(("held", f"the {stage.held} is held, so that the driver cannot turn it"))
    if not stage.bevel and stage.ring_teeth <= stage.sun_teeth:
        words = f"a ring with {stage.ring_teeth} teeth around a sun with {stage.sun_teeth}"
        found.append(("ring_teeth", words))
    elif not stage.bevel and stage.planet_teeth is not None:
        across = stage.sun_teeth + 2 * stage.planet_teeth
        if abs(across - stage.ring_teeth) > 2:
            words = f"sun and two planets have {across} teeth, the ring has {stage.ring_teeth}"
            found.append(("planet_teeth", words))
    return found


def member_turns(stage: Planetary) -> dict[str, Fraction]:
    """Turns of sun, ring and carrier for one turn of the driver's member, positive its way.

    Raises InputError for a stage that cannot be. Source: Willis, see the module.
    """
    if wrong := stage_mistakes(stage):
        raise InputError("planetary stage: " + "; ".join(words for _, words in wrong))
    turns = Fraction(stage.driver_teeth, stage.driven_teeth)
    if stage.held == "carrier":
        turns = -turns
    return {stage.held: Fraction(0), stage.driver_turns: Fraction(1), stage.driven_by: turns}


def planet_teeth(stage: Planetary) -> int | None:
    """Teeth of a planet: as stated, else half of what the ring has more than the sun.

    None where that is no whole number, or the gears are bevel. Source: the planets fill the gap.
    """
    if stage.planet_teeth is not None or stage.bevel:
        return stage.planet_teeth
    teeth, left = divmod(stage.ring_teeth - stage.sun_teeth, 2)
    return None if left else teeth


def planet_meets(stage: Planetary) -> dict[str, Fraction] | None:
    """Turns of the driver after which the same tooth of a planet meets the same of sun and ring.

    None where the planet's teeth are not known. Raises InputError as ``member_turns``. Source: as
    ``gears.hunting_tooth``, in the frame of the carrier.
    """
    planet = planet_teeth(stage)
    if planet is None:
        return None
    turns = member_turns(stage)
    teeth = {"sun": stage.sun_teeth, "ring": stage.ring_teeth}
    return {
        member: Fraction(planet, math.gcd(planet, n)) / abs(turns[member] - turns["carrier"])
        for member, n in teeth.items()
    }
