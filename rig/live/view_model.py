"""What the dashboard shows of a live run: a ``View`` of the session as it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.base import rounding
from rig.base.angles import modulo, wrap
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.engine.profile import Setting, Unit
from rig.guide.action import ActionLine, Key, Question
from rig.guide.advice import closing_list, done_steps, guidance, state_of, step_of, stroke_state
from rig.guide.procedure import Advice, GoToView, Panel, PanelLine, Procedure
from rig.live.live_session import SILENT_AFTER_S, LiveSession
from rig.live.view import (
    ComparisonView,
    Contacts,
    CrankView,
    CylinderView,
    ReferenceView,
    RigView,
    TouchesView,
    UnitView,
    View,
)
from rig.session.session import Session
from rig.tdc.piston_stop import LEAST_WAY_DEG
from rig.timing.advance_range import advance_range
from rig.timing.assess import against_limit, unit_figure, unit_verdict
from rig.timing.values import Assessment, Comparison, Reading
from rig.words.assessments import MARKS, few_readings
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
        comparisons=tuple(map(_comparison, _as_it_stands(session.comparisons()))),
        touches=_touches(live),
        goto=shown if isinstance(shown, GoToView) else None,
        panel=shown if isinstance(shown, Panel) else None,
        actions=conversation.page,
        elapsed_s=live.elapsed_s,
        capture=live.capture_path.name,
        next=_sentence(f"{advice.next}{conversation.then}"),
        why=advice.why,
        caution=" │ ".join(filter(None, (advice.caution, live.caution()))),
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
            troubles=tuple(sorted(session.troubles.items())),
        )
    return RigView(
        port=live.url,
        name=session.identity.name if session.identity else "",
        connected=not live.lost and silent is not None and silent < SILENT_AFTER_S,
        understood=live.understood,
        silent_s=None if silent is None else round(silent, 1),
        lines=live.lines,
        troubles=tuple(sorted(session.troubles.items())),
        detail=live.diagnosis() or _first_doubt(session),
    )


def _first_doubt(session: Session) -> str:
    doubt = session.first_doubt()
    return diagnostic_words(doubt) if doubt else ""


def _crank(live: LiveSession) -> CrankView:
    session = live.session
    now = session.now()
    needed = session.settings.run_up_deg
    if now is None:
        return CrankView(run_up_needed_deg=needed, why_no_angle="the rig has not been heard yet")
    btdc, why = None, ""
    if now.crank_deg is None:
        lost = reason_words(session.angles_lost)
        why = lost or "turn the crank until the index has passed"
    elif session.reference is None:
        why = "top dead centre is not known yet"
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
        run_up_deg=min(now.run_up_deg, needed),
        run_up_needed_deg=needed,
        will_count=now.rejection is None and not why,
        why_not=why or now_words(now.rejection),
    )


def _reference(live: LiveSession) -> ReferenceView:
    reference = live.session.reference
    if reference is None:
        return ReferenceView()
    lost = live.session.angles_lost
    holds = live.session.is_anchored and lost is None
    why = "" if holds else reason_words(lost) or "it holds as soon as the index has passed"
    if holds and live.session.here is None:
        holds, why = False, reason_words(live.session.why_no_reference())
    text = reference.by
    if reference.forward_deg and reference.backward_deg:
        text += (
            f", {len(reference.forward_deg)} + "
            f"{many(len(reference.backward_deg), 'touch', 'touches')}"
        )
    return ReferenceView(text, reference.uncertainty.U_deg, holds, why)


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
    setting = next(s for s in unit.settings if s.name == name)
    phase = session.phase_of(unit.name)
    own = [r for r in session.readings() if r.unit == unit.name]
    here = [r for r in own if r.valid and (r.setting, r.phase) == (name, phase)]
    judged = [
        j for j in session.judgements()
        if (j.unit, j.setting, j.phase, j.kind) == (unit.name, name, phase, "turned")
    ]  # fmt: skip
    whole = unit_figure(session.judgements(), unit.name, name, phase)
    verdict = unit_verdict(session.judgements(), unit.name, name, phase)
    turned = [r for r in here if r.kind == "turned" and r.btdc_deg is not None]
    last = here[-1] if here else None
    uncounted = [r for r in own if not r.valid]
    window = setting.window
    notes = _notes(live, unit)
    few = few_readings(whole.uncertainty, whole.n) if whole else ""
    return UnitView(
        name=unit.name,
        input=unit.input,
        setting=name,
        phase=phase,
        contacts=_contacts(live, unit),
        last_btdc=last.btdc_deg if last else None,
        last_cylinder=last.cylinder if last else None,
        last_kind=last.kind if last else "turned",
        last_words=_last_words(last, setting),
        last_nominal_btdc=_own_nominal(setting, last.cylinder) if last else None,
        earliest_btdc=window.earliest_btdc if window else None,
        nominal_btdc=window.nominal_btdc if window else None,
        latest_btdc=window.latest_btdc if window else None,
        readings_btdc=tuple(r.btdc_deg for r in turned if r.btdc_deg is not None),
        nominals_btdc=tuple(_own_nominal(setting, r.cylinder) for r in turned),
        mean_btdc=whole.mean_btdc if whole else None,
        sd_deg=whole.sd_deg if whole else None,
        U_deg=whole.uncertainty.U_deg if whole and whole.uncertainty else None,
        verdict=verdict.verdict,
        verdict_cylinders=verdict.cylinders if whole and whole.verdict != verdict.verdict else (),
        words=whole.words if whole else "",
        settle=_settle(whole) if whole else "",
        cylinders=tuple(_cylinder(j) for j in judged if j is not whole),
        marks=tuple(MARKS[mark] for mark in whole.marks) if whole else (),
        notes=tuple(filter(None, (few, *notes))),
        counted=sum(r.valid for r in own),
        not_counted=len(uncounted),
        why_not_counted=reason_words(uncounted[-1].rejection) if uncounted else "",
        counted_since=bool(own) and own[-1].valid,
    )


def _settle(whole: Assessment) -> str:
    """What would settle it; where there is no mean, why, first."""
    return f"{whole.words}: {whole.settle}" if whole.groups else whole.settle


def _notes(live: LiveSession, unit: Unit) -> tuple[str, ...]:
    """Further lines of a unit: the range of its lever, the lag of its coupling."""
    session = live.session
    notes = []
    judged = session.judgements()
    try:
        settings = [setting.name for setting in unit.settings]
        encoder = session.profile.encoder
        found = advance_range(judged, unit.name, settings, encoder=encoder)
    except InputError:  # not both ends are read yet
        found = None
    if found is not None:
        notes.append(f"lever range {found.size}")  # what is left of it: rig range
        notes += found.warnings
    notes += [
        f"impulse coupling: {rounding.figure(lag.lag_deg)}° late, spread"
        f" {rounding.scatter(lag.sd_deg)}°, {many(lag.n, 'time')}"
        + ("" if lag.expected else ": none is stated for this unit")
        for lag in session.lags()
        if lag.unit == unit.name
    ]
    return tuple(notes)


def _own_nominal(setting: Setting, cylinder: int | None) -> float | None:
    """What is wanted of a cylinder that has a figure of its own, degrees BTDC."""
    own = setting.per_cylinder.get(cylinder or 0)
    return own.nominal_btdc if own else None


def _last_words(last: Reading | None, setting: Setting) -> str:
    if last is None or last.btdc_deg is None:
        return ""
    window = setting.per_cylinder.get(last.cylinder or 0, setting.window)
    if last.kind == "impulse":
        return "impulse coupling: not a running figure"
    if last.wrong_stroke:
        return "on the other stroke: one crank turn out"
    if window is None:
        return "no window stated"
    if window.latest_btdc <= last.btdc_deg <= window.earliest_btdc:
        return "inside"
    return against_limit(last.btdc_deg, window, None)


def _cylinder(j: Assessment) -> CylinderView:
    U_deg = j.uncertainty.U_deg if j.uncertainty else None
    return CylinderView(j.cylinder, j.n, j.mean_btdc, j.sd_deg, U_deg, j.verdict, j.words)


def _comparison(c: Comparison) -> ComparisonView:
    U_deg = c.uncertainty.U_deg if c.uncertainty else None
    return ComparisonView(c.first, c.second, c.words, c.difference_deg, U_deg, c.verdict)


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
        note = f"a touch turning {side} was not held steady and is left out: touch again"
    short = session.short_way()
    if short is not None and (not unsteady or unsteady[-1].t_us < short.t_us):
        side, away = ("forward", "back") if short.side > 0 else ("back", "forward")
        note = (
            f"held turning {side} after only {short.way_deg:.0f}°: no touch. Go {away}"
            f" {LEAST_WAY_DEG:.0f}° or more, then come to the stop again"
        )
    if not note and not forward and not backward:
        note = f"come to it over {LEAST_WAY_DEG:.0f}° or more, on either side"
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


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."
