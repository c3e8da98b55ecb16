"""How far a job is: the values that the advice is made from."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from enum import Enum
from typing import Literal

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.base.uncertainty import Source, combine
from rig.engine.profile import Unit
from rig.guide.action import Host, Step, Stroke
from rig.session.session import Session
from rig.tdc.piston_stop import StopTouches
from rig.tdc.reference import Method, TdcReference, moved
from rig.tdc.touches import LEAST_WAY_DEG
from rig.timing.assess import unit_verdict
from rig.timing.impulse import TRIES, tries_at_release
from rig.timing.readings import served_cylinders, sparks_on_both_strokes
from rig.timing.uncertainty_budget import top_dead_centre
from rig.timing.values import ADJUSTING, PHASES, Comparison, Reading, Verdict
from rig.timing.verdict import Remedy, remedy

CHECK_BAD = "rig check bad"  # entered in the place of "rig check" where its verdict is bad
AGAIN_TOUCHES = 2  # a side, to prove TDC again (common practice, no source)
MOST_TOUCHES = 12  # a side, after which TDC is as good as this piston stop can give it
ENOUGH_READINGS = 5
LEAST_OF_CYLINDER = 2
"""Readings of a unit, and of each of its cylinders, after which nothing more is asked for; more are
always welcome."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A unit that a step waits for: it has ``n`` readings of ``wanted`` in ``setting``."""

    unit: str
    setting: str = ""
    n: int = 0
    wanted: int = 0


@dataclass(frozen=True, slots=True)
class Outside:
    """A unit that opens outside its window, in which ``setting``; empty where it has only one."""

    unit: str
    setting: str = ""


class ToSetting(Enum):
    """Why a lever is to be moved."""

    UNREAD = "it is not read there yet"
    SHOWS_RELEASE = "a trip there shows where its coupling releases"
    CANNOT_BE_READ = "where it is it opens just as its coupling releases"


@dataclass(frozen=True, slots=True)
class OtherSetting:
    """The setting to which the lever of a unit is to be moved, and why; the unit's ``input``."""

    unit: str
    setting: str
    input: int
    because: ToSetting = ToSetting.UNREAD


ON_ITS_LIMIT = Remedy()


@dataclass(frozen=True, slots=True)
class Inconclusive:
    """A unit whose verdict is open, on its worst cylinder (None: over all), and what decides it."""

    unit: str
    cylinder: int | None = None
    remedy: Remedy = ON_ITS_LIMIT

    @property
    def can_be_decided(self) -> bool:
        """Whether something can be done about it at the bench."""
        return bool(self.remedy.readings or self.remedy.shrink)


