"""What comes next in a job, why, and what to beware of. It never blocks anybody.

The steps are a table in the order of the work. The first step that is due is the advice. Doing
something else at any time changes only what is advised next. Order and cautions: FAA-H-8083-32
ch. 4 (magneto timing and switches), US Army TM 1-1500-204-23-1 (backlash, impulse coupling); the
rest is common practice, no source.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from rig.base.angles import wrap
from rig.base.rounding import many
from rig.base.uncertainty import Source
from rig.engine.profile import Profile, Unit
from rig.guide.action import Host, Step, Stroke
from rig.guide.procedure import Advice, Hand
from rig.session.session import Session
from rig.tdc.gauge_points import GaugeReading
from rig.tdc.piston_stop import LEAST_WAY_DEG, Hold, ShortWay, StopTouches
from rig.tdc.reference import Method, TdcReference, moved
from rig.timing.assess import unit_verdict
from rig.timing.firing_tdc import served_cylinders, sparks_on_both_strokes
from rig.timing.values import Assessment, Reading
from rig.timing.verdict import Remedy, remedy

LAST_WORD = "The maker's manual, local rules and a licensed person have the last word."
LIVE = (
    "Reading a magneto makes it live (earth lead off): plugs out, leads on an earthed gap; "
    "impulse couplings spark by hand."
)
ARC = "Keep clear of the arc of anything on the crank."
PROPELLER = "Keep out of the propeller's arc: take it for live at all times, hands flat, feet back."
COIL = "Battery isolated; turn by hand, never by the starter."
STOP = (
    "By hand only, gently. Piston stop and gauge must meet the piston and clear both valves; take "
    "them out before a full turn."
)
PRIMARY = "Some hundreds of volts appear across the primary as contacts open on a turning magneto."

CLOSE = "close"


"""The step that ends a job."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A unit that a step waits for: it has ``n`` readings of ``wanted`` in ``setting``."""

    unit: str
    setting: str = ""
    n: int = 0
    wanted: int = 0


ON_ITS_LIMIT = Remedy()


@dataclass(frozen=True, slots=True)
class Inconclusive:
    """A unit whose verdict is open (on its worst cylinder; None: over all), and what decides it."""

    unit: str
    cylinder: int | None = None
    remedy: Remedy = ON_ITS_LIMIT


@dataclass(frozen=True, slots=True)
class JobState:
    """How far a job is. Units by the person's names for them; every field may stay as is."""

    magneto: bool = True
    coil_set: bool = False
    propeller: bool = False
    made_safe: bool = False  # entered by the person
    gaps_written: bool = False
    rig: Literal["not heard", "heard", "lost"] = "not heard"
    rig_bad: bool = False  # something about the rig itself is bad
    rig_checked: bool = False
    check_bad: bool = False  # the rig check found something bad
    switch_proved: bool = False
    index_seen: bool = False
    stop_in: bool = False  # piston stop
    touches: tuple[int, int] = (0, 0)  # forward, backward
    at_stop: int = 0  # held at the piston stop now: the side, 1 or -1
    too_near: int = 0  # held there after too short a way: the side
    full_turn: bool = False  # made with the piston stop in
    gauge_points: int = 0  # read with a dial gauge
    tdc_known: bool = False
    tdc_moved: bool = False
    move_sure: bool = False  # by touches enough
    marks_compared: bool = False
    stroke: Literal["not needed", "not stated", "lost", "stated"] = "not stated"
    index_places: int = 1  # of the crank at which the index may have come, as far as is known
    one_turn_out: tuple[str, ...] = ()
    all_out: bool = False  # by a turn, and firing TDC was entered once only
    automatic_advance: tuple[str, ...] = ()  # not yet entered: weights at rest or wedged out
    wedge_in: bool = False
    backlash_unknown: tuple[str, ...] = ()
    impulse: tuple[Waiting, ...] = ()  # behind an impulse coupling, running readings to come
    unread: tuple[Waiting, ...] = ()
    inconclusive: tuple[Inconclusive, ...] = ()
    tdc_improvable: bool = False  # more touches of the piston stop make TDC's uncertainty smaller
    set_only: tuple[str, ...] = ()  # set with the crank held, not turned through yet
    outside: tuple[str, ...] = ()
    apart: tuple[str, ...] = ()  # the second unit of pairs that are outside their synchronisation
    change_made: bool = False  # a change was entered and not yet read
    tightened: bool = False  # readings since are "as left"
    touched_again: bool = False  # piston stop touched again at the end
    saved: bool = False
    skipped: frozenset[str] = frozenset()  # steps left out by the person


