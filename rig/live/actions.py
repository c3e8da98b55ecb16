"""The table of actions: all that the person can do at the bench with a key.

The foot, the page of all keys, the advice's "press ..", scripts and the README's list of keys are
made from it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from importlib import import_module

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.base.rounding import listed
from rig.engine.geometry import stop_cylinder, stop_misleads
from rig.engine.profile import Unit
from rig.engine.windows import typed_within
from rig.guide.action import DIGITS, NOTHING_DONE, Action, Bench, Host, Saved
from rig.guide.advice import MORE, NEEDED
from rig.guide.approach import GoTo
from rig.guide.impulse import PastImpulseCoupling
from rig.guide.procedure import Offer, ask_unit, unit_answered, unit_names
from rig.guide.state import stroke_state
from rig.guide.tdc import GaugePoints, SelectTdc, still_deg
from rig.session.session import Session
from rig.tdc.gauge_points import MARK, MARK_WITHIN_DEG
from rig.timing.readings import tdc_after_reference_deg
from rig.words.diagnostics import mark_words
from rig.words.tdc import stop_words

# Modules of the bench's needs; the ``OFFER`` of each adds actions to those of the core job.
PROCEDURES = (
    "rig.check.procedure",
    "rig.adjust.procedure",
    "rig.adjust.set_by_moving",
    "rig.certificate.issue",
)

# Actions in the order of the work, as the page of all keys has them.
ORDER = (
    "step_done", "event_here", "undo", "skip", "rig_check", "piston_stop", "other_cylinder",
    "dial_gauge", "engine_mark", "select_tdc", "firing_tdc", "drag", "advance_lever",
    "past_impulse",
    "adjust", "set_by_moving", "unit_moved", "go_to", "as_left", "work_done", "remark", "save",
    "leave", "keys", "quit",
)  # fmt: skip


@cache
def offers() -> tuple[Offer, ...]:
    """What the rooms in ``PROCEDURES`` add to a live run."""
    return tuple(import_module(name).OFFER for name in PROCEDURES)


@cache
def table() -> tuple[Action, ...]:
    """Every action of a job, in the order of the work."""
    every = (*CORE, *(action for offer in offers() for action in offer.actions))
    return tuple(sorted(every, key=lambda action: ORDER.index(action.id)))


def action(name: str) -> Action:
    """The action with that id. Raises KeyError when there is none."""
    return {each.id: each for each in table()}[name]


def save(host: Host) -> Saved:
    """Save a live run without asking. Raises InputError when it cannot be saved."""
    for offer in offers():
        if offer.save is not None:
            return offer.save(host)
    raise InputError("this program has no room that saves a live run; its capture is kept")


# -- when an action is offered -------------------------------------------------------------------


def units_with(has: Callable[[Unit], object]) -> Callable[[Bench], list[Unit]]:
    """Those units of the job that have it."""
    return lambda bench: [unit for unit in bench.host.job.profile.units if has(unit)]


_movable = units_with(lambda unit: len(unit.settings) > 1)
_magnetos = units_with(lambda unit: unit.ignition == "magneto")
_coupled = units_with(lambda unit: unit.coupling == "impulse")

NEEDS: Mapping[str, tuple[Callable[[Bench, Session], object], str]] = {
    "stop out": (lambda _, s: s.stop is None, "Remove the piston stop first."),
    "index": (lambda _, s: s.is_anchored, "Turn the crank slowly until the index passes first."),
    "index or stop in": (lambda _, s: s.is_anchored or s.stop,
                         "Turn the crank slowly until the index passes first."),
    "TDC": (lambda _, s: s.reference is not None, "Find TDC first."),
    "TDC in use": (lambda _, s: s.here is not None, "Find TDC first."),
    "a TDC": (lambda _, s: s.references or s.gauge.readings or s.gauge.marks, "Find TDC first."),
    "no TDC": (lambda _, s: s.reference is None,
               "TDC was found in cylinder {session.reference.cylinder}: touch there again."),
    "strokes": (lambda b, _: stroke_state(b.host) != "not needed",
                "This engine needs no firing TDC."),
    "cylinders": (lambda _, s: s.profile.engine.cylinders > 1, "The engine has one cylinder."),
    "a lever": (lambda b, _: _movable(b), "The engine file has no unit with an advance lever."),
    "a magneto": (lambda b, _: _magnetos(b),
                  "The engine file has no magneto: nothing pulls a rotor."),
    "a coupling": (lambda b, _: _coupled(b),
                   "The engine file has no unit with an impulse coupling."),
    "a unit read": (lambda _, s: any(s.was_read(unit.name) for unit in s.profile.units),
                    "No unit was read yet: moving one changes nothing."),
    "not as left": (lambda _, s: not s.annotations.tightened,
                    "Readings are as left already; backspace undoes that."),
    "can be skipped": (lambda b, _: b.advice.step not in NEEDED,
                       "The work cannot go on without this step."),
    "something done": (lambda b, s: b.done or any(r.valid for r in s.readings()), NOTHING_DONE),
    "a procedure": (lambda b, _: b.dashboard.procedure, "There is nothing to leave: q quits."),
}  # fmt: skip
"""What an action may need to be offered, and why it is not while that is lacking."""


def needs(*names: str) -> Callable[[Bench], str]:
    """Why an action that needs all these is not offered: the first that is lacking."""

    def why_not(bench: Bench) -> str:
        session = bench.host.session
        lacking = (words for there, words in map(NEEDS.__getitem__, names)
                   if not there(bench, session))  # fmt: skip
        return next(lacking, "").format(session=session)

    return why_not


# -- the step under NEXT -------------------------------------------------------------------------


def _why_not_done(bench: Bench) -> str:
    press = bench.advice.press
    if press == "step_done":
        return ""
    own = next((each for each in table() if each.id == press), None)
    return f"This step has its own key: {own.key}." if own else "The rig sees this step by itself."


def _step_done(bench: Bench, _: str) -> None:
    step = bench.advice.step
    bench.note(f"the step {step} is done", "said", {"step": step}, step=step)


def _skip(bench: Bench, _: str) -> None:
    step, words = bench.advice.step, bench.advice.next
    bench.note(f"the step {step} is skipped", "skipped", {"step": step}, step=step)
    bench.prompt.say(f"Skipped: {words[:1].lower()}{words[1:]}.")


def _event(bench: Bench) -> Action | None:
    """What an event at the present crank position means at this step."""
    if bench.host.session.stop is not None:
        return TOUCH
    events = {"firing_tdc": FIRING_TDC, "engine_mark": ENGINE_MARK}
    return events.get(bench.advice.press)


def _why_no_event(bench: Bench) -> str:
    event = _event(bench)
    return event.why_not(bench) if event else "This step needs no event from you."


def _event_here(bench: Bench, entered: str) -> None:
    if (event := _event(bench)) is not None:
        event.run(bench, entered)


# -- TDC -----------------------------------------------------------------------------------------


def _piston_stop(bench: Bench, entered: str) -> None:
    is_in = bench.host.session.stop is not None
    if entered not in ("", "in", "out"):
        raise InputError(f"piston stop {entered!r}: enter in or out")
    if entered and (entered == "in") == is_in:
        raise InputError(f"the piston stop is {entered} already")
    if is_in:
        bench.host.stop_out()
        bench.did("the piston stop is out", lambda: bench.host.undo_tdc("stop-out"))
        bench.prompt.say(stop_words(bench.host.session.stop_result))
    else:
        _stop_in(bench, None)


def _stop_in(bench: Bench, cylinder: int | None) -> None:
    bench.host.stop_in(cylinder, more=bench.advice.what == MORE)
    bench.did("the piston stop is in", lambda: bench.host.stop_out(drop=True))
    stop, engine = bench.host.session.stop, bench.host.job.profile.engine
    if stop is not None:
        wrong = stop_misleads(engine, stop.cylinder)
        words = f"The piston stop is in cylinder {stop.cylinder}"
        bench.prompt.say(f"{words}, but {wrong.words}" if wrong else f"{words}.")


def _other_cylinder(bench: Bench, entered: str) -> None:
    engine = bench.host.job.profile.engine

    def take(answer: str) -> None:
        if not answer.isdecimal() or not 1 <= int(answer) <= engine.cylinders:
            raise InputError(f"cylinder {answer}: enter 1 to {engine.cylinders}")
        _stop_in(bench, int(answer))

    text = f"In which cylinder is the piston stop (usually {stop_cylinder(engine)})?"
    bench.ask_for(text, entered, take)


def _touch(bench: Bench, _: str) -> None:
    """A touch of the piston stop, by the word of the person."""
    at_deg, way = still_deg(bench.host), bench.host.stillness.way
    if way == 0:
        raise InputError("turn the crank to the piston stop first: it is touched from one side")
    bench.host.annotate("touch", {"crank_deg": at_deg, "direction": way})


def _engine_mark(bench: Bench, entered: str) -> None:
    at_deg = still_deg(bench.host)
    bench.ask_for(
        "At which mark is the crank (flywheel T, pulley notch ...)?",
        entered,
        lambda what: _ask_within(bench, at_deg, what),
    )


def _ask_within(bench: Bench, at_deg: float, what: str) -> None:
    if not what:
        raise InputError("enter the name of the mark")
    rim = bench.host.job.profile.engine.rim_diameter_mm
    lengths = ", or how many mm or in of the rim (1 mm)" if rim else ""
    bench.prompt.ask_for(
        f"Within how many degrees is it read, either way (0.5){lengths}? Empty:"
        f" {MARK_WITHIN_DEG:g} degree",
        lambda within: _mark(bench, at_deg, what, within),
        may_be_empty=True,
    )


def _mark(bench: Bench, at_deg: float, what: str, within: str) -> None:
    session = bench.host.session
    read: dict[str, object] = {"within_deg": MARK_WITHIN_DEG}
    if within:
        try:
            typed = typed_within(within, bench.host.job.profile.engine.rim_diameter_mm)
        except InputError:
            _ask_within(bench, at_deg, what)  # the mark's words are not lost
            raise
        read = {"within_deg": typed.deg, "within": typed.words}
    cylinder = session.reference.cylinder if session.reference else 1
    note = {"crank_deg": at_deg, "what": what, "cylinder": cylinder}
    bench.note(f"the mark {what}", MARK, note | read)
    bench.prompt.say(mark_words(session.gauge.marks[-1], session.here))


FAR_FROM_TDC_DEG = 20.0  # a crank brought to TDC by eye is nearer (common practice, no source)


def _firing_tdc(bench: Bench, _: str) -> None:
    def enter() -> None:
        bench.host.enter_firing_tdc()
        bench.did("firing TDC", lambda: bench.host.undo_tdc("stroke"))
        bench.prompt.say("Cylinder 1 is at its firing TDC: entered.")

    session, off_deg = bench.host.session, 0.0
    here, crank_deg = session.here, session.crank_deg()
    if here is not None and crank_deg is not None:
        own_deg = here.tdc_deg + tdc_after_reference_deg(session.profile.engine, here, 1)
        off_deg = wrap(own_deg - crank_deg)
    if abs(off_deg) > FAR_FROM_TDC_DEG:
        size, side = f"{abs(off_deg):.0f}°", "before" if off_deg > 0.0 else "after"
        bench.prompt.ask(f"The crank is {size} {side} TDC. Is that TDC the firing one?", enter)
    elif stroke_state(bench.host) == "stated":
        bench.prompt.ask("Is cylinder 1 at its firing TDC here? It was entered before.", enter)
    else:
        enter()


# -- readings ------------------------------------------------------------------------------------


def _levers(bench: Bench) -> Mapping[str, str]:
    return {str(unit.input): f"lever {unit.name}" for unit in _movable(bench)}


def _lever(bench: Bench, entered: str) -> None:
    """A unit's input or name, and perhaps the setting that its lever is at now, else the next."""
    units = sorted(_movable(bench), key=lambda unit: len(unit.name), reverse=True)
    named = [
        (u, n) for u in units for n in (u.name, str(u.input)) if f"{entered} ".startswith(f"{n} ")
    ]
    unit = named[0][0] if named else unit_answered(units, entered)
    names = [setting.name for setting in unit.settings]
    wanted = entered[len(named[0][1]) :].strip() if named else ""
    now = bench.host.session.setting_of(unit.name)
    fits = [name for name in names if wanted in (name, name.split()[-1])]
    if wanted and len(fits) != 1:
        raise InputError(f"{unit.name} has no setting {wanted!r}: enter {listed(names)}")
    name = fits[0] if wanted else names[(names.index(now) + 1) % len(names)]
    value: dict[str, object] = {"unit": unit.name, "setting": name}
    bench.note(f"the lever of {unit.name} at {name}", "setting", value, unit=unit.name)
    bench.prompt.say(f"{unit.name}: lever at {name}.")


