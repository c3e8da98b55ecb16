"""What the dashboard shows, as plain frozen values, and how they follow from a live run.

The screen draws a ``View`` and asks nothing back; it does not know how an angle was found. Angles
are degrees of crank, before TDC positive (``btdc``) unless a name says otherwise. Text may come
from anywhere (a file, a rig): it is made harmless when it is drawn.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Literal

from rig.base import rounding
from rig.base.angles import modulo, wrap
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.engine.profile import Setting, Unit
from rig.guide.action import ActionLine, Key, Question, Step, Stroke
from rig.guide.advice import closing_list
from rig.guide.procedure import Advice, GoToView, Panel, PanelLine, Subject
from rig.guide.state import done_steps, standing_pairs, state_of, step_of, stroke_state
from rig.live.live_session import LiveSession
from rig.tdc.touches import LEAST_WAY_DEG
from rig.timing.advance_range import advance_range
from rig.timing.assess import UnitVerdict, unit_figure, unit_verdict
from rig.timing.values import Assessment, Comparison, Phase, Reading
from rig.words.assessments import few_readings, not_from_own_tdc, range_doubt_words
from rig.words.diagnostics import diagnostic_words, now_words, reason_words

# The job's steps in order.
STEPS: tuple[Step, ...] = ("connect", "index", "top dead centre", "stroke", "reading", "saved")


@dataclass(frozen=True, slots=True)
class RigView:
    """Health of the rig."""

    port: str = ""
    name: str = ""
    connected: bool = True
    understood: bool = True  # False: something talks there, and no rig was made out of it yet
    silent_s: float | None = None  # since anything was received; None: never
    lines: int = 0
    line_errors: tuple[tuple[str, int], ...] = ()  # kind, how many
    detail: str = ""  # when something is wrong: what, and what to do


@dataclass(frozen=True, slots=True)
class CrankView:
    """Where the crank is, how it moves, and whether an opening now would be valid."""

    btdc_deg: float | None = None  # in (-180, 180]; None when no TDC is valid
    of: str = "cylinder 1"  # whose TDC
    why_no_angle: str = ""
    after_index_deg: float | None = None  # in [0, 360): known without TDC
    direction: Literal[1, 0, -1] = 0  # +1 in the normal direction
    speed_deg_s: float = 0.0  # size only
    approach_deg: float = 0.0
    approach_needed_deg: float = 20.0
    shaft: str = ""  # given where there is no TDC: whose angle after the index it is
    valid_now: bool = False  # whether an opening now would be valid
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class ReferenceView:
    """TDC in use."""

    text: str = ""  # method, e.g. "stop, 3 + 3 touches"; empty: none yet
    U_deg: float | None = None
    valid: bool = False  # False after a reset, until the index has passed
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class UnitView:
    """One ignition unit in its present setting and phase."""

    unit: Unit
    setting: Setting
    phase: Phase = "as found"
    contacts_open: bool | None = None
    readings: tuple[Reading, ...] = ()  # valid ones of this setting and phase, oldest first
    assessments: tuple[Assessment, ...] = ()  # of those that were turned
    whole: Assessment | None = None  # the one that speaks for the unit
    verdict: UnitVerdict = field(default_factory=UnitVerdict)
    not_own_tdc: tuple[int, ...] = ()  # cylinders whose degrees are not from their own TDC
    notes: tuple[str, ...] = ()  # further lines: advance range, impulse lag, prediction
    valid: int = 0  # valid openings in all, over all settings: only ever grows
    rejected: int = 0  # rejected openings: only ever grows
    why_rejected: str = ""  # of the last rejected one
    last_valid: bool = False  # whether the very last opening was valid

    @property
    def last(self) -> Reading | None:
        """The last valid opening."""
        return self.readings[-1] if self.readings else None

    @property
    def turned(self) -> tuple[Reading, ...]:
        """The readings that were turned, past any impulse coupling."""
        return tuple(each for each in self.readings if each.kind == "turned")

    def on_scale(self, reading: Reading) -> float | None:
        """Where the window's scale shows a reading, degrees BTDC.

        One of a cylinder with a window of its own is shown as far from the nominal as it is from
        its own. None where it has no angle.
        """
        own, window = self.setting.per_cylinder.get(reading.cylinder or 0), self.setting.window
        if reading.btdc_deg is None or own is None or window is None:
            return reading.btdc_deg
        return reading.btdc_deg - own.nominal_btdc + window.nominal_btdc


@dataclass(frozen=True, slots=True)
class TouchesView:
    """Touches of the piston stop, in degrees after the index."""

    forward_deg: tuple[float, ...] = ()
    backward_deg: tuple[float, ...] = ()
    middle_deg: float | None = None  # TDC so far
    spread_deg: float | None = None
    U_deg: float | None = None
    note: str = ""  # e.g. an unsteady touch, named


@dataclass(frozen=True, slots=True)
class View:
    """Everything on the dashboard at one moment."""

    job: str = ""  # the engine's name
    tag: str = ""  # e.g. "virtual rig, simulated hand"
    instead: str = ""  # what is done in the place of a job on an engine, which has no such steps
    step: Step = "connect"
    done: tuple[Step, ...] = ()
    rig: RigView = RigView()
    crank: CrankView = CrankView()
    reference: ReferenceView = ReferenceView()
    stroke: Stroke = "not stated"
    units: tuple[UnitView, ...] = ()
    comparisons: tuple[tuple[Comparison, ...], ...] = ()  # each pair: over all, then by cylinder
    touches: TouchesView | None = None  # given while the stop is used
    goto: GoToView | None = None  # given while going to an angle
    panel: Panel | None = None  # given while a part of the work has the middle of the screen
    actions: tuple[ActionLine, ...] = ()  # given while the page of all keys is open
    elapsed_s: float = 0.0  # of the capture
    capture: str = ""  # file name
    next: str = ""  # what to do next, one imperative
    then: str = ""  # after it, the key to press: ", then press p"
    why: str = ""  # why, one short sentence
    warning: str = ""  # at the step where it matters: what can injure
    caution: str = ""  # what can damage or be lost
    alarm: str = ""  # what is in danger just now: has the place of the large figure
    message: str = ""  # what has just happened, other than a reading
    question: Question | None = None
    keys: tuple[Key, ...] = ()
    speaking: bool = False


def view_of(
    live: LiveSession,
    advice: Advice,
    shown: GoToView | Panel | None,
    subject: Subject | None = None,
    **own: Any,
) -> View:
    """The view of ``live`` now: ``advice`` under NEXT, ``shown`` in the middle; ``subject`` is what
    is measured in the place of an engine; ``own`` are fields of the dashboard itself."""
    if live.saved is not None:
        items = enumerate(closing_list(state_of(live)), 1)
        shown = Panel("closing list", lines=tuple(PanelLine(f"{n}", words) for n, words in items))
    return View(
        job=subject.name if subject else live.job.profile.engine.name,
        instead=subject.instead if subject else "",
        step=step_of(live),
        done=done_steps(live),
        rig=_rig(live),
        crank=_crank(live, subject),
        reference=ReferenceView(subject.tdc) if subject else _reference(live),
        stroke=stroke_state(live),
        units=tuple(_unit(live, each) for each in live.job.profile.units if subject is None),
        comparisons=tuple(standing_pairs(live.session)) if subject is None else (),
        touches=_touches(live),
        goto=shown if isinstance(shown, GoToView) else None,
        panel=shown if isinstance(shown, Panel) else None,
        elapsed_s=live.elapsed_s,
        capture=live.capture_path.name,
        next=f"{advice.next[:1].upper()}{advice.next[1:]}".rstrip("."),
        why=advice.why,
        warning=advice.warning,
        caution=" ".join(filter(None, (advice.caution, live.caution()))),
        alarm=live.recorder.alarm,
        **own,
    )


def _rig(live: LiveSession) -> RigView:
    session, silent = live.session, live.silent_s
    saved = live.saved is not None  # the capture has ended; nothing is listened to any more
    doubt = session.first_doubt()
    return RigView(
        port=live.url,
        name=session.identity.name if session.identity else "",
        connected=saved or (live.connected and silent is not None),
        understood=saved or live.understood,
        silent_s=0.0 if saved else None if silent is None else round(silent, 1),
        lines=live.lines,
        line_errors=tuple(sorted(session.line_errors.items())),
        detail="" if saved else live.diagnosis() or (diagnostic_words(doubt) if doubt else ""),
    )


def _crank(live: LiveSession, subject: Subject | None) -> CrankView:
    session, now = live.session, live.session.now()
    needed = session.settings.approach_deg
    shaft, btdc, why = subject.shaft if subject else "", None, ""
    if subject is not None:
        why = subject.no_angle
    elif now is None:
        why = "nothing received from the rig yet"
    elif now.crank_deg is None:
        why = reason_words(session.angles_lost) or "turn the crank until the index has passed"
    elif session.reference is None:
        why = "TDC is not known yet"
    elif session.here is None:
        why = reason_words(session.why_no_reference())
    else:
        btdc = wrap(session.here.tdc_deg - now.crank_deg)
    if now is None:
        return CrankView(approach_needed_deg=needed, why_no_angle=why, shaft=shaft)
    if subject is not None:
        why_not = now_words(now.rejection, "it")
    else:
        why_not = "the capture has ended" if live.saved else why or now_words(now.rejection)
    return CrankView(
        btdc_deg=btdc,
        of=f"cylinder {session.reference.cylinder}" if session.reference else "cylinder 1",
        why_no_angle=why,
        after_index_deg=None if now.crank_deg is None else modulo(now.crank_deg),
        direction=now.direction,
        speed_deg_s=round(abs(now.speed_deg_s), 0),
        approach_deg=min(now.approach_deg, needed),
        approach_needed_deg=needed,
        shaft=shaft,
        valid_now=not why_not,
        why_not=why_not,
    )


def _reference(live: LiveSession) -> ReferenceView:
    session, reference = live.session, live.session.reference
    if reference is None:
        return ReferenceView()
    why = reason_words(session.angles_lost)
    if not why and not session.is_anchored:
        why = "valid again after the next index"
    elif not why and session.here is None:
        why = reason_words(session.why_no_reference())
    text = reference.by
    if reference.forward_deg and reference.backward_deg:
        touches = many(len(reference.backward_deg), "touch", "touches")
        text += f", {len(reference.forward_deg)} + {touches}"
    return ReferenceView(text, reference.uncertainty.U_deg, not why, why)


def _unit(live: LiveSession, unit: Unit) -> UnitView:
    session = live.session
    name, phase = session.setting_of(unit.name), session.phase_of(unit.name)
    key = (unit.name, name, phase)
    own = [r for r in session.readings() if r.unit == unit.name]
    rejected = [r for r in own if not r.valid]
    assessments = session.assessments()
    whole = unit_figure(assessments, *key)
    turned = tuple(
        each
        for each in assessments
        if (each.unit, each.setting, each.phase, each.kind) == (*key, "turned")
    )
    return UnitView(
        unit=unit,
        setting=next(s for s in unit.settings if s.name == name),
        phase=phase,
        contacts_open=session.contact_open(unit.input),
        readings=tuple(r for r in own if r.valid and (r.setting, r.phase) == (name, phase)),
        assessments=turned,
        whole=whole,
        verdict=unit_verdict(assessments, *key),
        not_own_tdc=tuple(not_from_own_tdc(turned, session.profile.engine, session.reference)),
        notes=tuple(_notes(live, unit, whole)),
        valid=len(own) - len(rejected),
        rejected=len(rejected),
        why_rejected=reason_words(rejected[-1].rejection) if rejected else "",
        last_valid=bool(own) and own[-1].valid,
    )


def _notes(live: LiveSession, unit: Unit, whole: Assessment | None) -> Iterator[str]:
    """Further lines of a unit: few readings, the range of its lever, the lag of its coupling."""
    session = live.session
    if whole and (few := few_readings(whole.uncertainty, whole.n)):
        yield few
    settings = [setting.name for setting in unit.settings]
    with suppress(InputError):  # not both ends are read yet
        found = advance_range(
            session.assessments(), unit.name, settings, encoder=session.profile.encoder
        )
        yield f"advance range {found.size}"  # what is left of it: rig range
        yield from range_doubt_words(found)
    here = (unit.name, session.setting_of(unit.name), session.phase_of(unit.name))
    for lag in session.lags():
        if (lag.unit, lag.setting, lag.phase) == here:
            unknown = "" if lag.expected else ": none is entered for this unit"
            sd = f", SD {rounding.scatter(lag.sd_deg)}°" if lag.n > 1 else ""
            late = "late" if lag.running else "after the nominal"
            yield (
                f"impulse coupling: {rounding.figure(lag.lag_deg)}° {late}{sd},"
                f" {many(lag.n, 'time')}{unknown}"
            )


def _touches(live: LiveSession) -> TouchesView | None:
    session = live.session
    stop = session.touches()
    if stop is None:
        return None
    forward, backward = stop.side(1), stop.side(-1)
    unsteady = next((touch for touch in reversed(stop.touches) if not touch.steady), None)
    short, note = session.short_way(), ""
    if short is not None and (unsteady is None or unsteady.t_us < short.t_us):
        side, away = ("forward", "back") if short.side > 0 else ("back", "forward")
        note = (
            f"Held turning {side} after only {short.way_deg:.0f}°: no touch. Go {away}"
            f" {LEAST_WAY_DEG:.0f}° or more, then touch again."
        )
    elif unsteady is not None:
        side = "forward" if unsteady.side > 0 else "back"
        note = f"A touch turning {side} was not held steady: touch again."
    elif not forward and not backward:
        note = f"Approach it over {LEAST_WAY_DEG:.0f}° or more from each side."
    try:
        found = stop.reference(live.job.profile)
    except InputError:
        return TouchesView(forward, backward, note=note)
    spreads = [_across(side) for side in (forward, backward) if len(side) > 1]
    note = note or next(iter(found.warnings), "") or few_readings(found.uncertainty, 0)
    return TouchesView(
        forward, backward, found.tdc_deg, max(spreads, default=None),
        found.uncertainty.U_deg, note,
    )  # fmt: skip


def _across(angles_deg: Sequence[float]) -> float:
    """How far touches lie apart, degrees, also where some lie before the index and some after."""
    off = [wrap(angle - angles_deg[0]) for angle in angles_deg]
    return max(off) - min(off)