CHECK_BAD = "rig check bad"
"""The step that a rig check with a bad verdict leaves to be done."""


@dataclass(frozen=True, slots=True)
class Do:
    """What a step asks for; see ``Advice``."""

    next: str
    why: str
    press: str = ""
    hand: Hand = Hand.NOTHING
    unit: str = ""
    deg: float | None = None
    what: str = ""


@dataclass(frozen=True, slots=True)
class _Row:
    step: str
    due: Callable[[JobState], object]
    do: Callable[[JobState], Do]
    cautions: tuple[str, ...] = ()


ENOUGH_TOUCHES = 3
AGAIN_TOUCHES = 2


"""Touches a side after which no more are asked for, for TDC and to prove it again (common practice,
no source)."""


WELL_AWAY_DEG = LEAST_WAY_DEG + 20.0


"""Turned this far from the piston stop, the next touch has way enough."""


def _find_tdc(s: JobState) -> Do:
    forward, backward = s.touches
    if not s.stop_in and s.gauge_points:
        return Do("Go on with the dial gauge", "Its points give no TDC yet.", "dial_gauge")
    if not s.stop_in:
        return Do(
            "Fit the piston stop", "TDC is half-way between its touches. A dial gauge serves too.",
            "piston_stop", Hand.FIT_STOP,
        )  # fmt: skip
    if min(forward, backward) >= ENOUGH_TOUCHES:
        return _stop_out(s, "Three touches on each side are enough.")
    return _way_to_the_stop(s, ENOUGH_TOUCHES)


def _stop_out(s: JobState, why: str) -> Do:
    if s.at_stop:
        return _go_away(s.at_stop, "Well away from it, the last touch is noted.")
    return Do("Remove the piston stop", why, "piston_stop", Hand.REMOVE_STOP)


def _way_to_the_stop(s: JobState, enough: int) -> Do:
    forward, backward = s.touches
    here = s.too_near or s.at_stop
    if here < 0 or (not here and forward <= backward):
        side, n, hand = "forward", forward, Hand.TO_STOP_FORWARD
    else:
        side, n, hand = "back", backward, Hand.TO_STOP_BACK
    why = f"Touch {n + 1} of {enough} on this side: hold it there for a second."
    if s.too_near:
        why = f"The other side: a touch needs {LEAST_WAY_DEG:.0f} degrees of movement before it."
    return Do(f"Turn gently {side} to the piston stop", why, hand=hand)


def _go_away(side: int, why: str) -> Do:
    way, hand = ("back", Hand.TURN_BACK) if side > 0 else ("forward", Hand.TURN_FORWARD)
    return Do(f"Turn {way} by {WELL_AWAY_DEG:.0f} degrees or more", why, hand=hand,
              deg=WELL_AWAY_DEG)  # fmt: skip


def _state_stroke(s: JobState) -> Do:
    why = "Compression shows which of the two it is."
    if s.stroke == "lost":
        why = "The count of turns was lost: enter it again."
    elif s.index_places > 1:
        why = f"It also settles at which of {many(s.index_places, 'place')} the index passes."
    return Do(
        "Bring cylinder 1 to its firing TDC", why, "firing_tdc", Hand.GO_TO_FIRING_TDC, deg=0.0
    )


def _one_turn_out(s: JobState) -> Do:
    if s.all_out:
        return Do("Bring cylinder 1 to its firing TDC",
                  "All units open on the other stroke: enter it again.",
                  "firing_tdc", Hand.GO_TO_FIRING_TDC, deg=0.0)  # fmt: skip
    unit = s.one_turn_out[0]
    return Do(f"Couple {unit} one crank turn on",
              "It opens at the right angle on the wrong stroke.",
              "unit_moved", Hand.MOVE_UNIT, unit, 360.0, "coupling")  # fmt: skip


def _place_open(s: JobState) -> bool:
    """Where the index has several places no angle is known until the stroke is stated."""
    return s.index_places > 1 and s.stroke in ("not stated", "lost")


