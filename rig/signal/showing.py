"""What the crank does just now, from the newest positions: for showing, never for a reading."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rig.signal.events import Now
from rig.signal.runup import RunUp
from rig.signal.settings import Settings
from rig.signal.track import Track
from rig.wire.records import POSITION

SPEED_OVER_US = 150_000.0
"""Speed is shown over this long: shorter, it flickers with the counts."""
STILL_DEG_S = 0.5


class Showing:
    """Keeps the last few positions."""

    def __init__(self) -> None:
        self._recent: NDArray[np.void] = np.empty(0, POSITION)

    def take(self, positions: NDArray[np.void]) -> None:
        """Newer positions, dtype ``POSITION``, shape (n,)."""
        recent = np.concatenate((self._recent, positions[-64:]), dtype=POSITION)
        since = recent["t_us"][-1] - SPEED_OVER_US
        first = max(int(np.searchsorted(recent["t_us"], since)) - 1, 0)
        self._recent = recent[first:]

    def now(self, latest: np.void, track: Track, run_up: RunUp, settings: Settings) -> Now:
        """The crank at ``latest``."""
        at = int(latest["count"]) + 0.5
        signed = at * settings.direction
        first = self._recent[0]
        passed_us = float(latest["t_us"] - first["t_us"])
        moved = (int(latest["count"]) - int(first["count"])) * settings.direction
        speed = moved * settings.count_deg / passed_us * 1e6 if passed_us > 0 else 0.0
        direction: Literal[1, 0, -1] = 0 if abs(speed) < STILL_DEG_S else 1 if speed > 0 else -1
        run, passed = run_up.judge(signed)
        run_deg = run * settings.count_deg
        angle = None if track.lost else track.crank_deg(at)
        reasons = (
            (direction < 0, "the crank goes backwards"),
            (angle is None, track.lost or "the index has not passed yet"),
            (not passed, "not yet past the furthest point"),
            (run_deg < settings.run_up_deg, "run-up is not long enough yet"),
        )
        why = next((text for holds, text in reasons if holds), "")
        return Now(float(latest["t_us"]), angle, direction, speed, run_deg, not why, why)
