"""Touches of a stop from one side: their mean, their spread, and what is odd about them."""

from __future__ import annotations

import cmath
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from rig.engine.firing import wrap_btdc
from rig.engine.uncertainty import mean_and_sd
from rig.faults import InputError

STEADY_DEG = 0.3
"""A touch this far from the others is named (common practice, no source)."""

FEWEST = 3
"""Touches a side below which their spread says little (common practice, no source)."""

NO_STOP_DEG = 3.0
LEAST_ARC_DEG = 10.0  # a piston that near its top hardly moves the crank's touch
MOST_ARC_DEG = 160.0


@dataclass(frozen=True, slots=True)
class Side:
    """Touches reached from one side. ``away_deg`` is each one's distance from the mean."""

    words: str  # "turning forward" or "turning back"
    mean_deg: float
    sd_deg: float  # 0 for a single touch
    away_deg: tuple[float, ...]

    @property
    def n(self) -> int:
        """How many touches there are."""
        return len(self.away_deg)

    @property
    def spread_deg(self) -> float:
        """From the first touch to the last along the circle."""
        return max(self.away_deg) - min(self.away_deg)


def side_of(touches_deg: Sequence[float], words: str) -> Side:
    """Mean and standard deviation of touches, on any turn and across zero.

    The touches are unrolled about their circular mean and treated as straight from there (Mardia
    and Jupp, Directional Statistics). Raises InputError without a touch, for one that is no number,
    and for touches all round the circle.
    """
    if len(touches_deg) == 0:
        raise InputError(
            f"there is no touch {words}; top dead centre is half-way between touches from both "
            "sides, so touch the stop both ways"
        )
    for number, touch in enumerate(touches_deg, 1):
        if not math.isfinite(touch):
            raise InputError(f"touch {number} {words} has no angle; touch again")
    resultant = sum(cmath.rect(1.0, math.radians(each % 360.0)) for each in touches_deg)
    if abs(resultant) / len(touches_deg) < 0.5:
        raise InputError(
            f"the touches {words} lie all round the circle; they are not of one stop. Begin anew"
        )
    around = math.degrees(cmath.phase(resultant))
    unrolled = [wrap_btdc(each - around) for each in touches_deg]
    mean, sd = mean_and_sd(unrolled)
    return Side(words, around + mean, sd or 0.0, tuple(each - mean for each in unrolled))


def side_warnings(side: Side, limit_deg: float) -> list[str]:
    """Too few touches, or one that lies further than ``limit_deg`` from the others."""
    warnings = []
    if side.n < FEWEST:
        times = "once" if side.n == 1 else "twice"
        warnings.append(
            f"the stop was touched only {times} {side.words}; {FEWEST} touches or more show how "
            "steady they are"
        )
    if side.n == 2 and side.spread_deg > limit_deg:
        warnings.append(
            f"the 2 touches {side.words} differ by {side.spread_deg:.2f}°; touch again, gently"
        )
    if side.n > 2:
        middle = statistics.median(side.away_deg)
        away = [abs(each - middle) for each in side.away_deg]
        number = away.index(max(away))
        if away[number] > limit_deg:
            warnings.append(
                f"touch {number + 1} {side.words} lies {away[number]:.2f}° from the middle of the "
                "others; leave it out and touch again, gently"
            )
    return warnings


def arc_warnings(arc_deg: float) -> list[str]:
    """What is odd about the arc that the stop seems to block."""
    if arc_deg < NO_STOP_DEG or arc_deg > 360.0 - NO_STOP_DEG:
        return ["the touches from both sides are at the same place; is there a stop at all?"]
    if arc_deg > 180.0:
        return [
            f"the stop seems to block {arc_deg:.0f}°, more than half a turn; touches turning "
            "forward and turning back may be exchanged, or the encoder's direction is wrong"
        ]
    if arc_deg < LEAST_ARC_DEG:
        return [
            f"the stop blocks only {arc_deg:.1f}°; so near its top the piston hardly moves, and "
            "the touches are poor. Let the stop reach further down"
        ]
    if arc_deg > MOST_ARC_DEG:
        return [f"the stop blocks {arc_deg:.0f}°; does it meet the piston, or something else?"]
    return []
