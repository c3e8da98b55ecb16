"""As found, being set, as left: which of them a reading is of.

As found is what was read before a unit was first moved, as left what was read since everything was
tightened. What lies between, and what is read of a unit that was moved after the tightening,
belongs to neither: the unit was being set. A move before anything was read of it parts nothing.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence

from rig.session.since import Since
from rig.timing.results import BEING_SET, Phase


def phase_of(
    t_us: float, stated: Since[Phase], moved_us: Sequence[float], read_us: Sequence[float]
) -> Phase:
    """The phase of a reading at ``t_us``, by what the person ``stated``.

    ``moved_us`` are the times at which its unit was moved, ``read_us`` those of its counted
    readings, in order.
    """
    phase, since_us = stated.at(t_us), stated.began(t_us)
    if phase == "as found":
        since_us = -math.inf
    parted = [m for m in moved_us if _any_between(read_us, since_us, m)]
    if any(since_us < m <= t_us for m in parted):
        return BEING_SET
    # Moved and tightened again: it was not left so.
    if phase == "as left" and any(t_us < m < stated.last_us for m in parted):
        return BEING_SET
    return phase


def _any_between(times_us: Sequence[float], after_us: float, before_us: float) -> bool:
    nth = bisect.bisect_right(times_us, after_us)
    return nth < len(times_us) and times_us[nth] < before_us
