"""An impulse coupling recognised in the readings, and kept apart from the running figure.

Turned slowly, the coupling holds the rotor back and lets it leap when the crank has passed on: the
contacts open late, by about the same amount each time, and since they closed where they always do
they had been closed for as much longer. A magnet that pulls its rotor on through the play does the
opposite: early by up to the play, closed for less. A unit that was moved on its flange opens late
as well, but it closes late too, so that its closed angle stays as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median, stdev

from rig.base.angles import wrap
from rig.engine.profile import Profile, Setting, Unit
from rig.timing.readings import nominal_btdc
from rig.timing.uncertainty_budget import counted
from rig.timing.values import PHASES, Reading

LEAST_LAG_DEG = 5.0
"""A lag below this, in crank degrees, is no impulse coupling (published lags are several times as
much; the limit itself: common practice, no source)."""

LEAST_LAG_ALONE_DEG = 10.0
"""The same where there are no running readings, so that the lag is counted from the nominal figure
and a unit that is merely set late has to be left alone."""

SAME_AGAIN = 0.25
"""Lags and closed angles repeat to this part of the lag: "about the same amount"."""

AGAIN_AND_AGAIN = 2
"""One late opening is an accident; from this many on it is a pattern."""

GAP_OF_LAG = 0.5
"""Between the coupling's openings and the running ones nothing stands for this part of the lag."""

PLAY_MARGIN = 1.5
"""A lag has to exceed the measured play by this factor, or the magnet might have made it."""


@dataclass(frozen=True, slots=True)
class ImpulseLag:
    """What the coupling of one unit in one setting does, in crank degrees.

    ``lag_deg`` is how much later than the running ones (their median) it opens, the mean over
    ``n`` openings, and ``sd_deg`` its spread. ``running`` is how many running readings that is
    counted from; with none it is counted from the nominal figure. ``expected`` is false where the
    engine file states that there is no coupling or that it is disabled: then the snap is a finding.
    """

    unit: str
    setting: str
    phase: str
    n: int
    lag_deg: float
    sd_deg: float
    running: int
    expected: bool


def separate_impulse_trips(readings: Sequence[Reading], profile: Profile) -> list[Reading]:
    """The same readings in the same order, those made by an impulse coupling of kind "impulse".

    Looks at the counted readings of each unit, setting and phase but for "set" ones. Every call
    starts anew, so that later readings may change the answer. Where the coupling is stated as
    "impulse" no running readings are needed: openings late by the same amount are the coupling's.
    """
    return _recognised(readings, profile)[0]


def impulse_lags(readings: Sequence[Reading], profile: Profile) -> list[ImpulseLag]:
    """The lag of each coupling recognised in ``readings``, in the order of units and settings."""
    return _recognised(readings, profile)[1]


def _recognised(
    readings: Sequence[Reading], profile: Profile
) -> tuple[list[Reading], list[ImpulseLag]]:
    sorted_out = [replace(r, kind="turned") if r.kind == "impulse" else r for r in readings]
    lags = []
    for unit in profile.units:
        for setting in unit.settings:
            for phase in PHASES:
                chosen, lag = _recognise(_members(sorted_out, unit, setting, phase), unit, setting)
                for i in chosen:
                    sorted_out[i] = replace(sorted_out[i], kind="impulse")
                if lag is not None:
                    lags.append(lag)
    return sorted_out, lags


def _members(
    readings: Sequence[Reading], unit: Unit, setting: Setting, phase: str
) -> dict[int, Reading]:
    wanted = (unit.name, setting.name, phase, "turned")
    return {
        i: r
        for i, r in enumerate(readings)
        if (r.unit, r.setting, r.phase, r.kind) == wanted and counted([r])
    }


def _recognise(
    group: dict[int, Reading], unit: Unit, setting: Setting
) -> tuple[list[int], ImpulseLag | None]:
    """Split the readings by lateness at the widest gap that leaves the pattern of a coupling."""
    late_by = {
        i: wrap(nominal_btdc(unit, setting, r.cylinder) - r.btdc_deg)
        for i, r in group.items()
        if r.btdc_deg is not None
    }
    order = sorted(late_by, key=late_by.__getitem__)
    gap = {cut: late_by[order[cut]] - late_by[order[cut - 1]] for cut in range(1, len(order))}
    wide = (cut for cut in gap if gap[cut] >= GAP_OF_LAG * LEAST_LAG_DEG)
    cuts = sorted(wide, key=gap.__getitem__, reverse=True)
    for cut in [*cuts, 0]:
        running, late = order[:cut], order[cut:]
        if len(late) < AGAIN_AND_AGAIN:
            continue
        base = median(late_by[i] for i in running) if running else 0.0
        lags = [late_by[i] - base for i in late]
        lag, sd = fmean(lags), stdev(lags)
        apart = not running or gap[cut] >= GAP_OF_LAG * lag
        if (
            lag >= _least_lag(unit, bool(running))
            and sd <= SAME_AGAIN * lag
            and apart
            and _borne_out(group, running, late, lag, unit)
        ):
            expected = unit.coupling == "impulse"
            phase = group[late[0]].phase
            return late, ImpulseLag(
                unit.name, setting.name, phase, len(late), lag, sd, len(running), expected
            )
    return [], None


def _least_lag(unit: Unit, running: bool) -> float:
    least = LEAST_LAG_DEG if running else LEAST_LAG_ALONE_DEG
    return max(least, PLAY_MARGIN * (unit.play_deg or 0.0))


def _borne_out(
    group: dict[int, Reading], running: list[int], late: list[int], lag_deg: float, unit: Unit
) -> bool:
    """Whether the contacts had been closed for longer by the lag; else the file has to state it."""
    before = [c for i in running if (c := group[i].closed_deg) is not None]
    after = [c for i in late if (c := group[i].closed_deg) is not None]
    if not (before and after):
        return unit.coupling == "impulse"
    if len(running) < AGAIN_AND_AGAIN and unit.coupling != "impulse":
        return False
    return abs(median(after) - median(before) - lag_deg) <= SAME_AGAIN * lag_deg
