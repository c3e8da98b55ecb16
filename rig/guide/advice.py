"""What comes next in a job, why, and what to beware of. It never blocks anybody.

The steps are a table in the order of the work. The first step that is due is the advice. Doing
something else at any time changes only what is advised next. Order and cautions: FAA-H-8083-32
ch. 4 (magneto timing and switches), US Army TM 1-1500-204-23-1 (backlash, impulse coupling); the
rest is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from rig.base.rounding import many
from rig.base.uncertainty import Source
from rig.engine.profile import Profile
from rig.guide.action import Host
from rig.guide.procedure import Advice, Hand
from rig.guide.state import (
    AGAIN_TOUCHES,
    CHECK_BAD,
    Inconclusive,
    JobState,
    Outside,
    ToSetting,
    state_of,
)
from rig.tdc.touches import LEAST_WAY_DEG

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

CLOSE = "close"  # the step that ends a job
ENOUGH_TOUCHES = 3  # a side, for TDC (common practice, no source)
MORE_TOUCHES = 5  # a side, each time that TDC's uncertainty is to be made smaller
WELL_AWAY_DEG = LEAST_WAY_DEG + 20.0  # from the piston stop: the next touch has way enough


def _do(
    next_: str, why: str, press: str = "", hand: Hand = Hand.NOTHING, unit: str = "",
    *, deg: float | None = None, what: str = "",
) -> Advice:  # fmt: skip
    """What a step asks for, before its name and cautions are added."""
    return Advice("", next_, why, press=press, hand=hand, unit=unit, deg=deg, what=what)


def _work(what: str, next_: str, why: str, press: str = "step_done", unit: str = "") -> Advice:
    """A step that the rig cannot see."""
    return _do(next_, why, press, Hand.WORK, unit, what=what)


def _find_tdc(s: JobState) -> Advice:
    if not s.stop_in and s.gauge_points:
        return _do("Go on with the dial gauge", "Its points give no TDC yet.", "dial_gauge")
    if not s.stop_in:
        why = "TDC is half-way between its touches. A dial gauge serves too."
        return _do("Fit the piston stop", why, "piston_stop", Hand.FIT_STOP)
    if min(s.touches) >= ENOUGH_TOUCHES:
        return _stop_out(s, "Three touches on each side are enough.")
    return _way_to_the_stop(s, ENOUGH_TOUCHES)


def _touch_again(s: JobState) -> Advice:
    enough = MORE_TOUCHES if s.more_touches else AGAIN_TOUCHES
    if min(s.touches) >= enough:
        return _stop_out(s, "A full turn against it bends something.")
    return _way_to_the_stop(s, enough)


def _stop_out(s: JobState, why: str) -> Advice:
    if not s.at_stop:
        return _do("Remove the piston stop", why, "piston_stop", Hand.REMOVE_STOP)
    way, hand = ("back", Hand.TURN_BACK) if s.at_stop > 0 else ("forward", Hand.TURN_FORWARD)
    why = "Well away from it, the last touch is noted."
    return _do(f"Turn {way} by {WELL_AWAY_DEG:.0f} degrees or more", why, hand=hand,
               deg=WELL_AWAY_DEG)  # fmt: skip


def _way_to_the_stop(s: JobState, enough: int) -> Advice:
    forward, backward = s.touches
    here = s.too_near or s.at_stop
    if here < 0 or (not here and forward <= backward):
        side, n, hand = "forward", forward, Hand.TO_STOP_FORWARD
    else:
        side, n, hand = "back", backward, Hand.TO_STOP_BACK
    why = f"Touch {n + 1} of {enough} on this side: hold it there for a second."
    if s.too_near:
        why = f"The other side: a touch needs {LEAST_WAY_DEG:.0f} degrees of movement before it."
    return _do(f"Turn gently {side} to the piston stop", why, hand=hand)


def _tdc_moved(s: JobState) -> Advice:
    if s.move_sure:
        why = "It has moved: encoder or coupling slipped."
        return _do("Select the TDC to use", why, "select_tdc")
    why = "TDC seems to have moved: two touches a side make it sure."
    return _do("Fit the piston stop again", why, "piston_stop", Hand.FIT_STOP)


def _firing_tdc(why: str) -> Advice:
    return _do("Bring cylinder 1 to its firing TDC", why, "firing_tdc", Hand.GO_TO_FIRING_TDC,
               deg=0.0)  # fmt: skip


def _state_stroke(s: JobState) -> Advice:
    if s.stroke == "lost":
        return _firing_tdc("The count of turns was lost: enter it again.")
    if s.index_places > 1:
        places = many(s.index_places, "place")
        return _firing_tdc(f"It also shows at which of {places} the index passes.")
    return _firing_tdc("Compression shows which of the two it is.")


def _one_turn_out(s: JobState) -> Advice:
    if s.all_out:
        return _firing_tdc("All units open on the other stroke: enter it again.")
    unit, why = s.one_turn_out[0], "It opens at the right angle on the wrong stroke."
    return _do(f"Couple {unit} one crank turn on", why, "unit_moved", Hand.MOVE_UNIT, unit,
               deg=360.0, what="coupling")  # fmt: skip


def _hold_drag(unit: str, why: str) -> Advice:
    """On the rotor of a unit; of every magneto where none is named."""
    rotor = f"rotor of {unit}" if unit else "rotor of each magneto"
    return _do(f"Hold back the {rotor} lightly", why, "drag", Hand.HOLD_DRAG, unit)


def _read(s: JobState) -> Advice:
    first = s.unread[0]
    so_far = f"{first.unit}, {first.setting}: {first.n} of {many(first.wanted, 'reading')}"
    return _do("Turn slowly forward past the openings", f"{so_far}.", hand=Hand.TURN_FORWARD)


TOO_LARGE: Mapping[Source, str] = {
    Source.TDC: "TDC is too uncertain",
    Source.COUNTING: "the encoder is too coarse",
    Source.GRADUATION: "the encoder's error is too large",
    Source.RUN_OUT: "the encoder's run-out is too large",
    Source.BACKLASH: "the backlash is too large",
    Source.ENTERED_TDC: "the entered TDCs are too uncertain",
    Source.SENSING_DELAY: "the sensing delay is too uncertain",
}


def _decide(s: JobState) -> Advice:
    """What can be done at the bench about verdicts that are open, readings first."""
    first = max(s.to_decide, key=lambda each: each.remedy.readings > 0)
    if first.remedy.readings:
        return _do("Turn slowly forward past the openings", _decides(first),
                   hand=Hand.TURN_FORWARD)  # fmt: skip
    why = f"More readings will not help: {TOO_LARGE[first.remedy.shrink or Source.TDC]}."
    if first.remedy.shrink is Source.BACKLASH:
        return _hold_drag(first.unit, why)
    return _do("Fit the piston stop, to touch it again", why, "piston_stop", Hand.FIT_STOP,
               what=MORE)  # fmt: skip


def _decides(open_: Inconclusive) -> str:
    return f"{_whose(open_)}: {many(open_.remedy.readings, 'more reading')} should decide it."


def _past_impulse(s: JobState) -> Advice:
    unit = s.impulse[0].unit
    why = "Its nominal is for the coupling released, not holding back."
    open_ = [each for each in s.inconclusive if each.unit == unit and each.remedy.readings]
    return _do(f"Read {unit} past its impulse coupling", _decides(open_[0]) if open_ else why,
               "past_impulse", unit=unit)  # fmt: skip


MORE = "more touches"


def _whose(open_: Inconclusive) -> str:
    return open_.unit if open_.cylinder is None else f"{open_.unit}, cylinder {open_.cylinder}"


def _at(out: Outside) -> str:
    return f" at {out.setting}" if out.setting else ""


def _certificate(s: JobState) -> Advice:
    """What limits a verdict that stays open is said; nothing at the bench would decide it."""
    why = "A record of measurement, not a release to service."
    if s.outside:
        why = f"{s.outside[0].unit} stays outside its window{_at(s.outside[0])}."
    left = next((each for each in s.inconclusive if not each.can_be_decided), None)
    if left is not None:
        why = f"{_whose(left)} is on its limit: no reading decides it."
        if left.remedy.largest is not None:
            part = TOO_LARGE.get(left.remedy.largest, "another uncertainty is too large")
            why = f"{left.unit} stays inconclusive: {part}."
    return _do("Save the certificate", why, "save")


def _adjust(s: JobState) -> Advice:
    unit, why = "", "The two units are too far apart."
    if s.outside:
        unit, why = s.outside[0].unit, f"It opens outside its window{_at(s.outside[0])}."
    unit = unit or s.apart[0]
    return _do(f"Adjust {unit}", why, "adjust", unit=unit)


TO_SETTING = {
    ToSetting.UNREAD: "It has a window of its own, and the advance range follows from both.",
    ToSetting.SHOWS_RELEASE: "There a trip shows where its impulse coupling releases.",
    ToSetting.CANNOT_BE_READ: "Here it opens just as its coupling releases: no reading is sure.",
}


def _other_setting(s: JobState) -> Advice:
    other = s.other_settings[0]
    return _do(f"Move {other.unit}'s lever to {other.setting}", TO_SETTING[other.because],
               str(other.input), Hand.MOVE_LEVER, other.unit, what=other.setting)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Row:
    step: str
    due: Callable[[JobState], object]
    do: Advice | Callable[[JobState], Advice]
    warning: str = ""  # besides the engine's hazards
    caution: str = ""


def _not_yet(step: str) -> Callable[[JobState], bool]:
    return lambda s: step not in s.entered


ROWS: tuple[_Row, ...] = (
    _Row("rig lost", lambda s: s.rig == "lost",
         _do("Plug the rig in again", "Reconnecting; readings are kept.",
             hand=Hand.FIX, what="rig")),
    _Row("make safe", _not_yet("make safe"),
         _work("make safe", "Make safe: plugs out, fuel off, ventilate, chock",
               "Turning the crank can fire a cylinder."),
         LAST_WORD),
    _Row("gap", _not_yet("gap"),
         _work("gap", "Clean the contacts and set their gap",
               "Changed later, it moves the timing. A remark (r) notes it.")),
    _Row("rig", lambda s: s.rig == "not heard",
         _do("Connect the rig", "Nothing that it sent could be read yet.",
             hand=Hand.FIX, what="rig")),
    # Before the first turn: what is read without it is rejected once one is held.
    _Row("play", lambda s: s.without_drag,
         lambda s: _hold_drag(s.without_drag[0] if len(s.without_drag) == 1 else "",
                              "The magnet can pull it through the backlash and open early.")),
    _Row("switch", lambda s: s.magneto and not s.entered & {"switch", "rig check", CHECK_BAD},
         _do("Check the rig, starting with the switch",
             "Once its lead is off, the switch cannot be proved.", "rig_check")),
    _Row("index", lambda s: not s.index_seen,
         _do("Turn slowly forward until the index passes",
             "All angles are counted from the index.", hand=Hand.TURN_FORWARD)),
    _Row("rig bad", lambda s: s.rig_bad,
         _do("Correct what the rig reports", "No reading is better than the rig.",
             hand=Hand.FIX, what="rig")),
    _Row(CHECK_BAD, lambda s: CHECK_BAD in s.entered,
         _do("Put right what the check found, check again", "No reading is better than the rig.",
             "rig_check", Hand.FIX, what="rig check")),
    _Row("rig check", lambda s: not s.entered & {"rig check", CHECK_BAD},
         _do("Check the rig", "It proves counts, direction and wiring.", "rig_check"),
         PRIMARY),
    _Row("switch", lambda s: s.magneto and "switch" not in s.entered,
         _work("switch", "Prove the switch: earthed at OFF, open at ON",
               "The rig check left it out.")),
    _Row("dead centre moved", lambda s: s.tdc_moved, _tdc_moved, caution=STOP),
    _Row("top dead centre", lambda s: s.stop_in and s.full_turn,
         _do("Remove the piston stop and check it",
             "The crank made a full turn: the stop does not meet the piston.",
             "piston_stop", Hand.REMOVE_STOP),
         caution=STOP),
    _Row("top dead centre", lambda s: s.stop_hides_index,
         _do("Remove the piston stop", "The index cannot pass while it is in: pass that first.",
             "piston_stop", Hand.REMOVE_STOP),
         caution=STOP),
    _Row("top dead centre", lambda s: not s.tdc_known, _find_tdc, caution=STOP),
    _Row("stop out", lambda s: s.tdc_known and s.stop_in, _touch_again, caution=STOP),
    # Where the index has several places no angle is known until the stroke is entered.
    _Row("marks", lambda s: "marks" not in s.entered
         and not (s.index_places > 1 and s.stroke in ("not stated", "lost")),
         _work("marks", "Compare TDC with the engine's own marks",
               "Marks can be wrong, or belong to other parts.")),
    _Row("stroke", lambda s: s.stroke in ("not stated", "lost"), _state_stroke),
    _Row("one turn out", lambda s: s.one_turn_out, _one_turn_out),
    _Row("advance", lambda s: s.automatic_advance,
         lambda s: _work("advance",
                         f"Set the weights of {s.automatic_advance[0]} as entered",
                         "At rest, or wedged out, as beside its name: they move the timing.",
                         unit=s.automatic_advance[0])),
    # Levers that are linked move together: each is entered before anything is read.
    _Row("other setting", lambda s: s.levers_on_the_way and s.other_settings, _other_setting),
    _Row("impulse", lambda s: s.impulse, _past_impulse),
    _Row("readings", lambda s: s.unread, _read),
    _Row("confirm set", lambda s: s.set_only,
         lambda s: _do(f"Turn forward through the opening of {s.set_only[0]}",
                       "It was set with the crank held: confirm it by turning.",
                       hand=Hand.TURN_FORWARD)),
    _Row("confirm change", lambda s: s.change_made,
         _do("Read again after the change", "Only a reading shows what it did.",
             hand=Hand.TURN_FORWARD)),
    _Row("more readings", lambda s: s.to_decide, _decide),
    # Before any adjustment, which has to be right for each setting.
    _Row("other setting", lambda s: s.other_settings, _other_setting),
    _Row("correction", lambda s: s.outside or s.apart, _adjust, LAST_WORD),
    _Row("tighten", lambda s: not s.tightened,
         _work("tighten", "Tighten everything",
               "Bolts move the timing: what is read now is as left.", "as_left")),
    _Row("touch again", lambda s: not s.touched_again,
         _do("Fit the piston stop again", "It shows whether the encoder has slipped.",
             "piston_stop", Hand.FIT_STOP),
         caution=STOP),
    _Row("certificate", lambda s: not s.saved, _certificate),
    _Row(CLOSE, lambda _: True,
         _work(CLOSE, "Work through the closing list",
               "What was fitted comes off, what came off goes back.", "quit"),
         LAST_WORD),
)  # fmt: skip

NEEDED = frozenset(
    {"rig lost", "rig", "index", "top dead centre", "stop out", "stroke", "readings",
     "certificate", CLOSE}
)  # fmt: skip
"""Steps that cannot be skipped: the work cannot go on without them."""


def due(state: JobState) -> tuple[Advice, ...]:
    """Every step that is not behind yet, in the order of the work.

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
        first = {"rig lost": 0, "make safe": 0, "top dead centre": 1, "stop out": 1}
        steps.sort(key=lambda row: first.get(row.step, 2))
    return tuple(_advice(row, state) for row in steps)


