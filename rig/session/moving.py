"""Openings of a unit that is moved while the crank is held: a set reading, not a turned one."""

from __future__ import annotations

from dataclasses import replace

from rig.engine.profile import Unit
from rig.signal.events import Opening
from rig.signal.holding import JUST_CLOSED, STOOD_STILL
from rig.timing.circular import wrap
from rig.timing.results import Reading
from rig.timing.tie import setting_named

_OF_THE_HAND = ("passed backwards", "run-up of", "the crank had gone back", JUST_CLOSED)
"""How a reason begins that speaks of the crank's movement alone."""


NEAR_DEG = 10.0
"""A unit is set nearer than this to the figure that is wanted (common practice, no source)."""
FAR = "the contacts parted with the crank held, far from the figure that is wanted"


def by_moving(opening: Opening, *, moving: bool) -> bool:
    """Whether contacts parted because the unit, or its lever, was moved.

    The crank stood still; or the person was ``moving`` the unit, and nothing but the crank's
    movement stands against the opening: a hand that trembles on a held crank turns nothing,
    though the encoder sees every direction and run-up.
    """
    if opening.why == STOOD_STILL:
        return True
    of_the_hand = not opening.why or opening.why.startswith(_OF_THE_HAND)
    return of_the_hand and moving


def unless_far(reading: Reading, unit: Unit) -> Reading:
    """The set reading of a unit that nobody said to be moved, as it is where that is near its
    figure. Elsewhere something else parted the contacts, as a lever does, and it does not count."""
    setting = setting_named(unit, reading.setting)
    window = setting.per_cylinder.get(reading.cylinder or 0, setting.window)
    if window is None or reading.btdc_deg is None:
        return reading
    if abs(wrap(reading.btdc_deg - window.nominal_btdc)) <= NEAR_DEG:
        return reading
    return replace(reading, counts=False, why=reading.why or FAR)
