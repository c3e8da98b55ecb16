"""Couplings toothed on both sides, and angles carried from one shaft to another. Exact fractions.

A middle piece with ``n`` teeth on the drive's side and ``m`` on the unit's side takes lcm(n, m)
positions a turn, a step of 360/lcm(n, m) degrees of its own shaft. Sources: the 19 and 20 tooth
coupling giving 1/380 of a turn, period car service article kept by an owners' club; the 24 and
28 tooth spline used as a vernier, US Army TM 9-2815-247-34; the numbers follow by counting.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from rig.counted import many
from rig.faults import InputError


@dataclass(frozen=True, slots=True)
class VernierMove:
    """``steps`` positions of the coupling: the unit earlier when positive.

    ``drive_teeth`` is how many teeth the middle piece goes on (in the shaft's own rotation) in
    the drive's side, ``unit_teeth`` how many the unit goes back in the middle piece; a negative
    number is the other way. ``shaft_deg`` is of the coupling's shaft.
    """

    steps: int
    drive_teeth: int
    unit_teeth: int
    shaft_deg: Fraction
    crank_deg: Fraction
    error_deg: float  # crank degrees: what this gives minus what was wanted


def _teeth(n: int, m: int) -> int:
    if n < 1 or m < 1:
        raise InputError(
            f"a coupling with {n} and {many(m, 'tooth', 'teeth')} is none: both sides need teeth"
        )
    return math.lcm(n, m)


def _turns(turns_per_crank_turn: Fraction) -> Fraction:
    if turns_per_crank_turn <= 0:
        raise InputError(
            f"a shaft that turns {many(turns_per_crank_turn, 'time')} a crank turn "
            f"cannot be timed: "
            "state a ratio above zero"
        )
    return turns_per_crank_turn


def positions(n: int, m: int) -> int:
    """How many positions a turn a coupling with ``n`` and ``m`` teeth can take: lcm(n, m).

    Raises InputError when a side has no teeth. Source: see the module.
    """
    return _teeth(n, m)


def step_shaft_deg(n: int, m: int) -> Fraction:
    """The smallest step of the coupling in degrees of its own shaft: 360/lcm(n, m).

    Raises InputError when a side has no teeth. Source: see the module.
    """
    return Fraction(360, _teeth(n, m))


def step_crank_deg(n: int, m: int, turns_per_crank_turn: Fraction) -> Fraction:
    """The smallest step in crank degrees; ``turns_per_crank_turn`` is of the coupling's shaft.

    Raises InputError for no teeth or a ratio of zero. Source: see the module.
    """
    return step_shaft_deg(n, m) / _turns(turns_per_crank_turn)


def move(n: int, m: int, steps: int, turns_per_crank_turn: Fraction) -> VernierMove:
    """``steps`` positions as teeth on either side, with the fewest teeth moved.

    From a 360/n - b 360/m = steps 360/lcm(n, m), by trying all a. ``error_deg`` is 0.
    """
    whole = _teeth(n, m)
    on, back = whole // n, whole // m
    ways: list[tuple[int, int, int, int]] = []
    for a in range(-n, n + 1):
        rest = (a * on - steps) % whole
        if rest % back == 0:
            b = rest // back
            ways.extend((abs(a) + abs(c), abs(a), a, c) for c in (b, b - m))
    _, _, a, b = min(ways)
    shaft = Fraction(360 * steps, whole)
    return VernierMove(steps, a, b, shaft, shaft / _turns(turns_per_crank_turn), 0.0)


def nearest(wanted_crank_deg: float, n: int, m: int, turns_per_crank_turn: Fraction) -> VernierMove:
    """The position of the coupling nearest to a wanted shift, in crank degrees, positive earlier.

    ``turns_per_crank_turn`` is of the coupling's own shaft. Raises InputError for no teeth or a
    ratio of zero. Source: see the module.
    """
    step = step_crank_deg(n, m, turns_per_crank_turn)
    found = move(n, m, round(wanted_crank_deg / float(step)), turns_per_crank_turn)
    return VernierMove(
        found.steps,
        found.drive_teeth,
        found.unit_teeth,
        found.shaft_deg,
        found.crank_deg,
        float(found.crank_deg) - wanted_crank_deg,
    )


def crank_deg(shaft_deg: float, turns_per_crank_turn: Fraction) -> float:
    """Degrees of a shaft as degrees of crank: divided by the shaft's turns per crank turn.

    Raises InputError for a ratio of zero. Source: definition of the ratio.
    """
    return float(shaft_deg / float(_turns(turns_per_crank_turn)))


def shaft_deg(angle_crank_deg: float, turns_per_crank_turn: Fraction) -> float:
    """Degrees of crank as degrees of a shaft (unit, propeller): times its turns per crank turn.

    Raises InputError for a ratio of zero. Source: AC 43.13-1B ch. 8 para 8-20, geared propeller
    (from memory).
    """
    return float(angle_crank_deg * float(_turns(turns_per_crank_turn)))
