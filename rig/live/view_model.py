"""What the dashboard shows of a live run: a ``View`` of the session as it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.base import rounding
from rig.base.angles import modulo, wrap
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.engine.profile import Unit
from rig.guide.action import ActionLine, Key, Question
from rig.guide.advice import closing_list, done_steps, guidance, state_of, step_of, stroke_state
from rig.guide.procedure import Advice, GoToView, Panel, PanelLine, Procedure
from rig.live.live_session import SILENT_AFTER_S, LiveSession
from rig.live.view import (
    Contacts,
    CrankView,
    ReferenceView,
    RigView,
    TouchesView,
    UnitView,
    View,
)
from rig.session.session import Session
from rig.tdc.piston_stop import LEAST_WAY_DEG
from rig.timing.advance_range import advance_range
from rig.timing.assess import unit_figure, unit_verdict
from rig.timing.values import Comparison
from rig.words.assessments import few_readings
from rig.words.diagnostics import diagnostic_words, now_words, reason_words


@dataclass(slots=True)
class Conversation:
    """What the command itself has to say on the screen."""

    tag: str = ""
    message: str = ""
    question: Question | None = None
    speaking: bool = False
    then: str = ""  # after the instruction of NEXT: the key to press
    advice: Advice | None = None  # what comes next, where that was worked out already
    procedure: Procedure | None = None
    page: tuple[ActionLine, ...] = ()  # the page of all keys, while it is open
    keys: tuple[Key, ...] = ()  # of the foot


def view_of(live: LiveSession, conversation: Conversation) -> View:
    """The view of ``live`` now."""
    session = live.session
    step = step_of(live)
    advice = conversation.advice or guidance(live)
    shown: GoToView | Panel | None = _closing(live) if live.saved is not None else None
    if conversation.procedure is not None and live.saved is None:
        advice, shown = conversation.procedure.advice(), conversation.procedure.show(session.now())
    return View(
        job=live.job.profile.engine.name,
        tag=conversation.tag,
        step=step,
        done=done_steps(live),
        rig=_rig(live),
        crank=_crank(live),
        reference=_reference(live),
        stroke=stroke_state(live),
        units=tuple(_unit(live, unit) for unit in live.job.profile.units),
        comparisons=tuple(_as_it_stands(session.comparisons())),
        touches=_touches(live),
        goto=shown if isinstance(shown, GoToView) else None,
        panel=shown if isinstance(shown, Panel) else None,
        actions=conversation.page,
        elapsed_s=live.elapsed_s,
        capture=live.capture_path.name,
        next=f"{advice.next[:1].upper()}{advice.next[1:]}".rstrip("."),
        then=conversation.then,
        why=advice.why,
        warning=advice.warning,
        caution=" ".join(filter(None, (advice.caution, live.caution()))),
        alarm=live.alarm,
        message=conversation.message,
        question=conversation.question,
        keys=conversation.keys,
        speaking=conversation.speaking,
    )  # fmt: skip


def _closing(live: LiveSession) -> Panel:
    """What is left to do at the engine."""
    items = enumerate(closing_list(state_of(live)), 1)
    return Panel("closing list", lines=tuple(PanelLine(f"{n}", words) for n, words in items))


def _rig(live: LiveSession) -> RigView:
    session = live.session
    silent = live.silent_s
    if live.saved is not None:  # the capture has ended; nothing is listened to any more
        return RigView(
            live.url,
            session.identity.name if session.identity else "",
            lines=live.lines,
            silent_s=0.0,
            line_errors=tuple(sorted(session.line_errors.items())),
        )
    return RigView(
        port=live.url,
        name=session.identity.name if session.identity else "",
        connected=not live.lost and silent is not None and silent < SILENT_AFTER_S,
        understood=live.understood,
        silent_s=None if silent is None else round(silent, 1),
        lines=live.lines,
        line_errors=tuple(sorted(session.line_errors.items())),
        detail=live.diagnosis() or _first_doubt(session),
    )


def _first_doubt(session: Session) -> str:
    doubt = session.first_doubt()
    return diagnostic_words(doubt) if doubt else ""


def _crank(live: LiveSession) -> CrankView:
    session = live.session
    now = session.now()
    needed = session.settings.approach_deg
    if now is None:
        return CrankView(
            approach_needed_deg=needed, why_no_angle="nothing received from the rig yet"
        )
    btdc, why = None, ""
    if now.crank_deg is None:
        lost = reason_words(session.angles_lost)
        why = lost or "turn the crank until the index has passed"
    elif session.reference is None:
        why = "TDC is not known yet"
    elif session.here is None:
        why = reason_words(session.why_no_reference())
    else:
        btdc = wrap(session.here.tdc_deg - now.crank_deg)
    return CrankView(
        btdc_deg=btdc,
        of=f"cylinder {session.reference.cylinder}" if session.reference else "cylinder 1",
        why_no_angle=why,
        after_index_deg=None if now.crank_deg is None else modulo(now.crank_deg),
        direction=now.direction,
        speed_deg_s=round(abs(now.speed_deg_s), 0),
        approach_deg=min(now.approach_deg, needed),
        approach_needed_deg=needed,
        valid_now=now.rejection is None and not why,
        why_not=why or now_words(now.rejection),
    )


def _reference(live: LiveSession) -> ReferenceView:
    reference = live.session.reference
    if reference is None:
        return ReferenceView()
    lost = live.session.angles_lost
    valid = live.session.is_anchored and lost is None
    why = "" if valid else reason_words(lost) or "valid again after the next index"
    if valid and live.session.here is None:
        valid, why = False, reason_words(live.session.why_no_reference())
    text = reference.by
    if reference.forward_deg and reference.backward_deg:
        text += (
            f", {len(reference.forward_deg)} + "
            f"{many(len(reference.backward_deg), 'touch', 'touches')}"
        )
    return ReferenceView(text, reference.uncertainty.U_deg, valid, why)


def _as_it_stands(comparisons: Sequence[Comparison]) -> list[Comparison]:
    """Of each pair the last phase that was read; over all cylinders."""
    last: dict[tuple[str, str, str], Comparison] = {}
    for each in comparisons:  # phases come in order
        if each.cylinder is None:
            last[each.first, each.second, each.setting] = each
    return list(last.values())


def _unit(live: LiveSession, unit: Unit) -> UnitView:
    session = live.session
    name = session.setting_of(unit.name)
    phase = session.phase_of(unit.name)
    own = [r for r in session.readings() if r.unit == unit.name]
    rejected = [r for r in own if not r.valid]
    assessments = session.assessments()
    key = (unit.name, name, phase)
    whole = unit_figure(assessments, *key)
    few = few_readings(whole.uncertainty, whole.n) if whole else ""
    return UnitView(
        unit=unit,
        setting=next(s for s in unit.settings if s.name == name),
        phase=phase,
        contacts=_contacts(live, unit),
        readings=tuple(r for r in own if r.valid and (r.setting, r.phase) == (name, phase)),
        assessments=tuple(
            j for j in assessments if (j.unit, j.setting, j.phase, j.kind) == (*key, "turned")
        ),
        whole=whole,
        verdict=unit_verdict(assessments, *key),
        notes=tuple(filter(None, (few, *_notes(live, unit)))),
        valid=len(own) - len(rejected),
        rejected=len(rejected),
        why_rejected=reason_words(rejected[-1].rejection) if rejected else "",
        last_valid=bool(own) and own[-1].valid,
    )


def _notes(live: LiveSession, unit: Unit) -> tuple[str, ...]:
    """Further lines of a unit: the range of its lever, the lag of its coupling."""
    session = live.session
    notes = []
    judged = session.assessments()
    here = (session.setting_of(unit.name), session.phase_of(unit.name))
    try:
        settings = [setting.name for setting in unit.settings]
        encoder = session.profile.encoder
        found = advance_range(judged, unit.name, settings, encoder=encoder)
    except InputError:  # not both ends are read yet
        found = None
    if found is not None:
        notes.append(f"advance range {found.size}")  # what is left of it: rig range
        notes += found.warnings
    notes += [
        f"impulse coupling: {rounding.figure(lag.lag_deg)}° late, SD"
        f" {rounding.scatter(lag.sd_deg)}°, {many(lag.n, 'time')}"
        + ("" if lag.expected else ": none is entered for this unit")
        for lag in session.lags()
        if (lag.unit, lag.setting, lag.phase) == (unit.name, *here)
    ]
    return tuple(notes)


def _contacts(live: LiveSession, unit: Unit) -> Contacts:
    is_open = live.session.contact_open(unit.input)
    return "unknown" if is_open is None else "open" if is_open else "closed"


def _touches(live: LiveSession) -> TouchesView | None:
    session = live.session
    stop = session.touches()
    if stop is None:
        return None
    forward, backward = stop.side(1), stop.side(-1)
    unsteady = [touch for touch in stop.touches if not touch.steady]
    note = ""
    if unsteady:
        side = "forward" if unsteady[-1].side > 0 else "back"
        note = f"A touch turning {side} was not held steady: touch again."
    short = session.short_way()
    if short is not None and (not unsteady or unsteady[-1].t_us < short.t_us):
        side, away = ("forward", "back") if short.side > 0 else ("back", "forward")
        note = (
            f"Held turning {side} after only {short.way_deg:.0f}°: no touch. Go {away}"
            f" {LEAST_WAY_DEG:.0f}° or more, then touch again."
        )
    if not note and not forward and not backward:
        note = f"Approach it over {LEAST_WAY_DEG:.0f}° or more from each side."
    try:
        found = stop.reference(live.job.profile)
    except InputError:
        return TouchesView(True, forward, backward, note=note)
    spreads = [_across(side) for side in (forward, backward) if len(side) > 1]
    U_deg = found.uncertainty.U_deg
    return TouchesView(
        True, forward, backward, found.tdc_deg, max(spreads, default=None), U_deg,
        note or (found.warnings[0] if found.warnings else few_readings(found.uncertainty, 0)),
    )  # fmt: skip


def _across(angles_deg: Sequence[float]) -> float:
    """How far touches lie apart, degrees, also where some lie before the index and some after."""
    off = [wrap(angle - angles_deg[0]) for angle in angles_deg]
    return max(off) - min(off)
