"""The state of a live job as the guidance wants it, and what it then says."""

from __future__ import annotations

from rig.command.live.bench import Bench
from rig.command.live.stroke import stroke_state
from rig.counted import listed, noun
from rig.engine.dead_centre.reference import moved
from rig.engine.means import Means
from rig.engine.profile import Unit
from rig.session.gauge_notes import GaugeReading
from rig.session.session import Session
from rig.timing.guidance import Advice, JobState, advice
from rig.timing.judge import unit_verdict
from rig.timing.results import Reading

SAYABLE = (
    "make safe", "gap", "switch", "rig check", "marks", "advance", "play", "more readings",
    "tighten",
)  # fmt: skip
"""Steps that the person says are done: the rig cannot see it, or it is theirs to judge."""
ENOUGH_READINGS = 5
"""Readings a unit after which nothing more is asked for; more are always welcome."""


def guidance(bench: Bench) -> Advice:
    """What comes next at this bench."""
    return advice(state_of(bench))


def state_of(bench: Bench) -> JobState:
    """How far the job is."""
    session = bench.session
    said = session.told.steps
    stop = session.touches()
    units = bench.job.profile.units
    readings = session.readings()
    weights = tuple(unit.name for unit in units if unit.automatic_advance)
    magnetos = [unit for unit in units if unit.ignition == "magneto"]
    return JobState(
        magneto=bool(magnetos),
        coil_set=len(magnetos) < len(units),
        propeller="propeller" in bench.job.profile.engine.seen_from,
        made_safe="make safe" in said,
        gaps_written="gap" in said,
        rig="lost" if bench.lost else "heard" if bench.understood else "not heard",
        rig_checked="rig check" in said,
        rig_bad=tuple(doubt.words for doubt in session.doubts() if doubt.bad),
        switch_proved="switch" in said,
        index_seen=_index_holds(session),
        stop_in=stop is not None,
        touches=(len(stop.side(1)), len(stop.side(-1))) if stop else (0, 0),
        tdc_known=session.reference is not None,
        tdc_moved=_moved(session),
        gauge_points=len(session.gauge.readings),
        marks_compared="marks" in said or bool(session.gauge.marks),
        stroke=stroke_state(bench),
        index_places=1 if session.places.known else session.places.many,
        one_turn_out=tuple(u.name for u in units if _any(readings, u, wrong=True)),
        impulse_engaged=tuple(u.name for u in units if _only_impulse(readings, u)),
        automatic_advance=() if "advance" in said else weights,
        wedge_in=bool(weights),  # at the end it is looked for wherever there may be one
        # Only a magnet pulls its rotor through the play.
        play_unknown=()
        if "play" in said
        else tuple(unit.name for unit in magnetos if unit.play_deg is None),
        unread=tuple(
            f"{u.name}, {session.told.setting_of(u.name)}"
            for u in units
            if _counted(bench, readings, u) < ENOUGH_READINGS
        ),
        undecided=() if "more readings" in said else _verdicts(bench, "not decidable"),
        set_only=tuple(u.name for u in units if _set_last(readings, u)),
        outside=_verdicts(bench, "outside"),
        apart=tuple(
            f"{c.first} and {c.second} apart"
            for c in session.comparisons()
            if c.verdict == "outside" and c.cylinder is None
        ),
        means_stated=bench.job.means != Means(),
        change_made=_changed(session),
        tightened=session.told.tightened,
        touched_again=bool(session.checks) or _gauged_again(session.gauge.readings),
        saved=bench.saved is not None,
    )


def _index_holds(session: Session) -> bool:
    """The index has passed, and no counts were lost since."""
    track = session.follower.track
    return track.anchor is not None and not track.lost


def _moved(session: Session) -> bool:
    """Dead centre, touched again, is not where the reference in use has it."""
    if session.reference is None or not any(stop.purpose == "check" for stop in session.stops):
        return False
    last = session.references[-1]
    return last is not session.reference and moved(session.reference, last).has_moved


def _changed(session: Session) -> bool:
    """Something was changed on a unit, or on the whole engine, that was not read since."""
    counted = [r for r in session.readings() if r.counts]
    return any(
        not any(unit in ("", r.unit) and session.t_us(r) > t_us for r in counted)
        for (_, unit), t_us in zip(session.told.changes, session.told.changed_us, strict=True)
    )


def _gauged_again(readings: list[GaugeReading]) -> bool:
    """Touched once more with the gauge, on both sides."""
    return {each.direction for each in readings if each.again} >= {1, -1}


def _of(readings: list[Reading], unit: Unit) -> list[Reading]:
    return [r for r in readings if r.unit == unit.name and r.counts]


def _any(readings: list[Reading], unit: Unit, *, wrong: bool) -> bool:
    return any(r.wrong_stroke == wrong for r in _of(readings, unit))


def _only_impulse(readings: list[Reading], unit: Unit) -> bool:
    kinds = {r.kind for r in _of(readings, unit)}
    return kinds == {"impulse"}


def _set_last(readings: list[Reading], unit: Unit) -> bool:
    own = _of(readings, unit)
    return bool(own) and own[-1].kind == "set"


def _counted(bench: Bench, readings: list[Reading], unit: Unit) -> int:
    session = bench.session
    here = (session.told.setting_of(unit.name), session.phase_of(unit.name))
    return sum((r.setting, r.phase) == here for r in _of(readings, unit))


def _verdicts(bench: Bench, verdict: str) -> tuple[str, ...]:
    session = bench.session
    named = []
    for unit in bench.job.profile.units:
        setting = session.told.setting_of(unit.name)
        worst, at = unit_verdict(
            session.judgements(), unit.name, setting, session.phase_of(unit.name)
        )
        if worst == verdict:
            cylinders = f", {noun(len(at), 'cylinder')} {listed(at)}" if at else ""
            named.append(f"{unit.name}, {setting}{cylinders}")
    return tuple(named)