def _read(s: JobState) -> Do:
    first = s.unread[0]
    so_far = f"{first.unit}, {first.setting}: {first.n} of {many(first.wanted, 'reading')}"
    return Do("Turn slowly forward past the openings", f"{so_far}.", hand=Hand.TURN_FORWARD)


def _past_impulse(s: JobState) -> Do:
    first = s.impulse[0]
    return Do(
        f"Read {first.unit} past its impulse coupling",
        "Its nominal is for the coupling released, not holding back.",
        "past_impulse",
        unit=first.unit,
    )


TOO_LARGE: Mapping[Source, str] = {
    Source.TDC: "TDC is too uncertain",
    Source.COUNTING: "the encoder is too coarse",
    Source.GRADUATION: "the encoder's error is too large",
    Source.RUN_OUT: "the encoder's run-out is too large",
    Source.BACKLASH: "the backlash is too large",
}


def _decide(s: JobState) -> Do:
    """The remedies that a person has at the bench; else the verdict stays open."""
    readings = next((each for each in s.inconclusive if each.remedy.readings), None)
    if readings is not None:
        more = many(readings.remedy.readings, "more reading")
        return Do(
            "Turn slowly forward past the openings",
            f"{_whose(readings)}: {more} should decide it.",
            hand=Hand.TURN_FORWARD,
        )
    sources = {each.remedy.largest for each in s.inconclusive}
    if Source.TDC in sources and s.tdc_improvable:
        return Do(
            "Fit the piston stop, to touch it again",
            f"More readings will not help: {TOO_LARGE[Source.TDC]}.",
            "piston_stop",
            Hand.FIT_STOP,
        )
    first = s.inconclusive[0]
    who = "It" if first.cylinder is None else f"Cylinder {first.cylinder}"
    why = f"{who} is on its limit: more readings will not help."
    if first.remedy.largest is not None:
        part = TOO_LARGE.get(first.remedy.largest, "another uncertainty is too large")
        why = f"More readings will not help: {part}."
    return Do(f"Leave {first.unit} inconclusive", why, "step_done", Hand.WORK, what="more readings")


def _whose(open_: Inconclusive) -> str:
    return open_.unit if open_.cylinder is None else f"{open_.unit}, cylinder {open_.cylinder}"


def _adjust(s: JobState) -> Do:
    if s.outside:
        return Do(
            f"Adjust {s.outside[0]}", "It opens outside its window.", "adjust", unit=s.outside[0]
        )
    return Do(
        f"Adjust {s.apart[0]}", "The two units are too far apart.", "adjust", unit=s.apart[0]
    )  # fmt: skip


def _work(what: str, words: str, why: str, press: str = "step_done") -> Callable[[JobState], Do]:
    """A step that the rig cannot see."""
    return lambda _: Do(words, why, press, Hand.WORK, what=what)


def _always(do: Do) -> Callable[[JobState], Do]:
    return lambda _: do


