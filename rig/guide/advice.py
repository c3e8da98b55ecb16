"""What comes next in a job, why, and what to beware of. It never blocks anybody.

The steps are a table in the order of the work. The first step that is due is the advice. Doing
something else at any time changes only what is advised next. Order and cautions: FAA-H-8083-32
ch. 4 (magneto timing and switches), US Army TM 1-1500-204-23-1 (backlash, impulse coupling); the
rest is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from rig.base.rounding import listed, many, noun
from rig.engine.profile import Adjustments, Profile, Unit
from rig.guide.action import Host, Step, Stroke
from rig.guide.procedure import Advice
from rig.session.session import Session
from rig.tdc.gauge_points import GaugeReading
from rig.tdc.reference import moved
from rig.timing.assess import unit_verdict
from rig.timing.firing_tdc import sparks_on_both_strokes
from rig.timing.values import Reading
from rig.words.diagnostics import diagnostic_words

LAST_WORD = "The maker's manual, local rules and a licensed person have the last word."
LIVE = (
    "Reading a magneto makes it live (earthing lead off): plugs out, leads on an earthed gap; "
    "impulse couplings spark by hand."
)
ARC = "Keep clear of the arc of anything on the crank."
PROPELLER = "Keep out of the propeller's arc: take it for live at all times, hands flat, feet back."
COIL = "Battery isolated; turn by hand, never by the starter."
STOP = (
    "By hand only, gently. Stop and gauge must meet the piston and clear both valves; take them "
    "out before a full turn."
)
PRIMARY = "Some hundreds of volts stand across the primary as contacts part on a turning magneto."

CLOSE = "close"


"""The step that ends a job."""


@dataclass(frozen=True, slots=True)
class JobState:
    """How far a job is. Names are of units as the person calls them; every field may stay as is."""

    magneto: bool = True
    coil_set: bool = False
    propeller: bool = False
    made_safe: bool = False  # the person said so
    gaps_written: bool = False
    rig: Literal["not heard", "heard", "lost"] = "not heard"
    rig_bad: tuple[str, ...] = ()  # names of checks with a bad verdict
    rig_checked: bool = False
    switch_proved: bool = False
    index_seen: bool = False
    stop_in: bool = False  # stop or gauge
    touches: tuple[int, int] = (0, 0)  # forward, backward
    gauge_points: int = 0  # read with a dial gauge
    tdc_known: bool = False
    tdc_moved: bool = False
    marks_compared: bool = False
    stroke: Literal["not needed", "not stated", "lost", "stated"] = "not stated"
    index_places: int = 1  # of the crank at which the index may have come, as far as is known
    one_turn_out: tuple[str, ...] = ()
    impulse_engaged: tuple[str, ...] = ()  # read with the coupling only
    automatic_advance: tuple[str, ...] = ()  # not yet said: weights at rest or wedged out
    wedge_in: bool = False
    play_unknown: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()  # "upper, full advance"
    undecided: tuple[str, ...] = ()
    set_only: tuple[str, ...] = ()  # set with the crank held, not turned through yet
    outside: tuple[str, ...] = ()
    apart: tuple[str, ...] = ()  # pairs outside their synchronism
    means_stated: bool = True
    change_made: bool = False  # a correction was stated and not yet read
    wrong_way: tuple[str, ...] = ()  # corrections made the wrong way round
    tightened: bool = False  # readings since are "as left"
    touched_again: bool = False  # stop touched once more at the end
    saved: bool = False
    closed: frozenset[str] = frozenset()  # items of the closing list that are done


@dataclass(frozen=True, slots=True)
class ClosingItem:
    """One line of the closing list."""

    name: str
    words: str
    done: bool


@dataclass(frozen=True, slots=True)
class _Row:
    step: str
    due: Callable[[JobState], object]
    next: Callable[[JobState], str]
    why: str
    cautions: tuple[str, ...] = ()


def _names(of: tuple[str, ...]) -> str:
    if any("," in name for name in of):
        return "; ".join(of)
    return " and ".join([", ".join(of[:-1]), of[-1]] if len(of) > 1 else of)


ENOUGH_TOUCHES = 3


"""Touches a side after which no more are asked for (common practice, no source)."""


def _touch(s: JobState) -> str:
    forward, backward = s.touches
    if not s.stop_in and s.gauge_points:
        return "go on with the gauge, or choose which of its dead centres to go by"
    if not s.stop_in:
        return "fit the stop or the gauge and say so"
    if min(forward, backward) >= ENOUGH_TOUCHES:
        return "take the stop out and say so: it was touched often enough"
    return _way_to_the_stop(s)


def _way_to_the_stop(s: JobState) -> str:
    forward, backward = s.touches
    if forward <= backward:
        return "turn gently forward to the stop, hold it there a second, then go back"
    return "turn gently back the other way to the stop, hold it there a second, then come on"


def _which_place(n: int) -> str:
    return f"; it settles at which of its {many(n, 'place')} the index came" if n > 1 else ""


def _place_open(s: JobState) -> bool:
    """Where the index has several places no angle is known until the stroke is stated."""
    return s.index_places > 1 and s.stroke in ("not stated", "lost")


ROWS: tuple[_Row, ...] = (
    _Row(
        "make safe",
        lambda s: not s.made_safe,
        lambda s: "make it safe: plugs out, fuel off, ventilated, chocked; then say so",
        "Turning the crank can fire a cylinder.",
        (LIVE, ARC, COIL, LAST_WORD),
    ),
    _Row(
        "rig lost",
        lambda s: s.rig == "lost",
        lambda s: "plug the rig in again: it is looked for, and nothing read so far is lost",
        "Angles hold again from the first index pass on.",
    ),
    _Row(
        "gap",
        lambda s: not s.gaps_written,
        lambda s: "clean the contacts, set their gap and write it down with its limits",
        "A gap changed later moves the timing.",
    ),
    _Row(
        "rig",
        lambda s: s.rig == "not heard",
        lambda s: "connect the rig and wait for it",
        "Nothing that it has sent could be read yet.",
    ),
    _Row(
        "switch",
        lambda s: s.magneto and not s.switch_proved,
        lambda s: "prove the switch: a turn at OFF (closed all round), a turn at ON (it opens)",
        "Afterwards its lead comes off, and it cannot be proved until the end.",
        (LIVE, ARC),
    ),
    _Row(
        "index",
        lambda s: not s.index_seen,
        lambda s: "turn slowly forward until the index has passed",
        "It is the mark that all angles are counted from, and it may lie in the arc that the stop "
        "blocks.",
        (LIVE, ARC, COIL),
    ),
    _Row(
        "rig bad",
        lambda s: s.rig_bad,
        lambda s: f"put right what the rig check found: {_names(s.rig_bad)}",
        "A reading is worth no more than the rig that took it.",
    ),
    _Row(
        "rig check",
        lambda s: not s.rig_checked,
        lambda s: "check the rig: turn on a few turns, let it stand, open each unit by hand once",
        "Counts, direction and wiring are proved before anything hangs on them.",
        (LIVE, ARC, PRIMARY),
    ),
    _Row(
        "dead centre moved",
        lambda s: s.tdc_moved,
        lambda s: "touch the stop again, then choose the dead centre to go by: it has moved",
        "The index cannot see an encoder or a coupling that slipped; readings since are in doubt.",
        (STOP,),
    ),
    _Row(
        "top dead centre",
        lambda s: not s.tdc_known,
        _touch,
        "Dead centre is half-way between touches; more of them show the spread.",
        (STOP, ARC),
    ),
    _Row(
        "stop out",
        lambda s: s.tdc_known and s.stop_in,
        lambda s: (
            "take the stop or the gauge out, and say so" if min(s.touches) else _way_to_the_stop(s)
        ),
        "A full turn against it bends something.",
        (STOP,),
    ),
    _Row(
        "marks",
        lambda s: not s.marks_compared and not _place_open(s),
        lambda s: "compare with the engine's own marks and write down what they say",
        "Marks are missing, wrong, or belong to other parts often enough.",
    ),
    _Row(
        "stroke",
        lambda s: s.stroke in ("not stated", "lost"),
        lambda s: (
            "bring cylinder 1 to its firing dead centre and state it"
            + (" again: the count of turns was lost" if s.stroke == "lost" else "")
            + _which_place(s.index_places)
        ),
        "A four-stroke is at the top twice; it tells which lobe serves which cylinder.",
        (LIVE, ARC),
    ),
    _Row(
        "wrong way",
        lambda s: s.wrong_way,
        lambda s: f"undo the change of {_names(s.wrong_way)} and go as far again the other way",
        "It was made the wrong way round: the opening moved as predicted, to the other side.",
    ),
    _Row(
        "one turn out",
        lambda s: s.one_turn_out,
        lambda s: (
            f"couple {_names(s.one_turn_out)} one crank turn on, or state that it sparks on "
            "both strokes"
        ),
        "It reads the right degrees on the wrong stroke.",
        (LIVE,),
    ),
    _Row(
        "advance",
        lambda s: s.automatic_advance,
        lambda s: f"say for {_names(s.automatic_advance)}: weights at rest, or wedged out",
        "Automatic advance reads differently; a wedge has to come out again.",
    ),
    _Row(
        "impulse",
        lambda s: s.impulse_engaged,
        lambda s: (
            f"read {_names(s.impulse_engaged)} past the coupling: turn past the click, back "
            "past the opening without engaging, forward gently"
        ),
        "The manual's figure is for the coupling released, not holding back.",
        (LIVE, ARC),
    ),
    _Row(
        "readings",
        lambda s: s.unread,
        lambda s: f"turn slowly forward past the openings, a few turns: {_names(s.unread)}",
        "A reading counts only with the slack of the drive taken up; overshot means going well "
        "back and coming on again.",
        (LIVE, ARC, COIL),
    ),
    _Row(
        "play",
        lambda s: s.play_unknown,
        lambda s: f"hold a light drag on the rotor, or measure the play: {_names(s.play_unknown)}",
        "Past neutral the magnet can pull the rotor forward through the play and open early.",
        (LIVE,),
    ),
    _Row(
        "confirm set",
        lambda s: s.set_only,
        lambda s: f"turn through the opening to confirm: {_names(s.set_only)}",
        "Set with the crank held, it has not yet been found by turning.",
        (LIVE, ARC),
    ),
    _Row(
        "confirm change",
        lambda s: s.change_made,
        lambda s: "read again and set it beside what was predicted",
        "Only a reading after the change says whether it did what it should.",
        (LIVE, ARC),
    ),
    _Row(
        "more readings",
        lambda s: s.undecided,
        lambda s: (
            f"read on, or make the largest part of the uncertainty smaller: {_names(s.undecided)}"
        ),
        "What was read does not settle it, neither inside nor outside.",
        (LIVE, ARC),
    ),
    _Row(
        "correction",
        lambda s: s.outside or s.apart,
        lambda s: (
            f"work out the correction: {_names((*s.outside, *s.apart))}"
            if s.means_stated
            else "state in the engine file what can be moved, then work out the correction"
        ),
        "Outside the window, or apart from one another; every means has its own steps.",
        (LAST_WORD,),
    ),
    _Row(
        "tighten",
        lambda s: not s.tightened,
        lambda s: "tighten everything, say so, and read once more as left",
        "Things move as bolts are done up: only what is read since is as left.",
        (LIVE, ARC),
    ),
    _Row(
        "touch again",
        lambda s: not s.touched_again,
        lambda s: "touch the stop once more from both sides",
        "It shows that the encoder did not slip since dead centre was found.",
        (STOP,),
    ),
    _Row(
        "certificate",
        lambda s: not s.saved,
        lambda s: "save the certificate",
        "It says what was specified, what was read and how sure that is; it is a record of "
        "measurement, not a release to service.",
    ),
    _Row(
        CLOSE,
        lambda s: [item for item in closing_list(s) if not item.done],
        lambda s: (
            "the closing list: "
            + "; ".join(item.words for item in closing_list(s) if not item.done)
        ),
        "What was fitted for the measurement has to come off, and what came off has to go back.",
        (LAST_WORD,),
    ),
)

SAFE = ("make safe", "rig lost")
AT_THE_STOP = ("top dead centre", "stop out")


def due(state: JobState) -> tuple[Advice, ...]:
    """Every step that is not behind yet, in the order of the work. Source: the table.

    While the stop is in, what concerns it comes before all that wants the crank turned on. Once the
    certificate is saved, only the closing of the job is left.
    """
    steps = [row for row in ROWS if row.due(state) and (not state.saved or row.step == CLOSE)]
    if state.stop_in:
        steps.sort(key=lambda row: 0 if row.step in SAFE else 1 if row.step in AT_THE_STOP else 2)
    return tuple(Advice(row.step, row.next(state), row.why, _cautions(row, state)) for row in steps)


def advice(state: JobState) -> Advice:
    """What comes next. When nothing does, that is said. Source: the table."""
    steps = due(state)
    return steps[0] if steps else Advice("done", "nothing is left to do", "The job is closed.")


def _cautions(row: _Row, state: JobState) -> str:
    """The cautions that fit this engine: no magneto, no word of live magnetos."""
    fits = {LIVE: state.magneto, PRIMARY: state.magneto, COIL: state.coil_set}
    said = [caution for caution in row.cautions if fits.get(caution, True)]
    if ARC in said and state.propeller:
        said[said.index(ARC)] = PROPELLER
    return " ".join(said)


def closing_list(state: JobState) -> tuple[ClosingItem, ...]:
    """What has to be off, on and proved when the job ends, and what of it is done.

    Names in ``state.closed`` are done. Source: common practice, no source; the switch as
    FAA-H-8083-32 ch. 4, Ignition Switches.
    """
    items = {
        "stop": "stop and gauge out of the plug holes",
        "wedge": "wedge out of the automatic advance" if state.wedge_in else "",
        "leads": "rig leads off, encoder and its bracket off the crank",
        "earth": "earthing lead back on" if state.magneto else "",
        "switch": "switch proved: earthed at OFF, open at ON" if state.magneto else "",
        "battery": "battery connected last" if state.coil_set else "",
        "plugs": "plugs in, each lead on its own cylinder",
        "bolts": "everything that was moved tight and locked as the manual says",
        "clear": "tools and hands clear of the arc, before fuel goes on",
    }
    return tuple(
        ClosingItem(name, words, name in state.closed) for name, words in items.items() if words
    )


SAYABLE = (
    "make safe", "gap", "switch", "rig check", "marks", "advance", "play", "more readings",
    "tighten",
)  # fmt: skip


"""Steps that the person says are done: the rig cannot see it, or it is theirs to judge."""


ENOUGH_READINGS = 5


"""Readings a unit after which nothing more is asked for; more are always welcome."""


def guidance(host: Host) -> Advice:
    """What comes next at this bench."""
    return advice(state_of(host))


def state_of(host: Host) -> JobState:
    """How far the job is."""
    session = host.session
    said = session.told.steps
    stop = session.touches()
    units = host.job.profile.units
    readings = session.readings()
    weights = tuple(unit.name for unit in units if unit.automatic_advance)
    magnetos = [unit for unit in units if unit.ignition == "magneto"]
    return JobState(
        magneto=bool(magnetos),
        coil_set=len(magnetos) < len(units),
        propeller="propeller" in host.job.profile.engine.seen_from,
        made_safe="make safe" in said,
        gaps_written="gap" in said,
        rig="lost" if not host.connected else "heard" if host.understood else "not heard",
        rig_checked="rig check" in said,
        rig_bad=tuple(
            diagnostic_words(doubt) for doubt in session.doubts() if doubt.bad and doubt.of_rig
        ),
        switch_proved="switch" in said,
        index_seen=_index_holds(session),
        stop_in=stop is not None,
        touches=(len(stop.side(1)), len(stop.side(-1))) if stop else (0, 0),
        tdc_known=session.reference is not None,
        tdc_moved=_moved(session),
        gauge_points=len(session.gauge.readings),
        marks_compared="marks" in said or bool(session.gauge.marks),
        stroke=stroke_state(host),
        index_places=session.index_places,
        one_turn_out=tuple(u.name for u in units if _any(readings, u, wrong=True)),
        impulse_engaged=tuple(u.name for u in units if _only_impulse(readings, u)),
        automatic_advance=() if "advance" in said else weights,
        wedge_in=bool(weights),  # at the end it is looked for wherever there may be one
        # Only a magnet pulls its rotor through the play.
        play_unknown=()
        if "play" in said
        else tuple(unit.name for unit in magnetos if unit.play_deg is None),
        unread=tuple(
            f"{u.name}, {session.setting_of(u.name)}"
            for u in units
            if _counted(host, readings, u) < ENOUGH_READINGS
        ),
        undecided=() if "more readings" in said else _verdicts(host, "inconclusive"),
        set_only=tuple(u.name for u in units if _set_last(readings, u)),
        outside=_verdicts(host, "outside"),
        apart=tuple(
            f"{c.first} and {c.second} apart"
            for c in session.comparisons()
            if c.verdict == "outside" and c.cylinder is None
        ),
        means_stated=host.job.means != Adjustments(),
        change_made=_changed(session),
        tightened=session.told.tightened,
        touched_again=bool(session.checks) or _gauged_again(session.gauge.readings),
        saved=host.saved is not None,
    )


def _index_holds(session: Session) -> bool:
    """The index has passed, and no counts were lost since."""
    return session.is_anchored and not session.angles_lost


def _moved(session: Session) -> bool:
    """Dead centre, touched again, is not where the reference in use has it."""
    if session.reference is None or not any(stop.purpose == "check" for stop in session.stops):
        return False
    last = session.references[-1]
    return last is not session.reference and moved(session.reference, last).has_moved


def _changed(session: Session) -> bool:
    """Something was changed on a unit, or on the whole engine, that was not read since."""
    counted = [r for r in session.readings() if r.valid]
    return any(
        not any(unit in ("", r.unit) and session.t_us(r) > t_us for r in counted)
        for (_, unit), t_us in zip(session.told.changes, session.told.changed_us, strict=True)
    )


def _gauged_again(readings: list[GaugeReading]) -> bool:
    """Touched once more with the gauge, on both sides."""
    return {each.direction for each in readings if each.again} >= {1, -1}


def _of(readings: list[Reading], unit: Unit) -> list[Reading]:
    return [r for r in readings if r.unit == unit.name and r.valid]


def _any(readings: list[Reading], unit: Unit, *, wrong: bool) -> bool:
    return any(r.wrong_stroke == wrong for r in _of(readings, unit))


def _only_impulse(readings: list[Reading], unit: Unit) -> bool:
    kinds = {r.kind for r in _of(readings, unit)}
    return kinds == {"impulse"}


def _set_last(readings: list[Reading], unit: Unit) -> bool:
    own = _of(readings, unit)
    return bool(own) and own[-1].kind == "set"


def _counted(host: Host, readings: list[Reading], unit: Unit) -> int:
    session = host.session
    here = (session.setting_of(unit.name), session.phase_of(unit.name))
    return sum((r.setting, r.phase) == here for r in _of(readings, unit))


def _verdicts(host: Host, verdict: str) -> tuple[str, ...]:
    session = host.session
    named = []
    for unit in host.job.profile.units:
        setting = session.setting_of(unit.name)
        worst, at = unit_verdict(
            session.judgements(), unit.name, setting, session.phase_of(unit.name)
        )
        if worst == verdict:
            cylinders = f", {noun(len(at), 'cylinder')} {listed(at)}" if at else ""
            named.append(f"{unit.name}, {setting}{cylinders}")
    return tuple(named)


def stroke_state(host: Host) -> Stroke:
    """What is known of the firing stroke.

    Where a geared encoder's index comes at several places of the crank the same statement settles
    which of them it is, so it is wanted on a two-stroke as well.
    """
    places = host.session.places
    if needs_no_stroke(host.job.profile) and places.known:
        return "not needed"
    if host.session.stroke is not None:
        return "stated"
    return "lost" if host.session.stroke_lost or places.was_lost else "not stated"


def needs_no_stroke(profile: Profile) -> bool:
    """True on a two-stroke, and where every unit sparks on both strokes by design."""
    return profile.engine.strokes == 2 or all(
        sparks_on_both_strokes(unit, profile) for unit in profile.units
    )


def step_of(host: Host) -> Step:
    """The step at which the job stands."""
    session = host.session
    if host.saved is not None:
        return "saved"
    if session.stop is not None:
        return "top dead centre"
    if not host.understood or not host.connected:
        return "rig check"
    if not session.is_anchored:
        return "index"
    if session.reference is None:
        return "top dead centre"
    return "stroke" if stroke_state(host) in ("not stated", "lost") else "reading"


def done_steps(host: Host) -> tuple[Step, ...]:
    """Steps that are behind."""
    session = host.session
    done: list[Step] = []
    if host.understood:
        done.append("rig check")
    if session.is_anchored:
        done.append("index")
    if session.reference is not None and session.stop is None:
        done.append("top dead centre")
    if session.stroke is not None:
        done.append("stroke")
    if host.saved is not None:
        done += ["reading", "saved"]
    return tuple(done)