@dataclass(frozen=True, slots=True)
class JobState:
    """How far a job is. Units by the person's names for them; every field may stay as is."""

    magneto: bool = True
    coil_set: bool = False
    entered: frozenset[str] = frozenset()  # steps that the person, or a rig check, said are done
    rig: Literal["not heard", "heard", "lost"] = "not heard"
    rig_bad: bool = False  # something about the rig itself is bad
    index_seen: bool = False
    stop_in: bool = False  # piston stop
    touches: tuple[int, int] = (0, 0)  # forward, backward; with one that goes on
    at_stop: int = 0  # held at the piston stop now: the side, 1 or -1
    too_near: int = 0  # held there after too short a way: the side
    more_touches: bool = False  # wanted for a smaller uncertainty, of TDC or of its check
    stop_hides_index: bool = False  # the index cannot pass while the piston stop is in
    full_turn: bool = False  # made with the piston stop in
    gauge_points: int = 0  # read with a dial gauge
    tdc_known: bool = False
    tdc_moved: bool = False
    move_sure: bool = False  # by touches enough: a single one may have been a rest in the open
    stroke: Stroke = "not stated"
    index_places: int = 1  # of the crank at which the index may have come, as far as is known
    one_turn_out: tuple[str, ...] = ()
    all_out: bool = False  # by a turn, and firing TDC was entered once only
    automatic_advance: tuple[str, ...] = ()  # not yet entered: weights at rest or wedged out
    wedge_in: bool = False
    without_drag: tuple[str, ...] = ()  # magnetos of unknown backlash, no drag on their rotors
    drag_held: bool = False  # on any rotor
    impulse: tuple[Waiting, ...] = ()  # behind an impulse coupling, running readings to come
    unread: tuple[Waiting, ...] = ()
    inconclusive: tuple[Inconclusive, ...] = ()
    other_settings: tuple[OtherSetting, ...] = ()
    levers_on_the_way: bool = False  # before anything is read a lever is to be moved
    set_only: tuple[str, ...] = ()  # set with the crank held, not turned through yet
    outside: tuple[Outside, ...] = ()  # in any setting that was read in the present phase
    apart: tuple[str, ...] = ()  # the second unit of pairs that are outside their synchronisation
    change_made: bool = False  # a change was entered and not yet read
    tightened: bool = False  # readings since are "as left"
    touched_again: bool = False  # piston stop touched again at the end
    saved: bool = False
    skipped: frozenset[str] = frozenset()  # steps left out by the person

    @property
    def to_decide(self) -> tuple[Inconclusive, ...]:
        """Open verdicts that something at the bench decides; not those that wait for readings past
        an impulse coupling."""
        coupled = {each.unit for each in self.impulse}
        return tuple(
            each
            for each in self.inconclusive
            if each.can_be_decided and not (each.remedy.readings and each.unit in coupled)
        )


def state_of(host: Host) -> JobState:
    """How far the job is."""
    session, profile = host.session, host.job.profile
    notes, units = session.annotations, profile.units
    said = notes.steps
    stop, hold, short = session.touches(), session.stop_hold(), session.short_way()
    held = hold.touch.side if hold is not None and hold.is_touch else 0
    too_near = short.side if short is not None else 0
    if hold is not None:
        too_near = hold.touch.side if hold.way_deg < LEAST_WAY_DEG else 0
    weights = tuple(unit.name for unit in units if unit.automatic_advance)
    magnetos = [unit for unit in units if unit.ignition == "magneto"]
    unread = [
        each
        for unit in units
        if (each := waiting(host, unit)).n < each.wanted and not at_release(session, unit)
    ]
    others = tuple(other for unit in units if (other := _other_setting(session, unit)))
    coupled = {unit.name for unit in units if unit.coupling == "impulse"}
    out = tuple(u.name for u in units if any(r.wrong_stroke for r in _here(session, u)))
    verdicts = [(unit, _verdict(session, unit)) for unit in units]
    return JobState(
        magneto=bool(magnetos),
        coil_set=len(magnetos) < len(units),
        entered=frozenset({*said, "marks"} if session.gauge.marks else said),
        rig="lost" if not host.connected else "heard" if host.understood else "not heard",
        rig_bad=any(doubt.bad and doubt.of_rig for doubt in session.doubts()),
        index_seen=session.is_anchored and not session.angles_lost,
        stop_in=stop is not None,
        touches=(len(stop.side(1)) + (held > 0), len(stop.side(-1)) + (held < 0))
        if stop is not None
        else (0, 0),
        at_stop=held,
        too_near=too_near,
        more_touches=stop is not None and (stop.purpose == "more" or _is_blunt(session, stop)),
        stop_hides_index=session.stop_hides_index(),
        full_turn=session.stop_turned_deg() >= 360.0,
        tdc_known=session.reference is not None and session.validity.lost is None,
        tdc_moved=tdc_moved(session),
        move_sure=not session.references
        or session.references[-1].method is not Method.STOP
        or _fewest_touches(session.references[-1]) >= AGAIN_TOUCHES,
        gauge_points=len(session.gauge.readings),
        stroke=stroke_state(host),
        index_places=session.index_places,
        one_turn_out=out,
        all_out=len(out) == len(units) and session.stroke_entries == 1,
        automatic_advance=() if "advance" in said else weights,
        wedge_in=bool(weights),  # at the end it is looked for wherever there may be one
        without_drag=()
        if "play" in said
        else tuple(
            u.name for u in magnetos if u.backlash_deg is None and not notes.of[u.name].drag.now
        ),
        drag_held=any(notes.of[unit.name].drag.now for unit in units),
        impulse=tuple(each for each in unread if each.unit in coupled),
        unread=tuple(each for each in unread if each.unit not in coupled),
        inconclusive=tuple(_in_doubt(session, u) for u, v in verdicts if v == "inconclusive"),
        other_settings=others,
        levers_on_the_way=any(other.because is not ToSetting.UNREAD for other in others)
        or any(
            (read := _settings_read(session, unit)) and session.setting_of(unit.name) not in read
            for unit in units
        ),
        set_only=tuple(u.name for u in units if [r.kind for r in _of(session, u)][-1:] == ["set"]),
        outside=tuple(found for unit in units if (found := _outside(session, unit))),
        apart=_apart(session),
        change_made=_changed(session),
        tightened=notes.tightened,
        touched_again=bool(session.checks)
        or {each.direction for each in session.gauge.readings if each.again} >= {1, -1},
        saved=host.saved is not None,
        skipped=frozenset(notes.skipped),
    )