def _advice(row: _Row, state: JobState) -> Advice:
    do = row.do if isinstance(row.do, Advice) else row.do(state)
    warning = "" if row.warning == PRIMARY and not state.magneto else row.warning
    caution = STOP if state.stop_in else row.caution
    return replace(do, step=row.step, warning=warning, caution=caution)


def advice(state: JobState) -> Advice:
    """What comes next: the first step that is due."""
    return due(state)[0]


def guidance(host: Host) -> Advice:
    """What comes next at this bench."""
    return with_hazards(advice(state_of(host)), host.job.profile)


def with_hazards(found: Advice, profile: Profile) -> Advice:
    """The advice with the warnings of this engine before its own. They are part of every step: a
    crank can be turned at any time, also while the rig is lost."""
    kinds = {unit.ignition for unit in profile.units}
    hazards = (
        LIVE if "magneto" in kinds else "",
        PROPELLER if "propeller" in profile.engine.seen_from else ARC,
        COIL if kinds - {"magneto"} else "",
    )
    return replace(found, warning=" ".join(filter(None, (*hazards, found.warning))))


def closing_list(state: JobState) -> tuple[str, ...]:
    """What has to be off, on and proved when the job ends.

    Source: common practice, no source; the switch as FAA-H-8083-32 ch. 4, Ignition Switches.
    """
    items = (
        (True, "piston stop and gauge out of the plug holes"),
        (state.wedge_in, "wedge out of the automatic advance"),
        (state.drag_held, "drag off the rotors"),
        (True, "rig leads off, encoder and its bracket off the crank"),
        (state.magneto, "earth lead back on"),
        (state.magneto, "switch proved: earthed at OFF, open at ON"),
        (state.coil_set, "battery connected last"),
        (True, "plugs in, each lead on its own cylinder"),
        (True, "everything that was moved tight, and locked as the manual says"),
        (True, "tools and hands clear of the arc, before fuel goes on"),
    )
    return tuple(words for wanted, words in items if wanted)