def _drag(bench: Bench, entered: str) -> None:
    """Held on the rotor that NEXT names, on each that has none where NEXT names none, or on that of
    the unit that is asked for; or no longer."""
    of, advised = bench.host.session.annotations.of, bench.advice.press == "drag"
    without = [unit for unit in _magnetos(bench) if not of[unit.name].drag.now]
    if advised and not bench.advice.unit and not entered:
        for unit in without:
            bench.host.annotate("drag", {"unit": unit.name})

        def undo() -> None:
            for unit in without:
                bench.host.annotate("drag", {"back": True, "unit": unit.name})

        bench.did("the drag on each rotor is on", undo)
        bench.prompt.say("The drag on each rotor is on.")
        return

    def take(unit: Unit) -> None:
        held = of[unit.name].drag.now
        ends = {"end": True} if held else {}
        words = f"the drag on the rotor of {unit.name} is {'off' if held else 'on'}"
        bench.note(words, "drag", {"unit": unit.name, **ends}, unit=unit.name)
        bench.prompt.say(f"{words[:1].upper()}{words[1:]}.")

    text = "Drag on the rotor of which unit"
    named = entered or (bench.advice.unit if advised else "")
    ask_unit(bench, text, _magnetos(bench), named, take)


def _past_impulse(bench: Bench, entered: str) -> None:
    def take(unit: Unit) -> None:
        bench.dashboard.begin(PastImpulseCoupling(bench.host, unit))

    advised = bench.advice.unit if bench.advice.press == "past_impulse" else ""
    text = "Past the coupling of which unit"
    ask_unit(bench, text, _coupled(bench), entered or advised, take)