def _is_blunt(session: Session, stop: StopTouches) -> bool:
    """Whether a slip that matters may hide in the uncertainty of the touches that check TDC."""
    fewest = min(len(stop.side(1)), len(stop.side(-1)))
    if stop.purpose != "check" or session.here is None or fewest < AGAIN_TOUCHES:
        return False
    try:
        return not moved(session.here, stop.reference(session.profile)).is_sharp
    except InputError:
        return False


def tdc_moved(session: Session) -> bool:
    """TDC, touched again, is not where the reference in use has it."""
    if session.reference is None or all(stop.purpose == "reference" for stop in session.stops):
        return False
    last = session.references[-1]
    return last is not session.reference and moved(session.reference, last).has_moved


def _fewest_touches(reference: TdcReference) -> int:
    return min(len(reference.forward_deg), len(reference.backward_deg))


def _apart(session: Session) -> tuple[str, ...]:
    """The second of each pair whose last comparison is outside: an adjustment begins a new one."""
    last = (own[0] for own in standing_pairs(session))
    return tuple(each.second for each in last if each.verdict == "outside")


def standing_pairs(session: Session) -> list[tuple[Comparison, ...]]:
    """How each pair of units stands: over all cylinders, then by cylinder. None of a pair of which
    one was read in a later phase, and the other not yet."""
    read = [
        (r.unit, PHASES.index(r.phase))
        for r in session.readings()
        if r.valid and r.kind == "turned"
    ]
    pairs: dict[tuple[str, str, str], list[Comparison]] = {}
    for each in sorted(session.comparisons(), key=lambda each: each.cylinder is not None):
        newest = max((n for unit, n in read if unit in (each.first, each.second)), default=0)
        if PHASES.index(each.phase) == newest:
            pairs.setdefault((each.first, each.second, each.setting), []).append(each)
    return [tuple(own) for own in pairs.values() if own[0].cylinder is None]


def _changed(session: Session) -> bool:
    """Something was changed on a unit, or on the whole engine, that was not read since."""
    notes = session.annotations
    read = [(r.unit, session.t_us(r)) for r in session.readings() if r.valid]
    return any(
        not any(on in ("", unit) and at_us > t_us for unit, at_us in read)
        for (_, on), t_us in zip(notes.changes, notes.changed_us, strict=True)
    )


def _of(session: Session, unit: Unit) -> list[Reading]:
    return [r for r in session.readings() if r.unit == unit.name and r.valid]


