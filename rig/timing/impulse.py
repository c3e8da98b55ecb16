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

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median, stdev

from rig.base.angles import wrap
from rig.engine.profile import Profile, Setting, Unit
from rig.timing.readings import nominal_btdc
from rig.timing.uncertainty_budget import valid_readings
from rig.timing.values import PHASES, Reading

# A smaller lag, in crank degrees, is no impulse coupling (published lags are several times as
# large; the limit itself: common practice, no source).
LEAST_LAG_DEG = 5.0
# Lags and closed angles repeat to this fraction of the lag: "about the same amount".
SAME_AGAIN = 0.25
AGAIN_AND_AGAIN = 2  # one late opening is an accident; this many are a pattern
# Openings of one lobe, all running or all trips, are closer than this (common practice, no source).
SAME_PLACE_DEG = 2.5
GAP_OF_LAG = 0.5  # no opening lies within this fraction of the lag between tripped and running ones
# A lag must exceed the measured backlash by this factor, or the magnet may have caused it.
PLAY_MARGIN = 1.5


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
    phase: str
    n: int
    lag_deg: float
    sd_deg: float
    running: int
    expected: bool


def separate_impulse_trips(
    readings: Sequence[Reading], profile: Profile, begins: Collection[int] = ()
) -> list[Reading]:
    """The same readings in the same order, with the trips of an impulse coupling of kind "impulse".

    Considers the valid readings of each unit, setting and phase except "set" ones. Every call
    starts from the beginning, as later readings may change the answer. If the engine file has a
    coupling, the way of turning decides (see the module), else the pattern of the readings. At the
    indices ``begins`` another capture or a restart of the rig begins: how the crank was turned
    before that is not known.
    """
    return _recognised(readings, profile, begins)[0]


def impulse_lags(
    readings: Sequence[Reading], profile: Profile, begins: Collection[int] = ()
) -> list[ImpulseLag]:
    """The lag of each coupling recognised in ``readings``, in the order of units and settings."""
    return _recognised(readings, profile, begins)[1]


def _recognised(
    readings: Sequence[Reading], profile: Profile, begins: Collection[int]
) -> tuple[list[Reading], list[ImpulseLag]]:
    sorted_out = [replace(r, kind="turned") if r.kind == "impulse" else r for r in readings]
    groups: dict[tuple[str, str, str], dict[int, Reading]] = {}
    for i, r in enumerate(sorted_out):
        if r.kind == "turned" and valid_readings([r]):
            groups.setdefault((r.unit, r.setting, r.phase), {})[i] = r
    lags = []
    for unit in profile.units:
        turned = _as_turned(sorted_out, unit, begins) if unit.coupling == "impulse" else None
        for setting in unit.settings:
            for phase in PHASES:
                group = groups.get((unit.name, setting.name, phase), {})
                if turned is None:
                    chosen, lag = _recognise(group, unit, setting)
                else:
                    chosen, lag = _trips(group, turned, unit, setting, phase)
                for i in chosen:
                    sorted_out[i] = replace(sorted_out[i], kind="impulse")
                if lag is not None:
                    lags.append(lag)
    return sorted_out, lags


@dataclass(frozen=True, slots=True)
class _AsTurned:
    """What the way of turning shows about a unit's openings: the indices of those read past the
    coupling, and where it tripped, by phase (setting, degrees BTDC)."""

    running: frozenset[int]
    released: Mapping[str, tuple[tuple[str, float], ...]]


def _as_turned(readings: Sequence[Reading], unit: Unit, begins: Collection[int]) -> _AsTurned:
    apart_deg = 360.0 / float(unit.turns_per_crank_turn * unit.lobes)
    running: set[int] = set()
    released: dict[str, list[tuple[str, float]]] = {}
    before: Reading | None = None
    ran = False
    set_deg: float | None = None  # where it was set since, the coupling released
    for i, now in enumerate(readings):
        if i in begins:
            before = set_deg = None
        if now.unit != unit.name or now.crank_deg is None:
            continue
        past = (
            before is not None
            and before.crank_deg is not None
            and past_coupling(before.crank_deg, ran, now.crank_deg, apart_deg, now.kind == "set")
        )
        if now.kind == "set":
            set_deg = now.crank_deg if past else None
            continue
        tripped, ran_before = before, ran
        ran = past or (set_deg is not None and abs(now.crank_deg - set_deg) <= SAME_PLACE_DEG)
        before, set_deg = now, None
        if not ran or tripped is None:
            continue
        running.add(i)
        if not ran_before and tripped.phase == now.phase and tripped.btdc_deg is not None:
            released.setdefault(now.phase, []).append((tripped.setting, tripped.btdc_deg))
    places = {phase: tuple(found) for phase, found in released.items()}
    return _AsTurned(frozenset(running), places)


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


