"""An impulse coupling recognised from the readings, and kept apart from the running mean.

Turned slowly, the coupling holds the rotor back and trips when the crank has moved on. The contacts
open late by about the same amount each time; as they closed where they always do, they were closed
for as much longer. A magnet that pulls its rotor through the backlash does the opposite: early by
up to the backlash, closed for less. A unit that was moved on its flange opens late too, but also
closes late, so its closed angle is unchanged.

Where the engine file has a coupling, the way of turning decides: turned straight on, the coupling
catches and every opening is a trip. A running reading comes after a trip, when the crank is turned
back past the opening without catching again, and then forward (US Army TM 1-1500-204-23-1, magneto
timing). This needs no knowledge of where the unit opens, so a trip is never taken for a running
reading of a unit that is set wrong.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median, stdev

from rig.base.angles import wrap
from rig.base.earlier_rules import EarlierRule, Rules
from rig.engine.profile import Profile, Setting, Unit
from rig.signal.events import Reason
from rig.timing.means import valid_readings
from rig.timing.readings import nominal_btdc
from rig.timing.values import PHASES, Phase, Reading

# A smaller lag, in crank degrees, is no impulse coupling (published lags are several times as
# large; the limit itself: common practice, no source).
LEAST_LAG_DEG = 5.0
# Lags and closed angles repeat to this fraction of the lag: "about the same amount".
SAME_AGAIN = 0.25
AGAIN_AND_AGAIN = 2  # one late opening is an accident; this many are a pattern
# Openings of one lobe, all running or all trips, are closer than this (common practice, no source).
SAME_PLACE_DEG = 2.5
GAP_OF_LAG = 0.5  # no opening lies within this fraction of the lag between tripped and running ones
# A trip opens at the release or later, by what the crank turns during the leap: never earlier than
# the earliest trip by more than this (common practice, no source).
EARLIER_DEG = 1.0
TRIES = 4  # in a row at the release, turned back and forward in between: none is surely running
# A lag must exceed the measured backlash by this factor, or the magnet may have caused it.
BACKLASH_MARGIN = 1.5


@dataclass(frozen=True, slots=True)
class ImpulseLag:
    """The lag of one unit's coupling in one setting, in crank degrees.

    ``lag_deg`` is how much later than the median of the running ones it opens, the mean over ``n``
    openings; ``sd_deg`` is its SD. ``running`` is the number of running readings; with none the lag
    is counted from the nominal. ``expected`` is false if the engine file has no coupling, or a
    disabled one: then the trip is a finding.
    """

    unit: str
    setting: str
    phase: Phase
    n: int
    lag_deg: float
    sd_deg: float
    running: int
    expected: bool


NO_TRIP = frozenset(
    {
        Reason.CRANK_STILL,
        Reason.JUST_CLOSED,
        Reason.LINES_LOST,
        Reason.LINE_CUT,
        Reason.UNSEEN,
        Reason.NOT_COVERED,
        Reason.ENCODER_JUMPED,
    }
)
"""An opening that was rejected for these may be no trip, or one elsewhere: turned back past its
place, the crank has not passed a trip."""

LateBy = dict[int, float]
"""How much later than nominal, degrees of crank, by index of the reading."""


@dataclass(frozen=True, slots=True)
class Release:
    """Where a coupling releases, degrees BTDC: as its trips with the lever elsewhere showed in the
    same phase, else ``middle`` as entered. None where it is not known."""

    middle: float | None = None
    earliest: float | None = None

    def was_before(self, btdc_deg: float) -> bool:
        """Whether an opening is surely after the release: it runs however it was turned."""
        return self.middle is not None and wrap(self.middle - btdc_deg) > SAME_PLACE_DEG

    def comes_after(self, btdc_deg: float) -> bool:
        """Whether an opening is surely before the release, where a rotor that is held back cannot
        open its contacts: it runs."""
        return self.earliest is not None and wrap(btdc_deg - self.earliest) > EARLIER_DEG


def separate_impulse_trips(
    readings: Sequence[Reading],
    profile: Profile,
    begins: Collection[int] = (),
    rules: Rules = (),
) -> list[Reading]:
    """The same readings in the same order, with the trips of an impulse coupling of kind "impulse".

    Considers the valid readings of each unit, setting and phase except "set" ones. Every call
    starts from the beginning, as later readings may change the answer. If the engine file has a
    coupling, the way of turning decides (see the module), else the pattern of the readings. At the
    indices ``begins`` another capture or a restart of the rig begins: how the crank was turned
    before that is not known. ``rules``: the earlier ones that are in force.
    """
    found = [replace(r, kind="turned") if r.kind == "impulse" else r for r in readings]
    turned = {u.name: _AsTurned(found, u, begins) for u in profile.units if u.coupling == "impulse"}
    for unit, setting, phase, late_by in list(_late_by(found, profile)):
        if unit.name in turned:
            release = turned[unit.name].release(unit, setting.name, phase)
            if EarlierRule.TRIP_BEFORE_RELEASE in rules:
                release = replace(release, earliest=None)
            trips = turned[unit.name].trips(found, late_by, release)
        else:
            trips = _pattern(found, late_by, unit)
        for i in trips:
            found[i] = replace(found[i], kind="impulse")
    return found


def impulse_lags(readings: Sequence[Reading], profile: Profile) -> list[ImpulseLag]:
    """The lag of each coupling whose trips are among ``readings``, in the order of units and
    settings; trips are separated already."""
    found = []
    for unit, setting, phase, late_by in _late_by(readings, profile):
        trips = [late for i, late in late_by.items() if readings[i].kind == "impulse"]
        running = [late for i, late in late_by.items() if readings[i].kind == "turned"]
        if not trips:
            continue
        base = median(running) if running else 0.0
        lags = [late - base for late in trips]
        sd = stdev(lags) if len(lags) > 1 else 0.0
        expected = unit.coupling == "impulse"
        found.append(
            ImpulseLag(
                unit.name, setting.name, phase, len(trips), fmean(lags), sd, len(running), expected
            )
        )
    return found


def _late_by(
    readings: Sequence[Reading], profile: Profile
) -> Iterator[tuple[Unit, Setting, Phase, LateBy]]:
    """The valid readings of each unit, setting and phase that were turned, trips included."""
    groups: dict[tuple[str, str, Phase], list[int]] = {}
    for i, r in enumerate(readings):
        if r.kind != "set" and valid_readings([r]):
            groups.setdefault((r.unit, r.setting, r.phase), []).append(i)
    for unit in profile.units:
        for setting in unit.settings:
            for phase in PHASES:
                own = [(i, readings[i]) for i in groups.get((unit.name, setting.name, phase), ())]
                yield (
                    unit,
                    setting,
                    phase,
                    {
                        i: wrap(nominal_btdc(unit, setting, r.cylinder) - (r.btdc_deg or 0.0))
                        for i, r in own
                    },
                )


class _AsTurned:
    """What the way of turning shows about the openings of ``unit``: the indices of those read past
    the coupling, and where it tripped, by phase (setting, degrees BTDC)."""

    def __init__(self, readings: Sequence[Reading], unit: Unit, begins: Collection[int]) -> None:
        self.running: set[int] = set()
        self._released: list[Reading] = []  # trips that a running reading followed
        apart_deg = 360.0 / float(unit.turns_per_crank_turn * unit.lobes)
        before: Reading | None = None
        ran = False
        set_deg: float | None = None  # where it was set since, the coupling released
        for i, now in enumerate(readings):
            if i in begins:
                before = set_deg = None
            if now.unit != unit.name or now.crank_deg is None:
                continue
            if now.kind != "set" and now.rejection and now.rejection.reason in NO_TRIP:
                before, ran = None, False
                continue
            past = (
                before is not None
                and before.crank_deg is not None
                and past_coupling(
                    before.crank_deg, ran, now.crank_deg, apart_deg, now.kind == "set"
                )
            )
            if now.kind == "set":
                set_deg = now.crank_deg if past else None
                continue
            last, ran_before = before, ran
            ran = past or (set_deg is not None and abs(now.crank_deg - set_deg) <= SAME_PLACE_DEG)
            before, set_deg = now, None
            if not ran or last is None:
                continue
            self.running.add(i)
            if not ran_before and last.phase == now.phase:
                self._released.append(last)

    def release(self, unit: Unit, setting: str, phase: str) -> Release:
        """Where it releases, for readings in that setting."""
        there = [r for r in self._released if (r.phase, r.setting != setting) == (phase, True)]
        places = [r.btdc_deg for r in there if r.btdc_deg is not None]
        if not places:
            return Release(unit.release_btdc)
        # A trip of before a move shows where it released then.
        still = [r.btdc_deg for r in there if r.valid and r.btdc_deg is not None]
        return Release(median(places), max(still, default=None))

    def trips(self, readings: Sequence[Reading], late_by: LateBy, release: Release) -> list[int]:
        """Those that are neither proven to run, nor open where the proven ones do, nor, while none
        is proven, apart from the release."""
        proven = [late for i, late in late_by.items() if i in self.running]
        middle = median(proven) if proven else None

        def runs(i: int) -> bool:
            if middle is not None:
                return i in self.running or abs(late_by[i] - middle) <= SAME_PLACE_DEG
            btdc_deg = readings[i].btdc_deg or 0.0
            return release.was_before(btdc_deg) or release.comes_after(btdc_deg)

        return [i for i in late_by if not runs(i)]


def past_coupling(
    before_deg: float, before_ran: bool, now_deg: float, apart_deg: float, moved: bool = False
) -> bool:
    """Whether the crank went back past the opening at ``now_deg`` after the trip before without
    tripping again; or that one was running (``before_ran``) and this is in its place, or the unit
    was ``moved`` there.

    Continuous crank degrees; ``apart_deg`` from one opening of the unit to the next.
    """
    back_deg = before_deg - now_deg
    if before_ran and abs(back_deg) <= (apart_deg / 2.0 if moved else SAME_PLACE_DEG):
        return True
    return LEAST_LAG_DEG <= back_deg <= apart_deg / 2.0


def release_of(
    readings: Sequence[Reading], unit: Unit, setting: str, phase: str, begins: Collection[int] = ()
) -> Release:
    """Where the coupling of ``unit`` releases, for its readings in that setting and phase."""
    return _AsTurned(readings, unit, begins).release(unit, setting, phase)


def tries_at_release(
    readings: Sequence[Reading], unit: Unit, setting: str, phase: str, begins: Collection[int] = ()
) -> int:
    """How often in a row ``unit`` tripped at one place though it was turned back and forward, at
    most; 0 once it has a running reading there, or while it is not known where it releases.

    After ``TRIES`` it opens just where its coupling releases, where a running reading looks like a
    trip. ``readings`` with their trips separated.
    """
    here = [r for r in readings
            if (r.unit, r.setting, r.phase) == (unit.name, setting, phase) and r.valid]  # fmt: skip
    if any(r.kind == "turned" for r in here):
        return 0
    most, in_a_row, before_deg = 0, 0, math.nan
    for at_deg in (r.crank_deg for r in here if r.kind == "impulse" and r.crank_deg is not None):
        in_a_row = in_a_row + 1 if abs(at_deg - before_deg) <= SAME_PLACE_DEG else 1
        most, before_deg = max(most, in_a_row), at_deg
    known = most and release_of(readings, unit, setting, phase, begins).earliest is not None
    return most if known else 0


def _pattern(readings: Sequence[Reading], late_by: LateBy, unit: Unit) -> list[int]:
    """The readings split by lateness at the widest gap that leaves the pattern of a coupling: late
    by about the same, and closed for longer by as much."""
    order = sorted(late_by, key=late_by.__getitem__)
    gap = {cut: late_by[order[cut]] - late_by[order[cut - 1]] for cut in range(1, len(order))}
    wide = (cut for cut in gap if gap[cut] >= GAP_OF_LAG * LEAST_LAG_DEG)
    for cut in sorted(wide, key=gap.__getitem__, reverse=True):
        running, late = order[:cut], order[cut:]
        if min(len(running), len(late)) < AGAIN_AND_AGAIN:
            continue
        base = median(late_by[i] for i in running)
        lags = [late_by[i] - base for i in late]
        lag = fmean(lags)
        closed = [
            [c for i in of if (c := readings[i].closed_deg) is not None] for of in (running, late)
        ]
        if (
            lag >= max(LEAST_LAG_DEG, BACKLASH_MARGIN * (unit.backlash_deg or 0.0))
            and stdev(lags) <= SAME_AGAIN * lag
            and gap[cut] >= GAP_OF_LAG * lag
            and all(closed)
            and abs(median(closed[1]) - median(closed[0]) - lag) <= SAME_AGAIN * lag
        ):
            return late
    return []