def _here(session: Session, unit: Unit) -> list[Reading]:
    """Valid readings of a unit as it is now: its setting and phase, and the drag on its rotor."""
    here = (session.setting_of(unit.name), session.phase_of(unit.name))
    drag = session.annotations.of[unit.name].drag.now
    own = _of(session, unit)
    return [r for r in own if (r.setting, r.phase) == here and (r.drag or not drag)]


def waiting(host: Host, unit: Unit) -> Waiting:
    """How many readings a unit has as it is now, and wants; a coupling's trips are none.

    Behind an impulse coupling those that should decide an open verdict are wanted too: turned
    straight on, it only trips.
    """
    session = host.session
    own = [r for r in _here(session, unit) if r.kind != "impulse"]
    of_cylinder = Counter(r.cylinder for r in own)
    cylinders = served_cylinders(unit, host.job.profile.engine)
    each = max(LEAST_OF_CYLINDER, math.ceil(ENOUGH_READINGS / len(cylinders)))
    n, wanted = sum(min(of_cylinder[c], each) for c in cylinders), each * len(cylinders)
    if None in of_cylinder:  # nothing tells its cylinders apart
        n, wanted = of_cylinder.total(), max(wanted, ENOUGH_READINGS)
    if n >= wanted and unit.coupling == "impulse" and _verdict(session, unit) == "inconclusive":
        open_ = _in_doubt(session, unit)
        more = of_cylinder[open_.cylinder] - each
        n = wanted + (more if open_.cylinder in cylinders else of_cylinder.total() - wanted)
        wanted = n + open_.remedy.readings
    return Waiting(unit.name, session.setting_of(unit.name), n, wanted)


def _other_setting(session: Session, unit: Unit) -> OtherSetting | None:
    """A setting with a window to which its lever is to be moved. While it is being adjusted none is
    asked for: it is read in each as left."""
    if session.phase_of(unit.name) == ADJUSTING:
        return None
    read, hidden = _settings_read(session, unit), _hidden(session, unit)
    now = session.setting_of(unit.name)
    windows = {s.name: s.window.nominal_btdc for s in unit.settings if s.window}
    can_be = [name for name in windows if name not in hidden]
    others = [name for name in can_be if name not in read]
    because, to = ToSetting.UNREAD, next(iter(others), "") if read and now not in others else ""
    if now in hidden:
        because, to = ToSetting.CANNOT_BE_READ, next(iter(can_be), "")
    elif unit.coupling == "impulse" and _begins_anew(session, unit, bool(others), bool(read)):
        first = max(can_be, key=windows.__getitem__, default=now)
        because, to = ToSetting.SHOWS_RELEASE, first if first != now else ""
    return OtherSetting(unit.name, to, unit.input, because) if to else None


def _begins_anew(session: Session, unit: Unit, more_to_read: bool, is_read: bool) -> bool:
    """Whether its next readings are the first of their phase, or all of this one are done and what
    comes next moves it."""
    if more_to_read:
        return not is_read
    leaves = session.phase_of(unit.name) == PHASES[0]
    adjusts = "correction" not in session.annotations.skipped and _outside(session, unit)
    return is_read and bool(leaves or adjusts)


def _hidden(session: Session, unit: Unit) -> frozenset[str]:
    """Settings in which it cannot be read, since it opens just where its coupling releases."""
    if unit.coupling != "impulse" or len(unit.settings) < 2:
        return frozenset()
    readings, begins = session.readings(), session.restarted_at()
    return frozenset(
        setting.name
        for setting in unit.settings
        for phase in PHASES
        if tries_at_release(readings, unit, setting.name, phase, begins) >= TRIES
    )


def at_release(session: Session, unit: Unit) -> bool:
    """Whether it cannot be read in its present setting, for that reason."""
    return session.setting_of(unit.name) in _hidden(session, unit)


def _settings_read(session: Session, unit: Unit) -> set[str]:
    """Those in which a unit was read in its present phase."""
    phase = session.phase_of(unit.name)
    return {r.setting for r in _of(session, unit) if r.phase == phase and r.kind == "turned"}


