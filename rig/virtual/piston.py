"""The piston over the crank, and a stop in the plug hole: where does the crank touch it?

Found by bisection on the exact height, so that it shares no formula with the program it tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, cos, degrees, radians, sin, sqrt


@dataclass(frozen=True, slots=True)
class Piston:
    """A slider-crank, millimetres. ``offset_mm`` is signed: positive on the side to which the crank
    pin moves as it leaves the top in the normal direction. ``slack_mm`` is the clearance in the
    bearings: a piston that is being pulled down stands that much higher.
    """

    throw_mm: float
    rod_mm: float
    offset_mm: float = 0.0
    slack_mm: float = 0.0

    def height_mm(self, from_bore_deg: float) -> float:
        """Piston pin above the crank's axis; the angle is counted from the bore's direction.

        Source: Pythagoras on crank and rod.
        """
        angle = radians(from_bore_deg)
        across = self.throw_mm * sin(angle) - self.offset_mm
        return self.throw_mm * cos(angle) + sqrt(self.rod_mm**2 - across**2)

    @property
    def top_deg(self) -> float:
        """Top dead centre, from the bore's direction: crank and rod in one line."""
        return degrees(asin(self.offset_mm / (self.throw_mm + self.rod_mm)))

    def travel_mm(self, after_top_deg: float) -> float:
        """Travel below the top at an angle after top dead centre."""
        return self.height_mm(self.top_deg) - self.height_mm(self.top_deg + after_top_deg)

    def touch_deg(self, travel_mm: float, way: int) -> float:
        """Angle after top dead centre at which the piston meets a stop, turning ``way`` (+1, -1).

        Negative when turning forward (before the top). Raises ValueError for a travel beyond the
        stroke.
        """
        if not 0.0 < travel_mm < self.travel_mm(175.0):
            raise ValueError(f"the piston does not pass {travel_mm} mm below its top")
        near, far = 0.0, -175.0 * way
        for _ in range(60):
            middle = 0.5 * (near + far)
            if self.travel_mm(middle) < travel_mm:
                near = middle
            else:
                far = middle
        return 0.5 * (near + far)