ROWS: tuple[_Row, ...] = (
    _Row(
        "make safe",
        lambda s: not s.made_safe,
        _work("make safe", "Make it safe: plugs out, fuel off, ventilate, chock",
              "Turning the crank can fire a cylinder."),
        (LIVE, ARC, COIL, LAST_WORD),
    ),
    _Row(
        "rig lost",
        lambda s: s.rig == "lost",
        _always(Do("Plug the rig in again", "Reconnecting; readings are kept.",
                   hand=Hand.FIX, what="rig")),
    ),
    _Row(
        "gap",
        lambda s: not s.gaps_written,
        _work("gap", "Clean the contacts, set their gap and note it",
              "Changing the gap later moves the timing."),
    ),
    _Row(
        "rig",
        lambda s: s.rig == "not heard",
        _always(Do("Connect the rig", "Nothing that it sent could be read yet.",
                   hand=Hand.FIX, what="rig")),
    ),
    _Row(
        "switch",
        lambda s: s.magneto and not (s.switch_proved or s.rig_checked or s.check_bad),
        _always(Do("Check the rig, starting with the switch",
                   "Once its lead is off, the switch cannot be proved.", "rig_check")),
        (LIVE, ARC),
    ),
    _Row(
        "index",
        lambda s: not s.index_seen,
        _always(Do("Turn slowly forward until the index passes",
                   "All angles are counted from the index.", hand=Hand.TURN_FORWARD)),
        (LIVE, ARC, COIL),
    ),
    _Row(
        "rig bad",
        lambda s: s.rig_bad,
        _always(Do("Correct what the rig reports", "No reading is better than the rig.",
                   hand=Hand.FIX, what="rig")),
    ),
    _Row(
        CHECK_BAD,
        lambda s: s.check_bad and not s.rig_checked,
        _always(Do("Put right what the check found, check again",
                   "No reading is better than the rig.", "rig_check", Hand.FIX, what="rig check")),
    ),
    _Row(
        "rig check",
        lambda s: not s.rig_checked and not s.check_bad,
        _always(Do("Check the rig", "It proves counts, direction and wiring.", "rig_check")),
        (LIVE, ARC, PRIMARY),
    ),
    _Row(
        "switch",
        lambda s: s.magneto and not s.switch_proved,
        _work("switch", "Prove the switch: earthed at OFF, open at ON",
              "The rig check left it out."),
        (LIVE, ARC),
    ),
    _Row(
        "dead centre moved",
        lambda s: s.tdc_moved,
        lambda s: Do("Select the TDC to use", "It has moved: encoder or coupling slipped.",
                     "select_tdc")
        if s.move_sure
        else Do("Fit the piston stop again",
                "TDC seems to have moved: two touches a side make it sure.",
                "piston_stop", Hand.FIT_STOP),
        (STOP,),
    ),
    _Row(
        "top dead centre",
        lambda s: s.stop_in and s.full_turn,
        _always(Do("Remove the piston stop and check it",
                   "The crank made a full turn: the stop does not meet the piston.",
                   "piston_stop", Hand.REMOVE_STOP)),
        (STOP,),
    ),
    _Row("top dead centre", lambda s: not s.tdc_known, _find_tdc, (STOP, ARC)),
    _Row(
        "stop out",
        lambda s: s.tdc_known and s.stop_in,
        lambda s: _stop_out(s, "A full turn against it bends something.")
        if min(s.touches) >= AGAIN_TOUCHES
        else _way_to_the_stop(s, AGAIN_TOUCHES),
        (STOP,),
    ),
    _Row(
        "marks",
        lambda s: not s.marks_compared and not _place_open(s),
        _work("marks", "Compare TDC with the engine's own marks",
              "Marks can be wrong, or belong to other parts."),
    ),
    _Row("stroke", lambda s: s.stroke in ("not stated", "lost"), _state_stroke, (LIVE, ARC)),
    _Row(
        "one turn out",
        lambda s: s.one_turn_out,
        _one_turn_out,
        (LIVE,),
    ),
    _Row(
        "advance",
        lambda s: s.automatic_advance,
        lambda s: Do(f"Leave {s.automatic_advance[0]}'s weights at rest, or wedged",
                     "Automatic advance moves the timing: note which it is.",
                     "step_done", Hand.WORK, s.automatic_advance[0], what="advance"),
    ),
    _Row(
        "play",
        lambda s: s.backlash_unknown,
        lambda s: Do(f"Hold a light drag on {s.backlash_unknown[0]}'s rotor",
                     "The magnet can pull it through the backlash and open early.",
                     "step_done", Hand.WORK, s.backlash_unknown[0], what="play"),
        (LIVE,),
    ),
    _Row("impulse", lambda s: s.impulse, _past_impulse, (LIVE, ARC)),
    _Row("readings", lambda s: s.unread, _read, (LIVE, ARC, COIL)),
    _Row(
        "confirm set",
        lambda s: s.set_only,
        lambda s: Do(f"Turn forward through the opening of {s.set_only[0]}",
                     "It was set with the crank held: confirm it by turning.",
                     hand=Hand.TURN_FORWARD),
        (LIVE, ARC),
    ),
    _Row(
        "confirm change",
        lambda s: s.change_made,
        _always(Do("Read again after the change", "Only a reading shows what it did.",
                   hand=Hand.TURN_FORWARD)),
        (LIVE, ARC),
    ),
    _Row(
        "more readings",
        lambda s: s.inconclusive,
        _decide,
        (LIVE, ARC),
    ),
    _Row("correction", lambda s: s.outside or s.apart, _adjust, (LAST_WORD,)),
    _Row(
        "tighten",
        lambda s: not s.tightened,
        _work("tighten", "Tighten everything",
              "Bolts move the timing: what is read now is as left.", "as_left"),
        (LIVE, ARC),
    ),
    _Row(
        "touch again",
        lambda s: not s.touched_again,
        _always(Do("Fit the piston stop again", "It shows whether the encoder has slipped.",
                   "piston_stop", Hand.FIT_STOP)),
        (STOP,),
    ),
    _Row(
        "certificate",
        lambda s: not s.saved,
        _always(Do("Save the certificate",
                   "A record of measurement, not a release to service.", "save")),
    ),
    _Row(
        CLOSE,
        lambda _: True,
        _always(Do("Work through the closing list",
                   "What was fitted comes off, what came off goes back.",
                   "quit", Hand.WORK, what="close")),
        (LAST_WORD,),
    ),
)  # fmt: skip