def release_btdc(
    readings: Sequence[Reading], unit: Unit, setting: str, phase: str, begins: Collection[int] = ()
) -> float | None:
    """Where the coupling releases, degrees BTDC: as its trips with the lever elsewhere showed in
    this phase, else as entered. None where it is not known."""
    return _release_btdc(_as_turned(readings, unit, begins), unit, setting, phase)


def _release_btdc(turned: _AsTurned, unit: Unit, setting: str, phase: str) -> float | None:
    elsewhere = [btdc for at, btdc in turned.released.get(phase, ()) if at != setting]
    return median(elsewhere) if elsewhere else unit.release_btdc


def opens_after_release(btdc_deg: float, release_btdc: float | None) -> bool:
    """Whether an opening is later than the release, so that it runs however it was turned."""
    return release_btdc is not None and wrap(release_btdc - btdc_deg) > SAME_PLACE_DEG


def _trips(
    group: Mapping[int, Reading], turned: _AsTurned, unit: Unit, setting: Setting, phase: str
) -> tuple[list[int], ImpulseLag | None]:
    """The trips among the readings of a unit with a coupling in the engine file."""
    late_by = _late_by(group, unit, setting)
    proven = [late_by[i] for i in late_by if i in turned.running]
    proven_by = median(proven) if proven else None
    released = _release_btdc(turned, unit, setting.name, phase)

    def is_running(i: int) -> bool:
        if i in turned.running:
            return True
        if proven_by is not None:
            return abs(late_by[i] - proven_by) <= SAME_PLACE_DEG
        btdc_deg = group[i].btdc_deg
        return btdc_deg is not None and opens_after_release(btdc_deg, released)

    trips = [i for i in late_by if not is_running(i)]
    if not trips:
        return [], None
    running = [late_by[i] for i in late_by.keys() - set(trips)]
    lags = [late_by[i] - (median(running) if running else 0.0) for i in trips]
    sd = stdev(lags) if len(lags) > 1 else 0.0
    return trips, ImpulseLag(
        unit.name, setting.name, phase, len(trips), fmean(lags), sd, len(running), expected=True
    )


def _late_by(group: Mapping[int, Reading], unit: Unit, setting: Setting) -> dict[int, float]:
    """How much later than nominal, by index; degrees of crank."""
    return {
        i: wrap(nominal_btdc(unit, setting, r.cylinder) - r.btdc_deg)
        for i, r in group.items()
        if r.btdc_deg is not None
    }


def _recognise(
    group: dict[int, Reading], unit: Unit, setting: Setting
) -> tuple[list[int], ImpulseLag | None]:
    """Split the readings by lateness at the widest gap that leaves the pattern of a coupling."""
    late_by = _late_by(group, unit, setting)
    order = sorted(late_by, key=late_by.__getitem__)
    gap = {cut: late_by[order[cut]] - late_by[order[cut - 1]] for cut in range(1, len(order))}
    wide = (cut for cut in gap if gap[cut] >= GAP_OF_LAG * LEAST_LAG_DEG)
    cuts = sorted(wide, key=gap.__getitem__, reverse=True)
    for cut in cuts:
        running, late = order[:cut], order[cut:]
        if len(late) < AGAIN_AND_AGAIN:
            continue
        base = median(late_by[i] for i in running)
        lags = [late_by[i] - base for i in late]
        lag, sd = fmean(lags), stdev(lags)
        if (
            lag >= max(LEAST_LAG_DEG, PLAY_MARGIN * (unit.backlash_deg or 0.0))
            and sd <= SAME_AGAIN * lag
            and gap[cut] >= GAP_OF_LAG * lag
            and _confirmed(group, running, late, lag)
        ):
            phase = group[late[0]].phase
            return late, ImpulseLag(
                unit.name, setting.name, phase, len(late), lag, sd, len(running), expected=False
            )
    return [], None


def _confirmed(
    group: dict[int, Reading], running: list[int], late: list[int], lag_deg: float
) -> bool:
    """Whether the contacts had been closed for longer by the lag."""
    before = [c for i in running if (c := group[i].closed_deg) is not None]
    after = [c for i in late if (c := group[i].closed_deg) is not None]
    if not (before and after) or len(running) < AGAIN_AND_AGAIN:
        return False
    return abs(median(after) - median(before) - lag_deg) <= SAME_AGAIN * lag_deg
