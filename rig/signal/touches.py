"""Touches of a positive stop, found from the motion of the crank.

With a stop in the way the crank goes forward until it is blocked, then back until it is blocked on
the other side. A touch is a place where the crank was held against the stop: the movement went
there, stayed, and went back by at least ``LEAST_WAY_DEG``. Its place is the median of where the
crank was, over the time that it stayed within ``NEAR_DEG`` of the farthest point: a single rebound
or a hard push weighs no more than the time it lasted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rig.signal.settings import Settings

LEAST_WAY_DEG = 20.0
"""From stop to stop the crank swings through hundreds of degrees; a hand trembles by one or two."""
TREMBLE_DEG = 2.0
NEAR_DEG = 1.0
LEAST_HOLD_S = 0.25
"""A touch that was left sooner was a turn in the air, or a knock."""
UNSTEADY_DEG = 0.2
"""Middle half of the places while held: wider than this, the touch was not steady (common practice,
no source). With a coarse encoder a hand that stands on the edge of a count is still steady."""
UNSTEADY_COUNTS = 1.5


@dataclass(frozen=True, slots=True)
class Touch:
    """One touch. ``at`` is its place in counts (the middle of a count stands for it)."""

    t_us: float
    side: Literal[1, -1]  # +1: reached turning in the normal direction, before the blocked arc
    at: float
    held_s: float
    unrest_deg: float  # width of the middle half of the places while held
    steady: bool  # held long enough, at one place


def find_touches(positions: NDArray[np.void], settings: Settings) -> list[Touch]:
    """Touches in ``positions`` (dtype ``POSITION``, shape (n,), in order of time).

    The movement must have left the stop again: a touch that is still going on is not given.
    """
    if len(positions) < 3:
        return []
    from scipy.signal import find_peaks

    place = (positions["count"] + 0.5) * settings.direction
    far = positions["high" if settings.direction > 0 else "low"] + 0.5
    back = positions["low" if settings.direction > 0 else "high"] + 0.5
    least = LEAST_WAY_DEG / settings.count_deg
    touches = []
    for side, reach in ((1, far * settings.direction), (-1, -back * settings.direction)):
        peaks = _apart(find_peaks(reach, prominence=least)[0].tolist(), reach, least)
        touches += [_touch(positions["t_us"], place, peak, side, settings) for peak in peaks]
    return sorted(touches, key=lambda touch: touch.t_us)


@dataclass(frozen=True, slots=True)
class ShortWay:
    """A place where the crank was held and left as at a stop, but come to over too short a way."""

    t_us: float
    side: Literal[1, -1]
    way_deg: float


def find_short_way(positions: NDArray[np.void], settings: Settings) -> ShortWay | None:
    """The last place in ``positions`` that is no touch for want of a way to it alone, if any.

    Nothing tells it from a hand that rested in the open, so it is said and not taken.
    """
    if len(positions) < 3:
        return None
    from scipy.signal import find_peaks

    count_deg, way = settings.count_deg, settings.direction
    place = (positions["count"] + 0.5) * way
    found = []
    for side in (1, -1):
        reach = positions["high" if side * way > 0 else "low"] * float(side * way)
        peaks, beside = find_peaks(reach, prominence=TREMBLE_DEG / count_deg)
        rises = (reach[peaks] - reach[beside["left_bases"]]) * count_deg
        falls = (reach[peaks] - reach[beside["right_bases"]]) * count_deg
        for peak, rise, fall in zip(peaks.tolist(), rises, falls, strict=True):
            if rise < LEAST_WAY_DEG <= fall:
                touch = _touch(positions["t_us"], place, peak, side, settings)
                if touch.held_s >= LEAST_HOLD_S:
                    found.append(ShortWay(touch.t_us, touch.side, float(rise)))
    return max(found, key=lambda short: short.t_us, default=None)


def _apart(peaks: list[int], reach: NDArray[np.float64], least: float) -> list[int]:
    """One peak for each time that the stop was met: a hand that sways against it makes many of
    one height, and they are one touch until the crank has gone back by ``least``."""
    kept: list[int] = []
    for peak in peaks:
        if kept and reach[kept[-1] : peak].min() > max(reach[kept[-1]], reach[peak]) - least:
            kept[-1] = max(kept[-1], peak, key=lambda at: float(reach[at]))
        else:
            kept.append(peak)
    return kept


def _touch(
    t_us: NDArray[np.float64],
    place: NDArray[np.float64],
    peak: int,
    side: int,
    settings: Settings,
) -> Touch:
    near = NEAR_DEG / settings.count_deg
    away = np.abs(place - place[peak]) > near
    before = np.flatnonzero(away[:peak])
    after = np.flatnonzero(away[peak:])
    first = int(before[-1]) + 1 if len(before) else 0
    last = peak + int(after[0]) if len(after) else len(place) - 1
    # Each place holds until the next record.
    times = t_us[first : last + 1]
    stay = np.diff(times)
    where = place[first:last] if last > first else place[peak : peak + 1]
    weight = stay if last > first else np.ones(1)
    low, middle, high = _quantiles(where, weight, (0.25, 0.5, 0.75))
    held_s, unrest_deg = float(weight.sum()) / 1e6, (high - low) * settings.count_deg
    limit_deg = max(UNSTEADY_DEG, UNSTEADY_COUNTS * settings.count_deg)
    return Touch(
        float(t_us[peak]),
        1 if side > 0 else -1,
        middle * settings.direction,
        held_s,
        unrest_deg,
        held_s >= LEAST_HOLD_S and unrest_deg <= limit_deg,
    )


def _quantiles(
    values: NDArray[np.float64], weights: NDArray[np.float64], at: tuple[float, ...]
) -> list[float]:
    """Quantiles of ``values`` weighed by time, shapes (n,) and (n,)."""
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weights[order]) / weights.sum()
    return [float(values[order][np.searchsorted(share, p)]) for p in at]