NEEDED = frozenset(
    {"rig lost", "rig", "index", "top dead centre", "stop out", "stroke", "readings",
     "certificate", CLOSE}
)  # fmt: skip


"""Steps that cannot be skipped: the work cannot go on without them."""


SAFE = ("make safe", "rig lost")
AT_THE_STOP = ("top dead centre", "stop out")


def due(state: JobState) -> tuple[Advice, ...]:
    """Every step that is not behind yet, in the order of the work. Source: the table.

    While the piston stop is in, what concerns it comes before all that wants the crank turned on.
    Once the certificate is saved, only the closing of the job is left.
    """
    steps = [
        row
        for row in ROWS
        if row.due(state)
        and (not state.saved or row.step == CLOSE)
        and (row.step not in state.skipped or row.step in NEEDED)
    ]
    if state.stop_in:
        steps.sort(key=lambda row: 0 if row.step in SAFE else 1 if row.step in AT_THE_STOP else 2)
    return tuple(_advice(row, state) for row in steps)


def _advice(row: _Row, state: JobState) -> Advice:
    do, said = row.do(state), _cautions(row, state)
    return Advice(
        row.step, do.next, do.why, " ".join(each for each in said if each is not STOP),
        press=do.press, hand=do.hand, unit=do.unit, deg=do.deg, what=do.what,
        caution=STOP if STOP in said else "",
    )  # fmt: skip


def advice(state: JobState) -> Advice:
    """What comes next: the first step that is due."""
    return due(state)[0]


def _cautions(row: _Row, state: JobState) -> list[str]:
    """The warnings and cautions that fit this engine: no magneto, no word of live magnetos."""
    fits = {LIVE: state.magneto, PRIMARY: state.magneto, COIL: state.coil_set}
    said = [caution for caution in row.cautions if fits.get(caution, True)]
    if ARC in said and state.propeller:
        said[said.index(ARC)] = PROPELLER
    return said


def closing_list(state: JobState) -> tuple[str, ...]:
    """What has to be off, on and proved when the job ends.

    Source: common practice, no source; the switch as FAA-H-8083-32 ch. 4, Ignition Switches.
    """
    items = (
        (True, "piston stop and gauge out of the plug holes"),
        (state.wedge_in, "wedge out of the automatic advance"),
        (True, "rig leads off, encoder and its bracket off the crank"),
        (state.magneto, "earth lead back on"),
        (state.magneto, "switch proved: earthed at OFF, open at ON"),
        (state.coil_set, "battery connected last"),
        (True, "plugs in, each lead on its own cylinder"),
        (True, "everything that was moved tight, and locked as the manual says"),
        (True, "tools and hands clear of the arc, before fuel goes on"),
    )
    return tuple(words for wanted, words in items if wanted)


ENOUGH_READINGS = 5
LEAST_OF_CYLINDER = 2


"""Readings of a unit, and of each of its cylinders, after which nothing more is asked for; more are
always welcome."""


def guidance(host: Host) -> Advice:
    """What comes next at this bench."""
    return advice(state_of(host))