def _go_to(bench: Bench, entered: str) -> None:
    def take(answer: str) -> None:
        try:
            angle = float(answer.replace(",", "."))
        except ValueError:
            raise InputError(
                f"{answer!r} is not an angle: enter degrees, minus after TDC"
            ) from None
        if not -180.0 < angle <= 180.0:
            raise InputError(f"{answer}°: enter an angle between -180 and 180")
        bench.dashboard.begin(GoTo(bench.host, angle))

    bench.ask_for("Go to how many degrees BTDC?", entered, take)


def _unit_moved(bench: Bench, entered: str) -> None:
    def moved(unit: str, when: dict[str, object]) -> None:
        bench.note(f"{unit} was moved", "moved", {"unit": unit, **when}, unit=unit)
        bench.opened_at_rest = None
        bench.prompt.say(f"{unit}: readings from now on are kept apart from those before.")

    if bench.opened_at_rest is not None and not entered:
        unit, from_us = bench.opened_at_rest
        moved(unit, {"from_us": from_us})
    else:
        units = bench.host.job.profile.units
        ask_unit(bench, "Which unit was moved", units, entered, lambda u: moved(u.name, {}))


def _as_left(bench: Bench, _: str) -> None:
    bench.note("as left", "phase", {"phase": "as left"})
    bench.prompt.say("Everything is tightened: readings are as left from now on.")


