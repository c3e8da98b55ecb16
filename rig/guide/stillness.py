"""How still the crank is held, and which way it was last turned."""

from __future__ import annotations

import math
from collections import deque

LOOK_BACK_US = 1_000_000.0
TURNED_DEG = 0.5
"""A movement of this much is one of turning; a hand at rest trembles by less (common practice, no
source)."""


class StallWatch:
    """The crank over the last second, and its last movement. Crank degrees, growing forward."""

    def __init__(self) -> None:
        self._recent: deque[tuple[float, float]] = deque()
        self._end = math.nan  # furthest point of the movement that goes on
        self.way = 0  # in which it was turned last: 1 forward, -1 back, 0 not seen

    def see(self, t_us: float, crank_deg: float) -> None:
        """The crank at another instant."""
        if self._recent and t_us < self._recent[-1][0]:  # the rig restarted
            self._recent.clear()
        self._recent.append((t_us, crank_deg))
        while self._recent[0][0] < t_us - LOOK_BACK_US:
            self._recent.popleft()
        past = 0.0 if math.isnan(self._end) else crank_deg - self._end
        if past * self.way > 0.0 or abs(past) >= TURNED_DEG:
            self._end, self.way = crank_deg, 1 if past > 0.0 else -1
        elif math.isnan(self._end):
            self._end = crank_deg

    def moved_deg(self, seconds: float = 1.0) -> float:
        """Highest less lowest over so many seconds up to now, at most one; 0 before anything."""
        angles = self._since(seconds)
        return max(angles) - min(angles) if angles else 0.0

    def mean_deg(self, seconds: float) -> float | None:
        """Mean of the angle over so many seconds up to now; None before anything."""
        angles = self._since(seconds)
        return math.fsum(angles) / len(angles) if angles else None

    def began_us(self) -> float:
        """Since when the crank has gone the way that it goes now, at most a second; 0 before
        anything was seen."""
        looks = list(self._recent)
        began, way = looks[-1] if looks else (0.0, 0.0), 0.0
        for look in reversed(looks[:-1]):
            step = began[1] - look[1]
            if way and step * way <= 0.0:
                break
            way, began = way or step, look
        return began[0]

    def _since(self, seconds: float) -> list[float]:
        from_us = self._recent[-1][0] - seconds * 1e6 if self._recent else 0.0
        return [angle for t_us, angle in self._recent if t_us >= from_us]
