"""What the dashboard shows, as plain frozen values.

Whoever runs a job fills a ``View``; the dashboard draws it and asks nothing back. The screen does
not know how an angle was found. Angles are degrees of crank, before top dead centre positive
(``btdc``) unless a name says otherwise. Text may come from anywhere (a file, a rig): it is made
harmless when it is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from rig.engine.profile import Setting, Unit
from rig.guide.action import ActionLine, Key, Question, Step, Stroke
from rig.guide.procedure import GoToView, Panel
from rig.timing.assess import UnitVerdict
from rig.timing.values import Assessment, Comparison, Phase, Reading

# The job's steps in order.
STEPS: tuple[Step, ...] = ("connect", "index", "top dead centre", "stroke", "reading", "saved")


Contacts = Literal["open", "closed", "unknown"]


@dataclass(frozen=True, slots=True)
class RigView:
    """Health of the rig."""

    port: str = ""
    name: str = ""
    connected: bool = True
    understood: bool = True  # False: something talks there, and no rig was made out of it yet
    silent_s: float | None = None  # seconds since anything was heard; None: never heard
    lines: int = 0
    line_errors: tuple[tuple[str, int], ...] = ()  # kind, how many
    detail: str = ""  # when something is wrong: what, and what to do


@dataclass(frozen=True, slots=True)
class CrankView:
    """Where the crank is, how it moves, and whether an opening now would be valid."""

    btdc_deg: float | None = None  # in (-180, 180]; None when no TDC is valid
    of: str = "cylinder 1"  # whose top dead centre, or "the nearest" while the stroke is unknown
    why_no_angle: str = ""
    after_index_deg: float | None = None  # in [0, 360): what can be said without a reference
    direction: Literal[1, 0, -1] = 0  # +1 in the normal direction
    speed_deg_s: float = 0.0  # size only
    approach_deg: float = 0.0
    approach_needed_deg: float = 20.0
    shaft: str = ""  # given where there is no top dead centre: whose angle after the index it is
    valid_now: bool = False  # whether an opening now would be valid
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class ReferenceView:
    """The reference of top dead centre in use."""

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
    contacts: Contacts = "unknown"
    readings: tuple[Reading, ...] = ()  # valid ones of this setting and phase, oldest first
    assessments: tuple[Assessment, ...] = ()  # of those that were turned
    whole: Assessment | None = None  # the one that speaks for the unit
    verdict: UnitVerdict = field(default_factory=UnitVerdict)
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

    stop_in: bool = True
    forward_deg: tuple[float, ...] = ()
    backward_deg: tuple[float, ...] = ()
    middle_deg: float | None = None  # top dead centre as it stands
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
    comparisons: tuple[Comparison, ...] = ()
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