# -- the record ----------------------------------------------------------------------------------


def _remark(bench: Bench, entered: str) -> None:
    def take(text: str) -> None:
        if text:
            bench.note("a remark", "remark", {"text": text})

    bench.ask_for("Remark for the certificate (gap, weather ...)?", entered, take)


def _work_done(bench: Bench, entered: str) -> None:
    units = bench.host.job.profile.units

    def ask_where(words: str) -> None:
        if words:
            text = f"On which unit ({unit_names(units)})? Empty: on the whole engine."
            bench.prompt.ask_for(text, lambda answer: changed(words, answer), may_be_empty=True)

    def changed(words: str, answer: str) -> None:
        try:
            on = {"unit": unit_answered(units, answer).name} if answer else {}
        except InputError:
            ask_where(words)  # what was entered is not lost
            raise
        bench.note(f"the work {words}", "change", {"words": words, **on})

    bench.ask_for("What was done on the engine or a unit?", entered, ask_where)


# -- the dashboard -------------------------------------------------------------------------------


def _quit(bench: Bench, _: str) -> None:
    if bench.host.saved is None and bench.host.session.openings:
        bench.prompt.ask("Quit without a certificate? The capture is kept.", bench.dashboard.end)
    else:
        bench.dashboard.end()


TOUCH = Action("touch", "space", "touch", "the crank touches the piston stop here", _touch)
FIRING_TDC = Action(
    "firing_tdc", "f", "firing TDC", "cylinder 1 is at its firing TDC", _firing_tdc,
    why_not=needs("stop out", "TDC", "strokes"), steps=("stroke",),
)  # fmt: skip
ENGINE_MARK = Action(
    "engine_mark", "e", "engine's mark", "the crank is at a mark of the engine", _engine_mark,
    why_not=needs("index"), takes="MARK; WITHIN",
)  # fmt: skip

