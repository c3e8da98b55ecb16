"""When an opening that drifts would leave its window: the day, how early that may be, the words."""

from __future__ import annotations

from datetime import datetime, timedelta

from rig.engine import stated
from rig.record.drift import DAYS_A_YEAR, FURTHEST_YEARS, Line
from rig.timing.circular import wrap


def drift_words(line: Line) -> str:
    """The slope with its uncertainty."""
    slope, U = line.per_year_deg, line.U_per_year_deg
    way = "earlier" if slope > 0 else "later"
    return f"{stated.size(slope, U)}° a year {way}, ± {stated.two_figures(U)}°{line.few}"


def outlook(
    line: Line, last: datetime, earliest_btdc: float | None, latest_btdc: float | None
) -> tuple[str | None, str | None, str]:
    """The day when the line would leave the window, the earliest such day, and the sentence.

    ``last`` is when the line's last point was measured. A day is None when it would not leave, when
    that is further off than FURTHEST_YEARS, or when no drift can be told.
    """
    slope = line.per_year_deg
    drift = drift_words(line)
    if not line.told_apart:
        return None, None, f"no drift can be told: {drift}"
    limit = earliest_btdc if slope > 0 else latest_btdc
    if limit is None:
        return None, None, f"{drift}; no window is stated"
    limit = line.last_btdc + wrap(limit - line.last_btdc)
    years = (limit - line.last_btdc) / slope
    if years <= 0.0:
        return None, None, f"{drift}; it has left the window already"
    soonest = line.soonest(limit)
    if soonest is None:
        words = f"{drift}; the window lasts for more than {FURTHEST_YEARS:.0f} years"
        return None, None, words
    first = last + timedelta(days=soonest * DAYS_A_YEAR)
    early = f"as early as {first:%Y-%m}" if soonest else "and may be outside already"
    if years > FURTHEST_YEARS:
        words = f"{drift}; would leave the window in more than {FURTHEST_YEARS:.0f} years, {early}"
        return None, f"{first:%Y-%m-%d}", words
    leaves = last + timedelta(days=years * DAYS_A_YEAR)
    words = f"{drift}; would leave the window about {leaves:%Y-%m}, {early}"
    return f"{leaves:%Y-%m-%d}", f"{first:%Y-%m-%d}", words
