"""Openings of a unit that is moved while the crank is held: a set reading, not a turned one."""

from __future__ import annotations

from rig.signal.events import Opening
from rig.signal.holding import JUST_CLOSED, STOOD_STILL

_OF_THE_HAND = ("passed backwards", "run-up of", "the crank had gone back", JUST_CLOSED)
"""How a reason begins that speaks of the crank's movement alone."""


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