CORE: tuple[Action, ...] = (
    Action("step_done", "enter", "step done", "the step under NEXT is done", _step_done,
           why_not=_why_not_done),
    Action("event_here", "space", "event here", "what the step needs here; also the foot switch",
           _event_here, why_not=_why_no_event,
           now=lambda bench: f"{event.label} here" if (event := _event(bench)) else ""),
    Action("undo", "backspace", "undo", "undo the last thing done, read or touched",
           lambda bench, _: bench.prompt.say(f"Undone: {bench.undo()}."), undo="do it again",
           why_not=needs("something done"), steps=("top dead centre", "reading"), any_time=True),
    Action("skip", "k", "skip", "skip the step under NEXT", _skip, why_not=needs("can be skipped")),
    Action("piston_stop", "p", "piston stop", "the piston stop is in, or out again", _piston_stop,
           why_not=needs("index or stop in"), takes="in or out", steps=("top dead centre",),
           now=lambda bench: f"piston stop is {'out' if bench.host.session.stop else 'in'}"),
    Action("other_cylinder", "o", "other cylinder", "the piston stop is in another cylinder",
           _other_cylinder, why_not=needs("stop out", "cylinders", "no TDC", "index"),
           takes="CYLINDER"),
    Action("dial_gauge", "d", "dial gauge", "TDC by a dial gauge, point by point",
           lambda bench, _: bench.dashboard.begin(GaugePoints(bench.host, bench.prompt)),
           undo="esc", why_not=needs("stop out", "index"), steps=("top dead centre",)),
    ENGINE_MARK,
    Action("select_tdc", "t", "select TDC", "select which of the TDCs found is used",
           lambda bench, _: bench.dashboard.begin(SelectTdc(bench.host)), undo="esc",
           why_not=needs("stop out", "a TDC")),
    FIRING_TDC,
    Action("drag", "b", "drag", "a light drag is held on a rotor, or no longer", _drag, undo="b",
           why_not=needs("a magneto"), takes="UNIT"),
    Action("advance_lever", DIGITS, "lever", "an advance lever is at its next setting", _lever,
           why_not=needs("a lever"), takes="UNIT SETTING", digits=_levers, steps=("reading",),
           any_time=True),
    Action("past_impulse", "i", "past the coupling", "past an impulse coupling, step by step",
           _past_impulse, undo="esc", why_not=needs("a coupling", "stop out", "TDC in use"),
           takes="UNIT"),
    Action("unit_moved", "v", "unit was moved", "a unit was moved: keep its readings apart",
           _unit_moved, why_not=needs("a unit read"), takes="UNIT",
           now=lambda bench: f"{rest[0]} was moved" if (rest := bench.opened_at_rest) else ""),
    Action("go_to", "g", "go to", "go to an angle", _go_to, undo="esc",
           why_not=needs("stop out", "TDC in use"), takes="DEGREES BTDC"),
    Action("as_left", "l", "as left", "everything is tightened: readings are as left", _as_left,
           why_not=needs("not as left")),
    Action("work_done", "w", "work done", "note what was done on the engine or a unit", _work_done,
           takes="WORDS; UNIT", any_time=True),
    Action("remark", "r", "remark", "a remark for the certificate", _remark, takes="WORDS",
           any_time=True),
    Action("leave", "esc", "leave", "leave this part of the work",
           lambda bench, _: bench.dashboard.leave(), undo="begin it again",
           why_not=needs("a procedure"), any_time=True),
    Action("keys", "h", "all keys", "the page of all keys",
           lambda bench, _: bench.dashboard.turn_page(), undo="h or esc", any_time=True),
    Action("quit", "q", "quit", "end here; the capture is kept", _quit, undo="rig live again",
           any_time=True),
)  # fmt: skip
