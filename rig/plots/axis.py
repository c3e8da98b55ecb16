"""The axis of openings on the screen, on the certificate's page and on paper: earlier at the left.

The crank comes to an earlier opening first. Angles are degrees BTDC.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

MOST_DEG = 720.0
"""No opening lies further from TDC than a whole cycle; such an angle is not drawn."""
MOST_TICKS = 6


@dataclass(frozen=True, slots=True)
class Axis:
    """The angles that a drawing reaches over; ``early_btdc`` is the larger one."""

    early_btdc: float
    late_btdc: float

    def share(self, btdc_deg: float) -> float:
        """Place of an angle: 0 at the early end, 1 at the late one; beyond an end, the end."""
        share = (self.early_btdc - btdc_deg) / (self.early_btdc - self.late_btdc)
        return min(1.0, max(0.0, share))

    def beyond(self, btdc_deg: float) -> int:
        """+1 when earlier than the axis shows, -1 when later, else 0."""
        return (btdc_deg > self.early_btdc) - (btdc_deg < self.late_btdc)

    def ticks(self) -> list[float]:
        """Round angles on the axis, two to seven of them, late to early."""
        reach_deg = self.early_btdc - self.late_btdc
        power = 10.0 ** math.floor(math.log10(reach_deg / MOST_TICKS))
        step = next(k * power for k in (1, 2, 5, 10) if reach_deg / (k * power) <= MOST_TICKS)
        first, last = math.ceil(self.late_btdc / step), math.floor(self.early_btdc / step)
        return [k * step for k in range(first, last + 1)]


def reach(angles: Iterable[float], margin: float = 0.07) -> tuple[float, float]:
    """Early and late end of an axis that holds all ``angles``; at least 1 degree apart.

    ``margin`` is the share of their range that is left free on either side.
    """
    finite = [each for each in angles if abs(each) <= MOST_DEG]
    if not finite:
        return 0.5, -0.5
    low, high = min(finite), max(finite)
    free = max(margin * (high - low), 0.5 - (high - low) / 2.0)
    return high + free, low - free