def _outside(session: Session, unit: Unit) -> Outside | None:
    phase, found = session.phase_of(unit.name), session.assessments()
    for setting in unit.settings:
        if unit_verdict(found, unit.name, setting.name, phase).verdict == "outside":
            return Outside(unit.name, setting.name if len(unit.settings) > 1 else "")
    return None


def _verdict(session: Session, unit: Unit) -> Verdict:
    """That on a unit as it is now."""
    here = (unit.name, session.setting_of(unit.name), session.phase_of(unit.name))
    return unit_verdict(session.assessments(), *here).verdict


def _in_doubt(session: Session, unit: Unit) -> Inconclusive:
    """An inconclusive unit, on the figure that takes most to decide."""
    here = (unit.name, session.setting_of(unit.name), session.phase_of(unit.name), "turned")
    at_best = {Source.TDC: _tdc_at_best(session)}
    if not session.annotations.of[unit.name].drag.now:
        at_best[Source.BACKLASH] = 0.0
    found = []
    for j in session.assessments():
        if (j.unit, j.setting, j.phase, j.kind) != here or j.verdict != "inconclusive":
            continue
        decides = ON_ITS_LIMIT
        if j.mean_btdc is not None and j.earliest_btdc is not None and j.latest_btdc is not None:
            to_limits = (wrap(j.latest_btdc - j.mean_btdc), wrap(j.earliest_btdc - j.mean_btdc))
            decides = remedy(min(map(abs, to_limits)), j.uncertainty, j.n, at_best)
        found.append(Inconclusive(unit.name, j.cylinder, decides))
    return max(
        found, key=lambda o: (not o.can_be_decided, o.remedy.shrink or "", o.remedy.readings)
    )


def _tdc_at_best(session: Session) -> float:
    """Standard uncertainty of TDC, degrees, once the piston stop was touched as often as it is
    worth; as it is now where that is so, or touching again made it no smaller."""
    used, found = session.reference, session.references
    if used is None:
        return 0.0
    now = top_dead_centre(used).u_deg
    if found[-2:] == [used, used] or _fewest_touches(used) >= MOST_TOUCHES:
        return now
    if used.method is not Method.STOP:
        return 0.0
    gone = (Source.REPEATABILITY, Source.GRADUATION, Source.RUN_OUT)  # the last two: not TDC's
    left = [part for part in used.uncertainty.parts if part.source not in gone]
    return min(now, combine(left).u_deg)


def stroke_state(host: Host) -> Stroke:
    """What is known of the firing stroke, which a two-stroke does not need, nor units that all
    spark on both strokes by design.

    Where a geared encoder's index comes at several places of the crank the same entry settles
    which of them it is, so it is wanted there, too.
    """
    places, profile = host.session.places, host.job.profile
    on_both = all(sparks_on_both_strokes(unit, profile) for unit in profile.units)
    if places.known and (profile.engine.strokes == 2 or on_both):
        return "not needed"
    if host.session.stroke is not None:
        return "stated"
    return "lost" if host.session.stroke_lost or places.was_lost else "not stated"


def step_of(host: Host) -> Step:
    """The step at which the job is."""
    session = host.session
    if host.saved is not None:
        return "saved"
    if session.stop is not None:
        return "top dead centre"
    if not host.understood or not host.connected:
        return "connect"
    if not session.is_anchored:
        return "index"
    if session.reference is None:
        return "top dead centre"
    return "stroke" if stroke_state(host) in ("not stated", "lost") else "reading"


def done_steps(host: Host) -> tuple[Step, ...]:
    """Steps that are behind."""
    session, saved = host.session, host.saved is not None
    behind: dict[Step, bool] = {
        "connect": host.understood,
        "index": session.is_anchored,
        "top dead centre": session.reference is not None and session.stop is None,
        "stroke": session.stroke is not None,
        "reading": saved,
        "saved": saved,
    }
    return tuple(step for step, is_behind in behind.items() if is_behind)