def state_of(host: Host) -> JobState:
    """How far the job is."""
    session = host.session
    said = session.annotations.steps
    stop, hold = session.touches(), session.stop_hold()
    units = host.job.profile.units
    readings = session.readings()
    weights = tuple(unit.name for unit in units if unit.automatic_advance)
    magnetos = [unit for unit in units if unit.ignition == "magneto"]
    coupled = {unit.name for unit in units if unit.coupling == "impulse"}
    unread = _unread(host, readings)
    out = tuple(u.name for u in units if any(r.wrong_stroke for r in _here(host, readings, u)))
    return JobState(
        magneto=bool(magnetos),
        coil_set=len(magnetos) < len(units),
        propeller="propeller" in host.job.profile.engine.seen_from,
        made_safe="make safe" in said,
        gaps_written="gap" in said,
        rig="lost" if not host.connected else "heard" if host.understood else "not heard",
        rig_checked="rig check" in said,
        check_bad=CHECK_BAD in said,
        rig_bad=any(doubt.bad and doubt.of_rig for doubt in session.doubts()),
        switch_proved="switch" in said,
        index_seen=_index_holds(session),
        stop_in=stop is not None,
        touches=(_touches(stop, hold, 1), _touches(stop, hold, -1)) if stop else (0, 0),
        at_stop=hold.touch.side if hold is not None and hold.is_touch else 0,
        too_near=_too_near(hold, session.short_way()),
        full_turn=session.stop_turned_deg() >= 360.0,
        tdc_known=session.reference is not None,
        tdc_moved=tdc_moved(session),
        move_sure=_sure(session),
        gauge_points=len(session.gauge.readings),
        marks_compared="marks" in said or bool(session.gauge.marks),
        stroke=stroke_state(host),
        index_places=session.index_places,
        one_turn_out=out,
        all_out=len(out) == len(units) and session.stroke_entries == 1,
        automatic_advance=() if "advance" in said else weights,
        wedge_in=bool(weights),  # at the end it is looked for wherever there may be one
        # Only a magnet pulls its rotor through the play.
        backlash_unknown=()
        if "play" in said
        else tuple(unit.name for unit in magnetos if unit.play_deg is None),
        impulse=tuple(each for each in unread if each.unit in coupled),
        unread=tuple(each for each in unread if each.unit not in coupled),
        inconclusive=() if "more readings" in said else _in_doubt(host),
        tdc_improvable=_improvable(session.reference),
        set_only=tuple(u.name for u in units if _set_last(readings, u)),
        outside=_verdicts(host, "outside"),
        apart=_apart(session),
        change_made=_changed(session),
        tightened=session.annotations.tightened,
        touched_again=bool(session.checks) or _gauged_again(session.gauge.readings),
        saved=host.saved is not None,
        skipped=frozenset(session.annotations.skipped),
    )


def _touches(stop: StopTouches, hold: Hold | None, side: int) -> int:
    """Touches of a side, with the one that goes on."""
    goes_on = hold is not None and hold.is_touch and hold.touch.side == side
    return len(stop.side(side)) + goes_on


def _too_near(hold: Hold | None, left: ShortWay | None) -> int:
    """The side on which the crank is held, or was last, after too short a way; else 0."""
    if hold is not None:
        return hold.touch.side if hold.way_deg < LEAST_WAY_DEG else 0
    return left.side if left is not None else 0


def _sure(session: Session) -> bool:
    """The TDC that was found last rests on more than one touch a side: a single one may have been a
    rest in the open."""
    last = session.references[-1] if session.references else None
    if last is None or last.method is not Method.STOP:
        return True
    return min(len(last.forward_deg), len(last.backward_deg)) >= AGAIN_TOUCHES


def _apart(session: Session) -> tuple[str, ...]:
    """The second of each pair whose last comparison is outside: an adjustment begins a new one."""
    last = {
        (each.first, each.second, each.setting): each
        for each in session.comparisons()  # phases come in order
        if each.cylinder is None
    }
    return tuple(each.second for each in last.values() if each.verdict == "outside")


def _index_holds(session: Session) -> bool:
    """The index has passed, and no counts were lost since."""
    return session.is_anchored and not session.angles_lost


def tdc_moved(session: Session) -> bool:
    """TDC, touched again, is not where the reference in use has it."""
    if session.reference is None or not any(stop.purpose == "check" for stop in session.stops):
        return False
    last = session.references[-1]
    return last is not session.reference and moved(session.reference, last).has_moved


def _changed(session: Session) -> bool:
    """Something was changed on a unit, or on the whole engine, that was not read since."""
    counted = [r for r in session.readings() if r.valid]
    return any(
        not any(unit in ("", r.unit) and session.t_us(r) > t_us for r in counted)
        for (_, unit), t_us in zip(
            session.annotations.changes, session.annotations.changed_us, strict=True
        )
    )


def _gauged_again(readings: list[GaugeReading]) -> bool:
    """Touched once more with the gauge, on both sides."""
    return {each.direction for each in readings if each.again} >= {1, -1}


def _of(readings: list[Reading], unit: Unit) -> list[Reading]:
    return [r for r in readings if r.unit == unit.name and r.valid]


def _here(host: Host, readings: list[Reading], unit: Unit) -> list[Reading]:
    """Valid readings of a unit as it is now: its setting and phase."""
    session = host.session
    here = (session.setting_of(unit.name), session.phase_of(unit.name))
    return [r for r in _of(readings, unit) if (r.setting, r.phase) == here]


def _set_last(readings: list[Reading], unit: Unit) -> bool:
    own = _of(readings, unit)
    return bool(own) and own[-1].kind == "set"


def _unread(host: Host, readings: list[Reading]) -> tuple[Waiting, ...]:
    """Units with too few readings as they are now."""
    waiting = [_waiting(host, readings, unit) for unit in host.job.profile.units]
    return tuple(each for each in waiting if each.n < each.wanted)


def _waiting(host: Host, readings: list[Reading], unit: Unit) -> Waiting:
    """How many readings a unit has as it is now, and wants; a coupling's trips are none."""
    own = [r for r in _here(host, readings, unit) if r.kind != "impulse"]
    of_cylinder = Counter(r.cylinder for r in own)
    cylinders = served_cylinders(unit, host.job.profile.engine)
    each = max(LEAST_OF_CYLINDER, math.ceil(ENOUGH_READINGS / len(cylinders)))
    n, wanted = sum(min(of_cylinder[c], each) for c in cylinders), each * len(cylinders)
    if None in of_cylinder:  # nothing tells its cylinders apart
        n, wanted = of_cylinder.total(), max(wanted, ENOUGH_READINGS)
    return Waiting(unit.name, host.session.setting_of(unit.name), n, wanted)


def running_readings(host: Host, unit: Unit) -> Waiting:
    """How many running readings a unit with an impulse coupling has as it is now, and wants."""
    return _waiting(host, host.session.readings(), unit)


def _in_doubt(host: Host) -> tuple[Inconclusive, ...]:
    """Units whose verdict is open, each on the figure that takes most to decide."""
    session = host.session
    found = []
    for name in _verdicts(host, "inconclusive"):
        here = (name, session.setting_of(name), session.phase_of(name), "turned", "inconclusive")
        open_ = [
            Inconclusive(name, j.cylinder, _remedy(j))
            for j in session.assessments()
            if (j.unit, j.setting, j.phase, j.kind, j.verdict) == here
        ]
        found.append(max(open_, key=lambda each: (each.remedy.readings == 0, each.remedy.readings)))
    return tuple(found)


def _remedy(j: Assessment) -> Remedy:
    if j.mean_btdc is None or j.earliest_btdc is None or j.latest_btdc is None:
        return ON_ITS_LIMIT
    to_limits = [wrap(limit - j.mean_btdc) for limit in (j.latest_btdc, j.earliest_btdc)]
    return remedy(min(map(abs, to_limits)), j.uncertainty, j.n)


def _verdicts(host: Host, verdict: str) -> tuple[str, ...]:
    session = host.session
    judged = session.assessments()
    return tuple(
        u.name
        for u in host.job.profile.units
        if unit_verdict(
            judged, u.name, session.setting_of(u.name), session.phase_of(u.name)
        ).verdict
        == verdict
    )


MOST_TOUCHES = 12


"""Touches of a side after which TDC is as good as this piston stop can give it."""


def _improvable(reference: TdcReference | None) -> bool:
    """Whether more touches of the piston stop make the uncertainty of TDC smaller."""
    if reference is None or reference.method is not Method.STOP:
        return reference is not None
    parts = reference.uncertainty.parts
    repeats = max(parts, key=lambda part: part.u_deg, default=None)
    few = min(len(reference.forward_deg), len(reference.backward_deg)) < MOST_TOUCHES
    return few and repeats is not None and repeats.source is Source.REPEATABILITY


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
        return "connect"
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
        done.append("connect")
    if session.is_anchored:
        done.append("index")
    if session.reference is not None and session.stop is None:
        done.append("top dead centre")
    if session.stroke is not None:
        done.append("stroke")
    if host.saved is not None:
        done += ["reading", "saved"]
    return tuple(done)
